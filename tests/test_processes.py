"""Real processes: `serve` and `work` with a settings file, the simulated carrier over HTTP, and SIGKILL."""

import random
import re
import signal
import subprocess
import threading
import time
from collections import Counter
from datetime import timedelta

import pytest

from bot import process
from store.database import moment, stamp, writing
from tests.processes import (
    ROOT, RUTH, SAM, START, Installation, add_patient, add_staff, command, select, settings_text, wait_for,
)

NAMES = ("Ana", "Ben", "Cleo", "Dov", "Eli", "Fay")
PATIENTS = {f"+131255501{n}": name for n, name in enumerate(NAMES, start=51)}
TWINS = "+13125550160"  # one phone, two patients: identical bodies to one number are nothing strange here
ALARMS = ("my throat feels tight", "cant breathe", "i have chest pain", "my face is swelling up")
CALM = ("starting", "done", "1", "thanks", "it leaks a bit", "later", "skip", "still going")
MINUTE = timedelta(minutes=1)
pytestmark = pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")


@pytest.fixture
def house(tmp_path):
    house = Installation(tmp_path)
    yield house
    house.close()


def enrol(house, first_due_at):
    """Six patients with a phone each, twins on one phone, and the staff. The first occasions lie 10 minutes apart."""
    with writing(house.db()) as db:
        for n, (number, name) in enumerate(PATIENTS.items()):
            add_patient(db, START, name, number, first_due_at + n * 10 * MINUTE)
        for n, name in enumerate(("Gil", "Gia")):
            add_patient(db, START, name, TWINS, first_due_at + (6 + n) * 10 * MINUTE)
        add_staff(db, START)


# --- (a) the worker is dead ------------------------------------------------------------------------------------------


def test_with_the_worker_killed_an_emergency_text_leaves_within_two_seconds(house):
    enrol(house, START + timedelta(days=1))
    house.start("serve")
    house.start("work")
    house.kill("work")
    taken = []
    for number in PATIENTS:
        began = time.monotonic()
        house.carrier.phone_texts(number, "my throat feels tight")
        wait_for(lambda to=number: [each for each in house.sent(to) if each.body.startswith("CALL 911 NOW")], 2)
        taken.append(time.monotonic() - began)
    wait_for(lambda: len(house.sent(RUTH)) == len(PATIENTS), 2, "the last page")
    print("seconds until the instruction had left:", " ".join(f"{each:.2f}" for each in sorted(taken)))
    assert max(taken) < 2


# --- (b) SIGKILL -----------------------------------------------------------------------------------------------------


class Scene:
    """So many turns of a seeded script while processes are killed at random moments and started again."""

    def __init__(self, house, seed):
        self.house, self.dice = house, random.Random(seed)
        self.alarming = []  # (number, words) of every alarming text
        self.killers = {}
        self.busy = [], 0.0  # ids of what is still to leave, and since when they are the same

    def now(self):
        return self.house.clock.now()

    def play(self, turns):
        """Play the turns, a kill in every seventh, and bring everything to rest. A turn or two go on without the dead
        process before it is started again."""
        for turn in range(turns):
            if turn % 7 == 3:
                self._kill_soon()
            self._turn()
            if turn % 7 == 6 or turn % 7 > 3 and self.dice.random() < 0.5:
                self._start_again()
        self._start_again()
        self._rest()

    def _kill_soon(self):
        for name in self.dice.choice((["serve"], ["work"], ["serve", "work"])):
            after_s = self.dice.uniform(0, self.dice.choice((0.01, 0.04, 0.12)))
            self.killers[name] = threading.Timer(after_s, self.house.kill, [name])
            self.killers[name].start()

    def _start_again(self):
        for name, killer in self.killers.items():
            killer.join()
            self.house.start(name)
        self.killers = {}

    def _turn(self):
        part = self.dice.random()
        if part < 0.33:
            self._remind()
        elif part < 0.5:
            self._nurse()
        else:
            number = self.dice.choice([*PATIENTS, TWINS])
            alarming = part > 0.92
            words = self.dice.choice(ALARMS if alarming else CALM)
            if alarming:
                self.alarming.append((number, words))
            name = f"{self.dice.choice(('Gil', 'Gia'))} " if number == TWINS else ""
            self.house.carrier.phone_texts(number, name + words)

    def _remind(self):
        """Let the next occasion come due; its reminder is on its way a moment later."""
        found = select(self.house.db(), "SELECT min(next_due_at) AS at FROM infusion_order WHERE held_at IS NULL")
        if found[0]["at"]:
            self.house.jump_to(max(moment(found[0]["at"]), self.now()) + timedelta(seconds=1))
        time.sleep(self.dice.uniform(0, 0.3))

    def _nurse(self):
        """A nurse answers the newest page on her phone, as a nurse does; a held order is released later on."""
        number = self.dice.choice((RUTH, SAM))
        pages = [text.body for text in self.house.sent(number) if "case" in text.body]
        code = re.search(r"\b\d{4}\b", pages[-1]).group() if pages else ""
        for words in self.dice.choice((["mine"], ["note called her"], ["close ok now", "release"], ["release"])):
            self.house.carrier.phone_texts(number, f"{code} {words}")

    def _rest(self):
        """Everything runs again, the carrier's list is read again, and nothing is left to do."""
        for _ in range(2):
            self.house.jump_to(self.now() + 2 * MINUTE)
            wait_for(self._at_rest, 20, "rest")

    def _at_rest(self):
        db = self.house.db()
        held = {text.carrier_id for text in self.house.carrier.texts if hasattr(text, "from_number")}
        recorded = {row["carrier_id"] for row in select(db, "SELECT carrier_id FROM inbound")}
        busy = [row["id"] for row in select(db, """SELECT id FROM outbox WHERE state = 'leased'
                                                   OR state = 'waiting' AND not_before <= ? ORDER BY id""", stamp(self.now()))]
        if busy != self.busy[0]:
            self.busy = busy, time.monotonic()
        elif busy and time.monotonic() - self.busy[1] > 1:
            # Leases of dead processes end by the clock. It moves only when nothing else does: a nurse who has not
            # answered is paged again for ever, so a clock that runs faster than texts leave never comes to rest.
            self.house.jump_to(self.now() + timedelta(seconds=31))
            self.busy = busy, time.monotonic()
        unhandled = select(db, "SELECT 1 FROM inbound WHERE handled_at IS NULL AND failed_at IS NULL")
        return held <= recorded and not busy and not unhandled


def judge(house, scene):
    """What must hold whatever was killed when; the counts as a line."""
    db = house.db()
    texts = house.carrier.texts
    ours = [text for text in texts if not hasattr(text, "from_number")]
    theirs = [text for text in texts if hasattr(text, "from_number")]

    recorded = {row["carrier_id"]: row for row in select(db, "SELECT * FROM inbound")}
    assert set(recorded) == {text.carrier_id for text in theirs} and len(recorded) == len(theirs)
    for row in recorded.values():
        assert row["handled_at"] or row["failed_at"], f"inbound {row['id']} was never dealt with"
    failed = [row for row in recorded.values() if row["failed_at"]]
    for row in failed:
        assert select(db, """SELECT 1 FROM matter JOIN page ON matter_id = matter.id WHERE from_number = ?""",
                      row["from_number"]), f"inbound {row['id']} failed and paged nobody"

    # every text that the carrier holds is one row of ours: none was sent twice, none went out of the books
    rows = {row["carrier_id"]: row for row in select(db, "SELECT * FROM outbox WHERE carrier_id IS NOT NULL")}
    twice = Counter((text.to_number, text.body) for text in ours if text.carrier_id not in rows)
    assert not twice, f"sent, but not as a row of ours: {twice}"
    assert set(rows) == {text.carrier_id for text in ours}

    reminders = select(db, "SELECT occasion, carrier_id FROM outbox WHERE kind = 'reminder'")
    assert len({row["occasion"] for row in reminders}) == len(reminders)
    assert reminders, "the script has no reminder"

    for number, words in scene.alarming:
        found = select(db, """SELECT DISTINCT matter.id, acknowledged_at FROM matter
                              JOIN matter_note ON matter_id = matter.id
                              WHERE from_number = ? AND words LIKE '%' || ?""", number, words)
        assert found, f"an alarming text has no matter: {words}"
        for each in found:
            assert select(db, """SELECT 1 FROM page JOIN outbox ON outbox.id = outbox_id WHERE page.matter_id = ?
                                 AND outbox.state IN ('sent', 'delivered')""", each["id"]) or each["acknowledged_at"]
    assert scene.alarming, "the script has no alarm"
    alarms = Counter(number for number, _ in scene.alarming)
    whole = Counter(text.to_number for text in ours if text.body.startswith("CALL 911 NOW"))
    for number, count in whole.items():
        assert count <= alarms[number], f"{count} whole instructions for {alarms[number]} alarming texts"

    recovered = sum(row["recovered"] for row in recorded.values())
    return (f"{len(theirs)} texts in ({recovered} recovered, {len(failed)} given to a human), {len(ours)} out, "
            f"{len(reminders)} reminders, {len(scene.alarming)} alarms, {sum(whole.values())} whole instructions, "
            f"{house.kills} kills")


def endure(house, turns, seed):
    enrol(house, START + 5 * MINUTE)
    house.carrier.slow(0.03)  # so that kills fall between the carrier's taking and our writing
    house.start("serve")
    house.start("work")
    scene = Scene(house, seed)
    scene.play(turns)
    print(judge(house, scene))


def test_a_hundred_turns_with_kills_lose_nothing_and_send_nothing_twice(house):
    endure(house, 100, seed=20260310)


@pytest.mark.long
def test_a_thousand_turns_with_kills_lose_nothing_and_send_nothing_twice(house):
    endure(house, 1000, seed=1)


@pytest.mark.parametrize("name, number, words", [
    ("work", "+13125550151", None), ("serve", "+13125550152", "my throat feels tight")])
def test_a_process_killed_between_the_carriers_taking_and_our_writing_sends_nothing_twice(house, name, number, words):
    enrol(house, START + 5 * MINUTE)
    house.start("serve")
    if name == "work":
        house.start("work")
    killed = threading.Event()

    def kill(_):  # the carrier has taken the text and has not answered yet
        if not killed.is_set():
            killed.set()
            house.kill(name)
    house.carrier.pause = kill
    house.carrier.slow(1)
    if words:
        house.carrier.phone_texts(number, words)
    else:
        house.jump_to(START + 5 * MINUTE + timedelta(seconds=1))
    wait_for(killed.is_set, 10, "the moment of the kill")
    wait_for(lambda: house.sent(number), 5)
    first = house.sent(number)[0]
    wait_for(lambda: name not in house.processes, 5)
    assert select(house.db(), "SELECT state FROM outbox WHERE number = ?", number) == [{"state": "leased"}]
    if name == "serve":
        house.start("work")
    else:
        house.start(name)
    house.set_clock(house.clock.now() + timedelta(seconds=31))
    wait_for(lambda: select(house.db(), "SELECT 1 FROM outbox WHERE carrier_id = ?", first.carrier_id), 10,
             "the text found again")
    time.sleep(1.5)  # a further tick, which could send it again
    assert [text.carrier_id for text in house.sent(number)] == [first.carrier_id]


# --- (c) stopping, (d) starting --------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_and_sigterm_stop_both_processes_cleanly(house, number):
    for name in ("serve", "work"):
        house.start(name)
    assert {name: house.stop(name, number) for name in ("work", "serve")} == {"work": 0, "serve": 0}
    for name in ("serve", "work"):
        assert "Traceback" not in (house.folder / f"{name}.log").read_text()


def test_an_interrupt_while_the_web_process_is_still_starting_ends_it_cleanly(monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt
    monkeypatch.setattr(process, "office_of", interrupted)
    monkeypatch.setattr(process, "_log", lambda: None)
    monkeypatch.setattr(process, "_stop_on", lambda _: None)
    assert process.serve(None, "127.0.0.1", 0) == 0


def test_health_is_good_while_both_run_and_tells_the_workers_death(house):
    house.start("serve")
    assert house.health()["ok"] is False
    house.start("work")
    wait_for(lambda: house.health()["ok"], 5, "good health")
    house.kill("work")
    house.set_clock(house.clock.now() + 3 * MINUTE)
    assert house.health()["ok"] is False


REQUIRED = ("emergency_number", "crisis_line", "practice_number", "fallback_number", "zone", "open", "emergency",
            "urgent", "ask_minutes", "silent_while_infusing_minutes", "call_back_hours", "delivery_wait_minutes")


def run(folder, name, *more):
    return subprocess.run([*command(folder, name), *more], cwd=ROOT, capture_output=True, text=True, timeout=30)


@pytest.mark.parametrize("name", ["serve", "work"])
def test_without_a_settings_file_nothing_starts(tmp_path, name):
    found = run(tmp_path, name)
    assert found.returncode == 2 and "ebbline.toml" in found.stderr and "no such file" in found.stderr
    assert "Traceback" not in found.stderr and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["serve", "work"])
def test_each_missing_key_is_named(tmp_path, name):
    text = settings_text(unsigned_content=True)
    for key in REQUIRED:
        text, removed = re.subn(rf"^{key} = .*\n", "", text, flags=re.MULTILINE)
        assert removed == 1
    (tmp_path / "ebbline.toml").write_text(text)
    found = run(tmp_path, name)
    assert found.returncode == 2
    for key in REQUIRED:
        assert re.search(rf"\.{key}: is missing", found.stderr), key
    assert not (tmp_path / "ebbline.db").exists()


def test_a_port_that_is_taken_is_named_with_the_mend(house):
    house.start("serve")
    found = subprocess.run(house.command("serve"), cwd=ROOT, capture_output=True, text=True, timeout=30)
    assert found.returncode == 1 and str(house.port) in found.stderr and "--port" in found.stderr


@pytest.mark.parametrize("name", ["serve", "work"])
def test_a_database_newer_than_the_program_is_refused(house, name):
    with writing(house.db()) as db:
        db.conn.execute("INSERT INTO migration VALUES (9000, '9000_future.sql', '2026-03-10')")  # a Tuesday
    found = subprocess.run(house.command(name), cwd=ROOT, capture_output=True, text=True, timeout=30)
    assert found.returncode == 2 and "newer version" in found.stderr


def test_the_logs_of_both_processes_hold_neither_words_nor_numbers(house):
    enrol(house, START + 5 * MINUTE)
    house.start("serve")
    house.start("work")
    house.carrier.refuse(list(PATIENTS)[1])
    house.carrier.phone_texts(list(PATIENTS)[0], "purple elephants, my throat feels tight")
    house.jump_to(START + 90 * MINUTE)
    wait_for(lambda: house.sent(TWINS) or house.sent(list(PATIENTS)[5]), 10)
    logs = {name: (house.folder / f"{name}.log").read_text() for name in ("serve", "work")}
    assert "outbox" in logs["serve"] + logs["work"], "either may be the faster to send it"
    for name, log in logs.items():
        for secret in ("elephant", "throat", "+1312", "5550"):
            assert secret not in log, f"{name} logs {secret}"
    assert "inbound" in (house.folder / "serve.log").read_text()
