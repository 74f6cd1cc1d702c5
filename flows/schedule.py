"""When infusions are due: a repeating local date and wall time turned into moments.

Recurrence is counted in local calendar days and keeps the wall time; only then is each date turned into a moment
by `flows.hours.at_wall`. A change of the clock therefore shifts no date and drops no dose.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

from dateutil import rrule

from flows.hours import WEEKDAYS, HoursError, at_wall, local, parse_clock, parse_weekday, zone_named

# Days in one unit, dateutil's word for it, and the largest count that is not surely a slip (a year).
UNITS = {"day": (1, rrule.DAILY, 366), "week": (7, rrule.WEEKLY, 53)}

_EVERY = re.compile(r"(?:(\d+)\s+)?(day|week)(s?)", re.IGNORECASE | re.ASCII)
_DAY = timedelta(days=1)


class ScheduleError(ValueError):
    """A timing that cannot be kept or read: what is wrong, where, and the mend."""


@dataclass(frozen=True, kw_only=True)
class Timing:
    """How often an infusion is due.

    every: "day" or "week"; count: every so many of these, counted from `starts_on` (weeks: from the week of
    `starts_on`, weeks begin on Monday). weekdays: some of "Mon".."Sun", only with "week"; () means the weekday of
    `starts_on`. clock_local: wall time "HH:MM" in `zone` (IANA). starts_on and ends_on: first and last local date
    that may be due; ends_on None is open. ScheduleError when the parts do not make sense together.
    """

    every: str
    count: int = 1
    weekdays: tuple[str, ...] = ()
    clock_local: str
    zone: str
    starts_on: date
    ends_on: date | None = None

    def __post_init__(self):
        try:
            parse_clock(self.clock_local)
            zone_named(self.zone)
        except HoursError as error:
            raise ScheduleError(f"timing: {error}") from error
        _check(self.every, self.count, self.weekdays, "timing")
        if self.ends_on is not None and self.ends_on < self.starts_on:
            raise ScheduleError(f"timing: ends_on {self.ends_on} is before starts_on {self.starts_on}; mend one")


class Occasion(NamedTuple):
    """One due infusion: its local date, and the moment (aware UTC) of its wall time on that date."""

    on: date
    at: datetime


class Every(NamedTuple):
    """The part of a `Timing` that says how often; the fields are those of `Timing`."""

    every: str
    count: int
    weekdays: tuple[str, ...]


def occasions(timing: Timing, from_at: datetime, until_at: datetime) -> list[Occasion]:
    """The occasions in [from_at, until_at) (aware), in order; [] when the span is empty or turned round."""
    # At most a day lies between a local date and the moment of its wall time, on either side.
    first = max(timing.starts_on, local(from_at, timing.zone).date() - _DAY)
    last = local(until_at, timing.zone).date() + _DAY
    if timing.ends_on is not None:
        last = min(last, timing.ends_on)
    clock = parse_clock(timing.clock_local)
    due = (Occasion(on, at_wall(on, clock, timing.zone)) for on in _dates(timing, first, last))
    return [occasion for occasion in due if from_at <= occasion.at < until_at]


def next_occasion(timing: Timing, after_at: datetime) -> Occasion | None:
    """The first occasion later than `after_at` (aware), or None when the timing has ended by then."""
    begin = max(after_at, at_wall(timing.starts_on, time(0), timing.zone) - _DAY)
    reach = 2 * _period_days(timing) + 14  # from any day on, two periods and a week either side hold an occasion
    later = (occasion for occasion in occasions(timing, begin, begin + reach * _DAY) if occasion.at > after_at)
    return next(later, None)


def parse_every(text: str, day: str | None = None) -> Every:
    """How often, from "week", "2 weeks", "day" or "3 days", and with weeks the day: "Tue" or "Tue,Fri".

    Without a day the weekday of the first infusion counts. ScheduleError says what is wrong and the mend.
    """
    match = _EVERY.fullmatch(text.strip())
    if not match:
        raise ScheduleError(f'every: "{text}" is not understood; write day, week, "3 days" or "2 weeks"')
    try:
        weekdays = tuple(parse_weekday(name) for name in day.split(",")) if day and day.strip() else ()
    except HoursError as error:
        raise ScheduleError(f'day: "{day}" is not understood ({error}); write Tue, or "Tue,Fri" for several') from error
    unit, count = match[2].lower(), int(match[1] or 1)
    _check(unit, count, weekdays, f'every "{text}"')
    return Every(unit, count, tuple(sorted(weekdays, key=WEEKDAYS.index)))


def _check(unit, count, weekdays, where):
    if unit not in UNITS:
        raise ScheduleError(f'{where}: every "{unit}" is not known; write {" or ".join(UNITS)}')
    most = UNITS[unit][2]
    if not 1 <= count <= most:
        raise ScheduleError(f"{where}: {count} {unit}s is not between 1 and {most}; mend the number")
    if weekdays and unit != "week":
        raise ScheduleError(f"{where}: days of the week ({', '.join(weekdays)}) go with weeks only; leave the day out")
    for index, name in enumerate(weekdays):
        if name not in WEEKDAYS:
            raise ScheduleError(f'{where}: "{name}" is not a day of the week; write {", ".join(WEEKDAYS)}')
        if name in weekdays[:index]:
            raise ScheduleError(f"{where}: {name} is named twice; name each day once")


def _period_days(timing):
    return UNITS[timing.every][0] * timing.count


def _dates(timing, first, last):
    """All due local dates in [first, last], and perhaps some before; first is not before starts_on."""
    # Whole periods are skipped, so that an old order costs no more than a new one.
    skipped = (first - timing.starts_on).days // _period_days(timing) * _period_days(timing)
    _, frequency, _ = UNITS[timing.every]
    rule = rrule.rrule(
        frequency, interval=timing.count, wkst=rrule.MO,
        byweekday=[WEEKDAYS.index(name) for name in timing.weekdays] or None,
        dtstart=datetime.combine(timing.starts_on + skipped * _DAY, time(0)), until=datetime.combine(last, time(0)),
    )
    return [day.date() for day in rule]
