"""Clear, check or hold before a reminder."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from flows.model import Infusion, Matter
from flows.readiness import readiness
from tests.test_content import PRACTICE
from tests.test_conversation import NOW, ORDER, patient_in

ON = date(2026, 3, 10)  # Tuesday


def dose(number, state="done", **more):
    due_at = datetime(2026, 3, 10, 23, tzinfo=UTC) - timedelta(weeks=number)
    ended = {"ended_at": due_at + timedelta(hours=1)} if state in ("done", "stopped") else {}
    return Infusion(number, 1, (due_at - timedelta(hours=5)).date(), due_at, state, **{**ended, **more})


def patient(*infusions, **more):
    return replace(patient_in("idle"), infusions=infusions, **more)


def ready(found):
    return readiness(found, ON, NOW, PRACTICE)


def test_after_two_doses_on_time_a_patient_is_clear():
    assert ready(patient(dose(1), dose(2))).level == "clear"


@pytest.mark.parametrize("infusions", [(), (dose(1),)])
def test_the_first_infusions_of_an_order_are_a_check(infusions):
    assert ready(patient(*infusions)).level == "check"


@pytest.mark.parametrize("state", ["missed", "skipped", "held", "stopped"])
def test_after_a_dose_that_was_not_done_the_next_is_a_check(state):
    assert ready(patient(dose(1, state), dose(2), dose(3))).level == "check"


def test_a_new_order_begins_with_checks_again():
    old = [replace(dose(n), order_id=9) for n in (1, 2, 3)]
    assert ready(patient(*old)).level == "check"


def test_a_held_order_holds():
    assert ready(patient(dose(1), dose(2), order=replace(ORDER, held_at=NOW))).level == "hold"


def test_an_expired_order_holds_from_the_day_after_its_last():
    assert ready(patient(dose(1), dose(2), order=replace(ORDER, ends_on=ON))).level == "clear"
    assert ready(patient(dose(1), dose(2), order=replace(ORDER, ends_on=ON - timedelta(days=1)))).why.startswith("order expired")


def test_a_running_dose_and_an_open_matter_hold():
    running = dose(0, "running", started_at=NOW)
    assert ready(patient(running, dose(1), dose(2))).level == "hold"
    matter = Matter(1, "4213", "urgent", "hives", None, NOW, NOW, patient_id=1, seen=("hives",))
    assert ready(patient(dose(1), dose(2), matters=(matter,))).level == "hold"


def test_a_gap_past_eight_weeks_holds_and_the_orders_own_limit_goes_first():
    """More than 8 weeks is watched like a first infusion (HZ-EU s2, SEEN; clinical 3d and 7)."""
    assert ready(patient(dose(8), dose(9))).level == "clear"
    assert ready(patient(dose(9), dose(10))).level == "hold"
    assert ready(patient(dose(3), dose(4), order=replace(ORDER, gap_limit_days=14))).level == "hold"
