"""The clocks."""

import json
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from freezegun import freeze_time

from bot.clock import ClockError, FileClock, ManualClock, SystemClock, pause

START = datetime(2026, 3, 10, 22, 0, tzinfo=UTC)  # Tuesday


def write(path, **reading):
    path.write_text(json.dumps({"offset_s": 0, "rate": 1, "since": START.timestamp()} | reading))


def test_the_system_clock_shows_the_real_time_in_utc():
    with freeze_time(START):
        assert SystemClock().now() == START
    assert SystemClock().now().tzinfo is UTC


def test_a_manual_clock_stands_still_until_it_is_moved():
    clock = ManualClock(START)
    assert clock.now() == clock.now() == START
    assert clock.move(timedelta(minutes=5)) == clock.now() == START + timedelta(minutes=5)
    assert clock.move_to(START + timedelta(hours=1)) == clock.now() == START + timedelta(hours=1)


def test_a_manual_clock_goes_back_only_when_asked():
    clock = ManualClock(START)
    with pytest.raises(ClockError, match="may not go back .* pass backwards=True"):
        clock.move(timedelta(seconds=-1))
    with pytest.raises(ClockError, match="may not go back"):
        clock.move_to(START - timedelta(days=1))
    assert clock.now() == START
    clock.move(timedelta(seconds=-1), backwards=True)
    clock.move_to(START - timedelta(days=1), backwards=True)
    assert clock.now() == START - timedelta(days=1)


def test_a_manual_clock_wants_a_zone():
    with pytest.raises(ClockError, match="has no zone"):
        ManualClock(datetime(2026, 3, 10, 22))  # Tuesday
    with pytest.raises(ClockError, match="has no zone"):
        ManualClock(START).move_to(datetime(2026, 3, 11))  # Wednesday


def test_a_manual_clock_moved_by_many_threads_loses_no_move():
    clock = ManualClock(START)
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)  # so that threads do meet in the middle of a move
    try:
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(lambda _: [clock.move(timedelta(seconds=1)) for _ in range(200)], range(8)))
    finally:
        sys.setswitchinterval(usual)
    assert clock.now() == START + timedelta(seconds=1600)


@pytest.mark.parametrize(("reading", "after_s", "shown_s"), [
    ({"offset_s": 3600}, 10, 3610),
    ({"offset_s": -60}, 10, -50),
    ({"rate": 60}, 10, 600),
    ({"rate": 60, "offset_s": 86400}, 0, 86400),
    ({"rate": 0, "offset_s": 5}, 1000, 5),
])
def test_a_file_clock_shows_offset_and_rate_from_since(tmp_path, reading, after_s, shown_s):
    write(tmp_path / "clock.json", **reading)
    clock = FileClock(tmp_path / "clock.json", live=False)
    with freeze_time(START + timedelta(seconds=after_s)):
        assert clock.now() == START + timedelta(seconds=shown_s)


def test_a_file_clock_follows_its_file(tmp_path):
    clock = FileClock(tmp_path / "clock.json", live=False)
    with freeze_time(START):
        assert clock.now() == START  # no file yet: the real time
        for offset_s in (60, 120, 30):
            write(tmp_path / "clock.json", offset_s=offset_s)
            assert clock.now() == START + timedelta(seconds=offset_s)


@pytest.mark.parametrize("text", [
    "", '{"offset_s": 7200, "ra', "[]", "null", "7", "{}", '{"offset_s": 1, "rate": 1}',
    '{"offset_s": "x", "rate": 1, "since": 0}',
    '{"offset_s": NaN, "rate": 1, "since": 0}', '{"offset_s": 1e300, "rate": 1, "since": 0}',
    '{"offset_s": 0, "rate": -1, "since": 0}', '{"offset_s": null, "rate": 1, "since": 0}',
])
def test_a_half_written_or_senseless_file_keeps_the_last_good_reading_going(tmp_path, text):
    path = tmp_path / "clock.json"
    write(path, offset_s=3600)
    clock = FileClock(path, live=False)
    with freeze_time(START):
        clock.now()
    path.write_text(text)
    with freeze_time(START + timedelta(seconds=5)):
        assert clock.now() == START + timedelta(seconds=3605)


def test_a_file_that_is_taken_away_or_not_text_keeps_the_last_good_reading_going(tmp_path):
    path = tmp_path / "clock.json"
    write(path, offset_s=3600)
    clock = FileClock(path, live=False)
    with freeze_time(START):
        clock.now()
        path.write_bytes(b"\xff\xfe\x00")
        assert clock.now() == START + timedelta(hours=1)
        path.unlink()
        assert clock.now() == START + timedelta(hours=1)


def test_a_file_clock_is_refused_in_a_live_installation(tmp_path):
    write(tmp_path / "clock.json")
    with pytest.raises(ClockError, match="clock.json is refused in a live installation; take out sending.test_clock"):
        FileClock(tmp_path / "clock.json", live=True)


def test_a_pause_lasts_its_seconds_and_ends_at_once_when_the_event_is_set():
    event = threading.Event()
    begun = time.monotonic()
    assert pause(event, 0.05) is False
    assert time.monotonic() - begun >= 0.05
    assert pause(event, -1) is False
    threading.Timer(0.05, event.set).start()
    begun = time.monotonic()
    assert pause(event, 30) is True
    assert time.monotonic() - begun < 10
