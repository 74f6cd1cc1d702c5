"""The ladder: every open matter that nobody has taken always has a next step, in time."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from flows.ladder import next_step, unanswered, wake_at
from flows.model import Matter, Page, Phone, Staff
from tests.test_content import PRACTICE

T0 = datetime(2026, 3, 11, 8, 0, tzinfo=UTC)  # Wednesday, 3 a.m. in Chicago
NURSES = tuple(Staff(n, name, "nurse", Phone(n, f"+1312555010{n}")) for n, name in enumerate(("Ruth", "Sam", "Mara"), start=1))
MATTER = Matter(1, "4213", "emergency", "breathing", "allergic", T0, T0, seen=("allergic",))


def minutes(n):
    return T0 + timedelta(minutes=n)


def climb(until, matter=MATTER, ladder=NURSES, state="delivered"):
    """Play the ladder with every page in `state`: [(minutes since the start, step, names)]."""
    pages, found, now = [], [], T0
    while now <= minutes(until):
        step = next_step(matter, pages, ladder, PRACTICE, now)
        if step is not None and step.due_at <= now:
            found.append(((now - T0).total_seconds() / 60, step.number, [person.name for person in step.people]))
            pages += [Page(len(pages) + 1, 1, person.id, step.number, now, state) for person in step.people or (Staff(0, "", "", None),)]
            continue
        now = min(wake_at(matter, pages, ladder, PRACTICE, now), minutes(until) + timedelta(seconds=1))
    return found


def test_an_emergency_climbs_page_repeat_next_to_everybody_by_the_practices_times():
    assert climb(20) == [
        (0, 0, ["Ruth"]), (2.5, 1, ["Ruth"]), (5, 2, ["Sam"]), (7.5, 3, ["Sam"]), (10, 4, ["Mara"]), (12.5, 5, ["Mara"]),
        (17.5, 6, ["Ruth", "Sam", "Mara"]),
    ]


def test_an_urgent_matter_climbs_more_slowly():
    urgent = replace(MATTER, disposition="urgent")
    assert [at for at, _, _ in climb(40, urgent)] == [0, 7.5, 15, 22.5, 30, 37.5]


def test_the_last_rung_repeats_for_ever():
    steps = climb(120)
    assert [names for _, number, names in steps if number > 5] == [["Ruth", "Sam", "Mara"]] * (len(steps) - 6)
    assert len(steps) > 20


def test_a_failed_page_moves_on_at_once_and_skips_the_repeat():
    assert climb(0, state="failed")[:3] == [(0, 0, ["Ruth"]), (0, 2, ["Sam"]), (0, 4, ["Mara"])]


def test_a_page_not_known_delivered_in_time_moves_on_without_the_answer_time():
    wait = PRACTICE.delivery_wait_minutes
    assert climb(wait, state="sent")[:2] == [(0, 0, ["Ruth"]), (wait, 2, ["Sam"])]


def test_with_nobody_on_the_roster_the_fallback_number_is_paged_again_and_again():
    steps = climb(20, ladder=())
    assert [names for _, _, names in steps] == [[]] * len(steps) and len(steps) >= 4


def test_taking_stops_the_ladder_and_something_worse_starts_it_again():
    taken = replace(MATTER, acknowledged_at=minutes(3), acknowledged_by=1)
    assert next_step(taken, [], NURSES, PRACTICE, minutes(60)) is None
    worse = replace(taken, raised_at=minutes(10))
    assert next_step(worse, [], NURSES, PRACTICE, minutes(10)).number == 0


def test_the_patient_is_told_once_that_nobody_has_answered():
    assert not unanswered(MATTER, PRACTICE, minutes(4.9))
    assert unanswered(MATTER, PRACTICE, minutes(5))
    assert not unanswered(replace(MATTER, nobody_told_at=minutes(5)), PRACTICE, minutes(30))
    assert unanswered(replace(MATTER, nobody_told_at=minutes(5), raised_at=minutes(10)), PRACTICE, minutes(15))


PAGES = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 90), st.sampled_from(("waiting", "sent", "delivered", "failed"))),
                 max_size=12)


@given(PAGES, st.integers(0, 200), st.integers(0, 3), st.sampled_from(("emergency", "urgent")))
def test_no_order_of_pages_and_reports_makes_an_untaken_matter_silent(made, now, people, disposition):
    matter = replace(MATTER, disposition=disposition)
    pages = [Page(n, 1, 1, step, minutes(at), state) for n, (step, at, state) in enumerate(made)]
    step = next_step(matter, pages, NURSES[:people], PRACTICE, minutes(now))
    assert step is not None
    latest = max([page.made_at for page in pages], default=T0)
    longest = timedelta(minutes=PRACTICE.answer_within_minutes[disposition])
    assert step.due_at <= max(latest, T0) + longest, "a step never waits longer than the whole answer time"
    assert wake_at(matter, pages, NURSES[:people], PRACTICE, minutes(now)) <= max(step.due_at, minutes(now) + longest)


@given(st.integers(1, 3), st.sampled_from(("delivered", "sent", "failed")))
def test_the_time_to_the_nth_rung_never_exceeds_the_sum_of_its_settings(people, state):
    answer = PRACTICE.answer_within_minutes["emergency"]
    for at, number, _ in climb(120, ladder=NURSES[:people], state=state):
        if number < 2 * people:
            assert at <= answer / 2 * number
