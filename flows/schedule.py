"""When infusions are due: a repeating local date and wall time, and the dated changes to it, turned into moments.

Recurrence is counted in local calendar days and keeps the wall time; only then is each date turned into a moment
by `flows.hours.at_wall`. A change of the clock therefore shifts no date and drops no dose. What is out of the rule (a
dose moved, a pause, a holiday, a journey) is a list of `Change`s beside the rule, never another rule.
"""

import re
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import NamedTuple

from dateutil import rrule

from flows.hours import WEEKDAYS, HoursError, at_wall, local, parse_clock, parse_weekday, zone_named

# Days in one unit (at most), RFC 5545's word for it, and the largest count that is not surely a slip (a year).
UNITS = {"day": (1, "DAILY", 366), "week": (7, "WEEKLY", 53), "month": (31, "MONTHLY", 12)}
ORDINALS = {"1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "last": -1}  # no 5th: most months have none, and no dose is dropped
KINDS = ("move", "pause", "holiday", "travel")
DOSES = ("keep", "after")  # what becomes of the doses of a holiday: they stay, or go to the next open day

_EVERY = re.compile(r"(?:(\d+)\s+)?(day|week|month)(s?)", re.IGNORECASE | re.ASCII)
_TIMES = re.compile(r"(?:([1-7])\s+times|(once|twice))\s+(?:a|per)\s+week", re.IGNORECASE | re.ASCII)
_DAY = timedelta(days=1)


class ScheduleError(ValueError):
    """A timing that cannot be kept or read: what is wrong, where, and the mend."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One dated exception from the rule. Dates are local; `until_on` is the last one.

    move: the dose of `from_on` is due on `to_on`, at `clock_local` if given. pause: nothing is due from `from_on` to
    `until_on` (None: until resumed). holiday: the practice is closed on `from_on`; `doses` is one of DOSES. travel: the
    patient is in `zone` from `from_on` to `until_on`. id: the store's.
    """

    kind: str
    from_on: date
    until_on: date | None = None
    to_on: date | None = None
    clock_local: str | None = None
    zone: str | None = None
    doses: str = "keep"
    id: int = 0

    def covers(self, on):
        """Does a pause, journey or holiday hold on this date?"""
        return self.from_on <= on and (self.until_on is None or on <= self.until_on)


@dataclass(frozen=True, kw_only=True)
class Timing:
    """How often an infusion is due.

    every: "day", "week" or "month"; count: every so many of these, counted from `starts_on` (weeks: from the week of
    `starts_on`, weeks begin on Monday). weekdays: with weeks some of "Mon".."Sun", () means the weekday of `starts_on`;
    with months at least one like "2nd Tue" or "last Fri". clock_local: wall time "HH:MM" in `zone` (IANA). starts_on and
    ends_on: first and last local date of the rule; ends_on None is open. changes: the exceptions. ScheduleError when
    the parts do not make sense together.
    """

    every: str
    count: int = 1
    weekdays: tuple[str, ...] = ()
    clock_local: str
    zone: str
    starts_on: date
    ends_on: date | None = None
    changes: tuple[Change, ...] = ()

    def __post_init__(self):
        try:
            parse_clock(self.clock_local)
            zone_named(self.zone)
        except HoursError as error:
            raise ScheduleError(f"timing: {error}") from error
        _check(self.every, self.count, self.weekdays, "timing")
        if self.ends_on is not None and self.ends_on < self.starts_on:
            raise ScheduleError(f"timing: ends_on {self.ends_on} is before starts_on {self.starts_on}; mend one")

    @property
    def rule(self):
        """The recurrence as RFC 5545 writes it, without its end."""
        names = [f"{ORDINALS[name.split()[0]] if ' ' in name else ''}{name.split()[-1][:2].upper()}" for name in self.weekdays]
        by_day = f";BYDAY={','.join(names)}" if names else ""
        return f"FREQ={UNITS[self.every][1]};INTERVAL={self.count};WKST=MO{by_day}"

    def of(self, kind):
        """The changes of one kind."""
        return [change for change in self.changes if change.kind == kind]


class Occasion(NamedTuple):
    """One due infusion: its local date, and the moment (aware UTC) of its wall time on that date."""

    on: date
    at: datetime


class Every(NamedTuple):
    """The part of a `Timing` that says how often; the fields are those of `Timing`."""

    every: str
    count: int
    weekdays: tuple[str, ...]

    @property
    def text(self):
        """As `parse_every` reads it: "week", "2 weeks"."""
        return self.every if self.count == 1 else f"{self.count} {self.every}s"


def occasions(timing: Timing, from_at: datetime, until_at: datetime) -> list[Occasion]:
    """The occasions in [from_at, until_at) (aware), in order; [] when the span is empty or turned round."""
    if until_at <= from_at:
        return []
    # Two days may lie between a local date at home and the moment of its wall time in the zone of a journey; a holiday
    # moves a dose by as many days as there are holidays in a row.
    slack = (2 + len(timing.of("holiday"))) * _DAY
    on_rule = set(_dates(timing, local(from_at, timing.zone).date() - slack, local(until_at, timing.zone).date() + slack))
    moves = {change.from_on: change for change in timing.of("move")}
    on_rule |= {on for on in moves if _is_on_rule(timing, on)}
    due = []
    for on in on_rule:
        move = moves.get(on)
        to_on = move.to_on if move else _after_holiday(timing, on)
        if not any(pause.covers(to_on) for pause in timing.of("pause")):
            clock = parse_clock(move.clock_local if move and move.clock_local else timing.clock_local)
            due.append(Occasion(to_on, at_wall(to_on, clock, zone_on(timing, to_on))))
    return sorted((occasion for occasion in due if from_at <= occasion.at < until_at), key=lambda occasion: occasion.at)


def next_occasion(timing: Timing, after_at: datetime) -> Occasion | None:
    """The first occasion later than `after_at` (aware), or None when the timing has ended by then or is paused for good."""
    begin = max(after_at, at_wall(timing.starts_on, time(0), timing.zone) - 2 * _DAY)
    # From any day on, two periods and a week either side hold an occasion, but for what is paused or moved on.
    off = sum(((pause.until_on or pause.from_on) - pause.from_on).days + 1 for pause in timing.of("pause"))
    last = max((change.to_on for change in timing.of("move")), default=timing.starts_on)
    end = max(begin + (2 * _period_days(timing) + 14 + off + len(timing.of("holiday"))) * _DAY, at_wall(last, time(0), timing.zone) + 2 * _DAY)
    while begin < end:  # in growing pieces: the first one nearly always does
        until = min(end, begin + (_period_days(timing) + 14) * _DAY)
        later = (occasion for occasion in occasions(timing, begin, until) if occasion.at > after_at)
        if found := next(later, None):
            return found
        begin = until
    return None


def occasion_on(timing: Timing, on: date) -> Occasion | None:
    """The occasion of this local date, or None."""
    start = at_wall(on, time(0), zone_on(timing, on))
    return next((each for each in occasions(timing, start - _DAY, start + 2 * _DAY) if each.on == on), None)


def zone_on(timing: Timing, on: date) -> str:
    """The zone that the wall time of this date is read in: that of a journey, else the patient's own."""
    return next((change.zone for change in timing.of("travel") if change.covers(on)), timing.zone)


def changed(timing: Timing, change: Change) -> Timing:
    """The timing with one change more."""
    return replace(timing, changes=(*timing.changes, change))


def parse_every(text: str, day: str | None = None, starts_on: date | None = None) -> Every:
    """How often, from "week", "2 weeks", "day", "3 days", "month" or "3 times a week", and the day: with weeks "Tue" or
    "Tue,Fri", with months "2nd Tue" or "last Fri".

    Without a day the weekday of the first infusion counts; "3 times a week" without days spreads them over the week from
    the weekday of `starts_on`. ScheduleError says what is wrong and the mend.
    """
    match, often = _EVERY.fullmatch(text.strip()), _TIMES.fullmatch(text.strip())
    if not match and not often:
        raise ScheduleError(f'every: "{text}" is not understood; write day, week, month, "3 days", "2 weeks" or "3 times a week"')
    unit, count = (match[2].lower(), int(match[1] or 1)) if match else ("week", 1)
    read = _monthly_day if unit == "month" else parse_weekday
    try:
        weekdays = tuple(read(name.strip()) for name in day.split(",")) if day and day.strip() else ()
    except HoursError as error:
        example = '"2nd Tue" or "last Fri"' if unit == "month" else 'Tue, or "Tue,Fri" for several'
        raise ScheduleError(f'day: "{day}" is not understood ({error}); write {example}') from error
    if often:
        weekdays = _times_a_week(int(often[1] or {"once": 1, "twice": 2}[often[2].lower()]), weekdays, starts_on, text)
    _check(unit, count, weekdays, f'every "{text}"')
    order = (lambda name: (ORDINALS[name.split()[0]] % 9, WEEKDAYS.index(name.split()[1]))) if unit == "month" else WEEKDAYS.index
    return Every(unit, count, tuple(sorted(weekdays, key=order)))


def _monthly_day(text):
    """ "2nd Tue" from "2nd tuesday"."""
    ordinal, _, name = text.partition(" ")
    if ordinal.lower() not in ORDINALS:
        raise HoursError(f'"{ordinal}" is not one of {", ".join(ORDINALS)}')
    return f"{ordinal.lower()} {parse_weekday(name)}"


def _times_a_week(times, weekdays, starts_on, text):
    """The days named, which must be as many; else so many, spread over the week from the weekday of the start."""
    if weekdays and len(weekdays) != times:
        raise ScheduleError(f'every "{text}": {len(weekdays)} days are named ({", ".join(weekdays)}); name {times}, or none')
    first = starts_on.weekday() if starts_on else 0
    return weekdays or tuple(WEEKDAYS[(first + 7 * n // times) % 7] for n in range(times))


def _check(unit, count, weekdays, where):
    if unit not in UNITS:
        raise ScheduleError(f'{where}: every "{unit}" is not known; write {" or ".join(UNITS)}')
    most = UNITS[unit][2]
    if not 1 <= count <= most:
        raise ScheduleError(f"{where}: {count} {unit}s is not between 1 and {most}; mend the number")
    if weekdays and unit == "day":
        raise ScheduleError(f"{where}: days of the week ({', '.join(weekdays)}) go with weeks and months only; leave the day out")
    if unit == "month" and not weekdays:
        raise ScheduleError(f'{where}: months need the day, such as "2nd Tue" or "last Fri"; add it')
    for index, name in enumerate(weekdays):
        ordinal, _, weekday = name.rpartition(" ")
        if weekday not in WEEKDAYS:
            raise ScheduleError(f'{where}: "{name}" is not a day of the week; write {", ".join(WEEKDAYS)}')
        if bool(ordinal) != (unit == "month") or (ordinal and ordinal not in ORDINALS):
            raise ScheduleError(f'{where}: "{name}" does not go with {unit}s; write {"2nd Tue" if unit == "month" else "Tue"}')
        if name in weekdays[:index]:
            raise ScheduleError(f"{where}: {name} is named twice; name each day once")


def _period_days(timing):
    return UNITS[timing.every][0] * timing.count


def _after_holiday(timing, on):
    """Where the dose of this date goes for a holiday: to the next open day, unless another is due until then."""
    shut = {change.from_on: change.doses for change in timing.of("holiday")}
    if shut.get(on, "keep") == "keep":
        return on
    until = on + _DAY
    while until in shut:
        until += _DAY
    taken = any(change.to_on == until for change in timing.of("move"))
    return on if taken or _dates(timing, on + _DAY, until) else until


def _is_on_rule(timing, on):
    return on in _dates(timing, on, on)


def _dates(timing, first, last):
    """All local dates of the rule in [first, last]."""
    first = max(timing.starts_on, first)
    if timing.ends_on is not None:
        last = min(last, timing.ends_on)
    if last < first:
        return []
    # Whole periods are skipped, so that an old order costs no more than a new one.
    if timing.every == "month":
        months = (first.year - timing.starts_on.year) * 12 + first.month - timing.starts_on.month
        year, month = divmod(timing.starts_on.year * 12 + timing.starts_on.month - 1 + months // timing.count * timing.count, 12)
        begin = max(timing.starts_on, date(year, month + 1, 1))
    else:
        period = _period_days(timing) * _DAY
        begin = timing.starts_on + (first - timing.starts_on) // period * period
    found = _expand(timing.rule, begin, last)
    return [on for on in found if on >= first]


@lru_cache(maxsize=4096)
def _expand(rule, begin, last):
    until = f";UNTIL={last:%Y%m%d}T000000"
    return tuple(day.date() for day in rrule.rrulestr(rule + until, dtstart=datetime.combine(begin, time(0))))
