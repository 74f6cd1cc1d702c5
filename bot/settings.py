"""The settings of one installation, from one TOML file.

What decides about a patient's safety has no default: a practice that has not said who answers, when and how soon
does not start. Every key is a field of a data class below, with its check, its meaning and a sample beside it; the
sample file, the docstrings and the list of known keys all come from there.
"""

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

from flows.hours import Hours, HoursError, Quiet, parse_hours, parse_quiet, zone_named
from flows.rotation import AREAS

VARIABLE = "EBBLINE_SETTINGS"
DEFAULT_NAME = "ebbline.toml"
SAMPLE_SECRET = "change-me"

E164 = re.compile(r"\+[1-9]\d{1,14}", re.ASCII)  # ITU-T E.164: at most 15 digits, none of them a leading zero
_SHORT_NUMBER = re.compile(r"\d{2,6}|\+[1-9]\d{1,14}", re.ASCII)
_LINE_NUMBER = re.compile(r"\+?\d(?:[ -]?\d){1,14}", re.ASCII)
_VARIABLE_NAME = re.compile("[A-Z][A-Z0-9_]*", re.ASCII)  # a pasted token has small letters, so it is found out here


class Problem(NamedTuple):
    """One thing to mend. key is "section.key", a section, or "" for the whole file."""

    file: str
    key: str
    wrong: str
    mend: str

    def __str__(self):
        return f"{self.file}: {self.key + ': ' if self.key else ''}{self.wrong}; {self.mend}"


class SettingsError(ValueError):
    """The settings cannot be used. `problems` holds every `Problem` of the file, in the order of the sample."""

    def __init__(self, problems):
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


class _Bad(Exception):
    """(what is wrong, the mend) of one value."""


# ---- checks: a value as TOML gives it -> the value that the program uses, or _Bad

def _text(value):
    if not isinstance(value, str) or not value.strip():
        raise _Bad(f"{_shown(value)} is not a text", "write some words in double quotes")
    return value.strip()


def _secret(value):
    if not isinstance(value, str) or not value.strip():  # never shown, also when it is wrong
        raise _Bad("is not a text", "write the secret in double quotes")
    return value


def _variable(value):
    if not isinstance(value, str) or not _VARIABLE_NAME.fullmatch(value):  # never shown: it may be the secret itself
        raise _Bad("is not the name of an environment variable",
                   'write the name of the variable that holds the secret, in capitals, like "EBBLINE_AUTH_TOKEN"; '
                   "never the secret itself")
    return value


def _sid(prefix, what):
    return _matching(re.compile(f"{prefix}[0-9a-fA-F]{{32}}"), what,
                     f"copy it from the carrier's console: {prefix} and 32 digits or letters a to f")


def _matching(pattern, what, mend):
    def check(value):
        if not isinstance(value, str) or not pattern.fullmatch(value):
            raise _Bad(f"{_shown(value)} is not {what}", mend)
        return value
    return check


def _one_of(*words):
    return _matching(re.compile("|".join(map(re.escape, words))), " or ".join(words),
                     "write " + " or ".join(f'"{word}"' for word in words))


def _whole(low, high):
    def check(value):
        if type(value) is not int or not low <= value <= high:  # bool is an int, and true is no number of minutes
            raise _Bad(f"{_shown(value)} is not a whole number from {low} to {high}", "write it without quotes")
        return value
    return check


def _amount(above, high):
    def check(value):
        if type(value) not in (int, float) or not math.isfinite(value) or not above < value <= high:
            raise _Bad(f"{_shown(value)} is not a number above {above} and up to {high}", "write it without quotes")
        return value
    return check


def _flag(value):
    if type(value) is not bool:
        raise _Bad(f"{_shown(value)} is neither true nor false", "write true or false, without quotes")
    return value


def _read_by(parse):
    def check(value):
        try:
            return parse(_text(value))
        except HoursError as error:
            raise _Bad(*(str(error).rsplit("; ", 1))) from error
    return check


def _areas(value):
    areas = tuple(word.strip() for word in _text(value).split(","))
    for area in areas:
        if area not in AREAS:
            raise _Bad(f"{_shown(area)} is no area of the body that we know", f"write some of {', '.join(AREAS)}, parted by commas")
    return areas


def _zone(value):
    zone_named(value)
    return value


def _web_address(value):
    text = _text(value)
    try:
        parts = urlsplit(text)
        good = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        good = False
    if not good or parts.query or parts.fragment or parts.username is not None or any(map(str.isspace, text)):
        raise _Bad(f"{_shown(value)} is not a plain web address",
                   'write it like "https://texts.example.org", without ? or # and without a name before the host')
    return text.rstrip("/")


def _shown(value):
    return json.dumps(value, ensure_ascii=False, default=str)


_PHONE = _matching(E164, "a phone number in E.164 form", 'write + country code and number, like "+13125550123"')
_REQUIRED = object()


def _key(check: Callable, about: str, sample, default=_REQUIRED, secret=False):
    """A field of a settings class. sample: the value in the sample file. A key with a default may be left out."""
    given = {} if default is _REQUIRED else {"default": default}
    return field(**given, repr=not secret, metadata={"check": check, "about": about, "sample": sample})


def _section(cls):
    """Data class decorator: frozen, keyword only, and every key's meaning in the docstring."""
    cls = dataclass(frozen=True, kw_only=True)(cls)
    keys = [f"    {key.name}: {_about(key)}" for key in fields(cls) if key.metadata]
    cls.__doc__ = cls.__doc__.rstrip() + "\n\n" + "\n".join(keys) + "\n"
    return cls


def _about(key):
    if key.default is MISSING:
        return key.metadata["about"]
    default = "none" if key.default is None else _shown(key.metadata["sample"] if isinstance(key.default, tuple) else key.default)
    return f"{key.metadata['about']} May be left out: {default}."


# ---- the settings

@_section
class Practice:
    """[practice]: who the practice is, and the numbers that patients are told."""

    name: str = _key(_text, "The practice's name as patients know it.", "Tern Bay Home Infusion")
    emergency_number: str = _key(
        _matching(_SHORT_NUMBER, "an emergency number", 'write its digits in quotes, like "911"'),
        "Number to call in an emergency, as it is dialled.", "911")
    crisis_line: str = _key(
        _matching(_LINE_NUMBER, "a phone number", 'write its digits in quotes, like "988"'),
        "Number to call or text with thoughts of suicide, as it is dialled.", "988")
    practice_number: str = _key(
        _PHONE, "The practice's telephone, for patients to call in working hours (E.164).", "+13125550110")
    fallback_number: str = _key(
        _PHONE, "Telephone that a human answers at any hour, for when nobody acknowledges (E.164).", "+13125550120")
    zone: str = _key(_read_by(_zone), "The practice's time zone (IANA name).", "America/Chicago")
    country: str = _key(
        _matching(re.compile("[A-Z]{2}"), "a country code", 'write its two capital letters (ISO 3166), like "US"'),
        "Country of the practice (ISO 3166, two letters).", "US")


@_section
class OpeningHours:
    """[hours]: when the practice works and when patients are left in peace."""

    open: Hours = _key(
        _read_by(parse_hours), 'Working hours, like "Mon-Thu 08:00-17:00, Fri 08:00-12:00".', "Mon-Fri 08:00-17:00")
    quiet: Quiet = _key(
        _read_by(parse_quiet), 'Hours in which nothing routine is sent, patient\'s local time; "none" for never.',
        "21:00-08:00")
    call_back_hours: float = _key(
        _amount(0, 200), "Working hours within which a nurse calls back about a matter that can wait.", 4)


@_section
class AnswerTimes:
    """[answer_within_minutes]: how soon a nurse must acknowledge a page before the next is paged."""

    emergency: int = _key(_whole(1, 1440), "Minutes to acknowledge an emergency.", 5)
    urgent: int = _key(_whole(1, 1440), "Minutes to acknowledge an urgent matter; not less than for an emergency.", 15)


@_section
class Conversation:
    """[conversation]: how long the talk waits for a patient."""

    ask_minutes: int = _key(
        _whole(1, 5), "Minutes of silence after the safety question before a nurse is paged, 5 at most.", 5)
    silent_while_infusing_minutes: int = _key(
        _whole(1, 1440), "Minutes of silence after the question at an infusion's expected end before a nurse is paged.",
        20)
    second_reminder_minutes: int = _key(
        _whole(1, 10080), "Minutes from an unanswered reminder to the second.", 120, default=120)
    coordinator_after_minutes: int = _key(
        _whole(1, 10080), "Minutes from an unanswered reminder until the coordinator is told.", 240, default=240)
    window_hours: int = _key(
        _whole(1, 168), "Hours from the planned time in which an infusion still counts as that occasion's.", 24,
        default=24)
    late_window_hours: int = _key(
        _whole(0, 168), "Hours from the planned time in which a missed infusion may be caught up without asking a nurse; 0: a nurse is "
        "always asked. Published advice conflicts.", 0, default=0)
    grace_minutes: int = _key(
        _whole(0, 1440), "Minutes past the expected end of an infusion before we ask.", 10, default=10)
    put_off_minutes: int = _key(
        _whole(1, 10080), 'Minutes until the next reminder when a patient says "later" and no time.', 120, default=120)


@_section
class Care:
    """[care]: infusion sites and supplies. Everything may be left out; then no text says more than without it."""

    site_rule: str = _key(
        _one_of("rotate", "same"), 'How the next sites are proposed: "rotate" (the longest rested first) or "same" (those of '
        "the last dose without trouble). Published advice conflicts.", "rotate", default="rotate")
    sites_in_reminder: bool = _key(
        _flag, "Name the proposed sites in the reminder, when as many as ordered can be proposed.", False, default=False)
    site_areas: tuple = _key(
        _areas, f'Areas that may be proposed to any patient, parted by commas ({", ".join(AREAS)}); others only to who has used '
        "them.", "belly, thigh", default=("belly", "thigh"))
    site_rest_days: int = _key(
        _whole(0, 90), 'Days that a site rests before "rotate" proposes it again.', 0, default=0)
    site_avoid_days: int = _key(
        _whole(0, 365), "Days after a trouble at a site in which another is proposed.", 14, default=14)
    site_spacing_in: float = _key(
        _amount(0, 12), "Inches between two sites of one area; 4 is right for every product that asks for 2 or 4.", 4, default=4)
    refill_lead_days: int = _key(
        _whole(0, 90), "Days that a refill takes; the coordinator gets a task as soon as the counted supplies no longer cover "
        "the infusions of these days and one more.", 7, default=7)


@_section
class Sending:
    """[sending]: how texts leave and arrive."""

    delivery_wait_minutes: int = _key(
        _whole(1, 1440), "Minutes without a delivery report after which a text counts as not delivered.", 3)
    public_url: str = _key(
        _web_address, "Web address under which the carrier reaches us; signatures are checked against it. "
        "https in a live installation.", "https://texts.tern-bay.example")
    test_clock: Path | None = _key(
        lambda value: Path(_text(value)), "File of a pretended clock, relative to this file; refused when live.",
        "clock.json", default=None)


@_section
class SimulatedCarrier:
    """[carrier] with kind = "simulated": the carrier in a process of its own on this machine, for trials."""

    kind: str = _key(_one_of("simulated"), 'Which carrier: "simulated".', "simulated")
    url: str = _key(_web_address, "Web address of the carrier.", "http://127.0.0.1:8090")
    secret: str = _key(_secret, "Secret that signs its requests to us.", SAMPLE_SECRET, secret=True)
    number: str = _key(_PHONE, "Number that patients text (E.164).", "+13125550100")


@_section
class TwilioCarrier:
    """[carrier] with kind = "twilio": real texts. Exactly one of `number` and `messaging_service_sid` is given.

    Secrets stand in environment variables; the settings only name these. An account (or subaccount) of its own for
    each practice: with a messaging service, every text to the account is read as one to the practice.
    """

    kind: str = _key(_one_of("twilio"), 'Which carrier: "twilio".', "twilio")
    account_sid: str = _key(_sid("AC", "an account SID"), "The account's SID.", "AC" + "0" * 32)
    number: str | None = _key(_PHONE, "Number that patients text and that texts come from (E.164), if it is one "
                              "number and no messaging service.", "+13125550100", default=None)
    messaging_service_sid: str | None = _key(
        _sid("MG", "a messaging service SID"), "Messaging service that texts leave by, instead of a number.",
        "MG" + "0" * 32, default=None)
    auth_token_variable: str | None = _key(
        _variable, "Environment variable that holds the account's auth token. Needed, but for an API key beside "
        'signature "HMAC_SHA256".', "EBBLINE_AUTH_TOKEN", default=None)
    api_key_variable: str | None = _key(
        _variable, "Environment variable that holds an API key's SID, to send with it instead of the auth token.",
        "EBBLINE_API_KEY", default=None)
    api_secret_variable: str | None = _key(
        _variable, "Environment variable that holds that API key's secret.", "EBBLINE_API_SECRET", default=None)
    signature: str = _key(
        _one_of("HMAC_SHA1", "HMAC_SHA256"), "How the carrier signs its requests to us: HMAC_SHA1 with the auth token, "
        "HMAC_SHA256 with a shared key.", "HMAC_SHA1", default="HMAC_SHA1")
    shared_key_variable: str | None = _key(
        _variable, 'Environment variable that holds the shared key of signature "HMAC_SHA256".', "EBBLINE_SHARED_KEY",
        default=None)
    timeout_s: float = _key(_amount(0, 10), "Seconds that we wait for the carrier's connection, and again for its "
                            "answer.", 5, default=5)


# Settings class of each carrier kind. A further carrier is one more class and one more row.
CARRIERS = {"simulated": SimulatedCarrier, "twilio": TwilioCarrier}


@_section
class Settings:
    """All settings of one installation, one attribute for each section of the file.

    file: the file they were read from.
    """

    file: Path
    installation: str = _key(
        _one_of("live", "trial"), '"live" serves patients and refuses what is only for trials; "trial" does not.',
        "trial")
    unsigned_content: bool = _key(
        _flag, "Send advice that the practice has not signed; refused when live.", False, default=False)
    practice: Practice
    hours: OpeningHours
    answer_within_minutes: AnswerTimes
    conversation: Conversation
    care: Care
    sending: Sending
    carrier: SimulatedCarrier | TwilioCarrier

    @property
    def live(self) -> bool:
        return self.installation == "live"


_SECTIONS = {"practice": Practice, "hours": OpeningHours, "answer_within_minutes": AnswerTimes,
             "conversation": Conversation, "care": Care, "sending": Sending, "carrier": SimulatedCarrier}


def find(path_argument: str | None, environ: Mapping[str, str]) -> Path:
    """The settings file to read: the --settings argument, else EBBLINE_SETTINGS, else ebbline.toml here."""
    return Path(path_argument or environ.get(VARIABLE) or DEFAULT_NAME)


def load(path) -> Settings:
    """The settings in this TOML file. SettingsError names everything that is missing or wrong, all at once."""
    path = Path(path)
    data = _parsed(path)
    problems = []

    def problem(key, wrong, mend):
        problems.append(Problem(str(path), key, wrong, mend))

    values = _values(Settings, "", {name: data[name] for name in data if name not in _SECTIONS}, problem)
    for name, cls in _SECTIONS.items():
        table = data.get(name, {})
        if not isinstance(table, dict):
            problem(name, "is not a section", f"write [{name}] on a line of its own, its keys below")
            table = None
        elif name == "carrier":
            cls = CARRIERS.get(table.get("kind") if isinstance(table.get("kind"), str) else None)
            if cls is None:
                kinds = " or ".join(f'"{kind}"' for kind in CARRIERS)
                wrong = f'{_shown(table["kind"])} is no carrier' if "kind" in table else "is missing"
                problem("carrier.kind", wrong, f"write {kinds}")
                table = None
        values[name] = None if table is None else _values(cls, name, table, problem)
    _agree(values, problem)
    if (values["carrier"] or {}).get("kind") == "twilio":
        _agree_twilio(data["carrier"], values["carrier"].get("signature", TwilioCarrier.signature), problem)
    if problems:
        raise SettingsError(problems)
    clock = values["sending"].get("test_clock")
    if clock is not None:
        values["sending"]["test_clock"] = path.parent / clock
    sections = {name: cls(**values.pop(name)) for name, cls in
                {**_SECTIONS, "carrier": CARRIERS[data["carrier"]["kind"]]}.items()}
    return Settings(file=path, **values, **sections)


def example() -> str:
    """A sample settings file (TOML) with every key and its meaning, that loads as it is."""
    lines = ["# Settings of Ebbline. What may be left out says so; everything else must be there.", ""]
    lines += _sample(Settings)
    for name, cls in _SECTIONS.items():
        lines += [f"[{name}]", *_sample(cls)]
    for kind, cls in CARRIERS.items():
        if cls is not _SECTIONS["carrier"]:
            lines += [f'# Instead of that [carrier], with kind = "{kind}":', "#",
                      *(f"#   {line}" for line in ["[carrier]", *_sample(cls)[:-1]]), ""]
    return "\n".join(lines).rstrip() + "\n"


def _sample(cls):
    lines = []
    for key in fields(cls):
        if key.metadata:
            off = "# " if key.default is None else ""
            lines += [f"# {_about(key)}", f"{off}{key.name} = {_shown(key.metadata['sample'])}"]
    return [*lines, ""]


def _parsed(path):
    choose = f"name another file with --settings or {VARIABLE}"
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        wrong, mend = "there is no such file", f"write it, or {choose}"
    except OSError as error:
        wrong, mend = f"cannot be read ({error.strerror})", f"mend the file's permissions, or {choose}"
    except UnicodeDecodeError:
        wrong, mend = "is not UTF-8 text", "save it as UTF-8"
    except tomllib.TOMLDecodeError as error:
        wrong, mend = f"is not TOML: {error}", "mend that line; texts stand in double quotes, one key a line"
    raise SettingsError([Problem(str(path), "", wrong, mend)])


def _values(cls, section, table, problem):
    """The checked values of one section, without those that are missing or wrong; these are told to `problem`."""
    dot = section + "." if section else ""
    keys = {key.name: key for key in fields(cls) if key.metadata}
    values = {}
    for name, key in keys.items():
        if name in table:
            try:
                values[name] = key.metadata["check"](table[name])
            except _Bad as bad:
                problem(dot + name, *bad.args)
        elif key.default is MISSING:
            problem(dot + name, "is missing",
                    f"add {name} = {_shown(key.metadata['sample'])} (a sample)"
                    + (f" under [{section}]" if section else ""))
    for name in table:
        if name not in keys:
            problem(dot + name, "is not a known key", _did_you_mean(name, section, keys))
    return values


def _did_you_mean(name, section, keys):
    homes = {"": Settings, **_SECTIONS}
    for home, cls in homes.items():
        if home != section and any(key.name == name and key.metadata for key in fields(cls)):
            return f"it belongs under [{home}]" if home else "it belongs at the top of the file, above every section"
    known = [*keys, *(_SECTIONS if not section else ())]
    near = difflib.get_close_matches(name, known, n=1)
    return f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}"


def _agree(values, problem):
    """Checks between keys. A key that is itself missing or wrong is left to its own problem."""
    times = values["answer_within_minutes"] or {}
    if times.get("urgent", math.inf) < times.get("emergency", 0):
        problem("answer_within_minutes.urgent", f"{times['urgent']} is less than {times['emergency']} for emergency",
                "an emergency is answered first; mend one of the two")
    if values.get("installation") != "live":
        return
    sending = values["sending"] or {}
    if values.get("unsigned_content"):
        problem("unsigned_content", "true is refused in a live installation", "take it out, and let the practice sign "
                "the content")
    if sending.get("test_clock") is not None:
        problem("sending.test_clock", "is refused in a live installation", "take it out; patients live in real time")
    if sending.get("public_url", "https:").startswith("http:"):
        problem("sending.public_url", f"{_shown(sending['public_url'])} is not encrypted",
                "a live installation needs an https:// address")
    if (values["carrier"] or {}).get("secret") == SAMPLE_SECRET:
        problem("carrier.secret", "is still that of the sample", "write the secret that the carrier gave you")


def _agree_twilio(given, signature, problem):
    """Checks between the keys of a TwilioCarrier. given: the keys that the file has, right or wrong."""
    if ("number" in given) == ("messaging_service_sid" in given):
        problem("carrier.number", f"and messaging_service_sid are both {'given' if 'number' in given else 'missing'}",
                "give the one that texts are to come from, and not the other")
    for one, other in (("api_key_variable", "api_secret_variable"), ("api_secret_variable", "api_key_variable")):
        if one in given and other not in given:
            problem(f"carrier.{other}", f"is missing beside {one}", f"add {other}, or take {one} out")
    if signature == "HMAC_SHA256" and "shared_key_variable" not in given:
        problem("carrier.shared_key_variable", "is missing, and signature HMAC_SHA256 is checked with it",
                'add shared_key_variable = "EBBLINE_SHARED_KEY" (a sample)')
    if "auth_token_variable" not in given and (signature == "HMAC_SHA1" or "api_key_variable" not in given):
        needed = "signature HMAC_SHA1 is checked" if signature == "HMAC_SHA1" else "without an API key, texts are sent"
        problem("carrier.auth_token_variable", f"is missing, and {needed} with it",
                'add auth_token_variable = "EBBLINE_AUTH_TOKEN" (a sample)')
