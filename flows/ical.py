"""Planned times as an iCalendar file (RFC 5545). Every occasion is an event of its own in UTC: what was moved, paused or is
in another zone is then right in every program, whatever it makes of rules and zones."""

from datetime import datetime, timedelta
from typing import NamedTuple

LINE_OCTETS = 75  # RFC 5545 3.1
_ESCAPES = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})  # RFC 5545 3.3.11


class Event(NamedTuple):
    """One planned time: a key that stays the same, its moment (aware UTC), its minutes, and words that anybody may see."""

    key: str
    at: datetime
    minutes: float
    words: str


def calendar(title: str, events: list[Event], now: datetime) -> str:
    """The file of these events: lines that end in CRLF and are folded at 75 octets. now: aware UTC."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Ebbline//Schedule//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH",
             f"X-WR-CALNAME:{title.translate(_ESCAPES)}"]
    for event in events:
        end_at = event.at + timedelta(minutes=max(1, round(event.minutes)))
        lines += ["BEGIN:VEVENT", f"UID:{event.key}@ebbline", f"DTSTAMP:{_utc(now)}", f"DTSTART:{_utc(event.at)}", f"DTEND:{_utc(end_at)}",
                  f"SUMMARY:{event.words.translate(_ESCAPES)}", "CLASS:PRIVATE", "TRANSP:TRANSPARENT", "END:VEVENT"]
    return "".join(f"{_folded(line)}\r\n" for line in [*lines, "END:VCALENDAR"])


def _utc(at):
    return f"{at:%Y%m%dT%H%M%SZ}"


def _folded(line):
    """A long line as RFC 5545 folds it, never inside a letter."""
    parts, part, size = [], "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > LINE_OCTETS:
            parts.append(part)
            part, size = "", 1  # the space that a folded line begins with
        part, size = part + letter, size + octets
    return "\r\n ".join([*parts, part])
