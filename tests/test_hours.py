"""Wall time, working hours and quiet hours."""

import subprocess
import sys
import zoneinfo
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from flows.hours import (
    HoursError, add_working, at_wall, is_open, is_quiet, local, next_open, parse_clock, parse_hours, parse_quiet,
    parse_weekday, quiet_end, zone_named,
)

NEW_YORK, CHICAGO, PHOENIX = "America/New_York", "America/Chicago", "America/Phoenix"

ZONES = (
    NEW_YORK, CHICAGO, "America/Denver", "America/Los_Angeles", "America/Anchorage", "America/Adak", PHOENIX,
    "Pacific/Honolulu", "America/Puerto_Rico", "America/Vancouver", "America/Edmonton", "America/Winnipeg",
    "America/St_Johns", "America/Halifax", "America/Havana", "America/Santiago", "America/Asuncion",
    "America/Sao_Paulo", "America/Mexico_City", "America/Tijuana", "Atlantic/Azores",
    "Europe/London", "Europe/Dublin", "Europe/Madrid",
    "Europe/Berlin", "Europe/Athens", "Europe/Istanbul", "Africa/Cairo", "Africa/Casablanca", "Africa/El_Aaiun",
    "Africa/Johannesburg", "Asia/Beirut", "Asia/Gaza", "Asia/Tehran", "Asia/Kolkata", "Asia/Kathmandu", "Asia/Tokyo",
    "Australia/Lord_Howe", "Australia/Sydney", "Pacific/Chatham", "Pacific/Apia", "Pacific/Kiritimati", "UTC",
)


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


MOMENTS = st.datetimes(datetime(2015, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC))
DATES = st.dates(date(2015, 1, 1), date(2035, 1, 1))
MINUTES = st.integers(0, 1439)


def written(minute):
    return f"{minute // 60:02}:{minute % 60:02}"


@st.composite
def near_a_change(draw):
    """A zone and a moment, half of the time within a day of a change of the clock."""
    zone, at = draw(st.sampled_from(ZONES)), draw(MOMENTS)
    if draw(st.booleans()):
        days = [at + timedelta(days=n) for n in range(370)]
        changed = [day for day in days
                   if local(day, zone).utcoffset() != local(day + timedelta(days=1), zone).utcoffset()]
        if changed:
            at = draw(st.sampled_from(changed)) + timedelta(minutes=draw(st.integers(-1440, 1440)))
    return zone, at


@st.composite
def some_quiet(draw):
    start, end = draw(MINUTES), draw(MINUTES)
    assume(start != end)
    return parse_quiet(f"{written(start)}-{written(end)}")


@st.composite
def some_hours(draw):
    days = draw(st.lists(st.sampled_from(["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]), min_size=1, unique=True))
    spans = []
    for day in days:
        start, end = sorted((draw(MINUTES), draw(MINUTES)))
        assume(start != end)
        spans.append(f"{day} {written(start)}-{written(end)}")
    return parse_hours(", ".join(spans))


# ---- wall time. RFC 5545 3.3.5; instants computed with zoneinfo, alike in tzdata 2025b and 2026f.

@pytest.mark.parametrize(("on", "clock", "zone", "expected"), [
    (date(2027, 3, 14), "02:30", NEW_YORK, utc(2027, 3, 14, 7, 30)),    # Sunday: in the gap, 03:30 EDT
    (date(2007, 3, 11), "02:30", NEW_YORK, utc(2007, 3, 11, 7, 30)),    # Sunday: the RFC's own example, 03:30 EDT
    (date(2026, 11, 1), "01:30", NEW_YORK, utc(2026, 11, 1, 5, 30)),    # Sunday: the first of two
    (date(2007, 11, 4), "01:30", NEW_YORK, utc(2007, 11, 4, 5, 30)),    # Sunday: the RFC's own example, EDT
    (date(2026, 3, 10), "18:00", CHICAGO, utc(2026, 3, 10, 23, 0)),     # Tuesday, after the change
    (date(2026, 3, 3), "18:00", CHICAGO, utc(2026, 3, 4, 0, 0)),        # Tuesday, before the change
])
def test_a_wall_time_has_the_moment_that_rfc_5545_gives_it(on, clock, zone, expected):
    assert at_wall(on, parse_clock(clock), zone) == expected


@pytest.mark.parametrize(("zone", "at"), [
    (NEW_YORK, utc(2026, 3, 8, 7)), (NEW_YORK, utc(2026, 11, 1, 6)),       # both Sunday, like all below
    (NEW_YORK, utc(2027, 3, 14, 7)), (NEW_YORK, utc(2027, 11, 7, 6)),
    (CHICAGO, utc(2026, 3, 8, 8)), (CHICAGO, utc(2026, 11, 1, 7)),
    ("America/Denver", utc(2026, 3, 8, 9)), ("America/Denver", utc(2026, 11, 1, 8)),
    ("America/Los_Angeles", utc(2026, 3, 8, 10)), ("America/Los_Angeles", utc(2026, 11, 1, 9)),
    ("America/Anchorage", utc(2026, 3, 8, 11)), ("America/Anchorage", utc(2026, 11, 1, 10)),
    ("Europe/London", utc(2026, 3, 29, 1)), ("Europe/London", utc(2026, 10, 25, 1)),
    ("Europe/London", utc(2027, 3, 28, 1)), ("Europe/London", utc(2027, 10, 31, 1)),
])
def test_the_clock_changes_at_the_published_second(zone, at):
    before = at - timedelta(seconds=1)
    assert at.weekday() == 6
    assert local(before, zone).utcoffset() != local(at, zone).utcoffset()


@pytest.mark.parametrize("zone", [PHOENIX, "Pacific/Honolulu", "America/Puerto_Rico"])
def test_zones_without_summer_time_keep_one_offset_all_year(zone):
    assert len({local(utc(2026, month, 1), zone).utcoffset() for month in range(1, 13)}) == 1


@pytest.mark.parametrize(("zone", "hours"), [
    ("America/Vancouver", -7), ("America/Edmonton", -6), ("America/Winnipeg", -5)])
def test_zone_rules_are_those_of_tzdata_2026f_not_of_an_older_system(zone, hours):
    # tzdata 2026f: permanent time; 2025b still says one hour less in December. Tuesday 2026-12-15.
    assert local(utc(2026, 12, 15), zone).utcoffset() == timedelta(hours=hours)


def test_importing_hours_turns_the_whole_process_to_the_tzdata_package():
    code = ("import datetime, zoneinfo; zoneinfo.ZoneInfo('America/Vancouver'); import flows.hours;"
            "tuesday = datetime.datetime(2026, 12, 15, tzinfo=zoneinfo.ZoneInfo('America/Vancouver'));"
            "print(zoneinfo.TZPATH, tuesday.utcoffset())")
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert printed == "() -1 day, 17:00:00\n"  # -7 h


def test_every_zone_of_the_tzdata_package_is_known_by_name():
    names = resources.files("tzdata").joinpath("zones").read_text().split()
    assert set(names) <= zoneinfo.available_timezones()
    assert all(zone_named(name).key == name for name in names)


@pytest.mark.parametrize("name", [
    "Central", "america/chicago", "", "../etc/passwd", "/etc/localtime", "America", "+05:00"])
def test_a_word_that_is_no_zone_is_refused_with_an_example(name):
    with pytest.raises(HoursError, match="write one such as America/Chicago"):
        local(utc(2026, 3, 10), name)


def test_a_moment_without_a_zone_is_refused():
    with pytest.raises(HoursError, match="pass an aware datetime"):
        is_quiet(parse_quiet("21:00-08:00"), datetime(2026, 3, 10, 12), CHICAGO)  # Tuesday


@settings(deadline=None)
@given(st.sampled_from(ZONES), DATES, st.integers(1, 400), MINUTES)
def test_a_later_date_never_has_an_earlier_moment(zone, on, days, minute):
    clock = time(*divmod(minute, 60))
    assert at_wall(on, clock, zone) < at_wall(on + timedelta(days=days), clock, zone)


@settings(deadline=None)
@given(st.sampled_from(ZONES), DATES, MINUTES)
def test_a_wall_time_reads_back_as_itself_or_later_by_the_gap(zone, on, minute):
    asked = datetime.combine(on, time(*divmod(minute, 60)))
    shown = local(at_wall(on, asked.time(), zone), zone).replace(tzinfo=None, fold=0)
    assert asked <= shown <= asked + timedelta(hours=1)


# ---- working hours

HOURS = parse_hours("Mon-Thu 08:00-17:00, Fri 08:00-12:00")


@pytest.mark.parametrize(("at", "open_now"), [
    (datetime(2026, 3, 10, 7, 59, 59), False),   # Tuesday
    (datetime(2026, 3, 10, 8, 0), True),         # Tuesday
    (datetime(2026, 3, 10, 16, 59, 59), True),   # Tuesday
    (datetime(2026, 3, 10, 17, 0), False),       # Tuesday
    (datetime(2026, 3, 13, 11, 59), True),       # Friday
    (datetime(2026, 3, 13, 12, 0), False),       # Friday
    (datetime(2026, 3, 14, 10, 0), False),       # Saturday
])
def test_hours_are_open_from_the_opening_to_just_before_the_closing(at, open_now):
    assert is_open(HOURS, at_wall(at.date(), at.time(), CHICAGO), CHICAGO) is open_now


@pytest.mark.parametrize(("text", "ranges"), [
    ("Mon-Fri 08:00-17:00", tuple((day, 480, 1020) for day in range(5))),
    ("mon 8:00-12:00, Mon 13:00-17:00", ((0, 480, 720), (0, 780, 1020))),
    ("Sat-Mon 09:00-10:00", ((0, 540, 600), (5, 540, 600), (6, 540, 600))),
    ("Sun-Sat 00:00-24:00", tuple((day, 0, 1440) for day in range(7))),
    ("Sunday 22:00-06:00", ((0, 0, 360), (6, 1320, 1440))),
    ("Fri 22:00-00:00", ((4, 1320, 1440),)),
    ("Mon 08:00-12:00, Mon 12:00-17:00", ((0, 480, 720), (0, 720, 1020))),
])
def test_working_hours_are_read_as_people_write_them(text, ranges):
    assert parse_hours(text).ranges == ranges


@pytest.mark.parametrize(("text", "what"), [
    ("", "is not days and hours; write for example"),
    ("Mon-Fri", '"Mon-Fri" in working hours "Mon-Fri" is not days and hours'),
    ("Mon, Wed 08:00-12:00", '"Mon" in working hours'),
    ("Mon-Fry 08:00-17:00", '"Fry" in "Mon-Fry 08:00-17:00" is not a day of the week; write Mon, Tue'),
    ("Mon-Wed-Fri 08:00-17:00", "write Mon or Mon-Fri"),
    ("Mon 8-17", '"8" in "Mon 8-17" is not a time of day; write it as 08:00'),
    ("Mon 08:00-25:00", '"25:00" in'),
    ("Mon 08:60-09:00", '"08:60" in'),
    ("Mon 08:00", "is not a span of hours; write it as 08:00-17:00"),
    ("Mon 08:00-08:00", "begins and ends at the same time; write 00:00-24:00"),
    ("Mon 24:00-08:00", "begins at 24:00"),
    ("Mon-Fri 08:00-17:00, Fri 08:00-12:00", "Fri has hours that overlap .* give each day its hours once"),
    ("Sun 22:00-06:00, Mon 05:00-09:00", "Mon has hours that overlap"),
])
def test_working_hours_that_cannot_be_read_say_what_where_and_the_mend(text, what):
    with pytest.raises(HoursError, match=what):
        parse_hours(text)


def test_the_next_opening_after_friday_noon_is_monday_morning():
    friday, monday = at_wall(date(2026, 3, 13), time(12), CHICAGO), at_wall(date(2026, 3, 16), time(8), CHICAGO)
    assert (friday.weekday(), monday.weekday()) == (4, 0)
    assert next_open(HOURS, friday, CHICAGO) == monday
    assert next_open(HOURS, monday, CHICAGO) == monday


@pytest.mark.parametrize(("start", "amount_h", "due"), [
    (datetime(2026, 3, 10, 9), 4, datetime(2026, 3, 10, 13)),       # Tuesday, same day
    (datetime(2026, 3, 10, 15), 4, datetime(2026, 3, 11, 10)),      # Tuesday 2 h, Wednesday 2 h
    (datetime(2026, 3, 10, 13), 4, datetime(2026, 3, 10, 17)),      # Tuesday, ends with the day
    (datetime(2026, 3, 12, 16), 4, datetime(2026, 3, 13, 11)),      # Thursday 1 h, Friday 3 h
    (datetime(2026, 3, 13, 11), 4, datetime(2026, 3, 16, 11)),      # Friday 1 h, Monday 3 h, over the weekend
    (datetime(2026, 3, 14, 3), 4, datetime(2026, 3, 16, 12)),       # Saturday night: from Monday 08:00
    (datetime(2026, 3, 14, 3), 0, datetime(2026, 3, 16, 8)),        # Saturday night, nothing: the next opening
    (datetime(2026, 3, 6, 11), 5, datetime(2026, 3, 9, 12)),        # Friday 1 h, Monday 4 h, over the change of clocks
    (datetime(2026, 3, 2, 8), 40 * 3, datetime(2026, 3, 20, 12)),   # three weeks of 40 h, Monday to Friday noon
])
def test_a_due_time_is_counted_in_working_hours(start, amount_h, due):
    begun = at_wall(start.date(), start.time(), CHICAGO)
    assert add_working(HOURS, begun, timedelta(hours=amount_h), CHICAGO) == at_wall(due.date(), due.time(), CHICAGO)


def test_hours_in_the_night_of_a_change_count_real_time():
    night = parse_hours("Sun 00:00-06:00")
    # Sunday 2027-03-14 in New York: 02:00 to 03:00 does not exist, so 4 real hours from midnight end at 05:00.
    midnight = at_wall(date(2027, 3, 14), time(0), NEW_YORK)
    assert add_working(night, midnight, timedelta(hours=4), NEW_YORK) == at_wall(date(2027, 3, 14), time(5), NEW_YORK)
    # Sunday 2026-11-01: 01:00 to 02:00 comes twice, so they end at 03:00.
    midnight = at_wall(date(2026, 11, 1), time(0), NEW_YORK)
    assert add_working(night, midnight, timedelta(hours=4), NEW_YORK) == at_wall(date(2026, 11, 1), time(3), NEW_YORK)


def test_hours_that_the_change_skips_open_a_week_later():
    # "Sun 02:00-03:00" does not exist in New York on Sunday 2027-03-14; Sunday 2027-03-21 is the next.
    assert next_open(parse_hours("Sun 02:00-03:00"), utc(2027, 3, 14, 0), NEW_YORK) == utc(2027, 3, 21, 6)


@pytest.mark.parametrize(("text", "at", "opening"), [  # Monday 2026-05-25 is closed
    ("Mon-Fri 08:00-17:00", utc(2026, 5, 22, 23), utc(2026, 5, 26, 13)),  # Friday evening to Tuesday 08:00 in Chicago
    ("Mon-Sun 00:00-24:00", utc(2026, 5, 25, 15), utc(2026, 5, 26, 5)),   # round the clock: from midnight on
    ("Sun 22:00-06:00", utc(2026, 5, 25, 6), utc(2026, 6, 1, 3)),         # its part on the holiday is closed too
])
def test_a_holiday_has_no_hours(text, at, opening):
    hours = replace(parse_hours(text), closed_on=frozenset({date(2026, 5, 25)}))
    assert next_open(hours, at, CHICAGO) == opening


def test_working_time_passes_over_a_holiday():
    hours = replace(parse_hours("Mon-Fri 08:00-17:00"), closed_on=frozenset({date(2026, 5, 25)}))
    due = add_working(hours, utc(2026, 5, 22, 21), timedelta(hours=4), CHICAGO)  # Friday 16:00
    assert due == utc(2026, 5, 26, 16)  # Tuesday 11:00


def test_negative_working_time_is_refused():
    with pytest.raises(HoursError, match="cannot be negative"):
        add_working(HOURS, utc(2026, 3, 10), timedelta(hours=-1), CHICAGO)  # Tuesday


@settings(deadline=None, max_examples=200)
@given(near_a_change(), some_hours())
def test_the_next_opening_is_open_and_nothing_before_it_is(where, hours):
    zone, at = where
    opening = next_open(hours, at, zone)
    assert opening >= at and is_open(hours, opening, zone)
    for step in range(1, 200):
        earlier = opening - (opening - at) * step / 200
        assert earlier >= opening or not is_open(hours, earlier, zone)


@settings(deadline=None, max_examples=200)
@given(near_a_change(), some_hours(), st.integers(0, 600))
def test_added_working_time_ends_inside_the_hours_or_at_a_closing(where, hours, minutes):
    zone, at = where
    due = add_working(hours, at, timedelta(minutes=minutes), zone)
    assert due >= next_open(hours, at, zone)
    assert is_open(hours, due, zone) or is_open(hours, due - timedelta(microseconds=1), zone)


@settings(deadline=None, max_examples=60)
@given(near_a_change(), some_hours(), st.integers(1, 300))
def test_added_working_time_is_the_open_minutes_counted_one_by_one(where, hours, minutes):
    zone, at = where
    at = at.replace(second=0, microsecond=0)
    due = add_working(hours, at, timedelta(minutes=minutes), zone)
    assume(due - at < timedelta(days=9))
    steps = (due - at) // timedelta(minutes=1)
    assert sum(is_open(hours, at + timedelta(minutes=step), zone) for step in range(steps)) == minutes


# ---- quiet hours

QUIET = parse_quiet("21:00-08:00")


@pytest.mark.parametrize("zone", [NEW_YORK, PHOENIX])
@pytest.mark.parametrize(("clock", "quiet"), [
    (time(20, 59, 59), False), (time(21), True), (time(7, 59, 59), True), (time(8), False),
])
def test_quiet_begins_at_21_and_ends_at_8_to_the_second(zone, clock, quiet):
    # 47 CFR 64.1200(c)(1), from memory: before 8 a.m. or after 9 p.m. local time. Sunday 2026-11-01, clocks go back.
    assert is_quiet(QUIET, at_wall(date(2026, 11, 1), clock, zone), zone) is quiet


def test_quiet_of_a_night_in_which_the_clock_changes_still_ends_at_8():
    # New York, the nights to Sunday 2026-11-01 (12 h long) and to Sunday 2027-03-14 (10 h long).
    assert quiet_end(QUIET, utc(2026, 11, 1, 1), NEW_YORK) == utc(2026, 11, 1, 13)
    assert quiet_end(QUIET, utc(2027, 3, 14, 2), NEW_YORK) == utc(2027, 3, 14, 12)


def test_quiet_that_would_end_in_a_gap_ends_when_the_clock_jumps_over_its_end():
    # New York, Sunday 2027-03-14: the clock jumps from 02:00 to 03:00 at 07:00Z.
    assert quiet_end(parse_quiet("21:00-02:30"), utc(2027, 3, 14, 6, 59), NEW_YORK) == utc(2027, 3, 14, 7)


def test_quiet_comes_twice_when_the_clock_shows_its_hour_twice():
    # New York, Sunday 2026-11-01: 01:30 EDT is 05:30Z, 01:00 EST is 06:00Z, 01:30 EST is 06:30Z.
    quiet = parse_quiet("21:00-01:30")
    assert not is_quiet(quiet, utc(2026, 11, 1, 5, 30), NEW_YORK)
    assert quiet_end(quiet, utc(2026, 11, 1, 6), NEW_YORK) == utc(2026, 11, 1, 6, 30)


def test_quiet_none_is_never_quiet():
    at = utc(2026, 3, 10, 8)  # Tuesday 03:00 in Chicago
    assert not is_quiet(parse_quiet("None"), at, CHICAGO)
    assert quiet_end(parse_quiet("none"), at, CHICAGO) == at


def test_quiet_within_one_day_does_not_wrap():
    quiet = parse_quiet("13:00-15:00")
    assert is_quiet(quiet, at_wall(date(2026, 3, 10), time(14), CHICAGO), CHICAGO)      # Tuesday
    assert not is_quiet(quiet, at_wall(date(2026, 3, 10), time(15), CHICAGO), CHICAGO)  # Tuesday


@pytest.mark.parametrize(("text", "what"), [
    ("", "is not a span of hours"),
    ("never", "is not a span of hours"),
    ("21-8", '"21" in "21-8" is not a time of day'),
    ("21:00-21:00", "begins and ends at the same time"),
    ("00:00-24:00", "never end; leave some hours .* or write none"),
])
def test_quiet_hours_that_cannot_be_read_say_what_and_the_mend(text, what):
    with pytest.raises(HoursError, match=what):
        parse_quiet(text)


@settings(deadline=None, max_examples=300)
@given(near_a_change(), some_quiet())
@example((NEW_YORK, utc(2027, 3, 14, 6, 59)), parse_quiet("21:00-02:30"))
@example(("America/Santiago", utc(2026, 9, 6, 3, 59)), parse_quiet("21:00-00:30"))  # Sunday: clock jumps from midnight
def test_the_end_of_quiet_is_never_quiet_never_earlier_and_nothing_before_it_is_loud(where, quiet):
    zone, at = where
    end = quiet_end(quiet, at, zone)
    assert end >= at and not is_quiet(quiet, end, zone)
    assert (end == at) == (not is_quiet(quiet, at, zone))
    moment = at
    while moment < end:
        assert is_quiet(quiet, moment, zone)
        moment += timedelta(minutes=5)
    assert end == at or is_quiet(quiet, end - timedelta(microseconds=1), zone)


@pytest.mark.parametrize("text", ["18", "1800", "18:0", "6pm", "24:00", "-1:00", "١٨:٠٠", ""])
def test_a_clock_time_that_cannot_be_read_is_refused(text):
    with pytest.raises(HoursError, match="is not a time of day"):
        parse_clock(text)


def test_days_are_read_short_long_and_in_any_case():
    assert [parse_weekday(name) for name in ("tue", "Tuesday", " SUN ")] == ["Tue", "Tue", "Sun"]
