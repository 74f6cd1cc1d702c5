"""Supplies and sites on a real database: the ledger's rows, the worker's daily look, and the shell."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from bot.office import Office
from bot.worker import Worker
from flows.model import Decision, PutInfusion, PutSupply
from flows.supply import left
from store import people, record, supplies, world
from store.database import open_database, rows, writing
from tests.processes import ANA, PRACTICE, START, add_patient, add_staff, select, stage
from tests.test_desk import ORDER, house  # noqa: F401

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def db(tmp_path):
    """A database with Ana (patient 1, order 1: 2 sites on Tuesdays)."""
    db = open_database(tmp_path / "practice.db", START)
    with writing(db):
        add_patient(db, START, "Ana", ANA, START)
        add_staff(db, START)
    yield db
    db.conn.close()


def put(db, *effects, at=START):
    with writing(db):
        record.carry_out(db, Decision(effects), at, who="coordinator")


def delivery(item, amount, kind="delivery"):
    return PutSupply(1, item, kind, amount, "coordinator")


def dose(state, at=START + HOUR, order_id=1, **more):
    return PutInfusion(order_id, at.date(), at, {"state": state, **more})


# --- the ledger ------------------------------------------------------------------------------------------------------


def test_where_nothing_is_counted_there_is_no_ledger(db):
    put(db, dose("done", ended_at=START))
    assert supplies.ledger(db, 1).entries == supplies.ledger(db, 1).uses == ()
    assert world.patient(db, 1, START).supplies == supplies.ledger(db, 1)


@pytest.mark.parametrize(("state", "used"), [("running", 2), ("done", 2), ("stopped", 2), ("planned", 0), ("skipped", 0), ("missed", 0), ("held", 0)])
def test_a_dose_that_began_uses_its_things_and_any_other_none(db, state, used):
    put(db, delivery("needle", 8))
    put(db, dose(state, started_at=START + HOUR if used else None), at=START + HOUR)
    assert left("needle", supplies.ledger(db, 1)) == 8 - used


def test_a_dose_taken_back_gives_its_things_back(db):
    put(db, delivery("needle", 8))
    put(db, dose("running", started_at=START + HOUR))
    assert left("needle", supplies.ledger(db, 1)) == 6
    put(db, dose("planned", started_at=None))
    assert left("needle", supplies.ledger(db, 1)) == 8


def test_each_dose_uses_what_its_own_order_says(db):
    put(db, delivery("needle", 20), delivery("battery", 4))
    put(db, dose("done", started_at=START + HOUR))
    with writing(db):
        order_id = people.add_order(db, START, 1, volume_ml=60, strength_g_per_ml=0.2, sites=3, rate_ml_per_h_per_site=20, every="week",
                                    weekdays=("Tue",), clock_local="18:00", starts_on=START.date(), next_due_at=START + 7 * DAY)
        supplies.put_need(db, order_id, "battery", 0.5)
    put(db, dose("done", order_id=order_id, at=START + 7 * DAY, started_at=START + 7 * DAY))
    found = supplies.ledger(db, 1)
    assert left("needle", found) == 20 - 2 - 3 and left("battery", found) == 3.5 and found.needs["needle"] == 3


def test_the_ledger_is_append_only(db):
    put(db, delivery("needle", 8))
    for statement in ("UPDATE supply SET amount = 9", "DELETE FROM supply",
                      "INSERT OR REPLACE INTO supply (id, patient_id, item, kind, amount, at, who) VALUES (1, 1, 'needle', 'count', 9, '', '')"):
        with pytest.raises(Exception, match="append-only; write a count"):
            db.conn.execute(statement)


def test_every_line_says_by_whom_and_is_audited(db):
    put(db, delivery("needle", 8), PutSupply(1, "tape", "count", None, "Ana"))
    assert [(row["who"], row["amount"]) for row in supplies.entries(db, 1)] == [("coordinator", 8), ("Ana", None)]
    assert [row["what"] for row in rows(db, "SELECT what FROM audit WHERE what LIKE 'supply %' ORDER BY id")] == ["supply delivery", "supply count"]


# --- the daily look --------------------------------------------------------------------------------------------------


@pytest.fixture
def played(tmp_path):
    played = stage(tmp_path / "practice.db")
    yield played
    played.close()


def tasks(played):
    return select(played.office.db(), "SELECT about, owner, opened_at FROM task WHERE about = 'refill'")


def test_the_stocks_are_looked_at_in_working_hours_and_a_refill_is_opened_once(played):
    put(played.office.db(), delivery("dose", 1))
    played.advance_to(START + 14 * HOUR)  # Wednesday 7:55 in Chicago
    assert tasks(played) == []
    played.advance_to(START + 15 * HOUR)
    assert [task["owner"] for task in tasks(played)] == ["coordinator"] and tasks(played)[0]["opened_at"].startswith("2026-03-11T13:00")
    played.advance(days=3)
    assert len(tasks(played)) == 1


def test_two_workers_open_one_refill(played):
    put(played.office.db(), delivery("dose", 1))
    second = Worker(Office(played.office.path, PRACTICE, played.carrier, played.clock, "second"))
    played.clock.move_to(START + 15 * HOUR)
    second.tick()
    played.worker.tick()
    assert len(tasks(played)) == 1
    second.office.close()


def test_a_practice_that_counts_no_supplies_has_nothing_to_look_at(played):
    assert played.worker._supplies_at(START) is None
    played.advance(days=1)
    assert select(played.office.db(), "SELECT 1 FROM mark WHERE name = 'supplies'") == []


# --- the shell -------------------------------------------------------------------------------------------------------


@pytest.fixture
def shell(house):  # noqa: F811
    house("patient", "add", "Ana", "--phone", "+13125550101")
    house("patient", "order", "Ana", *ORDER)
    return house


def test_deliveries_and_counts_are_written_shown_and_audited(shell):
    assert shell("patient", "delivery", "Ana", "--dose", "4", "--needle", "9")[1] == "Ana: delivery dose 4, needle 9\n"
    assert shell("patient", "count", "Ana", "--tape", "1", "--needle", "7")[0] == 0
    found = json.loads(shell("patient", "supplies", "Ana", "--json")[1])
    assert [(row["item"], row["left"], row["each"], row["infusions"], row["refill_due"]) for row in found["items"]] == [
        ("dose", 4, 1, 4, False), ("needle", 7, 2, 3, False), ("tape", 1, 0.1, 10, False)]
    assert [(row["kind"], row["item"], row["amount"], row["who"]) for row in found["ledger"]] == [
        ("delivery", "dose", 4, "coordinator"), ("delivery", "needle", 9, "coordinator"), ("count", "needle", 7, "coordinator"),
        ("count", "tape", 1, "coordinator")]
    assert "needle: 7 left, 2 an infusion, enough for 3, first without: 20" in shell("patient", "supplies", "Ana")[1]
    db = open_database(shell.database, datetime(2026, 3, 10, tzinfo=UTC))
    assert {row["who"] for row in rows(db, "SELECT who FROM audit WHERE what LIKE 'supply %'")} == {"coordinator"}


def test_an_order_keeps_its_own_use_of_an_item(shell):
    shell("patient", "count", "Ana", "--battery", "2")
    assert shell("patient", "uses", "Ana", "--battery", "0.5")[1] == "Ana: one infusion uses battery 0.5\n"
    assert "battery: 2 left, 0.5 an infusion, enough for 4" in shell("patient", "supplies", "Ana")[1]
    db = open_database(shell.database, datetime(2026, 3, 10, tzinfo=UTC))
    assert [row["detail"] for row in rows(db, "SELECT detail FROM audit WHERE what = 'order use set'")] == ['{"battery": 0.5}']


def test_sites_are_shown_with_their_troubles_and_the_next_proposal(shell):
    db = open_database(shell.database, datetime(2026, 3, 10, tzinfo=UTC))
    now = datetime.now(UTC)
    with writing(db):
        for weeks, sites, problems in ((2, ("left thigh", "right thigh"), ()), (1, ("left belly", "right belly"), [("leak", "left belly")])):
            at = now - weeks * 7 * DAY
            people.add_past(db, 1, 1, due_on=at.date(), due_at=at, ended_at=at, sites=sites, problems=problems)
    found = json.loads(shell("patient", "sites", "Ana", "--json")[1])
    assert [(row["place"], row["doses"], [each["kind"] for each in row["troubles"]]) for row in found["places"]] == [
        ("left belly", 1, ["leak"]), ("right belly", 1, []), ("left thigh", 1, []), ("right thigh", 1, [])]
    assert found["proposal"] == {"rule": "rotate", "sites": ["left thigh", "right thigh"], "why": ""}
    assert shell("patient", "sites", "Ana")[1].endswith("next (rotate): left thigh, right thigh\n")


def test_without_a_record_there_is_nothing_to_show_and_nothing_is_proposed(shell):
    assert shell("patient", "supplies", "Ana")[1] == "none\n"
    assert shell("patient", "sites", "Ana")[1] == "none\nnext (rotate): nothing; no sites are on record\n"


@pytest.mark.parametrize(("words", "said"), [
    (("delivery", "Ana"), "nothing to write; name what was delivered, like --needle 8"),
    (("count", "Ana"), "nothing to write; name what was counted"),
    (("uses", "Ana"), "nothing to write; name what one infusion uses"),
    (("uses", "Ben", "--battery", "1"), "Ben has no order; write it down with"),
    (("delivery", "Nobody", "--dose", "1"), "there is no patient called 'Nobody'"),
    (("delivery", "Ana", "--dose", "0"), "--dose"), (("delivery", "Ana", "--needle", "2.5"), "--needle"), (("count", "Ana", "--tape", "-1"), "--tape"),
    (("delivery", "Ana", "--gloves", "1"), "--gloves"), (("supplies", "Nobody"), "there is no patient"), (("sites", "Nobody"), "there is no patient"),
])
def test_a_mistake_says_what_is_wrong_and_writes_nothing(shell, words, said):
    shell("patient", "add", "Ben", "--phone", "+13125550102")
    status, shown = shell("patient", *words)
    assert status != 0 and said in shown
    assert shell("patient", "supplies", "Ana")[1] == "none\n"
