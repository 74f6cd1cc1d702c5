"""When infusions are due. RFC 5545 examples were computed with dateutil, moments with zoneinfo (tzdata 2026f)."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flows.hours import WEEKDAYS, at_wall, local, parse_clock
from flows.schedule import Every, ScheduleError, Timing, next_occasion, occasions, parse_every

NEW_YORK, CHICAGO = "America/New_York", "America/Chicago"
ZONES = (NEW_YORK, CHICAGO, "America/St_Johns", "America/Santiago", "America/Havana", "America/Phoenix",
         "Europe/London", "Atlantic/Azores", "Africa/Cairo", "Asia/Kathmandu", "Australia/Lord_Howe",
         "Pacific/Apia", "Pacific/Honolulu", "Pacific/Kiritimati", "UTC")


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def timing(every="week", **parts):
    return Timing(**{"every": every, "clock_local": "18:00", "zone": CHICAGO, "starts_on": date(2026, 3, 3)} | parts)


def first_dates(wanted, count):
    found, at = [], utc(1990, 1, 1)
    while len(found) < count:
        occasion = next_occasion(wanted, at)
        found.append(occasion.on)
        at = occasion.at
    return found


@st.composite
def some_timing(draw):
    every = draw(st.sampled_from(["day", "week"]))
    starts_on = draw(st.dates(date(2018, 1, 1), date(2030, 1, 1)))
    weekdays = draw(st.lists(st.sampled_from(WEEKDAYS), unique=True, max_size=3)) if every == "week" else []
    length = draw(st.none() | st.integers(0, 900))
    return Timing(
        every=every, count=draw(st.integers(1, 9)), weekdays=tuple(weekdays), zone=draw(st.sampled_from(ZONES)),
        clock_local=f"{draw(st.integers(0, 23)):02}:{draw(st.integers(0, 59)):02}", starts_on=starts_on,
        ends_on=None if length is None else starts_on + timedelta(days=length))


MOMENTS = st.datetimes(datetime(2017, 6, 1), datetime(2033, 1, 1), timezones=st.just(UTC))


def test_every_two_weeks_on_tuesday_and_sunday_counts_weeks_from_monday():
    # RFC 5545 3.8.5.3: 19970805 WEEKLY;INTERVAL=2;BYDAY=TU,SU;WKST=MO gives Aug 5 Tue, 10 Sun, 19 Tue, 24 Sun.
    # (With weeks from Sunday it would be 5, 17, 19, 31.)
    every = timing(count=2, weekdays=("Tue", "Sun"), zone=NEW_YORK, clock_local="09:00", starts_on=date(1997, 8, 5))
    assert [day.day for day in first_dates(every, 4)] == [5, 10, 19, 24]


def test_a_daily_dose_at_0230_is_dropped_by_no_change_of_the_clock():
    # New York, Friday 2027-03-12 to Monday 2027-03-15; on Sunday 02:30 does not exist (RFC 5545 3.3.5: 03:30 EDT).
    daily = timing("day", clock_local="02:30", zone=NEW_YORK, starts_on=date(2027, 3, 12))
    assert [occasion.at for occasion in occasions(daily, utc(2027, 3, 12), utc(2027, 3, 16))] == [
        utc(2027, 3, 12, 7, 30), utc(2027, 3, 13, 7, 30), utc(2027, 3, 14, 7, 30), utc(2027, 3, 15, 6, 30)]


def test_a_daily_dose_at_0130_comes_once_in_the_night_that_has_it_twice():
    # New York, Saturday 2026-10-31 to Monday 2026-11-02.
    daily = timing("day", clock_local="01:30", zone=NEW_YORK, starts_on=date(2026, 10, 31))
    assert [occasion.at for occasion in occasions(daily, utc(2026, 10, 31), utc(2026, 11, 3))] == [
        utc(2026, 10, 31, 5, 30), utc(2026, 11, 1, 5, 30), utc(2026, 11, 2, 6, 30)]


def test_a_daily_dose_keeps_its_wall_time_when_the_clock_goes_back():
    # Daily 09:00 in New York, Saturday 2026-10-31 to Tuesday 2026-11-03: offsets -4, -5, -5, -5.
    daily = timing("day", clock_local="09:00", zone=NEW_YORK, starts_on=date(2026, 10, 31), ends_on=date(2026, 11, 3))
    assert [occasion.at.hour for occasion in occasions(daily, utc(2026, 10, 1), utc(2027, 1, 1))] == [13, 14, 14, 14]


def test_every_week_without_a_day_keeps_the_weekday_of_the_start():
    assert first_dates(timing(), 3) == [date(2026, 3, 3), date(2026, 3, 10), date(2026, 3, 17)]  # Tuesdays


def test_every_second_week_counts_the_week_of_the_start_even_when_its_day_is_past():
    # Start Thursday 2026-03-05, day Tuesday: Tuesday 2026-03-03 is past, so the next is Tuesday 2026-03-17.
    wanted = timing(count=2, weekdays=("Tue",), starts_on=date(2026, 3, 5))
    assert first_dates(wanted, 2) == [date(2026, 3, 17), date(2026, 3, 31)]


def test_every_tenth_day_crosses_months_by_calendar_days():
    wanted = timing("day", count=10, starts_on=date(2027, 1, 31))  # Sunday
    assert first_dates(wanted, 4) == [date(2027, 1, 31), date(2027, 2, 10), date(2027, 2, 20), date(2027, 3, 2)]


def test_an_old_order_is_still_in_step_after_twenty_years():
    # Every 2 weeks from Tuesday 2006-03-07: 522 periods later is Tuesday 2026-03-10.
    wanted = timing(count=2, weekdays=("Tue",), starts_on=date(2006, 3, 7))
    assert next_occasion(wanted, utc(2026, 3, 4)).on == date(2006, 3, 7) + timedelta(days=522 * 14) == date(2026, 3, 10)


def test_a_span_of_occasions_is_half_open():
    at = utc(2026, 3, 10, 23)  # Tuesday 18:00 in Chicago
    assert [occasion.at for occasion in occasions(timing(), at, at + timedelta(days=7))] == [at]
    assert occasions(timing(), at + timedelta(seconds=1), at) == []


def test_the_next_occasion_is_later_than_the_moment_asked_and_none_after_the_end():
    wanted = timing(ends_on=date(2026, 3, 10))
    tuesday = utc(2026, 3, 10, 23)  # 18:00 in Chicago
    assert next_occasion(wanted, tuesday - timedelta(seconds=1)).at == tuesday
    assert next_occasion(wanted, tuesday) is None


def test_the_first_and_last_local_date_are_both_due():
    # Kiritimati is 14 hours ahead: the local date is the day after the one in UTC.
    tuesday, wednesday = date(2026, 3, 3), date(2026, 3, 4)
    daily = timing("day", zone="Pacific/Kiritimati", clock_local="00:30", starts_on=tuesday, ends_on=wednesday)
    assert [on for on, _ in occasions(daily, utc(2026, 1, 1), utc(2027, 1, 1))] == [tuesday, wednesday]


@settings(deadline=None, max_examples=200)
@given(some_timing(), MOMENTS, st.integers(0, 120))
def test_occasions_are_the_dates_that_a_calendar_counted_by_hand_gives(wanted, begin, days):
    until = begin + timedelta(days=days)
    clock = parse_clock(wanted.clock_local)
    monday = wanted.starts_on - timedelta(days=wanted.starts_on.weekday())
    names = wanted.weekdays or (WEEKDAYS[wanted.starts_on.weekday()],)
    expected = []
    for step in range(-3, days + 4):
        on = begin.date() + timedelta(days=step)
        if wanted.every == "day":
            due = (on - wanted.starts_on).days % wanted.count == 0
        else:
            due = WEEKDAYS[on.weekday()] in names and (on - monday).days // 7 % wanted.count == 0
        if due and wanted.starts_on <= on <= (wanted.ends_on or date.max):
            at = at_wall(on, clock, wanted.zone)
            if begin <= at < until:
                expected.append((on, at))
    assert occasions(wanted, begin, until) == expected


@settings(deadline=None, max_examples=200)
@given(some_timing(), MOMENTS, st.integers(0, 60), st.integers(0, 60))
def test_two_spans_side_by_side_hold_what_one_span_holds(wanted, begin, first, second):
    middle, until = begin + timedelta(days=first), begin + timedelta(days=first + second)
    assert occasions(wanted, begin, middle) + occasions(wanted, middle, until) == occasions(wanted, begin, until)


@settings(deadline=None, max_examples=200)
@given(some_timing(), MOMENTS)
def test_nothing_is_due_between_a_moment_and_its_next_occasion(wanted, at):
    following = next_occasion(wanted, at)
    if following is None:
        assert wanted.ends_on is not None
        assert occasions(wanted, at + timedelta(seconds=1), at + timedelta(days=6000)) == []
    else:
        assert following.at > at
        assert occasions(wanted, at + timedelta(seconds=1), following.at) == []


@settings(deadline=None, max_examples=200)
@given(some_timing(), MOMENTS)
def test_each_occasion_shows_its_wall_time_or_one_that_the_gap_makes_later(wanted, at):
    following = next_occasion(wanted, at)
    assume(following)
    shown = local(following.at, wanted.zone).replace(tzinfo=None, fold=0)
    asked = datetime.combine(following.on, parse_clock(wanted.clock_local))
    assert timedelta(0) <= shown - asked <= timedelta(hours=1)


# ---- what people write

@pytest.mark.parametrize(("text", "day", "parts"), [
    ("week", "Tue", Every("week", 1, ("Tue",))),
    ("2 weeks", "fri, Tuesday", Every("week", 2, ("Tue", "Fri"))),
    ("1 week", None, Every("week", 1, ())),
    ("Day", None, Every("day", 1, ())),
    (" 3 days ", "", Every("day", 3, ())),
])
def test_how_often_is_read_as_people_write_it(text, day, parts):
    assert parse_every(text, day) == parts
    assert occasions(timing(**parts._asdict()), utc(2026, 3, 1), utc(2026, 5, 1))


@pytest.mark.parametrize(("text", "day", "what"), [
    ("year", None, 'every: "year" is not understood; write day, week, month, "3 days", "2 weeks" or "3 times a week"'),
    ("month", None, 'months need the day, such as "2nd Tue" or "last Fri"; add it'),
    ("month", "Tue", "is not one of 1st, 2nd, 3rd, 4th, last"),
    ("month", "5th Tue", "is not one of 1st, 2nd, 3rd, 4th, last"),
    ("13 months", "2nd Tue", "13 months is not between 1 and 12"),
    ("3 times a week", "Mon,Fri", "2 days are named .Mon, Fri.; name 3, or none"),
    ("8 times a week", None, "is not understood"),
    ("", None, "is not understood"),
    ("two weeks", None, "is not understood"),
    ("0 weeks", None, "0 weeks is not between 1 and 53"),
    ("54 weeks", None, "54 weeks is not between 1 and 53"),
    ("-1 days", None, "is not understood"),
    ("week", "Tue Fri", 'day: "Tue Fri" is not understood .* write Tue, or "Tue,Fri" for several'),
    ("week", "Tue,", "is not a day of the week"),
    ("week", "Tue,tuesday", "Tue is named twice"),
    ("day", "Tue", "days of the week .Tue. go with weeks and months only; leave the day out"),
])
def test_how_often_that_cannot_be_read_says_what_and_the_mend(text, day, what):
    with pytest.raises(ScheduleError, match=what):
        parse_every(text, day)


@pytest.mark.parametrize(("parts", "what"), [
    ({"every": "year"}, 'every "year" is not known; write day or week or month'),
    ({"count": 0}, "0 weeks is not between"),
    ({"weekdays": ("tue",)}, '"tue" is not a day of the week'),
    ({"every": "day", "weekdays": ("Tue",)}, "go with weeks and months only"),
    ({"clock_local": "6pm"}, '"6pm" is not a time of day'),
    ({"zone": "Central"}, "is not an IANA time zone"),
    ({"ends_on": date(2026, 3, 2)}, "ends_on 2026-03-02 is before starts_on 2026-03-03"),  # Monday, Tuesday
])
def test_a_timing_that_makes_no_sense_is_refused(parts, what):
    with pytest.raises(ScheduleError, match=what):
        timing(**parts)


def test_midnight_is_a_time_of_day_for_an_infusion():
    assert timing(clock_local="00:00").clock_local == "00:00" and parse_clock("00:00") == time(0)
