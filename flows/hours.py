"""Wall time and hours: what a clock on a wall shows, when a practice works, when a patient is left in peace.

Zone rules come from the `tzdata` package and never from the operating system, because an old system database
is silently wrong (several Canadian zones changed in 2026). Importing this module therefore calls
`zoneinfo.reset_tzpath(to=())` for the whole process. The cost: upgrading the system does not update the rules,
upgrading `tzdata` does.

Hours and quiet are judged by the wall clock itself: a practice that opens at 08:00 opens when the clock shows
08:00, also on the day on which the clock is changed. A span ("within 4 working hours") counts real time.
"""

import re
import zoneinfo
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise

zoneinfo.reset_tzpath(to=())
zoneinfo.ZoneInfo.clear_cache()

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAY_MINUTES = 24 * 60

_FULL_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_WEEKDAY = {name: index for index, full in enumerate(_FULL_NAMES) for name in (full, full[:3])}
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)
_REACH_DAYS = 8  # how far one look ahead goes: a week of hours and a day


class HoursError(ValueError):
    """A zone, clock time, day, working hours or quiet hours that cannot be read: what, where, and the mend."""


# ---- zones and wall time

def zone_named(name: str) -> zoneinfo.ZoneInfo:
    """The IANA zone of exactly this name. HoursError for any other word."""
    if name not in _zone_names():
        raise HoursError(f'"{name}" is not an IANA time zone; write one such as America/Chicago, capitals included')
    return zoneinfo.ZoneInfo(name)


@cache
def _zone_names():
    return frozenset(zoneinfo.available_timezones())


def at_wall(on: date, clock: time, zone: str) -> datetime:
    """The moment (aware UTC) at which the clock of `zone` shows `clock` on the local date `on`.

    RFC 5545 3.3.5: a wall time that a forward change skips is read with the offset before the gap (02:30 becomes
    03:30), of two equal wall times the first counts. So every date has its moment and nothing is ever dropped.
    """
    return datetime.combine(on, clock.replace(fold=0), zone_named(zone)).astimezone(UTC)


def local(at: datetime, zone: str) -> datetime:
    """What the clock of `zone` shows at `at`, as an aware datetime in that zone. HoursError for a naive `at`."""
    return _utc(at).astimezone(zone_named(zone))


def years_between(born_on: date, on: date) -> int:
    """Completed years of age on a date. Somebody born on 29 February has the birthday on 1 March in other years."""
    return on.year - born_on.year - ((on.month, on.day) < (born_on.month, born_on.day))


def parse_clock(text: str) -> time:
    """A wall time from "18:00" or "8:05". HoursError for anything else, "24:00" too."""
    minutes = _clock_minutes(text, text)
    if minutes == DAY_MINUTES:
        raise HoursError(f'"{text}" is not a time of day; write 00:00 for midnight')
    return time(*divmod(minutes, 60))


def parse_weekday(text: str) -> str:
    """One of `WEEKDAYS` from "Tue", "tue" or "Tuesday". HoursError for any other word."""
    return WEEKDAYS[_weekday(text, text)]


# ---- working hours and quiet hours

@dataclass(frozen=True)
class Hours:
    """Working hours of a week, as written in `text`.

    ranges: (weekday, start, end) in order; weekday 0 is Monday; start and end are minutes after midnight,
    half open [start, end), never past 24:00 (hours over midnight are two ranges); they do not overlap.
    """

    text: str
    ranges: tuple[tuple[int, int, int], ...]
    closed_on: frozenset = frozenset()  # local dates without any: the practice's holidays


@dataclass(frozen=True)
class Quiet:
    """Hours of every day in which nothing routine is sent, as written in `text`. ranges: as in `Hours`; () is never."""

    text: str
    ranges: tuple[tuple[int, int, int], ...]


def parse_hours(text: str) -> Hours:
    """Working hours from "Mon-Fri 08:00-17:00" or several of these with commas between.

    Days may run over the end of the week ("Sat-Mon"), hours over midnight ("Fri 22:00-06:00", counted with the day
    on which they begin); "24:00" is the end of a day. HoursError names the piece that is wrong and the mend; hours
    that overlap are refused, because "Mon-Fri 08:00-17:00, Fri 08:00-12:00" leaves open when Friday ends.
    """
    ranges = []
    for item in text.split(","):
        words = item.replace("–", "-").split()
        if len(words) != 2:
            raise HoursError(f'"{item.strip()}" in working hours "{text}" is not days and hours; '
                             'write for example "Mon-Thu 08:00-17:00, Fri 08:00-12:00"')
        start, end = _span(words[1], text)
        ranges += [piece for day in _days(words[0], text) for piece in _pieces(day, start, end)]
    ranges.sort()
    for (day, _, end), (next_day, start, _) in pairwise(ranges):
        if day == next_day and start < end:
            raise HoursError(f'{WEEKDAYS[day]} has hours that overlap in working hours "{text}"; '
                             "give each day its hours once")
    return Hours(text, tuple(ranges))


def parse_quiet(text: str) -> Quiet:
    """Quiet hours from "21:00-08:00" (half open [start, end), may run over midnight) or "none" for never.

    HoursError when it cannot be read, or when it would last all day and so never end.
    """
    if text.strip().casefold() == "none":
        return Quiet(text, ())
    start, end = _span(text.replace("–", "-").replace(" ", ""), text)
    if (start, end) == (0, DAY_MINUTES):
        raise HoursError(f'quiet hours "{text}" never end; leave some hours of the day open, or write none')
    return Quiet(text, tuple(sorted(piece for day in range(7) for piece in _pieces(day, start, end))))


def is_open(hours: Hours, at: datetime, zone: str) -> bool:
    """Does the wall clock of `zone` at `at` stand inside the working hours?"""
    return _inside(hours.ranges, at, zone, hours.closed_on)


def next_open(hours: Hours, at: datetime, zone: str) -> datetime:
    """The first moment (aware UTC) at or after `at` inside the working hours."""
    return next(start for start, _ in _stretches(hours.ranges, at, zone) if is_open(hours, start, zone))


def add_working(hours: Hours, at: datetime, amount: timedelta, zone: str) -> datetime:
    """The moment (aware UTC) at which `amount` of working time has passed since `at`.

    From outside the hours the count begins at the next opening. Time is real time, so a clock change inside the
    hours neither adds nor takes any. A count that ends with the day ends at the closing time itself, not at the
    next opening. HoursError for a negative amount.
    """
    if amount < timedelta(0):
        raise HoursError(f"working time to add is {amount}; it cannot be negative")
    for start, end in _stretches(hours.ranges, at, zone):
        if is_open(hours, start, zone):
            if amount <= end - start:
                return start + amount
            amount -= end - start


def is_quiet(quiet: Quiet, at: datetime, zone: str) -> bool:
    """Does the wall clock of `zone` at `at` stand inside the quiet hours?"""
    return _inside(quiet.ranges, at, zone)


def quiet_end(quiet: Quiet, at: datetime, zone: str) -> datetime:
    """The first moment (aware UTC) at or after `at` that is not quiet: `at` itself outside the quiet hours."""
    return next(start for start, _ in _stretches(quiet.ranges, at, zone) if not _inside(quiet.ranges, start, zone))


# ---- looking along the wall clock

def _utc(at):
    if at.tzinfo is None:
        raise HoursError(f"the moment {at.isoformat()} has no zone; pass an aware datetime in UTC")
    return at.astimezone(UTC)


def _inside(ranges, at, zone, closed_on=()):
    wall = local(at, zone)
    if wall.date() in closed_on:
        return False
    minute = wall.hour * 60 + wall.minute  # range ends are whole minutes, so seconds cannot matter
    return any(day == wall.weekday() and start <= minute < end for day, start, end in ranges)


def _stretches(ranges, at, zone) -> Iterator[tuple[datetime, datetime]]:
    """Time from `at` on, cut into stretches (start, end) that lie wholly inside or wholly outside the ranges."""
    at = _utc(at)
    while True:
        end = at + timedelta(days=_REACH_DAYS)
        yield from pairwise([at, *_edges(ranges, at, end, zone), end])
        at = end


def _edges(ranges, after, before, zone):
    """Moments between the two at which the wall clock may enter or leave a range, in order.

    These are the moments at which it shows a range's start or end (both, when it shows it twice), and the moments
    at which the clock is changed: a change may jump over a start or an end, or back over one.
    """
    info = zone_named(zone)
    clocks = {minute % DAY_MINUTES for _, *span in ranges for minute in span}
    first = after.astimezone(info).date() - _DAY
    found = set(_changes(after, before, info))
    for days in range((before - after).days + 4):
        for minute in clocks:
            wall = datetime.combine(first + days * _DAY, time(*divmod(minute, 60)))
            for fold in (0, 1):
                at = wall.replace(tzinfo=info, fold=fold).astimezone(UTC)
                if at.astimezone(info).replace(tzinfo=None, fold=0) == wall:  # else the clock never shows it
                    found.add(at)
    return sorted(at for at in found if after < at < before)


def _changes(after, before, info):
    """Moments between the two at which the offset of the zone changes (found day by day, then halved to the second)."""
    whole = after.replace(microsecond=0)
    while whole < before:
        low, high = whole, whole + _DAY
        offset = low.astimezone(info).utcoffset()
        if high.astimezone(info).utcoffset() != offset:
            while high - low > _SECOND:
                middle = low + timedelta(seconds=(high - low) // _SECOND // 2)
                if middle.astimezone(info).utcoffset() == offset:
                    low = middle
                else:
                    high = middle
            yield high
        whole += _DAY


# ---- reading what people write

def _clock_minutes(text, where):
    match = _CLOCK.fullmatch(text.strip())
    hour, minute = (int(match[1]), int(match[2])) if match else (99, 99)
    if minute > 59 or hour * 60 + minute > DAY_MINUTES:
        raise HoursError(f'"{text}"{_within(text, where)} is not a time of day; write it as 08:00 or 18:30')
    return hour * 60 + minute


def _span(text, where):
    """(start, end) in minutes from "08:00-17:00"; end is below start when the span runs over midnight."""
    clocks = text.split("-")
    if len(clocks) != 2:
        raise HoursError(f'"{text}"{_within(text, where)} is not a span of hours; write it as 08:00-17:00')
    start, end = (_clock_minutes(clock, where) for clock in clocks)
    if start == DAY_MINUTES:
        raise HoursError(f'"{text}"{_within(text, where)} begins at 24:00; write 00:00 and the day after')
    if start == end:
        raise HoursError(f'"{text}"{_within(text, where)} begins and ends at the same time; '
                         "write 00:00-24:00 for a whole day")
    return start, end


def _pieces(day, start, end):
    if start < end:
        return [(day, start, end)]
    tail = [((day + 1) % 7, 0, end)] if end else []
    return [(day, start, DAY_MINUTES), *tail]


def _days(text, where):
    names = text.split("-")
    if len(names) > 2:
        raise HoursError(f'"{text}"{_within(text, where)} is not a day or a span of days; write Mon or Mon-Fri')
    first, last = _weekday(names[0], where), _weekday(names[-1], where)
    return [(first + step) % 7 for step in range((last - first) % 7 + 1)]


def _weekday(text, where):
    day = _WEEKDAY.get(text.strip().casefold())
    if day is None:
        raise HoursError(f'"{text}"{_within(text, where)} is not a day of the week; write {", ".join(WEEKDAYS)}')
    return day


def _within(text, where):
    return "" if text == where else f' in "{where}"'
