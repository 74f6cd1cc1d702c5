"""The telephone carrier as the rest of Ebbline sees it: seven calls, and the ways to fail.

An adapter turns these calls into one carrier's own API. The contract test in
`tests/test_carrier_contract.py` runs on every adapter.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Mapping, Protocol, Sequence


class CarrierError(Exception):
    """The carrier did not take the text. `code` is the carrier's own code or None."""

    def __init__(self, text, code=None):
        super().__init__(text)
        self.code = code


class CarrierDown(CarrierError):
    """Nothing reached the carrier, or it said "later": the text was certainly not taken; try again."""


class CarrierUnsure(CarrierError):
    """The call broke after it was made: the text may have been taken. Look before sending again."""


class CarrierRefused(CarrierError):
    """The carrier refused for good (opted out, no such number): do not try again, tell a person."""


class MediaRefused(CarrierError):
    """A picture that is not taken: wrong place, kind or size, or gone. Asking again does not help."""


@dataclass(frozen=True)
class InboundText:
    """One text from a phone, as the carrier tells it. `sent_at` is the carrier's own time (aware UTC)."""

    carrier_id: str
    from_number: str
    to_number: str
    body: str
    media: tuple[str, ...] = ()
    sent_at: datetime | None = None


@dataclass(frozen=True)
class SentText:
    """One text of ours that the carrier has taken."""

    carrier_id: str
    to_number: str
    body: str
    sent_at: datetime


@dataclass(frozen=True)
class Status:
    """A report on a text of ours: `sent`, `delivered`, `undelivered` or `failed`, with the carrier's error code."""

    carrier_id: str
    state: str
    code: str | None = None


class Carrier(Protocol):
    def send(self, to_number: str, body: str, valid_for_s: int | None = None) -> str:
        """Hand over one text; return the carrier's id. Raises CarrierDown, CarrierUnsure or CarrierRefused."""

    def sent_since(self, to_number: str, since: datetime) -> Sequence[SentText]:
        """Texts of ours to this number that the carrier took at or after `since`. Raises CarrierDown."""

    def inbound_since(self, since: datetime) -> Sequence[InboundText]:
        """Texts from phones that the carrier received at or after `since`, oldest first. Raises CarrierDown."""

    def genuine(self, url: str, form: Mapping[str, Sequence[str]], headers: Mapping[str, str]) -> bool:
        """Did this webhook request come from the carrier? `url` is the configured public URL of the request."""

    def read_inbound(self, form: Mapping[str, Sequence[str]]) -> InboundText:
        """The text in a webhook form. ValueError names the field that is missing or bad."""

    def read_status(self, form: Mapping[str, Sequence[str]]) -> Status:
        """The report in a status form. ValueError names the field that is missing or bad."""

    def fetch_media(self, url: str, folder: Path) -> Path:
        """Fetch one picture into a private folder under a random name. Raises MediaRefused, CarrierDown, or ValueError
        for a folder that others can read."""
