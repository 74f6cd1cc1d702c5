"""The demo: an invented practice on a pretended clock, with its phones in the browser. No account, no network.

One `Stage` behind one lock is web, worker and carrier; a thread lets its clock follow the real time.
"""

import logging
import signal
import socket
import sys
import tempfile
import threading
from dataclasses import replace
from datetime import date, timedelta
from errno import EADDRINUSE
from pathlib import Path

from flask import Blueprint, jsonify, redirect, render_template, request
from waitress.server import create_server
from werkzeug.exceptions import HTTPException

from bot import agenda, cast, script
from bot.clock import SystemClock, pause
from bot.office import log
from bot.stage import Stage
from flows.hours import local
from store import story
from store.database import DatabaseError, moment, reading, writing

HOST, THREADS = "127.0.0.1", 4
CLOCK_EVERY_S = 0.5
MOST_AT_ONCE = timedelta(seconds=5)  # a computer that slept must not play the whole night at once
MOST_CHARS = 1600   # of one text; what carriers put together from its segments
MOST_MINUTES = 10_080  # a week
LEAST_STEP, SLICE, BREATH_S = timedelta(seconds=1), timedelta(hours=1), 0.005
FIRST_INFUSIONS = 50  # so long the day after is asked about too: in the demo always, in whatever order it is played
MOST_LOOKS = 200  # due things that nobody sees, passed by in one move to the next thing that shows

# Tue 10 March 2026, five minutes before the first reminder. The steps are played by whoever sits at the browser.
CAST = """
practice: {name: Tern Bay Home Infusion, zone: America/Chicago}
patients:
  - name: Ana
    epinephrine: true
    needle_mm: 9
    gauge: 26
    order: {volume_ml: 40, strength: 0.2, sites: 2, rate_ml_per_h_per_site: 20, day: Tue, time: "18:00"}
    history:
      - {on: 2026-02-17, volume_ml: 40, minutes: 60, sites: [left belly, right belly], lots: [A1]}
      - {on: 2026-02-24, volume_ml: 40, minutes: 62, sites: [left belly, right belly], lots: [A1],
         problems: [{kind: leak, site: left belly}]}
      - {on: 2026-03-03, volume_ml: 40, minutes: 64, sites: [left thigh, right thigh], lots: [A2]}
  - name: Luz
    lang: es
    order: {volume_ml: 30, strength: 0.2, sites: 2, rate_ml_per_h_per_site: 15, day: Tue, time: "18:30"}
    history:
      - {on: 2026-03-03, volume_ml: 30, minutes: 63, sites: [left belly, right belly], lots: [A2]}
  - name: Leo
    born: 2018-05-14
    weight_kg: 24
    needle_mm: 6
    caregiver: [Dana, Omar]
    order: {volume_ml: 10, strength: 0.2, sites: 1, rate_ml_per_h_per_site: 10, day: Wed, time: "16:00"}
    history:
      - {on: 2026-03-04, volume_ml: 10, minutes: 61, sites: [right thigh], lots: [A1]}
nurses: [Ruth, Sam, Mara]
start: 2026-03-10T17:55
steps: [{after: 5m}]
"""

TALKING = {  # states of the conversation, for people
    "reminded": "reminded, no answer yet",
    "put_off": "put off, to be reminded again",
    "running": "infusing",
    "asked_running": "infusing past the expected end, asked about it",
    "second_dose": "asked whether a second infusion has begun",
    "check_in": "done, asked how it went",
    "problem": "has a problem, asked which",
    "detail": "has a problem, asked for what a nurse would ask",
    "bother": "done, asked how much the problem bothers",
    "amount": "done, asked how many mL went in and where",
    "times": "done, asked when it started and ended",
    "lots": "done, asked for the lot numbers",
    "follow_up": "asked whether the problem is gone",
    "skipped": "skipped, asked for the reason",
    "stopped": "stopped early, asked how much went in",
    "safety": "asked the safety question",
    "with_nurse": "with the nurse, no routine talk",
    "ended": "no longer served here",
}
IN_HAND = ("sent", "delivered")  # a phone shows what the carrier took; what failed is marked as such
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Refused(ValueError):
    """A request that cannot be done: "what is wrong; the mend", and the HTTP status."""

    def __init__(self, text, status=400):
        super().__init__(text)
        self.status = status


class Demo:
    """The demo practice on a fresh database. `app` is the Flask app, `stage` the practice being played.

    db_path: a file that is not there yet (DatabaseError otherwise). port: where the browser will look, for the
    same-origin check. real: the clock that the pretended one follows.
    """

    def __init__(self, db_path, port=8080, real=None):
        if Path(db_path).exists():
            raise DatabaseError(f"{db_path}: is there already, and the demo starts on a fresh database; "
                                "name a new file with --db, or take this one away")
        self.script = script.parse(CAST, "the demo's cast")
        self.zone = self.script.practice.zone
        self.origins = (f"http://{HOST}:{port}", f"http://localhost:{port}")
        self.lock, self.stopping = threading.RLock(), threading.Event()
        practice = replace(cast.practice_of(self.script), first_infusions=FIRST_INFUSIONS)
        self.stage = Stage(db_path, practice, self.script.start_at)
        self.app = self.stage.app
        self.app.register_blueprint(pages(self))
        self.app.add_url_rule("/", "home", lambda: redirect("/demo/"))
        self.app.add_url_rule("/favicon.ico", "icon", lambda: ("", 204))
        with writing(self.stage.office.db()) as db:
            self.people = cast.enrol(db, self.script, self.script.start_at)
        found = list(_phones(self.script))
        self.phones = {name: role for name, role, _ in found}
        self.speaks_for = {name: patient for name, _, patient in found if patient}
        self.real = real or SystemClock()
        self.looked_at = self.real.now()
        self.stage.settle()

    # --- time ---

    def follow(self):
        """Let the pretended clock go on by the real time since the last look."""
        with self.lock:
            now = self.real.now()
            passed = min(max(now - self.looked_at, timedelta()), MOST_AT_ONCE)
            self.looked_at = now
            self.stage.advance_to(self.stage.now + passed)

    def run_clock(self):
        """Follow the real time until `stopping` is set; then close this thread's database."""
        while not pause(self.stopping, CLOCK_EVERY_S):
            try:
                self.follow()
            except Exception as error:  # noqa: BLE001 - one failing moment must not stop the clock
                log.error("the clock stumbled: %s", type(error).__name__, exc_info=True)
        self.stage.close()

    def next_at(self):
        """When the next thing is due, or None."""
        return self.stage.next_at()

    def move(self, minutes):
        """Move the clock on by so many minutes; whatever falls due on the way is done.

        Hour by hour, with a breath between them: a week in which nobody answers a page is thousands of texts, and
        meanwhile the page shows how far it is, phones can text, and the program can be stopped.
        """
        until = self.stage.now + timedelta(minutes=minutes)
        while self.stage.now < until and not pause(self.stopping, BREATH_S):
            with self.lock:
                self.stage.advance_to(max(self.stage.now, min(until, self.stage.now + SLICE)))

    def move_to_next(self):
        """Move to the next thing that shows: a text, or a change in a list. What ends unseen is passed by."""
        with self.lock:
            before = self._shown()
            for _ in range(MOST_LOOKS):
                at = self.next_at()
                if at is None:
                    raise Refused("nothing is due; text from a phone first, or move the clock by minutes")
                self.stage.advance_to(max(at, self.stage.now + LEAST_STEP))
                if self._shown() != before:
                    return

    def _shown(self):
        """What people would notice: the newest text of each phone, and the lists without the minutes."""
        found = self.state()
        newest = [[(text["at"], text["body"]) for text in phone["chat"][-1:]] for phone in found["phones"]]
        return newest, [(each["case"], each["by"]) for each in found["matters"]], found["tasks"], found["day"]

    # --- phones ---

    def text(self, name, words, media):
        """A phone of the demo texts us."""
        with self.lock:
            self.follow()  # two texts never have the same moment, so that the chat keeps their order
            self.stage.texts(self.people.number(name), words, media, name)

    # --- what is shown ---

    def state(self):
        """All that the page shows, as data for JSON. Times are local to the practice."""
        with self.lock, reading(self.stage.office.db()) as db:
            now, standing = self.stage.now, story.states(db)
            talks = {row["name"]: row["state"] for row in standing}
            return {
                "clock": {"local": self._iso(now), "text": f"{local(now, self.zone):%A %d %B %Y, %H:%M}"},
                "phones": [self._phone(db, name, role) | {"talk": talks.get(self.speaks_for.get(name))}
                           for name, role in self.phones.items()],
                "matters": [self._matter(db, row, now) for row in story.matters(db, only_open=True)],
                "newest_case": next((row["case"] for row in reversed(story.matters(db))), None),
                "tasks": [{"case": row["case"], "owner": row["owner"], "about": row["about"].replace("_", " "),
                           "patient": row["patient"], "due": self._when(moment(row["due_at"])),
                           "picture": self._picture(db, now, row["case"]) if row["owner"] == "nurse" else []}
                          for row in story.tasks(db, only_open=True)],
                "day": [self._standing(db, row) for row in standing],
            }

    def _phone(self, db, name, role):
        number = self.people.number(name)
        chat = [{"at": self._iso(moment(row["at"])), "out": bool(row["out"]), "body": row["body"], "kind": row["kind"],
                 "state": row["state"], "media": row["media"]}
                for row in story.chat(db, number) if not row["out"] or row["state"] in (*IN_HAND, "failed")]
        return {"name": name, "number": number, "role": role, "chat": chat}

    def _matter(self, db, row, now):
        return {"case": row["case"], "disposition": row["disposition"], "topic": row["topic"].replace("_", " "),
                "who": row["patient"] or self.people.name(row["from_number"]),
                "minutes_open": int((now - moment(row["opened_at"])).total_seconds() // 60), "by": row["by"],
                "picture": self._picture(db, now, row["case"])}

    def _picture(self, db, now, case):
        """What a nurse would look at beside a matter or call-back, as lines."""
        return [{"label": line.label, "text": line.text + (" [needs an order]" if line.needs_order else "")}
                for line in agenda.picture_of(db, now, case)]

    def _standing(self, db, row):
        return {"patient": row["name"], "state": TALKING.get(row["state"], "nothing expected"),
                "held": row["held_at"] is not None, "last": _record(db, row["id"]),
                "next_due": row["next_due_at"] and self._when(moment(row["next_due_at"]))}

    def _iso(self, at):
        return local(at, self.zone).isoformat(timespec="seconds")

    def _when(self, at):
        return f"{local(at, self.zone):%a %d %b, %H:%M}"


def _record(db, patient_id):
    """The newest dose that began or was due, as a line: "Tue 10 Mar: done, 38 mL, left belly; leak (right side)"."""
    doses = [each for each in story.infusions(db, patient_id) if each["state"] not in ("planned", "held")]
    if not doses:
        return None
    dose = doses[-1]
    day = f"{date.fromisoformat(dose['due_on']):%a %d %b}"
    if dose["state"] not in ("done", "stopped"):
        return f"{day}: {dose['state']}"
    amount = "mL not answered" if dose["volume_ml"] is None else f"{dose['volume_ml']:g} mL"
    told = [each["kind"].replace("_", " ") + (f" ({each['site']})" if each["site"] else "")
            for each in story.reactions(db, patient_id) if each["due_on"] == dose["due_on"]]
    facts = ", ".join((dose["state"], amount, *(dose["sites"] or ["sites not answered"])))
    return "; ".join((f"{day}: {facts}", *told))


def _phones(played):
    """(name, role in words, patient or None) of every phone shown. A child's own is not: the caregivers' are."""
    for patient in played.patients:
        for caregiver in patient.caregivers:
            yield caregiver, f"caregiver of {patient.name}", patient.name
        if not patient.caregivers:
            yield patient.name, "patient, in Spanish" if patient.lang == "es" else "patient", patient.name
    first, *others, last = played.nurses
    yield first, "nurse, paged first", None
    for nurse in others:
        yield nurse, "nurse, paged next", None
    yield last, "manager, paged last", None
    yield "coordinator", "schedules and records", None


# --- the web ---


def pages(demo):
    """The blueprint of /demo."""
    found = Blueprint("demo", __name__, url_prefix="/demo", template_folder="templates", static_folder="static")

    @found.before_request
    def same_origin():
        if request.method != "POST":
            return
        source = request.headers.get("Origin") or request.headers.get("Referer")
        if source and not f"{source}/".startswith(tuple(f"{origin}/" for origin in demo.origins)):
            raise Refused(f"{source!r} may not use the demo; open {demo.origins[0]}/demo/ and use that page", 403)
        if request.mimetype != "application/json":
            raise Refused(f"the content type is {request.mimetype or 'missing'}; send application/json", 415)

    @found.after_request
    def guard(reply):
        reply.headers.update(HEADERS)
        return reply

    @found.teardown_request
    def close(_):
        demo.stage.close()  # the server's threads end with the process; their connections end here

    @found.errorhandler(Refused)
    def refused(error):
        return jsonify(error=str(error)), error.status

    @found.errorhandler(HTTPException)
    def failed(error):
        return jsonify(error=error.description), error.code

    @found.get("/")
    def page():
        return render_template("demo.html")

    @found.get("/state")
    def state():
        return jsonify(demo.state())

    @found.post("/text")
    def text():
        given = _given()
        demo.text(_name(given, demo.phones), *_words(given))
        return jsonify(demo.state())

    @found.post("/clock")
    def clock():
        given = _given()
        if set(given) == {"to"} and given["to"] == "next":
            demo.move_to_next()
        elif set(given) == {"minutes"}:
            demo.move(_minutes(given["minutes"]))
        else:
            raise Refused('nothing here says how far; send {"minutes": 10} or {"to": "next"}')
        return jsonify(demo.state())

    return found


def _given():
    found = request.get_json(silent=True)
    if not isinstance(found, dict):
        raise Refused("the request is no JSON object; send one, such as {\"minutes\": 10}")
    return found


def _name(given, names):
    name = given.get("from")
    if not isinstance(name, str) or name not in names:
        raise Refused(f"from: {name!r} has no phone here; use one of {', '.join(names)}")
    return name


def _words(given):
    words, media = given.get("text", ""), given.get("media", 0)
    if not isinstance(words, str):
        raise Refused("text: is not a string; send one")
    if isinstance(media, bool) or media not in (0, 1):
        raise Refused(f"media: {media!r} is not a number of pictures here; send 0 or 1")
    if not words.strip() and not media:
        raise Refused("the text is empty; write something, or send a picture")
    if len(words) > MOST_CHARS:
        raise Refused(f"the text has {len(words)} characters, over {MOST_CHARS}; shorten it, or send it as two texts")
    try:
        words.encode()
    except UnicodeEncodeError:
        raise Refused("the text has half a character (a lone surrogate); take it out") from None
    return words, media


def _minutes(minutes):
    if isinstance(minutes, bool) or not isinstance(minutes, int) or not 1 <= minutes <= MOST_MINUTES:
        raise Refused(f"minutes: {minutes!r} is not a whole number from 1 to {MOST_MINUTES}; send one, such as 60")
    return minutes


# --- running it ---


def make(db_path, port=8080, real=None):
    """A `Demo` that nobody serves yet: `.app` and `.stage`. Its clock stands until it is moved or a text comes."""
    return Demo(db_path, port, real)


def run(port, db_path=None):
    """Serve the demo on 127.0.0.1:`port` until SIGINT or SIGTERM; the exit status.

    db_path: a new file that stays; without it everything is gone at the end. 1: the port cannot be had. 2: the file
    is there already or cannot be written.
    """
    try:
        _on_signal(_interrupt)
        try:
            listening = _listen(port)
        except OSError as error:
            print(_unheard(port, error), file=sys.stderr)
            return 1
        with listening, tempfile.TemporaryDirectory(prefix="ebbline-demo-") as folder:
            _serve(make(db_path or Path(folder) / "demo.db", listening.getsockname()[1]), listening)
    except KeyboardInterrupt:
        pass
    except DatabaseError as error:
        print(f"ebbline: {error}", file=sys.stderr)
        return 2
    return 0


def _listen(port):
    """A listening socket. Taken before anything is made, so that a taken port leaves nothing behind."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((HOST, port))
        listening.listen()
    except OSError:
        listening.close()
        raise
    return listening


def _unheard(port, error):
    if error.errno == EADDRINUSE:
        return f"port {port} is taken; set PORT=… or stop the other program"
    return f"port {port} cannot be listened on ({error.strerror}); set PORT=… to another one, from 1024 to 65535"


def _serve(demo, listening):
    port = listening.getsockname()[1]
    server = create_server(demo.app, sockets=[listening], threads=THREADS)
    logging.getLogger("waitress").setLevel(logging.ERROR)  # a request that waits for the clock is nothing to tell
    clock = threading.Thread(target=demo.run_clock, name="clock", daemon=True)

    def stop(*_):
        demo.stopping.set()  # ends a long move, which the server would wait for
        raise KeyboardInterrupt

    try:
        clock.start()
        _on_signal(stop)
        print(f"Ebbline demo: http://{HOST}:{port}/ (invented people; stop it with Ctrl-C)", flush=True)
        server.run()  # returns when the signal comes
    finally:
        _on_signal(signal.SIG_IGN)  # a second Ctrl-C must not break the tidying up
        demo.stopping.set()
        if clock.ident:  # it was started
            clock.join()
        server.close()
        demo.stage.close()


def _on_signal(does):
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, does)


def _interrupt(*_):
    raise KeyboardInterrupt
