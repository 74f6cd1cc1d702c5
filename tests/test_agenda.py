"""Changes to a schedule from the shell: what they do, what they refuse, their audit, and the laws that hold through them all."""

import contextlib
import io
import json
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.cli import run_words
from bot.office import Office
from bot.worker import Worker
from flows import hours
from flows.model import Decision, HoldOrder, PutInfusion
from flows.occasion import timing_of
from flows.schedule import occasions
from store import record, world
from store.database import moment, writing
from tests.processes import ANA, PRACTICE, RUTH, select, stage

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
DUE = datetime(2026, 3, 10, 23, tzinfo=UTC)  # Tuesday 18:00 in Chicago
ZONE = "America/Chicago"


@pytest.fixture
def played(tmp_path):
    played = stage(tmp_path / "practice.db")
    yield played
    played.close()


def shell(played, *words):
    """(exit status, what was printed) of one command at the practice's desk."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        status = run_words(words, played.office.path, played.clock, played.office.practice)
    return status, printed.getvalue()


def does(played, command, *more):
    status, printed = shell(played, *command.split(), *more)
    assert status == 0, printed
    return printed


def refused(played, command):
    status, printed = shell(played, *command.split())
    assert status == 2
    return printed.strip()


def reminders(played, number=ANA):
    """The local moments of the reminders to a phone, as "Tue 03-10 18:00"."""
    return [f"{hours.local(text.sent_at, ZONE):%a %m-%d %H:%M}" for text in played.carrier.texts if text.to_number == number
            and text.body.startswith("Hi Ana, ") and "have not heard" not in text.body]


def doses(played):
    return {row["due_on"]: row["state"] for row in select(played.office.db(), "SELECT due_on, state FROM infusion WHERE patient_id = 1")}


def listed(played, count=3):
    return [row["on"][5:] + " " + row["local"] for row in json.loads(does(played, "schedule list Ana --json"))][:count]


# ---- what each change does


def test_a_dose_moved_to_thursday_is_reminded_of_then_and_the_next_ones_stay(played):
    assert "moved from Tuesday 2026-03-10 to Thursday 2026-03-12 09:30" in does(played, "schedule move Ana --to 2026-03-12 --time 09:30")
    played.advance_to(DUE + 8 * DAY)
    assert reminders(played) == ["Thu 03-12 09:30", "Tue 03-17 18:00"]


def test_a_dose_moved_later_on_its_own_day_after_its_reminder_is_reminded_of_again(played):
    played.advance_to(DUE + MINUTE)
    does(played, "schedule move Ana --time 20:15")
    played.advance_to(DUE + 4 * HOUR)
    assert reminders(played) == ["Tue 03-10 18:00", "Tue 03-10 20:15"]
    assert [text for text in played.carrier.texts if text.to_number == ANA and "have not heard" in text.body] == []


def test_a_move_can_be_moved_again_and_back_to_where_it_was(played):
    for to_on in ("2026-03-12", "2026-03-13", "2026-03-10"):
        does(played, f"schedule move Ana --to {to_on}")
    assert listed(played) == ["03-10 18:00", "03-17 18:00", "03-24 18:00"]
    assert json.loads(does(played, "schedule changes Ana --json")) == []


def test_a_pause_with_an_end_and_an_early_resume_leave_the_rhythm(played):
    does(played, "schedule pause Ana --from 2026-03-11 --until 2026-04-20")
    assert listed(played) == ["03-10 18:00", "04-21 18:00", "04-28 18:00"]
    played.advance_to(DUE + 13 * DAY)
    does(played, "schedule resume Ana")
    assert listed(played) == ["03-24 18:00", "03-31 18:00", "04-07 18:00"]
    played.advance_to(DUE + 15 * DAY)
    assert reminders(played) == ["Tue 03-10 18:00", "Tue 03-24 18:00"]
    assert "2026-03-17" not in doses(played)


def test_an_open_pause_ends_only_by_a_resume_and_what_its_hour_has_passed_today_is_not_due(played):
    does(played, "schedule pause Ana")
    played.advance_to(DUE + 21 * DAY + HOUR)
    assert reminders(played) == [] and listed(played) == []
    does(played, "schedule resume Ana")
    assert listed(played, 1) == ["04-07 18:00"]
    played.advance_to(DUE + 29 * DAY)
    assert reminders(played) == ["Tue 04-07 18:00"]


def test_a_pause_taken_while_a_reminder_waits_for_its_answer_asks_no_more(played):
    played.advance_to(DUE + HOUR)
    does(played, "schedule pause Ana --until 2026-03-20")
    played.advance_to(DUE + 3 * DAY)
    assert doses(played)["2026-03-10"] == "skipped"
    assert [text.body for text in played.carrier.texts if "have not heard" in text.body and text.to_number == ANA] == []
    assert select(played.office.db(), "SELECT about FROM task WHERE patient_id = 1") == []


def test_on_a_journey_reminders_and_words_are_in_the_time_of_the_place(played):
    does(played, "schedule travel Ana --zone Europe/Madrid --from 2026-03-14 --until 2026-03-20")
    played.advance_to(DUE + 6 * DAY + 20 * HOUR)
    assert reminders(played) == ["Tue 03-10 18:00", "Tue 03-17 12:00"]  # 18:00 CET is 12:00 CDT
    assert "17 Tue 18:00 in Europe/Madrid" in does(played, "schedule list Ana")
    assert world.patient(played.office.db(), 1, played.now).zone == "Europe/Madrid"
    assert world.patient(played.office.db(), 1, played.now + 7 * DAY).zone == ZONE


def test_a_holiday_closes_the_office_and_moves_or_keeps_the_doses_of_the_day(played):
    assert "Ana: moved to 2026-03-18" in does(played, "schedule holiday 2026-03-17 --doses after")  # a Tuesday
    assert listed(played, 2) == ["03-10 18:00", "03-18 18:00"]
    practice = world.practice_now(played.office.db(), PRACTICE)
    noon = datetime(2026, 3, 17, 17, tzinfo=UTC)
    assert not hours.is_open(practice.hours, noon, ZONE) and hours.is_open(PRACTICE.hours, noon, ZONE)
    opening = hours.next_open(practice.hours, noon, ZONE)
    assert f"{hours.local(opening, ZONE):%a %H:%M}" == "Wed 08:00"
    does(played, f"schedule drop {json.loads(does(played, 'schedule changes --json'))[0]['id']}")
    assert listed(played, 2) == ["03-10 18:00", "03-17 18:00"]


ORDER = "patient order Ana --volume-ml 20 --strength 0.2 --sites 1 --rate-ml-per-h-per-site 20 "


def test_an_order_for_later_takes_over_on_its_date_and_a_hold_goes_with_it(played):
    does(played, ORDER + "--every month --time 10:00 --starts 2026-03-18 --day", "3rd Wed")
    assert listed(played) == ["03-10 18:00", "03-17 18:00", "03-18 10:00"]
    with writing(played.office.db()) as db:
        record.carry_out(db, Decision((HoldOrder(1, "a reaction"),)), played.now)
    played.advance_to(DUE + 9 * DAY)
    held = select(played.office.db(), "SELECT id, held_why FROM infusion_order WHERE current = 1 AND patient_id = 1")
    assert [row["held_why"] for row in held] == ["a reaction"] and held[0]["id"] != 1
    assert reminders(played) == []


def test_an_order_written_anew_keeps_the_hold_of_the_old_one(played):
    with writing(played.office.db()) as db:
        record.carry_out(db, Decision((HoldOrder(1, "a reaction"),)), played.now)
    does(played, ORDER + "--day Wed --time 10:00")
    assert world.patient(played.office.db(), 1, played.now).order.held_why == "a reaction"


def test_an_order_several_times_a_week_is_spread_over_the_week(played):
    does(played, ORDER + "--time 10:00 --starts 2026-03-11 --every", "3 times a week")  # from a Wednesday
    assert listed(played, 4) == ["03-10 18:00", "03-11 10:00", "03-13 10:00", "03-15 10:00"]


def test_an_order_in_quiet_hours_wants_a_yes(played):
    assert "21:00 in America/Chicago lies in quiet hours (21:00-08:00)" in refused(played, ORDER + "--day Tue --time 21:00")
    does(played, ORDER + "--day Tue --time 20:59")
    does(played, ORDER + "--day Tue --time 21:00 --yes")
    does(played, ORDER + "--day Tue --time 08:00")


def test_a_preview_shows_ten_occasions_and_saves_nothing(played):
    before = {table: select(played.office.db(), f"SELECT * FROM {table}") for table in ("schedule_change", "audit", "infusion_order", "infusion")}
    for command in ("schedule move Ana --to 2026-03-12", "schedule pause Ana --from 2026-03-20 --until 2026-03-30", "schedule skip Ana",
                    "schedule travel Ana --zone Europe/Madrid --from 2026-03-14 --until 2026-03-20", ORDER + "--day Fri --time 10:00"):
        found = json.loads(does(played, command + " --preview --json"))
        assert found["saved"] is False and len(found["next"]) == 10
    assert len(json.loads(does(played, "schedule preview Ana --time 10:00 --json --every month --day", "last Fri"))) == 10
    does(played, "schedule holiday 2026-03-17 --preview")
    assert before == {table: select(played.office.db(), f"SELECT * FROM {table}") for table in before}


def test_every_change_leaves_its_line_in_the_audit(played):
    for command in ("schedule move Ana --to 2026-03-12", "schedule pause Ana --from 2026-03-30 --until 2026-04-02", "schedule resume Ana --on 2026-03-31",
                    "schedule travel Ana --zone Europe/Madrid --from 2026-03-14 --until 2026-03-20", "schedule skip Ana --on 2026-03-24",
                    "schedule holiday 2026-07-03", "patient times Ana --quiet 22:00-07:00"):
        before = len(select(played.office.db(), "SELECT id FROM audit"))
        does(played, command)
        added = select(played.office.db(), "SELECT who, what FROM audit ORDER BY id")[before:]
        assert added and {row["who"] for row in added} == {"coordinator"}, command


@pytest.mark.parametrize(("command", "what"), [
    ("schedule move Ana", "neither a date nor a time is named; give --to, --time or both"),
    ("schedule move Ana --to 2026-03-09", "Monday 2026-03-09 18:00 is past; name a later date or time"),
    ("schedule move Ana --to 2026-03-17", "there is a dose on Tuesday 2026-03-17: two doses are never put together"),
    ("schedule move Ana --to 2026-03-19", "there is a dose on Tuesday 2026-03-17: two doses are never put together or exchanged"),
    ("schedule move Ana --on 2026-03-11 --to 2026-03-12", "Ana has no occasion on 2026-03-11; `ebbline schedule list Ana` shows them"),
    ("schedule move Ana --time 22:00", "22:00 in America/Chicago lies in quiet hours"),
    ("schedule move Ana --time 25:00", '"25:00" is not a time of day'),
    ("schedule move Ana --to tomorrow", "does not match the format"),
    ("schedule move Ana --to 2026-03-12 --nurse Zoe", "Zoe: no nurse or manager is called so"),
    ("schedule move Zoe --to 2026-03-12", "there is no patient called 'Zoe'"),
    ("schedule pause Ana --from 2026-03-20 --until 2026-03-12", "it ends on Thursday 2026-03-12, before it begins on Friday 2026-03-20"),
    ("schedule pause Ana --from 2026-03-01 --until 2026-03-02", "Monday 2026-03-02 is past; name a later last day"),
    ("schedule resume Ana", "Ana is not paused on Tuesday 2026-03-10"),
    ("schedule resume Ana --on 2026-03-01", "2026-03-01 is past"),
    ("schedule travel Ana --zone Madrid --from 2026-03-14 --until 2026-03-20", '"Madrid" is not an IANA time zone'),
    ("schedule holiday 2026-03-01", "2026-03-01 is past; name a day to come"),
    ("schedule drop 99", "there is no change 99; `ebbline schedule changes` lists them"),
    (ORDER + "--every year --time 10:00", 'every: "year" is not understood'),
    ("patient times Ana --follow-up-hours 48,24", "write two numbers of hours, the first smaller, like 24,48"),
    ("patient times Ana --quiet 00:00-24:00", "never end"),
    ("export ical", "name one patient, or give --all"),
])
def test_a_change_that_cannot_be_says_what_where_and_the_mend(played, command, what):
    before = select(played.office.db(), "SELECT * FROM audit")
    assert what in refused(played, command)
    assert select(played.office.db(), "SELECT * FROM audit") == before


def test_two_pauses_or_journeys_do_not_overlap_and_a_day_is_a_holiday_once(played):
    does(played, "schedule pause Ana --from 2026-03-20 --until 2026-03-30")
    assert "there is one already from Friday 2026-03-20" in refused(played, "schedule pause Ana --from 2026-03-30")
    assert "paused on Friday 2026-03-20" in refused(played, "schedule move Ana --on 2026-03-17 --to 2026-03-20")
    does(played, "schedule travel Ana --zone Europe/Madrid --from 2026-03-14 --until 2026-03-20")
    assert "`ebbline schedule drop 2` takes it back" in refused(
        played, "schedule travel Ana --zone Europe/Paris --from 2026-03-20 --until 2026-03-22")
    does(played, "schedule holiday 2026-07-03")
    assert "a holiday already" in refused(played, "schedule holiday 2026-07-03")


@pytest.mark.parametrize("state", ["running", "done", "stopped"])
def test_a_dose_that_has_begun_is_neither_moved_nor_skipped(played, state):
    with writing(played.office.db()) as db:
        record.carry_out(db, Decision((PutInfusion(1, date(2026, 3, 10), DUE, {"state": state}),)), played.now)
    for command in ("move Ana --on 2026-03-10 --to 2026-03-12", "skip Ana --on 2026-03-10"):
        assert f"the infusion of 2026-03-10 is {state}; only one that has not begun" in refused(played, f"schedule {command}")


# ---- times of her own


def test_a_reminder_with_a_lead_comes_before_the_dose_says_its_time_and_the_second_counts_from_the_dose(played):
    does(played, "patient times Ana --lead-minutes 120 --second-minutes 30")
    does(played, "schedule skip Ana --on 2026-03-10")
    played.advance_to(DUE + 7 * DAY + 2 * HOUR)
    texts = [text for text in played.carrier.texts if text.to_number == ANA]
    assert [f"{hours.local(text.sent_at, ZONE):%d %H:%M}" for text in texts] == ["17 16:00", "17 18:30"]
    assert "your infusion is at 6:00 PM" in texts[0].body and "have not heard" in texts[1].body


def test_a_change_between_an_early_reminder_and_its_dose_brings_no_second_one(played):
    does(played, "patient times Ana --lead-minutes 60")
    played.settle()
    does(played, "schedule pause Ana --from 2026-03-20 --until 2026-03-25")
    played.advance_to(DUE + HOUR)
    assert reminders(played) == ["Tue 03-10 17:55"]


def test_a_lead_that_reaches_into_quiet_hours_stops_at_their_end(played):
    does(played, "patient times Ana --lead-minutes 120")
    does(played, "schedule move Ana --to 2026-03-11 --time 09:00")  # Wednesday
    played.advance_to(DUE + DAY)
    assert reminders(played) == ["Wed 03-11 08:00"]


def test_her_own_quiet_hours_move_the_second_reminder_and_the_practices_come_back(played):
    does(played, "patient times Ana --quiet 19:00-10:00")
    played.advance_to(DUE + DAY)
    second = [text.sent_at for text in played.carrier.texts if text.to_number == ANA and "have not heard" in text.body]
    assert [f"{hours.local(at, ZONE):%a %H:%M}" for at in second] == ["Wed 10:00"]
    assert "quiet: 19:00-10:00 (her own)" in does(played, "patient times Ana")
    assert "quiet: 21:00-08:00" in does(played, "patient times Ana --as-practice").splitlines()


def test_the_questions_after_a_reaction_come_at_her_own_hours_move_to_the_end_of_quiet_and_say_the_true_ones(played):
    does(played, "patient times Ana --follow-up-hours 12,30")
    played.advance_to(DUE + MINUTE)
    played.texts(ANA, "starting")
    played.advance(minutes=60)
    played.texts(ANA, "done")
    played.texts(ANA, "left side is red and itchy")  # 19:01; 12 hours later is 07:01, in quiet hours
    played.advance(hours=40)
    asked = [text for text in played.carrier.texts if text.to_number == ANA and "hours ago you told us" in text.body]
    assert f"{hours.local(asked[0].sent_at, ZONE):%a %H:%M}" == "Wed 08:00" and "About 13 hours ago" in asked[0].body


# ---- the laws, through whatever is done at the desk


def test_a_worker_that_was_down_over_a_move_sends_nothing_stale(played):
    does(played, "schedule move Ana --time 19:00")
    played.worker_down_until = DUE + 6 * HOUR
    played.advance_to(DUE + 10 * HOUR)
    assert reminders(played) == []
    assert select(played.office.db(), "SELECT owner, about FROM task WHERE patient_id = 1") == [
        {"owner": "coordinator", "about": "reminder not sent in time"}]


COMMANDS = st.sampled_from([
    "schedule pause Ana", "schedule resume Ana", "schedule pause Ana --until {2}", "schedule pause Ana --from {1} --until {5}",
    "schedule move Ana --to {1}", "schedule move Ana --to {3}", "schedule move Ana --time 19:30", "schedule skip Ana",
    "schedule travel Ana --zone Asia/Kathmandu --from {1} --until {6}", "schedule holiday {4} --doses after", "schedule resume Ana --on {2}",
    "patient times Ana --lead-minutes 90", "patient times Ana --as-practice", ORDER + "--day Fri --time 17:00 --starts {6}",
    ORDER + "--every day --time 08:00",
])


def a_desk_full_of_changes(tmp_path, steps):
    """Play commands with hours between them and three workers, then nine days of peace; each dose in its place, nothing twice."""
    played = stage(tmp_path / "practice.db")
    others = [Worker(Office(played.office.path, PRACTICE, played.carrier, played.clock, f"worker {n}")) for n in (2, 3)]
    db = played.office.db()
    try:
        for command, after in steps:
            today = hours.local(played.now, ZONE).date()
            shell(played, *command.format(*(today + n * DAY for n in range(8))).split())  # refusals are part of the game
            for worker in others:  # the tick is run again and again
                worker.tick()
            played.advance(hours=after)
        began = played.now
        played.advance(days=9)
        for worker in others:
            worker.tick()
        sent = select(db, "SELECT occasion, made_at, sent_at, entry FROM outbox WHERE patient_id = 1 AND kind = 'reminder' ORDER BY id")
        for row in sent:
            at = row["sent_at"] and moment(row["sent_at"])  # on the day of a flight the clock of either place counts
            assert at is None or not all(hours.is_quiet(PRACTICE.quiet, at, zone) for zone in (ZONE, world.patient(db, 1, at).zone)), row
        first = [row for row in sent if not row["entry"].startswith("reminder.second")]
        asked_again = select(db, "SELECT subject FROM audit WHERE what = 'infusion moved'")
        assert len(first) <= len({row["occasion"].split("/moved")[0] for row in first}) + len(asked_again)
        made = [moment(row["made_at"]) for row in first]
        assert all(len([each for each in made if at <= each < at + 30 * MINUTE]) <= 1 + len(asked_again) for at in made), "a flood"
        patient = world.patient(db, 1, played.now)
        there = {infusion.due_on for infusion in patient.infusions}
        due = [each.on for each in occasions(timing_of(patient), began + MINUTE, played.now)]
        assert set(due) <= there, "a dose is lost"
    finally:
        for worker in others:
            worker.office.close()
        played.close()


STEPS = st.lists(st.tuples(COMMANDS, st.integers(1, 60)), min_size=3, max_size=10)


@settings(deadline=None, max_examples=8)
@given(STEPS)
def test_whatever_is_done_at_the_desk_each_dose_has_one_reminder_none_in_quiet_hours_and_nothing_floods(tmp_path_factory, steps):
    a_desk_full_of_changes(tmp_path_factory.mktemp("law"), steps)


@pytest.mark.long
@settings(deadline=None, max_examples=60)
@given(STEPS)
def test_whatever_is_done_at_the_desk_the_laws_hold_at_length(tmp_path_factory, steps):
    a_desk_full_of_changes(tmp_path_factory.mktemp("law"), steps)


def test_her_own_phone_is_the_only_one_that_hears_of_a_move(played):
    does(played, "schedule move Ana --to 2026-03-12")
    played.advance_to(DUE + DAY)
    assert not any("Ana" in text.body for text in played.carrier.texts if text.to_number == RUTH)
