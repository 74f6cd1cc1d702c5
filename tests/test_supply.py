"""What a patient has left, how long it lasts, when more is due, and what texts say of it."""

import re
import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows import decide, shortage, supply
from flows.model import Entry, Inbound, Infusion, Ledger, OpenTask, Order, Patient, PutSupply, Task, Use
from flows.phrases import SUPPLIES
from flows.shortage import told
from flows.supply import coming, infusions_left, left, needs_of, refill_due, stocks
from flows.tick import refill
from store import database
from tests.test_content import PRACTICE
from tests.test_conversation import ANA, answer, patient_in, texts_to_ana, world

NOW = datetime(2026, 3, 11, 2, 0, tzinfo=UTC)  # Tuesday 21:00 in Chicago, after the dose of 18:00
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
ORDER = Order(id=1, volume_ml=40.0, strength_g_per_ml=0.2, sites=2, rate_ml_per_h_per_site=20.0, every="week", weekdays=("Tue",),
              clock_local="18:00", starts_on=date(2026, 1, 6))
NEEDS = needs_of(2, 40)


def ledger(*lines, uses=(), needs=NEEDS):
    """A ledger of (item, kind, amount, days ago) lines, in the order of writing; uses: days ago of each dose."""
    return Ledger(tuple(Entry(n, item, kind, amount, NOW - ago * DAY) for n, (item, kind, amount, ago) in enumerate(lines, start=1)),
                  tuple(Use(NOW - ago * DAY, NEEDS) for ago in uses), needs)


def patient(supplies, order=ORDER, infusions=(), **changes):
    return Patient(id=1, name="Ana", initials="A.", lang="en", zone="America/Chicago", state="live", order=order, supplies=supplies,
                   infusions=tuple(infusions), **changes)


def dose(on, state):
    at = datetime(2026, 3, on, 23, 0, tzinfo=UTC)
    return Infusion(on, 1, date(2026, 3, on), at, state)


# --- what one infusion uses ------------------------------------------------------------------------------------------


def test_an_infusion_uses_what_its_order_says():
    assert needs_of(3, 100) == {"dose": 1, "needle": 3, "tubing": 1, "syringe": 2, "battery": 0, "tape": Fraction(3, 20)}
    assert needs_of(2, 40, {"battery": 0.1, "needle": 3.0})["battery"] == Fraction(1, 10), "the order's own number, exactly"
    assert tuple(needs_of(1, 1)) == supply.ITEMS


def test_every_table_of_items_holds_the_same_items():
    sql = (database.MIGRATIONS / "0002_supplies.sql").read_text(encoding="utf-8")
    lists = [tuple(re.findall(r"'(\w+)'", found)) for found in re.findall(r"item IN \(([^)]*)\)", sql)]
    assert lists == [supply.ITEMS] * 2 and tuple(shortage.NAMES) == supply.ITEMS
    assert [tuple(words) for words in SUPPLIES.values()] == [supply.ITEMS] * 2


# --- what is left ----------------------------------------------------------------------------------------------------


def test_a_stock_is_the_last_count_plus_deliveries_since_minus_uses_since():
    found = ledger(("needle", "delivery", 90, 50), ("needle", "count", 6, 20), ("needle", "delivery", 8, 10), uses=(25, 18, 4))
    assert left("needle", found) == 6 + 8 - 2 * 2
    assert left("tape", found) is None


def test_without_a_count_the_first_delivery_begins_it():
    assert left("needle", ledger(("needle", "delivery", 8, 10), uses=(12, 3))) == 6


def test_low_without_a_number_is_not_known_until_a_delivery_or_a_count():
    low = (("needle", "count", 20, 9), ("needle", "count", None, 8))
    assert left("needle", ledger(*low, uses=(1,))) is None
    assert left("needle", ledger(*low, ("needle", "delivery", 8, 3), uses=(5, 1))) == 6, "what was left of before is not counted"
    assert left("needle", ledger(*low, ("needle", "count", 3, 2))) == 3


def test_what_happened_at_the_moment_of_a_count_is_in_it():
    assert left("needle", ledger(("needle", "count", 4, 1), uses=(1,))) == 4, "done, 4 needles left"
    assert left("needle", ledger(("needle", "delivery", 8, 1), ("needle", "count", 9, 1))) == 9
    assert left("needle", ledger(("needle", "count", 1, 1), ("needle", "delivery", 8, 1))) == 9


def test_more_used_than_ever_came_is_shown_as_it_is_and_covers_nothing():
    short = ledger(("needle", "delivery", 2, 30), uses=(20, 10))
    assert left("needle", short) == -2 and infusions_left("needle", short) == 0


def test_parts_of_a_thing_are_counted_exactly():
    tenth = {**NEEDS, "battery": Fraction(1, 10)}
    found = replace(ledger(("battery", "count", 1, 30)), needs=tenth, uses=tuple(Use(NOW - n * DAY, tenth) for n in range(7)))
    assert left("battery", found) == Fraction(3, 10) and infusions_left("battery", found) == 3


LINE = st.builds(Entry, st.integers(1, 10**6), st.sampled_from(supply.ITEMS), st.just("delivery"), st.integers(1, 99),
                 st.integers(0, 30).map(lambda days: NOW - days * DAY))
COUNT = st.builds(Entry, st.integers(1, 10**6), st.sampled_from(supply.ITEMS), st.just("count"), st.integers(0, 99) | st.none(),
                  st.integers(0, 30).map(lambda days: NOW - days * DAY))
LINES = st.lists(LINE | COUNT, max_size=8, unique_by=lambda each: each.id)
USES = st.lists(st.integers(0, 30).map(lambda days: Use(NOW - days * DAY, NEEDS)), max_size=8)


@settings(max_examples=200, deadline=None)
@given(LINES, USES, st.randoms())
def test_a_stock_never_depends_on_the_order_in_which_its_lines_are_read(lines, uses, chance):
    mixed, used = list(lines), list(uses)
    chance.shuffle(mixed)
    chance.shuffle(used)
    for item in supply.ITEMS:
        assert left(item, Ledger(tuple(lines), tuple(uses), NEEDS)) == left(item, Ledger(tuple(mixed), tuple(used), NEEDS))


@settings(max_examples=200, deadline=None)
@given(LINES, USES, st.integers(0, 30))
def test_a_dose_that_is_taken_back_gives_its_things_back(lines, uses, days):
    use = Use(NOW - days * DAY, NEEDS)
    before, after = Ledger(tuple(lines), tuple(uses), NEEDS), Ledger(tuple(lines), (*uses, use), NEEDS)
    for item in supply.ITEMS:
        assert left(item, before) is None or left(item, before) - left(item, after) in (0, NEEDS[item])
    assert left("dose", replace(after, uses=after.uses[:-1])) == left("dose", before)


@settings(max_examples=200, deadline=None)
@given(LINES, USES, st.integers(1, 99))
def test_a_delivery_of_today_adds_just_its_number(lines, uses, amount):
    before = Ledger(tuple(lines), tuple(uses), NEEDS)
    more = replace(before, entries=(*lines, Entry(10**7, "needle", "delivery", amount, NOW + DAY)))
    assert left("needle", more) == (left("needle", before) or 0) + amount or left("needle", before) is None


# --- how long it lasts -----------------------------------------------------------------------------------------------


def test_it_runs_out_on_the_first_occasion_that_it_does_not_cover():
    found = stocks(patient(ledger(("dose", "count", 2, 0), ("needle", "count", 7, 0))), NOW)
    assert [(each.item, each.infusions, each.runs_out_on) for each in found] == [
        ("dose", 2, date(2026, 3, 31)), ("needle", 3, date(2026, 4, 7))]  # Tuesdays
    assert all(each.runs_out_on.weekday() == 1 for each in found)


def test_an_item_that_the_order_does_not_use_never_runs_out():
    assert [(each.left, each.infusions, each.runs_out_on) for each in stocks(patient(ledger(("battery", "count", 0, 0))), NOW)] == [(0, None, None)]


def test_occasions_that_were_dealt_with_and_those_past_the_orders_end_need_nothing():
    doses = [dose(10, "done"), dose(17, "skipped")]
    assert [each.on.day for each in list(coming(patient(Ledger(), infusions=doses), NOW))[:2]] == [24, 31]
    ends = replace(ORDER, ends_on=date(2026, 3, 24))
    assert [each.on.day for each in coming(patient(Ledger(), order=ends), NOW)] == [17, 24]
    assert stocks(patient(ledger(("dose", "count", 2, 0)), order=ends), NOW)[0].runs_out_on is None
    assert list(coming(patient(Ledger(), order=None), NOW)) == []


def test_a_dose_that_waits_for_an_answer_is_still_to_use_its_things():
    assert next(coming(patient(Ledger(), infusions=[dose(10, "planned")]), NOW)).on == date(2026, 3, 10)


# --- when more is due ------------------------------------------------------------------------------------------------


def due(lines, lead=7, **changes):
    return refill_due(patient(ledger(*lines), **changes), replace(PRACTICE, refill_lead_days=lead), NOW)


def test_a_refill_is_due_below_the_infusions_of_the_lead_time_and_one_more():
    assert due([("dose", "count", 2, 0)]) == () and due([("dose", "count", 1, 0)]) == ("dose",)
    assert due([("dose", "count", 2, 0)], lead=14) == ("dose",)
    assert due([("dose", "count", 1, 0)], lead=0) == () and due([("dose", "count", 0, 0)], lead=0) == ("dose",)
    assert due([("needle", "count", 3, 0), ("dose", "count", 9, 0), ("tape", "count", 0, 0)]) == ("needle", "tape")


def test_what_is_not_counted_or_not_known_or_not_used_is_never_due():
    assert due([]) == () and due([("needle", "count", None, 0)]) == () and due([("battery", "count", 0, 0)]) == ()


def test_near_the_end_of_an_order_no_more_is_sent_than_it_still_needs():
    assert due([("dose", "count", 1, 0)], order=replace(ORDER, ends_on=date(2026, 3, 17))) == ()
    assert due([("dose", "count", 0, 0)], order=replace(ORDER, ends_on=date(2026, 3, 17))) == ("dose",)


def test_on_hold_or_without_an_order_or_ended_nothing_is_due():
    low = [("dose", "count", 0, 0)]
    assert due(low, order=replace(ORDER, held_at=NOW, held_why="x")) == () and due(low, order=None) == ()
    assert refill_due(replace(patient(ledger(*low)), state="ended"), PRACTICE, NOW) == ()


def test_what_was_asked_for_is_due_again_only_after_a_delivery_or_a_count_that_covered_it():
    asked = [("dose", "count", 1, 3), ("dose", "refill", None, 2)]
    assert due(asked) == ()
    assert due([*asked, ("tape", "count", 5, 1)]) == () and due([*asked, ("dose", "count", 0, 1)]) == ()
    assert due([*asked, ("needle", "delivery", 20, 1)]) == ("dose",), "the delivery did not bring it"
    assert due([*asked, ("dose", "delivery", 8, 1)]) == ()
    assert due([*asked, ("dose", "count", 4, 1), ("dose", "count", 1, 0)]) == ("dose",)
    assert due([*asked, ("needle", "count", 0, 1)]) == ("needle",), "another item"


def opened(supplies, tasks=()):
    ana = replace(patient_in("idle", ORDER), supplies=supplies, tasks=tasks)
    effects = refill(replace(world(ana), now=NOW), ana).effects
    return [(each.owner, each.about, each.words) for each in effects if isinstance(each, OpenTask)], [each for each in effects if isinstance(each, PutSupply)]


def test_a_refill_is_one_task_of_the_coordinators_and_not_again_while_it_is_open():
    low = ledger(("dose", "count", 1, 0), ("needle", "count", 2, 0))
    tasks, lines = opened(low)
    assert tasks == [("coordinator", "refill", "dose: 1 left, enough for 1, needle: 2 left, enough for 1")]
    assert [(each.item, each.kind, each.amount) for each in lines] == [("dose", "refill", None), ("needle", "refill", None)]
    assert opened(low, (Task(1, "8086", "coordinator", "refill", NOW, 1),)) == ([], [])
    assert opened(ledger(("dose", "count", 9, 0))) == ([], [])


# --- what a text tells -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "counts"), [
    ("only 2 doses left", {"dose": 2}), ("out of tape", {"tape": 0}), ("running low on needles", {"needle": None}),
    ("I only have two needles left", {"needle": 2}), ("down to my last needle", {"needle": 1}), ("we have 3 needle sets left", {"needle": 3}),
    ("Only 2 doses left, and I'm out of tape!", {"dose": 2, "tape": 0}), ("I'm out of needles, tape and syringes", {"needle": 0, "tape": 0, "syringe": 0}),
    ("no needles left", {"needle": 0}), ("I don't have any more batteries", {"battery": 0}), ("one roll of tape left", {"tape": 1}),
    ("out of medicine", {"dose": 0}), ("me quedan 2 dosis", {"dose": 2}), ("se me acabaron las agujas", {"needle": 0}),
    ("we're down to two doses", {"dose": 2}), ("2 doses left in the fridge", {"dose": 2}), ("I have only 3 needles", {"needle": 3}),
    ("solo tengo 3 agujas", {"needle": 3}), ("no me quedan pilas", {"battery": 0}), ("se me acabó la cinta", {"tape": 0}),
    ("me queda poca cinta", {"tape": None}), ("me estoy quedando sin agujas", {"needle": None}),
])
def test_an_item_and_its_number_are_taken_where_they_are_plainly_told(text, counts):
    assert told(text) == counts


@pytest.mark.parametrize(("text", "counts"), [
    ("2 boxes of needles left", {"needle": None}), ("only have one vial left", {"dose": None}), ("2 or 3 doses left", {"dose": None}),
    ("about 3 needles left", {"needle": None}), ("almost out of batteries", {"battery": None}), ("I'm running out of tape", {"tape": None}),
    ("need more tubing", {"tubing": None}), ("needles are running low", {"needle": None}), ("only have 2 weeks of needles left", {"needle": None}),
    ("creo que me quedan 2 dosis", {"dose": None}), ("down to the last 2 packs of needles", {"needle": None}),
])
def test_a_number_that_is_not_plain_is_not_guessed(text, counts):
    assert told(text) == counts


@pytest.mark.parametrize("text", [
    "", "?", "do I have 2 doses left?", "i had only 2 doses left last week", "will have 1 dose left", "not out of needles", "lost 2 needles",
    "only used 2 needles", "only 2 needles left belly", "2 needles left and right belly", "2 needles left in", "enough for 2 doses left",
    "1.5 doses left", "half a dose left", "need 10 more needles", "2 needles out of the box", "no needles came in the box", "my delivery came, 8 needles",
    "the needles are short", "battery is low", "the medicine is all gone", "we only got 3 needles", "no hay agujas en la caja", "used my last 2 needles",
    "I'll be out of tape", "last dose", "35 ml left", "no pain at the needle", "tengo 2 dosis", "running low on money", "if I run out of tape I will call",
])
def test_what_is_no_plain_word_of_a_shortage_counts_nothing(text):
    assert told(text) == {}


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from("only have out of no 2 two 3.5 needles dose doses left and tape ? . , low on box más quedan solo sin 🙂 down to".split())).map(" ".join) | st.text(max_size=200))
def test_any_text_tells_known_items_and_whole_numbers_or_none(text):
    assert all(item in supply.ITEMS and (number is None or 0 <= number <= 999) for item, number in told(text).items())


@pytest.mark.parametrize("words", ["needle ", "2 ", "no ", "needle and ", "only have ", "out of needle tape ", "2 boxes of ", "'"])
def test_no_long_text_hangs_the_reading(words):
    begin = time.perf_counter()
    told((words * 1600)[:1600])
    assert time.perf_counter() - begin < 0.5


# --- in the conversation ---------------------------------------------------------------------------------------------


def counted(effects):
    return [(each.item, each.kind, each.amount, each.who) for each in effects if isinstance(each, PutSupply)]


@pytest.mark.parametrize("state", ["idle", "reminded", "put_off", "running", "check_in", "amount", "skipped", "stopped"])
def test_in_every_calm_state_running_low_is_counted_confirmed_and_a_nurses_task(state):
    effects = answer(state, "out of tape")
    assert counted(effects) == [("tape", "count", 0, "Ana")]
    assert any(text.body.startswith("Noted: 0 rolls of tape left.") for text in texts_to_ana(effects))
    assert [(each.owner, each.about) for each in effects if isinstance(each, OpenTask) and each.about == "supply"] == [("nurse", "supply")]


def test_a_confirmation_that_would_make_a_text_too_long_is_a_text_of_its_own():
    ana = replace(patient_in("idle"), tasks=(Task(1, "8086", "nurse", "supply", NOW, 1),))
    said = "out of tape, needles, syringes and batteries"
    effects = decide.decide(world(ana), Inbound(1, ANA, ANA.number, said, 0, NOW)).effects
    assert len(counted(effects)) == 4 and [text.entry for text in texts_to_ana(effects)] == ["nurse_list.still", "supply.noted"]


def test_what_is_not_about_supplies_counts_nothing():
    for text in ("done, all good", "2 needles left belly", "need a nurse to call me", "can you send 8 needles"):
        assert counted(answer("idle", text)) == []
