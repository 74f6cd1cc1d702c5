"""Machinery shared by tests: a small practice in one process, and a whole installation of real processes.

`python -m tests.processes [seconds [pause_s]]` measures the webhook: 8 threads against a real `serve` and `work` on
loopback, each with so long a pause between its texts (none: as fast as it goes).
"""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

from bot import settings
from bot.clock import FileClock
from bot.simulated import SIGNATURE_HEADER, SimulatedCarrier, deliver_over_http, serve_http, signature
from bot.stage import NUMBER, PUBLIC_URL, SECRET, Stage
from flows.hours import parse_hours, parse_quiet
from flows.model import Practice
from store import database, people
from store.database import rows, writing

ROOT = Path(__file__).parent.parent
START = datetime(2026, 3, 10, 22, 55, tzinfo=timezone.utc)  # a Tuesday, 17:55 in Chicago
ZONE = "America/Chicago"
ANA, BEN, RUTH, SAM, COORDINATOR, STRANGER, FALLBACK = (f"+13125550{n}" for n in (111, 112, 121, 122, 131, 141, 198))
PRACTICE = Practice(
    name="Tern Bay Home Infusion", emergency_number="911", crisis_line="988", practice_number="+13125550197",
    fallback_number=FALLBACK, zone=ZONE, hours=parse_hours("Mon-Fri 08:00-17:00"), quiet=parse_quiet("21:00-08:00"),
    answer_within_minutes={"emergency": 5, "urgent": 15}, ask_minutes=5, silent_while_infusing_minutes=20,
    call_back_hours=4, delivery_wait_minutes=2, unsigned_content=True)


def practice(**changes):
    """The tests' practice settings with some of them changed."""
    return replace(PRACTICE, **changes)


def add_patient(db, now, name, number, due_at):
    """A patient with a weekly order, the next infusion due at `due_at` (UTC; its Chicago day and time). Her id."""
    local = due_at.astimezone(timezone(timedelta(hours=-5)))  # Chicago in summer time
    patient_id = people.add_patient(db, now, name=name, lang="en", zone=ZONE, number=number)
    people.add_order(db, now, patient_id, volume_ml=40, strength_g_per_ml=0.2, sites=2, rate_ml_per_h_per_site=20,
                     every="week", weekdays=(f"{local:%a}",), clock_local=f"{local:%H:%M}", starts_on=local.date(),
                     next_due_at=due_at)
    return patient_id


def add_staff(db, now, nurses=(("Ruth", RUTH), ("Sam", SAM))):
    """Nurses on the ladder in this order, and a coordinator."""
    for rung, (name, number) in enumerate(nurses, start=1):
        people.add_shift(db, now, people.add_staff(db, now, name=name, role="nurse", number=number), rung, now)
    people.add_staff(db, now, name="Cora", role="coordinator", number=COORDINATOR)


def stage(path, due_at=START + timedelta(minutes=5), **changes):
    """A `Stage` with Ana and Ben (both due at `due_at`), Ruth and Sam on the ladder, and a coordinator."""
    played = Stage(path, practice(**changes), START)
    with writing(played.office.db()) as db:
        add_patient(db, START, "Ana", ANA, due_at)
        add_patient(db, START, "Ben", BEN, due_at)
        add_staff(db, START)
    return played


def signed(path, form, secret=SECRET, public_url=PUBLIC_URL):
    """The headers of a webhook request as the simulated carrier signs it."""
    return {SIGNATURE_HEADER: signature(secret, public_url + path, form)}


def inbound_form(body, number=ANA, n=1):
    """The form of one inbound text; the same `n` is the same text."""
    return {"Id": [f"SIM{n:032x}"], "From": [number], "To": [NUMBER], "Body": [body], "MediaCount": ["0"]}


def select(db, sql, *values):
    """Rows of a SELECT, as dicts."""
    return rows(db, sql, *values)


# --- real processes --------------------------------------------------------------------------------------------------


def free_port():
    """A loopback port that nobody listens on at this moment."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def settings_text(**changes):
    """The sample settings file with some keys (by their own name, each unique in the file) set to other values."""
    text = settings.example()
    for key, value in changes.items():
        text, found = re.subn(rf"^(# )?{key} = .*$", f"{key} = {json.dumps(value)}", text, flags=re.MULTILINE)
        assert found == 1, f"the sample has {found} lines for {key}"
    return text


def wait_for(what, seconds, told="it"):
    """Wait until `what()` is true; its value. AssertionError after so many seconds."""
    end = time.monotonic() + seconds
    while True:
        found = what()
        if found:
            return found
        assert time.monotonic() < end, f"{told} did not come in {seconds} s"
        time.sleep(0.01)


def command(folder, name):
    """The command line of "serve" or "work" with the settings file in this folder."""
    return [sys.executable, "-m", "bot.cli", name, "--settings", str(folder / "ebbline.toml")]


class Installation:
    """`serve` and `work` as real processes on loopback, the simulated carrier over HTTP in this one, one test clock.

    start, kill and stop take "serve" or "work". `db()` opens a connection of its own. Close it in the end.
    """

    public_url = "https://texts.example.org"

    def __init__(self, folder, now=START):
        self.folder, self.port = Path(folder), free_port()
        self.processes, self.dead_leases, self.kills = {}, set(), 0
        self.clock = FileClock(self.folder / "clock.json", live=False)
        self.set_clock(now)
        here = f"http://127.0.0.1:{self.port}"
        self.carrier = SimulatedCarrier(
            self.clock, NUMBER, SECRET, deliver_over_http(here + "/sms/inbound"),
            deliver_over_http(here + "/sms/status"), public_url=self.public_url, pause=time.sleep, delay_s=1)
        self.face = serve_http(self.carrier)
        (self.folder / "ebbline.toml").write_text(settings_text(
            unsigned_content=True, test_clock="clock.json", public_url=self.public_url, url=self.face.url,
            secret=SECRET, number=NUMBER), encoding="utf-8")
        self.path = self.folder / "ebbline.db"
        self.own = database.open_database(self.path, self.clock.now())
        self.closing = threading.Event()
        self.reports = threading.Thread(target=self._report, daemon=True)
        self.reports.start()

    def _report(self):
        while not self.closing.wait(0.05):
            self.carrier.run_due(self.clock.now())

    def db(self):
        """This thread's connection of the test, apart from those of the processes."""
        return self.own

    def set_clock(self, at):
        """Let the pretended clock show `at` now and go on at real speed."""
        since = time.time()
        fresh = self.folder / "clock.new"
        fresh.write_text(json.dumps({"offset_s": at.timestamp() - since, "rate": 1, "since": since}), encoding="utf-8")
        os.replace(fresh, self.folder / "clock.json")

    def jump_to(self, at):
        """Move the clock at a moment when no living process is sending: a jump would end its lease in the middle."""
        def moved():
            with writing(self.own) as db:
                leased = rows(db, "SELECT id, tries FROM outbox WHERE state = 'leased'")
                if {(row["id"], row["tries"]) for row in leased} - self.dead_leases:
                    return False
                self.set_clock(at)
                return True
        wait_for(moved, 20, "a moment without a lease")

    def command(self, name):
        """The command line of a process."""
        return command(self.folder, name) + (["--port", str(self.port)] if name == "serve" else [])

    def start(self, name):
        """Start a process and wait until it serves or works."""
        out, log = self.folder / f"{name}.out", self.folder / f"{name}.log"
        with out.open("w") as stdout, log.open("a") as stderr:
            process = subprocess.Popen(self.command(name), cwd=ROOT, stdout=stdout, stderr=stderr)
        self.processes[name] = process
        ready = "listening" if name == "serve" else "working"

        def up():
            assert process.poll() is None, f"{name} ended with {process.returncode}: {log.read_text()[-2000:]}"
            return ready in out.read_text()
        wait_for(up, 20, f"{name} ready")

    def kill(self, name):
        """SIGKILL; the leases that the dead process held are remembered."""
        process = self.processes.pop(name)
        process.kill()
        process.wait()
        self.kills += 1
        who = "web" if name == "serve" else "worker-%"
        db = database.connect(self.path)  # kills come from any thread
        self.dead_leases |= {(row["id"], row["tries"]) for row in rows(
            db, "SELECT id, tries FROM outbox WHERE state = 'leased' AND leased_by LIKE ?", who)}
        db.conn.close()

    def stop(self, name, number=signal.SIGTERM):
        """Send a signal and wait; the exit status."""
        process = self.processes.pop(name)
        process.send_signal(number)
        return process.wait(15)

    def health(self):
        """What /healthz says."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=5) as reply:
                return json.load(reply)
        except urllib.error.HTTPError as error:
            return json.load(error)

    def sent(self, number):
        """Our texts to this number, as the carrier holds them."""
        return [text for text in self.carrier.texts if getattr(text, "to_number", None) == number
                and not hasattr(text, "from_number")]

    def close(self):
        """Stop everything that was started here."""
        for process in self.processes.values():
            process.kill()
            process.wait()
        self.closing.set()
        self.reports.join()
        self.face.stop()
        self.own.conn.close()


# --- the measurement -------------------------------------------------------------------------------------------------


def measure(seconds=20, pause_s=0.0, threads=8):
    """Milliseconds of every webhook answer under load, sorted. Each thread is one patient."""
    import http.client
    from urllib.parse import urlencode

    texts = ("starting", "thanks", "done", "1", "it leaks a bit", "thank you")
    with tempfile.TemporaryDirectory() as folder:
        house = Installation(folder)
        try:
            numbers = [f"+13125550{n}" for n in range(150, 150 + threads)]
            with writing(house.db()) as db:
                for n, number in enumerate(numbers):
                    add_patient(db, START, f"P{n}", number, START + timedelta(days=1))
                add_staff(db, START)
            house.start("serve")
            house.start("work")
            end, taken = time.monotonic() + seconds, [[] for _ in numbers]

            def talk(place):
                n = 0
                while time.monotonic() < end:
                    n += 1
                    form = inbound_form(texts[n % len(texts)], numbers[place], place * 10**9 + n)
                    headers = {"Content-Type": "application/x-www-form-urlencoded",
                               **signed("/sms/inbound", form, public_url=house.public_url)}
                    began = time.perf_counter()
                    line = http.client.HTTPConnection("127.0.0.1", house.port, timeout=15)
                    line.request("POST", "/sms/inbound", urlencode(form, doseq=True), headers)
                    status = line.getresponse().status
                    line.close()
                    taken[place].append((time.perf_counter() - began) * 1000)
                    assert status == 200, status
                    time.sleep(pause_s)
            talkers = [threading.Thread(target=talk, args=(place,)) for place in range(threads)]
            for talker in talkers:
                talker.start()
            for talker in talkers:
                talker.join()
            return sorted(ms for each in taken for ms in each)
        finally:
            house.close()


def main():
    """Print the measurement."""
    given = [float(word) for word in sys.argv[1:]]
    seconds, pause_s = given + [20.0, 0.0][len(given):]
    found = measure(seconds, pause_s)
    print(f"{len(found)} answers in {seconds:g} s ({len(found) / seconds:.0f} a second): "
          f"p50 {found[len(found) // 2]:.1f} ms, p99 {found[len(found) * 99 // 100]:.1f} ms, "
          f"longest {found[-1]:.1f} ms")


if __name__ == "__main__":
    main()
