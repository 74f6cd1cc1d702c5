"""When infusions are due. RFC 5545 examples were computed with dateutil, moments with zoneinfo (tzdata 2026f)."""

import zoneinfo
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flows.hours import WEEKDAYS, at_wall, local, parse_clock
from flows.schedule import ORDINALS, Change, Every, ScheduleError, Timing, next_occasion, occasion_on, occasions, parse_every

NEW_YORK, CHICAGO = "America/New_York", "America/Chicago"
ZONES = (
    NEW_YORK, CHICAGO, "America/Denver", "America/Los_Angeles", "America/Anchorage", "America/Adak", "America/Phoenix", "Pacific/Honolulu",
    "America/Puerto_Rico", "America/Vancouver", "America/Winnipeg", "America/St_Johns", "America/Havana", "America/Santiago",
    "America/Asuncion", "America/Sao_Paulo", "America/Caracas", "America/Mexico_City", "Atlantic/Azores", "Europe/London", "Europe/Dublin",
    "Europe/Madrid", "Europe/Athens", "Europe/Istanbul", "Africa/Cairo", "Africa/Casablanca", "Africa/Johannesburg", "Asia/Beirut",
    "Asia/Tehran", "Asia/Kabul", "Asia/Kolkata", "Asia/Kathmandu", "Asia/Yangon", "Asia/Tokyo", "Australia/Adelaide", "Australia/Darwin",
    "Australia/Lord_Howe", "Australia/Sydney", "Australia/Eucla", "Pacific/Auckland", "Pacific/Chatham", "Pacific/Apia",
    "Pacific/Kiritimati", "Pacific/Marquesas", "UTC")


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
    ("month", "last fri, 2nd Tuesday", Every("month", 1, ("2nd Tue", "last Fri"))),
    ("2 months", "1st Mon", Every("month", 2, ("1st Mon",))),
    ("3 times a week", None, Every("week", 1, ("Mon", "Wed", "Fri"))),
    ("twice a week", "Tue,Sat", Every("week", 1, ("Tue", "Sat"))),
    ("once per week", None, Every("week", 1, ("Mon",))),
])
def test_how_often_is_read_as_people_write_it(text, day, parts):
    assert parse_every(text, day) == parts == parse_every(parts.text, ",".join(parts.weekdays))
    assert occasions(timing(**parts._asdict()), utc(2026, 3, 1), utc(2026, 6, 1))


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

# ---- outside checks. The worked examples of RFC 5545 3.8.5.3, dates as the RFC prints them (from memory, and computed).

@pytest.mark.parametrize(("starts_on", "every", "day", "dates"), [
    ((1997, 9, 2), "day", None, ["09-02", "09-03", "09-04", "09-05"]),                         # daily, from a Tuesday
    ((1997, 9, 2), "2 days", None, ["09-02", "09-04", "09-06", "09-08"]),                      # every other day
    ((1997, 9, 2), "10 days", None, ["09-02", "09-12", "09-22", "10-02", "10-12"]),            # every 10 days
    ((1997, 9, 2), "week", None, ["09-02", "09-09", "09-16", "09-23"]),                        # weekly on Tuesday
    ((1997, 9, 2), "2 weeks", None, ["09-02", "09-16", "09-30", "10-14"]),                     # every other week
    ((1997, 9, 2), "week", "Tue,Thu", ["09-02", "09-04", "09-09", "09-11", "09-16"]),          # weekly on two days
    ((1997, 9, 1), "2 weeks", "Mon,Wed,Fri", ["09-01", "09-03", "09-05", "09-15", "09-17", "09-19", "09-29"]),
    ((1997, 9, 2), "2 weeks", "Tue,Thu", ["09-02", "09-04", "09-16", "09-18", "09-30", "10-02", "10-14", "10-16"]),
    ((1997, 8, 5), "2 weeks", "Tue,Sun", ["08-05", "08-10", "08-19", "08-24"]),                # WKST=MO
    ((1997, 9, 5), "month", "1st Fri", ["09-05", "10-03", "11-07", "12-05"]),                  # monthly on the first Friday
    ((1997, 9, 7), "2 months", "1st Sun,last Sun", ["09-07", "09-28", "11-02", "11-30"]),      # 1st and last Sunday, every other month
])
def test_the_worked_examples_of_rfc_5545_hold(starts_on, every, day, dates):
    starts_on = date(*starts_on)
    parts = parse_every(every, day, starts_on)
    wanted = timing(**parts._asdict(), starts_on=starts_on, zone=NEW_YORK, clock_local="09:00")
    assert [f"{on:%m-%d}" for on in first_dates(wanted, len(dates))] == dates


# The kept PyPI libraries looked at (ical 14.3.1, recurring-ical-events 3.8.2) name dateutil as a requirement, so they would compare it
# with itself. The other side is a brute-force walk over the days, which knows the rule's text alone.

def walked(rule, starts_on, last):
    """The dates of an RFC 5545 rule text in [starts_on, last], found by asking of each day whether the rule means it."""
    parts = dict(part.split("=") for part in rule.split(";"))
    names = {name[:2].upper(): number for number, name in enumerate(WEEKDAYS)}
    wanted = [(int(item[:-2] or 0), names[item[-2:]]) for item in parts.get("BYDAY", "").split(",") if item]
    every, found, on = int(parts["INTERVAL"]), [], starts_on
    monday = starts_on - timedelta(days=starts_on.weekday())
    while on <= last:
        month_length = (on.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
        if parts["FREQ"] == "DAILY":
            due = (on - starts_on).days % every == 0
        elif parts["FREQ"] == "WEEKLY":
            days = [weekday for _, weekday in wanted] or [starts_on.weekday()]
            due = on.weekday() in days and (on - monday).days // 7 % every == 0
        else:
            months = (on.year - starts_on.year) * 12 + on.month - starts_on.month
            due = months % every == 0 and any(
                on.weekday() == weekday and (nth == (on.day - 1) // 7 + 1 or (nth == -1 and on.day + 7 > month_length.day))
                for nth, weekday in wanted)
        if due:
            found.append(on)
        on += timedelta(days=1)
    return found


@st.composite
def some_rule(draw, zones=ZONES, years=(2018, 2030)):
    every = draw(st.sampled_from(["day", "week", "month"]))
    ordinals = st.builds(lambda nth, name: f"{nth} {name}", st.sampled_from(list(ORDINALS)), st.sampled_from(WEEKDAYS))
    weekdays = {"day": st.just([]), "week": st.lists(st.sampled_from(WEEKDAYS), unique=True, max_size=4),
                "month": st.lists(ordinals, unique=True, min_size=1, max_size=3)}[every]
    return Timing(every=every, count=draw(st.integers(1, 12)), weekdays=tuple(draw(weekdays)), zone=draw(st.sampled_from(zones)),
                  clock_local=f"{draw(st.integers(0, 23)):02}:{draw(st.integers(0, 59)):02}",
                  starts_on=draw(st.dates(date(years[0], 1, 1), date(years[1], 1, 1))))


@settings(deadline=None, max_examples=300)
@given(some_rule(), st.integers(0, 900), st.integers(1, 500))
def test_a_walk_over_the_days_finds_the_dates_of_some_hundred_generated_rules(wanted, skip, days):
    first = wanted.starts_on + timedelta(days=skip)
    last = first + timedelta(days=days)
    clock = parse_clock(wanted.clock_local)
    due = occasions(wanted, at_wall(first, clock, wanted.zone), at_wall(last, clock, wanted.zone) + timedelta(seconds=1))
    assert [each.on for each in due] == [on for on in walked(wanted.rule, wanted.starts_on, last) if on >= first]


@pytest.mark.parametrize(("zone", "spring", "autumn"), [  # messaging 4, RAN: US and London dates of 2026 and 2027, UTC hour of the change
    (NEW_YORK, (date(2026, 3, 8), 7), (date(2026, 11, 1), 6)), (NEW_YORK, (date(2027, 3, 14), 7), (date(2027, 11, 7), 6)),
    (CHICAGO, (date(2026, 3, 8), 8), (date(2026, 11, 1), 7)), (CHICAGO, (date(2027, 3, 14), 8), (date(2027, 11, 7), 7)),
    ("America/Denver", (date(2026, 3, 8), 9), (date(2026, 11, 1), 8)),
    ("America/Los_Angeles", (date(2026, 3, 8), 10), (date(2026, 11, 1), 9)),
    ("America/Anchorage", (date(2026, 3, 8), 11), (date(2026, 11, 1), 10)),
])
def test_around_the_sundays_of_2026_and_2027_no_dose_is_lost_and_the_real_gap_is_that_of_the_clocks(zone, spring, autumn):
    for (on, hour), gaps in ((spring, [24, 23.5, 23.5, 24]), (autumn, [24, 24, 25, 24])):
        assert f"{on:%a}" == "Sun"
        daily = timing("day", clock_local="02:30" if on.month == 3 else "01:30", zone=zone, starts_on=on - timedelta(days=2))
        due = occasions(daily, utc(on.year, on.month, on.day) - timedelta(days=3), utc(on.year, on.month, on.day) + timedelta(days=3, hours=18))
        assert [each.on for each in due][:5] == [on + timedelta(days=n) for n in range(-2, 3)]
        found = [(b.at - a.at).total_seconds() / 3600 for a, b in pairwise(due)][:4]
        assert found == ([24, 24, 23, 24] if on.month == 3 else gaps)
        assert due[2].at == utc(on.year, on.month, on.day, hour) + timedelta(minutes=30) - (timedelta(0) if on.month == 3 else timedelta(hours=1))


# ---- changes beside the rule

TUE, THU = date(2026, 3, 10), date(2026, 3, 12)  # Tuesday, Thursday


def with_changes(*changes, **parts):
    return timing(**parts, changes=tuple(changes))


def dates(wanted, first=date(2026, 3, 1), last=date(2026, 4, 8)):
    return [each.on for each in occasions(wanted, at_wall(first, time(0), CHICAGO), at_wall(last, time(0), CHICAGO))]


def test_a_move_takes_one_dose_elsewhere_and_leaves_the_rhythm():
    wanted = with_changes(Change(kind="move", from_on=TUE, to_on=THU, clock_local="09:00"))
    assert [f"{on:%m-%d}" for on in dates(wanted)] == ["03-03", "03-12", "03-17", "03-24", "03-31", "04-07"]
    assert occasion_on(wanted, THU).at == utc(2026, 3, 12, 14)  # Thursday 09:00 CDT
    assert occasion_on(wanted, TUE) is None


def test_a_pause_drops_what_falls_in_it_and_an_open_one_everything_after():
    assert [f"{on:%m-%d}" for on in dates(with_changes(Change(kind="pause", from_on=TUE, until_on=date(2026, 3, 24))))] == [
        "03-03", "03-31", "04-07"]
    forever = with_changes(Change(kind="pause", from_on=TUE))
    assert dates(forever) == [date(2026, 3, 3)] and next_occasion(forever, utc(2026, 3, 9)) is None  # Tuesday, Monday


def test_after_a_pause_every_second_week_is_still_in_step():
    wanted = with_changes(Change(kind="pause", from_on=date(2026, 3, 4), until_on=date(2027, 3, 1)), count=2)
    assert next_occasion(wanted, utc(2026, 3, 5)).on == date(2027, 3, 2) == date(2026, 3, 3) + timedelta(days=26 * 14)  # a Tuesday


def test_a_holiday_sends_a_dose_to_the_next_open_day_or_leaves_it_where_another_is_due_before():
    tuesday, wednesday = (Change(kind="holiday", from_on=TUE + timedelta(days=n), doses="after") for n in (0, 1))
    assert THU in dates(with_changes(tuesday, wednesday)) and TUE not in dates(with_changes(tuesday, wednesday))
    assert TUE in dates(with_changes(Change(kind="holiday", from_on=TUE)))  # "keep"
    daily = with_changes(tuesday, every="day")
    assert len(set(dates(daily))) == len(dates(daily)) == len(dates(timing("day")))


def test_a_dose_of_a_holiday_stays_where_another_was_moved_to_the_next_open_day():
    move = Change(kind="move", from_on=date(2026, 3, 17), to_on=date(2026, 3, 11), clock_local=None)  # a Tuesday, to a Wednesday
    assert dates(with_changes(move, Change(kind="holiday", from_on=TUE, doses="after")))[1:3] == [TUE, date(2026, 3, 11)]


def test_an_hour_finds_its_dose_though_the_date_is_another_at_home_or_a_holiday_moved_it_from_days_before():
    away = with_changes(Change(kind="travel", from_on=TUE, until_on=THU, zone="Pacific/Kiritimati"), clock_local="08:00")
    at = utc(2026, 3, 9, 18)  # Monday in Chicago, Tuesday 08:00 in Kiritimati
    assert [each.on for each in occasions(away, at, at + timedelta(hours=1))] == [TUE]
    shut = with_changes(*(Change(kind="holiday", from_on=TUE + timedelta(days=n), doses="after") for n in range(4)))
    at = utc(2026, 3, 14, 23)  # Saturday 18:00 in Chicago
    assert [each.on for each in occasions(shut, at, at + timedelta(hours=1))] == [date(2026, 3, 14)]


def test_on_a_journey_the_wall_time_is_that_of_the_place():
    wanted = with_changes(Change(kind="travel", from_on=date(2026, 3, 5), until_on=date(2026, 3, 18), zone="Europe/Madrid"))
    assert [each.at for each in occasions(wanted, utc(2026, 3, 1), utc(2026, 3, 31))] == [
        utc(2026, 3, 4, 0), utc(2026, 3, 10, 17), utc(2026, 3, 17, 17), utc(2026, 3, 24, 23)]  # Tuesdays 18:00: CST, CET, CET, CDT


@st.composite
def some_changes(draw, wanted):
    """Moves between neighbours, a pause, holidays in a row and a journey over some months of a timing."""
    first = wanted.starts_on
    day = st.integers(0, 200).map(lambda n: first + timedelta(days=n))
    found = []
    for on in draw(st.lists(st.sampled_from(walked(wanted.rule, first, first + timedelta(days=200)) or [first]), unique=True, max_size=2)):
        to_on = on + timedelta(days=draw(st.integers(1, 3)))
        within = [each for each in walked(wanted.rule, first, to_on) if on < each <= to_on]
        if not within and on in walked(wanted.rule, first, on) and all(change.to_on != to_on for change in found):
            found.append(Change(kind="move", from_on=on, to_on=to_on))
    if draw(st.booleans()):
        start = draw(day)
        found.append(Change(kind="pause", from_on=start, until_on=start + timedelta(days=draw(st.integers(0, 60)))))
    if draw(st.booleans()):
        start = draw(day)
        found += [Change(kind="holiday", from_on=start + timedelta(days=n), doses=draw(st.sampled_from(["keep", "after"])))
                  for n in range(draw(st.integers(1, 3)))]
    if draw(st.booleans()):
        start = draw(day)
        found.append(Change(kind="travel", from_on=start, until_on=start + timedelta(days=draw(st.integers(0, 30))),
                            zone=draw(st.sampled_from(ZONES))))
    return replace(wanted, changes=tuple(found))


def no_dose_is_lost_and_none_doubled(wanted):
    """Over a span that holds every change: as many doses as the rule has, each on a date of its own, less those of a pause."""
    first, last = (at_wall(wanted.starts_on + timedelta(days=days), time(0), "UTC") for days in (-3, 400))
    unpaused = replace(wanted, changes=tuple(change for change in wanted.changes if change.kind != "pause"))
    due = occasions(unpaused, first, last)
    assert len(due) == len({each.on for each in due}) == len(occasions(replace(wanted, changes=()), first, last))
    assert occasions(wanted, first, last) == [each for each in due if not any(pause.covers(each.on) for pause in wanted.of("pause"))]


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_with_any_changes_no_dose_is_lost_and_none_doubled(data):
    no_dose_is_lost_and_none_doubled(data.draw(some_changes(data.draw(some_rule()))))


@settings(deadline=None, max_examples=150)
@given(st.data(), st.integers(0, 240))
def test_the_next_occasion_with_changes_is_the_first_of_the_list(data, days):
    wanted = data.draw(some_changes(data.draw(some_rule())))
    at = at_wall(wanted.starts_on, time(0), wanted.zone) + timedelta(days=days)
    far = occasions(wanted, at + timedelta(seconds=1), at + timedelta(days=1200))
    assert next_occasion(wanted, at) == (far[0] if far else None)


@settings(deadline=None, max_examples=150)
@given(st.data(), st.integers(0, 240), st.integers(0, 60), st.integers(0, 100))
def test_two_spans_side_by_side_hold_what_one_span_holds_with_any_changes(data, days, first, second):
    wanted = data.draw(some_changes(data.draw(some_rule())))
    begin = at_wall(wanted.starts_on, time(0), wanted.zone) + timedelta(days=days)
    middle, until = begin + timedelta(hours=first), begin + timedelta(hours=first + second)
    assert occasions(wanted, begin, middle) + occasions(wanted, middle, until) == [
        each for each in occasions(wanted, begin - timedelta(days=9), until + timedelta(days=9)) if begin <= each.at < until]


@pytest.mark.long
@settings(deadline=None, max_examples=3000)
@given(st.data())
def test_in_all_zones_and_ten_years_no_dose_is_lost_and_none_doubled(data):
    every_zone = sorted(zoneinfo.available_timezones())
    no_dose_is_lost_and_none_doubled(data.draw(some_changes(data.draw(some_rule(every_zone, (2020, 2030))))))


@pytest.mark.long
@pytest.mark.parametrize("zone", sorted(zoneinfo.available_timezones()))
def test_in_every_zone_a_daily_dose_of_ten_years_comes_once_a_day(zone):
    for clock in ("00:00", "01:30", "02:30", "12:00", "23:59"):
        daily = timing("day", zone=zone, clock_local=clock, starts_on=date(2025, 1, 1))  # a Wednesday
        due = occasions(daily, utc(2024, 12, 30), utc(2034, 12, 30))
        assert [each.on for each in due] == [date(2025, 1, 1) + timedelta(days=n) for n in range(len(due))] and len(due) >= 3649
        assert all(a.at < b.at for a, b in pairwise(due))


def test_the_ordinary_run_tries_forty_zones_with_half_hours_southern_ones_and_some_without_a_change():
    summer, winter = utc(2026, 7, 1), utc(2026, 1, 1)
    offsets = {zone: (local(winter, zone).utcoffset(), local(summer, zone).utcoffset()) for zone in ZONES}
    assert len(ZONES) >= 40
    assert any(a.total_seconds() % 3600 for a, _ in offsets.values())
    assert any(a > b for a, b in offsets.values()) and any(a < b for a, b in offsets.values()) and any(a == b for a, b in offsets.values())
