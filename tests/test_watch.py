"""Each process notices that the other stands still, tells the manager, and says when it runs again."""

import sqlite3
import threading
from datetime import timedelta

import pytest

from bot import sender
from bot.watch import Watch
from flows import watch
from store import record
from store.database import writing
from tests.processes import FALLBACK, RUTH, SAM, START, select, stage


def house(tmp_path):
    played = stage(tmp_path / "ebbline.db")
    return played, played.office


def beat(office, part, at=START):
    with writing(office.db()) as db:
        record.heartbeat(db, part, at)


def down_texts(office):
    return select(office.db(), "SELECT number, body, state FROM outbox WHERE entry IN ('page.down', 'page.up') ORDER BY id")


def test_a_worker_that_leaves_no_mark_is_told_of_within_two_minutes(tmp_path):
    _, office = house(tmp_path)
    beat(office, "worker")
    looking = Watch(office, "worker", own="web")
    looks = 0
    while not down_texts(office):
        looking.look()
        looks += 1
        assert looks * looking.every_s <= 120
    assert looks * looking.every_s > 60, "a moment's pause is no stand-still"
    assert {text["number"] for text in down_texts(office)} == {SAM, FALLBACK}, "the last of the ladder, and the fallback number"
    assert record.beats(office.db())["web"], "the watcher leaves a mark of its own"


def test_a_part_that_runs_is_not_told_of_whatever_the_clock_does(tmp_path):
    played, office = house(tmp_path)
    looking = Watch(office, "worker")
    for minute in range(60):
        beat(office, "worker", START + timedelta(minutes=minute))
        looking.look()
    beat(office, "worker", START + timedelta(days=1))
    looking.look()
    played.office.clock.move_to(START + timedelta(days=3))
    looking.look()
    assert down_texts(office) == []


def test_a_part_that_never_ran_is_told_of_too(tmp_path):
    _, office = house(tmp_path)
    looking = Watch(office, "worker")
    for _ in range(30):
        looking.look()
    assert len(down_texts(office)) == 2


def test_it_is_told_once_then_hourly_and_when_it_runs_again(tmp_path):
    _, office = house(tmp_path)
    beat(office, "web")
    looking = Watch(office, "web")
    for _ in range(30):
        looking.look()
    assert len(down_texts(office)) == 2
    for _ in range(3600 // looking.every_s):
        looking.look()
    assert len(down_texts(office)) == 4
    beat(office, "web", START + timedelta(hours=2))
    looking.look()
    assert [text["body"] for text in down_texts(office)][4:] == ["Ebbline itself: its web process runs again."] * 2
    looking.look()
    assert len(down_texts(office)) == 6


def test_what_is_told_leaves_from_the_watching_process_itself(tmp_path):
    played, office = house(tmp_path)
    looking = Watch(office, "worker", silent_s=5)
    looking.look()
    ids = looking.look()
    assert len(ids) == 2
    sender.send_ready(office, ids)
    assert [text["state"] for text in down_texts(office)] == ["sent", "sent"]
    assert [text for text in played.carrier.texts if text.to_number == SAM]
    assert not [text for text in played.carrier.texts if text.to_number == RUTH], "pages about the program are the manager's"


def test_a_broken_look_does_not_end_the_watch(tmp_path):
    _, office = house(tmp_path)
    looking, stop, seen = Watch(office, "worker", every_s=0.01), threading.Event(), []

    def broken():
        seen.append(1)
        if len(seen) >= 3:
            stop.set()
        raise ValueError("no")
    looking.look = broken
    looking.run(stop)
    assert len(seen) >= 3


def test_the_tellings_of_a_silence_are_counted_from_the_limit():
    assert [watch.tellings(seconds, 90) for seconds in (0, 89, 90, 3689, 3690, 7290)] == [0, 0, 1, 1, 2, 3]


def test_a_telling_that_could_not_be_written_is_tried_again_at_the_next_look(tmp_path, monkeypatch):
    _, office = house(tmp_path)
    looking = Watch(office, "worker", silent_s=5)
    looking.look()
    carry_out = record.carry_out

    def locked(*_):
        raise sqlite3.OperationalError("database is locked")
    monkeypatch.setattr(record, "carry_out", locked)
    with pytest.raises(sqlite3.OperationalError):
        looking.look()
    monkeypatch.setattr(record, "carry_out", carry_out)
    assert len(looking.look()) == 2
