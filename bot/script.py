"""The rehearsal file: a written conversation, read strictly from YAML into frozen data before anything is played.

The tables FILE, PRACTICE, PATIENT, ORDER, PAST, STEP and EVENTS are the form. YAML is used only for structure: every
scalar keeps its written text and each key converts its own, because YAML 1.1 would make 18:05 the number 1085, `on` a
truth value and a patient's "no" another. `parse` raises `ScriptError` for the first mistake and nothing else.
"""

import difflib
import re
import shlex
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta, timezone
from functools import lru_cache
from pathlib import Path
from typing import NoReturn
from zoneinfo import ZoneInfo, available_timezones

import yaml

from flows.profile import profiles
from flows.rotation import AREAS, RULES
from flows.words import LANGS

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
OTHERS = ("Unknown", "coordinator")             # may text, and are on no list of the file
RESERVED = OTHERS + ("Ebbline",)                # names in the printed chat that nobody in the file may have
ENDLESS = ("serve", "work", "demo", "rehearse")  # commands that would never give the rehearsal back

# event: (must name somebody, must have a `for`, texts that must stand before it)
EVENTS = {
    "duplicate": (False, False, 1),
    "swap": (False, False, 2),
    "carrier-down": (False, True, 0),
    "undelivered": (True, True, 0),
    "no-receipt": (True, True, 0),
    "opted-out": (True, False, 0),
    "worker-down": (False, True, 0),
    "web-down": (False, True, 0),
}


class ScriptError(ValueError):
    """One mistake in a rehearsal file. `str` is one line: "file:line: key: what is wrong; how to mend it"."""

    def __init__(self, file, line, key, text, mend):
        self.file, self.line, self.key, self.text, self.mend = file, line, key, text, mend
        super().__init__(f"{file}:{line}: {key}: {text}; {mend}")


@dataclass(frozen=True)
class Practice:
    """The practice's settings as the file has them; the defaults are the file form's own.

    open: "Mon-Fri 08:00-17:00", several parted by commas. quiet: "21:00-08:00". Minutes are whole numbers. What is None is as
    the flows have it.
    """

    name: str = "Tern Bay Home Infusion"
    zone: str = "America/Chicago"
    emergency_number: str = "911"
    open: str = "Mon-Fri 08:00-17:00"
    quiet: str = "21:00-08:00"
    answer_within_minutes: dict = field(default_factory=lambda: {"emergency": 5, "urgent": 15})
    ask_minutes: int = 5
    silent_while_infusing_minutes: int = 20
    call_back_hours: int | None = None
    fallback: str | None = None
    crisis_line: str | None = None
    site_rule: str | None = None
    sites_in_reminder: bool | None = None
    site_areas: tuple[str, ...] | None = None
    site_rest_days: int | None = None
    site_avoid_days: int | None = None
    site_spacing_in: float | None = None
    refill_lead_days: int | None = None
    late_window_hours: int | None = None


@dataclass(frozen=True)
class Order:
    """An order. Exactly one of `volume_ml` and `dose_g` is given. strength is in g/mL, the rate in mL/h for each site.

    every: "day", "week", "N days" or "N weeks". day: "Mon" .. "Sun", or None if `every` counts days and the file names
    none. time: wall time in the patient's zone.
    """

    strength: float
    sites: int
    rate_ml_per_h_per_site: float
    time: time
    day: str | None = None
    every: str = "week"
    volume_ml: float | None = None
    dose_g: float | None = None
    max_ml_per_site: float | None = None
    max_sites: int | None = None
    product: str | None = None
    product_code: str | None = None
    profile: str | None = None


@dataclass(frozen=True)
class Problem:
    """One problem of a past infusion, such as `leak`, and the site if the file names it."""

    kind: str
    site: str | None = None


@dataclass(frozen=True)
class Past:
    """One past infusion. `on` is the local date; None means that the file does not say."""

    on: date
    volume_ml: float | None = None
    minutes: int | None = None
    sites: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    lots: tuple[str, ...] = ()


@dataclass(frozen=True)
class Patient:
    """One patient. `order` is None if the file has none: then nothing is scheduled.

    zone: the practice's unless the file gives one. caregivers: names of people with phones of their own.
    phone: the label of a phone shared with other patients. history: oldest first.
    """

    name: str
    zone: str
    lang: str = "en"
    order: Order | None = None
    weight_kg: float | None = None
    born: date | None = None
    needle_mm: float | None = None
    gauge: int | None = None
    epinephrine: bool | None = None
    history: tuple[Past, ...] = ()
    caregivers: tuple[str, ...] = ()
    phone: str | None = None


@dataclass(frozen=True)
class Texts:
    """Somebody of the file, `Unknown` or `coordinator` texts us, with so many pictures."""

    sender: str
    text: str
    media: int = 0


@dataclass(frozen=True)
class Happens:
    """One of EVENTS, to whom and for how long where the event needs it."""

    event: str
    who: str | None = None
    lasts: timedelta | None = None


@dataclass(frozen=True)
class Runs:
    """One of our own commands, as written and as words."""

    command: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """One step: its line in the file, when it comes (`at` or `after`, never both), and what it does (None: nothing)."""

    line: int
    at: time | None
    after: timedelta | None
    does: Texts | Happens | Runs | None = None

    def due_at(self, now, zone):
        """When the step comes (aware UTC), if the step before it was at `now` (aware).

        `at` is the next time that the clock of this zone shows: now, if it shows it already. A wall time in a gap is
        read with the offset before the gap (RFC 5545 3.3.5), and of two equal ones the first still ahead counts.
        """
        if self.after is not None:
            return (now + self.after).astimezone(timezone.utc)
        local = now.astimezone(ZoneInfo(zone))
        if (local.hour, local.minute) == (self.at.hour, self.at.minute):
            return now.astimezone(timezone.utc)
        walls = (datetime.combine(local.date() + timedelta(days=days), self.at, local.tzinfo).replace(fold=fold)
                 for days in (0, 1) for fold in (0, 1))
        return next(at for at in (wall.astimezone(timezone.utc) for wall in walls) if at > now)


@dataclass(frozen=True)
class Script:
    """A whole rehearsal. nurses: in ladder order, the last is the manager. start_local: the practice's wall time."""

    practice: Practice
    patients: tuple[Patient, ...]
    nurses: tuple[str, ...]
    start_local: datetime
    steps: tuple[Step, ...]

    @property
    def start_at(self):
        """The start as aware UTC."""
        return self.start_local.replace(tzinfo=ZoneInfo(self.practice.zone)).astimezone(timezone.utc)


def load(path):
    """The Script in the file at `path` (UTF-8). Raises ScriptError, also for a file that cannot be read."""
    try:
        return parse(Path(path).read_bytes().decode("utf-8-sig"), str(path))
    except OSError as error:
        raise ScriptError(path, 0, "file", f"cannot be read ({error.strerror})", "name a file that exists") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise ScriptError(path, line, "file", "is not UTF-8", "save it as UTF-8 text") from error


def parse(text, name="<file>"):
    """The Script in this text. `name` stands in errors. Raises ScriptError for the first mistake found."""
    whole = _Value(name, _compose(text, name), "file").fields(FILE, ("patients", "nurses", "start", "steps"))
    practice = Practice(**whole["practice"].fields(PRACTICE)) if "practice" in whole else Practice()
    start_local = _start(whole["start"])
    people = {}
    patients = tuple(_patient(value, practice, start_local.date(), people)
                     for value in whole["patients"].several())
    nurses = tuple(_newcomer(value, "nurse", people) for value in whole["nurses"].several())
    if not nurses:
        whole["nurses"].wrong("is empty", "name at least one nurse, such as [Ruth]")
    steps, texts = [], 0
    for value in whole["steps"].several():
        steps.append(_step(value, people, texts))
        texts += isinstance(steps[-1].does, Texts)
    if not steps:
        whole["steps"].wrong("is empty", "write at least one step, such as - {after: 1h}")
    return Script(practice, patients, nurses, start_local, tuple(steps))


# YAML: structure only


def _compose(text, name):
    """The root node of the text, every plain scalar still a text."""
    for line, written in enumerate(re.split("\r\n|[\n\r\x85\u2028\u2029]", text), 1):
        if written.lstrip(" ").startswith("\t"):
            raise ScriptError(name, line, "file", "the line starts with a tab", "indent with spaces")
    try:
        root = yaml.compose(text, Loader=yaml.BaseLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = _shown(error.problem or error.context or "is not YAML")
        mend = "use spaces, not tabs" if "\\t" in problem else "mend the YAML here; quote texts that hold : # { or ["
        raise ScriptError(name, mark.line + 1 if mark else 1, "file", problem, mend) from error
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise ScriptError(name, line, "file", f"has a character that no text may hold (U+{error.character:04X})",
                          "take it out") from error
    except RecursionError as error:
        raise ScriptError(name, 1, "file", "is nested too deeply", "use the form of the example") from error
    except (ValueError, OverflowError) as error:    # the YAML library's own slip on escapes such as "\UFFFFFFFF"
        raise ScriptError(name, 1, "file", f"has a bad escape ({_shown(str(error))})", "write the character") from error
    if root is None:
        raise ScriptError(name, 1, "file", "is empty", "start with the keys " + ", ".join(FILE))
    return root


def _shown(text):
    """A written text inside an error: on one line and not too long."""
    text = text if len(text) <= 60 else text[:57] + "..."
    return text if text.isprintable() else repr(text)[1:-1]


@dataclass(frozen=True)
class _Value:
    """One value of the file with its place and its key (a dotted path)."""

    file: str
    node: yaml.Node
    key: str

    @property
    def line(self):
        return self.node.start_mark.line + 1

    def wrong(self, text, mend) -> NoReturn:
        raise ScriptError(self.file, self.line, _shown(self.key), text, mend)

    def below(self, node, key):
        return _Value(self.file, node, key if self.key == "file" else f"{self.key}.{key}")

    def scalar(self):
        """The written text."""
        if not isinstance(self.node, yaml.ScalarNode):
            self.wrong(f"is a {self.node.id}, not a single value", "write one value")
        if self.node.tag != "tag:yaml.org,2002:str":
            self.wrong(f"has the YAML tag {_shown(self.node.tag)}", "take the tag out")
        if self.node.value == "" and self.node.style is None:
            self.wrong("has no value", 'give one or leave the key out; an empty text is written ""')
        return self.node.value

    def several(self):
        """The items of a list."""
        if not isinstance(self.node, yaml.SequenceNode):
            self.wrong("is not a list", "write [a, b] or lines that start with -")
        return [_Value(self.file, node, self.key) for node in self.node.value]

    def fields(self, readers, required=()):
        """The mapping as {key: what its reader makes of it}, checked for unknown, double and missing keys."""
        if not isinstance(self.node, yaml.MappingNode):
            self.wrong("is not a mapping", f"write key: value with keys of {', '.join(readers)}")
        found = {}
        for key_node, node in self.node.value:
            written = key_node.value if isinstance(key_node, yaml.ScalarNode) else "?"
            here = self.below(key_node, written)
            if written in found:
                here.wrong(f"stands twice (first in line {found[written].line})", "keep one of the two")
            if written not in readers:
                near = difflib.get_close_matches(written[:60], readers, n=1, cutoff=0)[0]
                here.wrong(f"unknown key {_shown(written)!r}",
                           f"did you mean {near!r}? known here: {', '.join(readers)}")
            found[written] = self.below(node, written)
        for key in required:
            if key not in found:
                self.below(self.node, key).wrong("is missing", f"add it, such as {key}: {EXAMPLES[key]}")
        return {key: readers[key](value) for key, value in found.items()}


# Readers: each makes one value of a key, or says what is wrong


def _itself(value):
    return value


def _text(value):
    written = value.scalar()
    if not written.strip() or not written.isprintable():
        value.wrong(f"{_shown(written)!r} is not a line of text", "write a name or a few words on one line")
    return written.strip()


def _any_text(value):
    """A text message: may be empty and have several lines."""
    return value.scalar()


def _number(most):
    def read(value):
        written = value.scalar()
        if not re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6})?", written) or not 0 < float(written) <= most:
            value.wrong(f"{_shown(written)!r} is not a number over 0 and up to {most}", "write it as 40 or 0.5")
        return float(written)
    return read


def _whole(least, most):
    def read(value):
        written = value.scalar()
        if not re.fullmatch(r"[0-9]{1,6}", written) or not least <= int(written) <= most:
            value.wrong(f"{_shown(written)!r} is not a whole number from {least} to {most}", "write it in digits")
        return int(written)
    return read


def _strength(value):
    written = value.scalar()
    if re.fullmatch(r"[0-9]{1,3}(\.[0-9]{1,6})?", written) and float(written) > 1:
        value.wrong(f"{written} g/mL is more than 1", f"did you mean {float(written) / 100:.2f}?")
    return _number(1)(value)


def _one_of(words):
    def read(value):
        written = value.scalar()
        if written not in words:
            near = difflib.get_close_matches(written[:60], words, n=1, cutoff=0)[0]
            value.wrong(f"{_shown(written)!r} is not one of {', '.join(words)}", f"did you mean {near!r}?")
        return written
    return read


def _flag(value):
    written = value.scalar()
    if written not in ("true", "false"):
        value.wrong(f"{_shown(written)!r} is neither true nor false", "write true or false")
    return written == "true"


def _texts(value):
    return tuple(_text(item) for item in value.several())


@lru_cache(maxsize=1)
def _zones():
    return frozenset(available_timezones())


def _zone(value):
    written = value.scalar()
    if written not in _zones():
        near = difflib.get_close_matches(written[:60], sorted(_zones()), n=1, cutoff=0)[0]
        value.wrong(f"{_shown(written)!r} is no time zone", f"write an IANA name; did you mean {near!r}?")
    return written


def _clock(value):
    written = value.scalar()
    if not re.fullmatch("([01][0-9]|2[0-3]):[0-5][0-9]", written):
        value.wrong(f"{_shown(written)!r} is no time of day", 'write hours and minutes of 24 hours, such as "18:05"')
    return time.fromisoformat(written)


def _day(value):
    written = value.scalar()
    if not re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", written):
        value.wrong(f"{_shown(written)!r} is no date", "write year, month and day, such as 2026-03-03")
    try:
        return date.fromisoformat(written)
    except ValueError:
        value.wrong(f"{written} is not in the calendar", "write a day that exists")


def _start(value):
    written = value.scalar()
    try:
        start_local = datetime.fromisoformat(re.fullmatch("[0-9-]{10}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?", written)[0])
    except (TypeError, ValueError):
        value.wrong(f"{_shown(written)!r} is no local date and time",
                    "write it without an offset, such as 2026-03-10T17:00")
    if not 2000 <= start_local.year < 2100:
        value.wrong(f"{written} is not between 2000 and 2099", "write a start in this century")
    return start_local


def _span(value):
    written = value.scalar()
    parts = re.fullmatch(r"(?=.)(?:(\d{1,4})d)?(?:(\d{1,4})h)?(?:(\d{1,5})m)?(?:(\d{1,6})s)?", written, re.ASCII)
    if not parts:
        value.wrong(f"{_shown(written)!r} is no span of time", "write it as 90s, 70m, 2h, 1h30m or 2d")
    days, hours, minutes, seconds = (int(part or 0) for part in parts.groups())
    span = timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds)
    if span > timedelta(days=400):
        value.wrong(f"{written} is more than 400 days", "write a shorter span")
    return span


def _lasts(value):
    span = _span(value)
    if not span:
        value.wrong("lasts no time at all", "write how long, such as 10m")
    return span


def _every(value):
    written = value.scalar()
    if not re.fullmatch("day|week|(?!0+ )[0-9]{1,2} (days|weeks)", written):
        value.wrong(f"{_shown(written)!r} is no rhythm", "write day, week, 10 days or 2 weeks")
    return written


def _pattern(pattern, what, example):
    def read(value):
        written = value.scalar()
        if len(written) > 200 or not re.fullmatch(pattern, written):
            value.wrong(f"{_shown(written)!r} {what}", f'write it as "{example}"')
        return written
    return read


_CLOCK = "([01][0-9]|2[0-3]):[0-5][0-9]"
_WEEKDAYS = "({0})(-({0}))?".format("|".join(DAYS))
_SPELL = f"{_WEEKDAYS} {_CLOCK}-({_CLOCK}|24:00)"


def _answers(value):
    given = value.fields({"emergency": _whole(1, 1440), "urgent": _whole(1, 1440)})
    return {**Practice().answer_within_minutes, **given}


def _past(value):
    return Past(**value.fields(PAST, ("on",)))


def _order(value):
    given = value.fields(ORDER, ("strength", "sites", "rate_ml_per_h_per_site", "time"))
    if "volume_ml" in given and "dose_g" in given:
        value.wrong("has both volume_ml and dose_g", "keep one of the two")
    if "volume_ml" not in given and "dose_g" not in given:
        value.below(value.node, "volume_ml").wrong("is missing", "add it, such as volume_ml: 40, or dose_g: 8")
    if "day" not in given and "day" not in given.get("every", "week"):
        value.below(value.node, "day").wrong("is missing", "add the weekday, such as day: Tue")
    return Order(**given)


def _names(value):
    """Names still to be checked against the others: one text or a list of them."""
    return value.several() if isinstance(value.node, yaml.SequenceNode) else [value]


# The tables: every key of the file with its reader

FILE = {key: _itself for key in ("practice", "patients", "nurses", "start", "steps")}

PRACTICE = {
    "name": _text,
    "zone": _zone,
    "emergency_number": _pattern(r"\+?[0-9][0-9 -]{1,18}", "is no telephone number", "911"),
    "open": _pattern(f"{_SPELL}(, ?{_SPELL})*", "is no list of working hours", "Mon-Fri 08:00-17:00"),
    "quiet": _pattern(rf"(?P<from>{_CLOCK})-(?!(?P=from)){_CLOCK}", "are no quiet hours", "21:00-08:00"),
    "answer_within_minutes": _answers,
    "ask_minutes": _whole(1, 5),    # a safety question may wait for its answer five minutes, and no longer
    "silent_while_infusing_minutes": _whole(1, 1440),
    "call_back_hours": _whole(1, 240),
    "fallback": _text,
    "crisis_line": _text,
    "site_rule": _one_of(RULES),
    "sites_in_reminder": _flag,
    "site_areas": lambda value: tuple(_one_of(AREAS)(item) for item in value.several()),
    "site_rest_days": _whole(0, 90),
    "site_avoid_days": _whole(0, 365),
    "site_spacing_in": _number(12),
    "refill_lead_days": _whole(0, 90),
    "late_window_hours": _whole(0, 168),
}

ORDER = {
    "volume_ml": _number(2000),
    "dose_g": _number(400),
    "strength": _strength,
    "sites": _whole(1, 20),
    "rate_ml_per_h_per_site": _number(1000),
    "every": _every,
    "day": _one_of(DAYS),
    "time": _clock,
    "max_ml_per_site": _number(1000),
    "max_sites": _whole(1, 20),
    "product": _text,
    "product_code": _text,
    "profile": _one_of(tuple(profiles())),
}

PAST = {
    "on": _day,
    "volume_ml": _number(2000),
    "minutes": _whole(1, 10000),
    "sites": _texts,
    "problems": lambda value: tuple(Problem(**item.fields({"kind": _text, "site": _text}, ("kind",)))
                                    for item in value.several()),
    "lots": _texts,
}

PATIENT = {
    "name": _itself,
    "lang": _one_of(LANGS),
    "order": _order,
    "zone": _zone,
    "weight_kg": _number(500),
    "born": _itself,
    "needle_mm": _number(50),
    "gauge": _whole(10, 40),
    "epinephrine": _flag,
    "history": _itself,
    "caregiver": _names,
    "phone": _text,
}

STEP = {
    "at": _clock,
    "after": _span,
    "from": _itself,
    "text": _any_text,
    "media": _whole(0, 10),
    "event": _one_of(tuple(EVENTS)),
    "to": _itself,
    "who": _itself,
    "for": _lasts,
    "run": _itself,
}

# What an error shows for a key that is missing.
EXAMPLES = {
    "patients": "[{name: Ana}]", "nurses": "[Ruth]", "start": "2026-03-10T17:00", "steps": "[{after: 1h}]",
    "name": "Ana", "strength": "0.2 (g/mL)", "sites": "2", "rate_ml_per_h_per_site": "20", "time": '"18:00"',
    "on": "2026-03-03", "kind": "leak",
}


# People and steps


def _newcomer(value, role, people):
    """The name in this value, entered in `people` {name: role}. Only a caregiver may stand at several patients."""
    name = _text(value)
    if name.casefold() in (reserved.casefold() for reserved in RESERVED):
        value.wrong(f"{name!r} is a name that the printed chat uses itself", "choose another name")
    taken = next((known for known in people if known.casefold() == name.casefold()), None)
    if taken and not (taken == name and role == people[taken] == "caregiver"):
        value.wrong(f"the name {_shown(name)!r} stands for a {people[taken]} already", "give each person another name")
    people[name] = role
    return name


def _patient(value, practice, start_on, people):
    given = {"zone": practice.zone, **value.fields(PATIENT, ("name",))}
    given["name"] = _newcomer(given["name"], "patient", people)
    if "born" in given:
        given["born"] = _until(start_on, given["born"], _day(given["born"]))
    if "history" in given:
        pasts = [_until(start_on, item, _past(item), "on") for item in given["history"].several()]
        given["history"] = tuple(sorted(pasts, key=lambda past: past.on))
    carers = given.pop("caregiver", [])
    given["caregivers"] = tuple(_newcomer(carer, "caregiver", people) for carer in carers)
    for n, carer in enumerate(carers):
        if given["caregivers"][n] in given["caregivers"][:n]:
            carer.wrong(f"names {given['caregivers'][n]!r} twice", "keep one of the two")
    return Patient(**given)


def _until(start_on, value, read, key=None):
    """`read`, if its date is not after the start."""
    if (getattr(read, key) if key else read) > start_on:
        (value.below(value.node, key) if key else value).wrong(
            f"is after the start of the rehearsal ({start_on})", "write an earlier day or start later")
    return read


def _person(value, people):
    name = value.scalar()
    known = (*people, *OTHERS)
    if name not in known:
        near = difflib.get_close_matches(name[:60], known, n=1, cutoff=0)[0]
        value.wrong(f"{_shown(name)!r} is nobody in this file", f"did you mean {near!r}? known: {', '.join(known)}")
    return name


def _step(value, people, texts_before):
    given = value.fields(STEP)
    if "at" in given and "after" in given:
        value.wrong("has both at and after", "keep one of the two")
    if "at" not in given and "after" not in given:
        value.wrong("has neither at nor after", 'say when: at: "18:05" or after: 10m')
    doings = [key for key in DOINGS if key in given]
    if len(doings) > 1:
        value.wrong(f"has {' and '.join(doings)}", "make a step of each, the second with after: 0m")
    does, fitting = DOINGS[doings[0]] if doings else (lambda *_: None, ())
    for key in given:
        if key not in ("at", "after", *doings, *fitting):
            homes = [doing for doing, (_, keys) in DOINGS.items() if key in keys]
            value.below(value.node, key).wrong(
                f"does not belong to a step {'with ' + doings[0] if doings else 'in which only time passes'}",
                f"take it out or add {homes[0]}")
    return Step(value.line, given.get("at"), given.get("after"), does(value, given, people, texts_before))


def _texting(value, given, people, _):
    sender = _person(given["from"], people)
    if "text" not in given and not given.get("media"):
        value.below(value.node, "text").wrong("is missing", 'add what is texted, such as text: "done", or media: 1')
    return Texts(sender, given.get("text", ""), given.get("media", 0))


def _happening(value, given, people, texts_before):
    event = given["event"]
    to_somebody, lasting, texts_needed = EVENTS[event]
    named = [key for key in ("to", "who") if key in given]
    if to_somebody and len(named) != 1:
        value.below(value.node, "to").wrong(
            f"{event} names {'two people' if named else 'nobody'}",
            f"say to whom, once, such as to: {[*people, *OTHERS][0]}")
    for key, needed in (*((key, to_somebody) for key in named), ("for", lasting)):
        if key in given and not needed:
            value.below(value.node, key).wrong(f"means nothing to {event}", "take it out")
    if lasting and "for" not in given:
        value.below(value.node, "for").wrong(f"{event} does not say for how long", "add it, such as for: 10m")
    if texts_before < texts_needed:
        value.below(value.node, "event").wrong(
            f"{event} needs {texts_needed} text{'s' * (texts_needed > 1)} before it, and there are {texts_before}",
            "move it below them")
    return Happens(event, _person(given[named[0]], people) if named else None, given.get("for"))


def _running(value, given, _people, _texts_before):
    command = _text(given["run"])
    try:
        words = tuple(shlex.split(command))
    except ValueError as error:
        given["run"].wrong(f"cannot be taken apart into words ({error})", "close the quotes")
    if not words or words[0] == "ebbline":
        given["run"].wrong("does not start with a command", 'write it without our name, such as "schedule skip Ana"')
    if words[0] in ENDLESS:
        given["run"].wrong(f"{words[0]} does not end by itself", "run only commands that do")
    return Runs(command, words)


# What a step can do: (what makes it, the keys that go with it)
DOINGS = {
    "from": (_texting, ("text", "media")),
    "event": (_happening, ("to", "who", "for")),
    "run": (_running, ()),
}
