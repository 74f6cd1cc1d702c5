"""What happens without a text: each due thing once, however many workers there are, and one failure stops no other."""

import threading
from datetime import UTC, datetime, timedelta

import pytest

from bot import reception, worker
from bot.carrier import CarrierDown
from bot.office import Office
from bot.worker import Worker
from flows import tick
from flows.content import render
from flows.model import Decision, OpenMatter, OpenTask, SetTimer
from store import post, record
from store.database import writing
from tests.processes import ANA, BEN, COORDINATOR, PRACTICE, RUTH, SAM, START, select, stage

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
DUE = START + 5 * MINUTE


@pytest.fixture
def played(tmp_path):
    played = stage(tmp_path / "practice.db")
    yield played
    played.close()


def worker_of(played, name):
    return Worker(Office(played.office.path, PRACTICE, played.carrier, played.clock, name))


def to(played, number):
    return [text.body for text in played.carrier.texts if text.to_number == number]


def find(played, sql, *values):
    return select(played.office.db(), sql, *values)


def put(played, *effects):
    with writing(played.office.db()) as db:
        record.carry_out(db, Decision(effects), played.now)


def tick_together(workers, times=1):
    """All workers tick at the same moment, each in a thread of its own."""
    together = threading.Barrier(len(workers))

    def work(each):
        for _ in range(times):
            together.wait()
            each.tick()
        each.office.close()
    threads = [threading.Thread(target=work, args=(each,)) for each in workers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


# --- reminders -------------------------------------------------------------------------------------------------------


def test_an_occasion_is_reminded_of_once(played):
    played.clock.move_to(DUE)
    for _ in range(3):
        played.worker.tick()
        played.clock.move(timedelta(seconds=1))
    assert len(to(played, ANA)) == len(to(played, BEN)) == 1


def test_two_workers_on_one_database_send_one_reminder(played):
    first, second = worker_of(played, "first"), worker_of(played, "second")
    played.clock.move_to(DUE)
    for each in (first, second, first):
        each.tick()
    assert len(to(played, ANA)) == len(to(played, BEN)) == 1


def test_four_workers_at_the_same_moment_send_one_reminder_for_each_occasion(played):
    workers = [worker_of(played, f"worker {n}") for n in range(4)]
    for week in range(3):
        played.clock.move_to(DUE + timedelta(weeks=week))
        tick_together(workers)
    assert len(to(played, ANA)) == len(to(played, BEN)) == 3
    keys = [row["occasion"] for row in find(played, "SELECT occasion FROM outbox WHERE kind = 'reminder'")]
    assert len(keys) == len(set(keys)) == 6


def test_the_occasion_key_is_the_last_guard(played):
    played.clock.move_to(DUE)
    played.worker.tick()
    with writing(played.office.db()) as db:  # as if the occasion had never been dealt with
        db.conn.execute("UPDATE infusion_order SET next_due_at = ?", ["2026-03-10T23:00:00.000000+00:00"])  # a Tuesday
        db.conn.execute("UPDATE infusion SET reminded_at = NULL")
        db.conn.execute("DELETE FROM conversation")
    played.worker.tick()
    assert len(to(played, ANA)) == 1


def test_a_reminder_that_an_outage_made_useless_goes_to_the_coordinator_instead(played):
    played.worker_down_until = DUE + 6 * HOUR
    played.advance_to(DUE + 6 * HOUR + MINUTE)
    assert to(played, ANA) == []
    assert find(played, "SELECT owner, about FROM task WHERE patient_id = 1") == [
        {"owner": "coordinator", "about": "reminder not sent in time"}]


def test_an_outage_of_weeks_is_one_line_on_the_list_not_one_for_each_occasion(played):
    played.clock.move_to(DUE + timedelta(weeks=3, hours=6))
    played.worker.tick()
    played.worker.tick()
    assert to(played, ANA) == []
    assert len(find(played, "SELECT 1 FROM task WHERE patient_id = 1")) == 1
    assert [row["state"] for row in find(played, "SELECT state FROM infusion WHERE patient_id = 1")] == ["missed"] * 4


def test_a_reminder_that_waited_for_the_carrier_too_long_is_not_sent(played):
    played.carrier.down(DUE + 4 * HOUR)
    played.advance_to(DUE + 5 * HOUR)
    assert not any("time for your infusion" in body for body in to(played, ANA))
    assert "text not delivered" in [row["about"] for row in find(played, "SELECT about FROM task WHERE patient_id = 1")]


# --- the carrier's own list ------------------------------------------------------------------------------------------


def inbound(played):
    return [(row["body"], row["recovered"], row["handled_at"] is not None)
            for row in find(played, "SELECT body, recovered, handled_at FROM inbound ORDER BY id")]


def test_a_text_that_the_webhook_missed_is_taken_in_once_and_marked(played):
    played.worker.tick()
    played.carrier.phone_texts(ANA, "my throat feels tight", deliver=False)
    for _ in range(3):
        played.clock.move(MINUTE)
        played.worker.tick()
    assert inbound(played) == [("my throat feels tight", 1, True)]
    assert sum(body.startswith("CALL 911 NOW") for body in to(played, ANA)) == 1
    assert to(played, RUTH)[0].startswith("EMERGENCY")


def test_a_text_that_the_webhook_took_is_not_taken_in_again(played):
    played.texts(ANA, "starting")
    played.clock.move(MINUTE)
    played.worker.tick()
    assert inbound(played) == [("starting", 0, True)]


def test_a_webhook_that_comes_after_the_list_is_a_repeat(played):
    text = played.carrier.phone_texts(ANA, "starting", deliver=False)
    played.worker.tick()
    before = to(played, ANA)
    assert played.carrier.deliver_again(text.carrier_id)
    played.advance(seconds=5)
    assert inbound(played) == [("starting", 1, True)] and to(played, ANA) == before


def test_the_list_is_read_back_to_before_a_long_outage(played):
    played.worker.tick()
    played.clock.move(MINUTE)
    played.carrier.phone_texts(ANA, "starting", deliver=False)
    played.clock.move(3 * HOUR)
    played.worker.tick()
    assert inbound(played) == [("starting", 1, True)]


def test_two_workers_take_a_missed_text_in_once(played):
    workers = [worker_of(played, "first"), worker_of(played, "second")]
    for n in range(5):
        played.carrier.phone_texts(ANA, f"hello {n}", deliver=False)
    tick_together(workers)
    assert len(inbound(played)) == 5 and len({body for body, *_ in inbound(played)}) == 5


def test_a_carrier_whose_list_cannot_be_read_is_asked_a_minute_later_and_stops_nothing(played, monkeypatch):
    asked = []

    def down(_):
        asked.append(played.now)
        raise CarrierDown("down")
    monkeypatch.setattr(played.carrier, "inbound_since", down)
    played.clock.move_to(DUE)
    for _ in range(61):
        played.worker.tick()
        played.clock.move(timedelta(seconds=1))
    assert [at - asked[0] for at in asked] == [timedelta(), MINUTE]
    assert len(to(played, ANA)) == 1


@pytest.mark.parametrize("error", [ValueError("odd"), KeyError("odd")])
def test_an_adapter_that_breaks_over_the_list_stops_nothing(played, monkeypatch, error):
    def odd(_):
        raise error
    monkeypatch.setattr(played.carrier, "inbound_since", odd)
    played.clock.move_to(DUE)
    played.worker.tick()
    assert len(to(played, ANA)) == 1


def test_a_text_on_the_list_that_cannot_be_taken_in_is_tried_until_it_can_and_holds_up_no_other(played, monkeypatch):
    receive = reception.receive

    def picky(office, text, recovered=False):
        if text.from_number == BEN:
            raise ValueError("odd")
        return receive(office, text, recovered)
    played.carrier.phone_texts(BEN, "starting", deliver=False)
    played.carrier.phone_texts(ANA, "starting", deliver=False)
    with monkeypatch.context() as patch:
        patch.setattr(reception, "receive", picky)
        for _ in range(3):
            played.worker.tick()
            played.clock.move(HOUR)
    assert len(inbound(played)) == 1
    played.worker.tick()
    assert len(inbound(played)) == 2


# --- texts that nobody dealt with ------------------------------------------------------------------------------------


def test_a_text_whose_web_process_died_is_dealt_with_after_two_seconds(played):
    text = played.carrier.phone_texts(ANA, "my throat feels tight", deliver=False)
    reception.receive(played.office, text)
    played.worker.tick()
    assert to(played, ANA) == []
    played.clock.move(worker.SETTLE)
    played.worker.tick()
    assert to(played, ANA)[0].startswith("CALL 911 NOW")
    assert inbound(played) == [("my throat feels tight", 0, True)]


def test_two_workers_deal_with_a_left_text_once(played):
    reception.receive(played.office, played.carrier.phone_texts(ANA, "my throat feels tight", deliver=False))
    played.clock.move(MINUTE)
    tick_together([worker_of(played, "first"), worker_of(played, "second")], times=3)
    assert len([body for body in to(played, ANA) if body.startswith("CALL 911 NOW")]) == 1
    assert find(played, "SELECT count(*) AS n FROM matter") == [{"n": 1}]


def test_a_text_that_could_not_be_dealt_with_twice_is_given_to_a_human(played, monkeypatch):
    tried = []
    monkeypatch.setattr(reception, "handle", lambda office, inbound_id: tried.append(inbound_id) or [])
    reception.receive(played.office, played.carrier.phone_texts(ANA, "starting", deliver=False))
    played.clock.move(MINUTE)
    for _ in range(4):
        played.worker.tick()
    assert len(tried) == 2
    assert to(played, ANA) == [render("unreadable", "en", PRACTICE)]
    assert "could not read" in to(played, RUTH)[0] and len(to(played, RUTH)) == 1
    assert post.count_failed(played.office.db()) == 1


# --- time-outs, the ladder, tasks ------------------------------------------------------------------------------------


def test_a_time_out_that_raises_is_put_off_a_minute_and_stops_no_other(played, monkeypatch, caplog):
    time_out = tick.time_out

    def raises(known, timer):
        if timer.patient_id == 1:
            raise ValueError(f"words of {ANA}")
        return time_out(known, timer)
    monkeypatch.setattr(tick, "time_out", raises)
    put(played, SetTimer("check_in_silence", START, 1, 1), SetTimer("check_in_silence", START, 2, 2))
    played.clock.move(MINUTE)
    played.worker.tick()
    assert find(played, "SELECT patient_id, substr(due_at, 1, 19) AS due FROM timer") == [
        {"patient_id": 1, "due": "2026-03-10T22:57:00"}]  # a Tuesday
    assert "ValueError" in caplog.text and ANA not in caplog.text
    monkeypatch.undo()
    played.clock.move(MINUTE)
    played.worker.tick()
    assert find(played, "SELECT 1 FROM timer") == []


def test_what_raises_in_one_part_stops_no_other_part(played, monkeypatch):
    def raises(*_):
        raise ValueError("odd")
    for name in ("time_out", "ladder_step", "overdue"):
        monkeypatch.setattr(tick, name, raises)
    put(played, SetTimer("check_in_silence", START, 1, 1),
        OpenMatter(case="4213", disposition="urgent", topic="other", kind=None, patient_id=2, phone_id=2,
                   from_number=BEN, words="x"),
        OpenTask(case="4226", owner="coordinator", about="x", words="x", due_at=START, patient_id=1))
    played.clock.move_to(DUE)
    played.worker.tick()
    assert len(to(played, ANA)) == 1


def test_a_time_out_fires_once_with_several_workers(played):
    played.texts(ANA, "starting")
    played.clock.move(timedelta(minutes=70))
    tick_together([worker_of(played, f"worker {n}") for n in range(3)], times=2)
    questions = [body for body in to(played, ANA) if "done" in body.lower()][1:]
    assert len(find(played, "SELECT 1 FROM outbox WHERE entry = 'running_question'")) == 1, questions


def test_several_workers_make_each_step_of_the_ladder_once(played):
    played.texts(ANA, "my throat feels tight")
    workers = [worker_of(played, f"worker {n}") for n in range(3)]
    for _ in range(6):
        played.clock.move(MINUTE)
        played.carrier.run_due(played.now)
        tick_together(workers, times=2)
    steps = [(row["step"], row["staff_id"]) for row in find(played, "SELECT step, staff_id FROM page ORDER BY id")]
    assert len(steps) == len(set(steps)) > 2
    assert len(find(played, "SELECT 1 FROM outbox WHERE entry = 'nobody.emergency'")) == 1


def test_nobody_is_told_that_nobody_answered_after_the_matter_was_closed(played, monkeypatch):
    played.texts(ANA, "my throat feels tight")
    played.clock.move(6 * MINUTE)
    open_matters = worker.world.open_matters
    found = open_matters(played.office.db())
    played.carrier.phone_texts(RUTH, "mine")
    played.carrier.phone_texts(RUTH, "close she is fine")
    with writing(played.office.db()) as db:  # it had got worse in between, and the closing settled that too
        db.conn.execute("UPDATE matter SET acknowledged_at = ?", ["2026-03-10T22:00:00.000000+00:00"])  # a Tuesday
    monkeypatch.setattr(worker.world, "open_matters", lambda db: found)  # read a moment ago
    played.worker.tick()
    assert find(played, "SELECT 1 FROM outbox WHERE entry LIKE 'nobody.%'") == []


def test_an_overdue_task_is_told_of_once_with_several_workers(played):
    put(played, OpenTask(case="4213", owner="coordinator", about="x", words="x", due_at=START + MINUTE, patient_id=1))
    played.clock.move(2 * MINUTE)
    tick_together([worker_of(played, f"worker {n}") for n in range(3)], times=2)
    assert len(to(played, COORDINATOR)) == 1


def test_a_task_that_another_worker_has_just_told_of_is_not_told_again(played, monkeypatch):
    put(played, OpenTask(case="4213", owner="coordinator", about="x", words="x", due_at=START + MINUTE, patient_id=1))
    played.clock.move(2 * MINUTE)
    found = worker.world.open_tasks(played.office.db())
    monkeypatch.setattr(worker.world, "open_tasks", lambda db: found)  # both read the list before either has told
    for name in ("first", "second"):
        worker_of(played, name).tick()
    assert len(to(played, COORDINATOR)) == 1


def test_a_page_that_failed_moves_on_to_the_next_nurse(played):
    played.carrier.refuse(RUTH, "21610")
    played.texts(ANA, "my throat feels tight")
    played.advance(seconds=5)
    assert to(played, RUTH) == [] and any("case" in body for body in to(played, SAM))


def test_the_worker_goes_on_after_a_tick_that_raised(played, monkeypatch, caplog):
    """`run` ends only when it is told to."""
    stop, ticks = threading.Event(), []

    def tick_once(self):
        ticks.append(1)
        if len(ticks) == 3:
            stop.set()
        raise ValueError(f"words of {ANA}")
    monkeypatch.setattr(Worker, "tick", tick_once)
    played.worker.run(stop, every_s=0)
    assert len(ticks) == 3 and "ValueError" in caplog.text and ANA not in caplog.text


def test_a_beat_is_left_every_ten_seconds(played):
    ages = []
    for _ in range(25):
        played.worker.tick()
        ages.append(record.beats(played.office.db())["worker"])
        played.clock.move(timedelta(seconds=1))
    assert len(set(ages)) == 3


def test_a_picture_is_fetched_into_private_storage_and_one_that_is_refused_is_not_asked_for_again(tmp_path):
    from bot.carrier import MediaRefused
    from bot.stage import Stage
    from store.database import rows
    from tests.test_content import PRACTICE as SAMPLE

    stage = Stage(tmp_path / "pictures.db", SAMPLE, datetime(2026, 3, 10, 23, tzinfo=UTC))
    stage.texts("+12065550142", "look", media=1)
    found = rows(stage.office.db(), "SELECT file, refused, next_at FROM picture")
    assert len(found) == 1 and found[0]["refused"] is None and found[0]["next_at"] is None
    folder = tmp_path / "pictures"
    assert folder.stat().st_mode & 0o777 == 0o700 and (folder / found[0]["file"]).stat().st_mode & 0o777 == 0o600

    calls = []

    def refuse(url, folder):
        calls.append(url)
        raise MediaRefused("image/svg+xml is not fetched")

    stage.carrier.fetch_media = refuse
    stage.texts("+12065550142", "and this", media=1)
    stage.advance(hours=2)
    assert len(calls) == 1
    assert rows(stage.office.db(), "SELECT refused FROM picture ORDER BY id")[1]["refused"].startswith("image/svg")
