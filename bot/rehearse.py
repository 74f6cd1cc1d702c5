"""Playing a rehearsal file: a written conversation on a pretended clock, through the real webhook, worker and sender."""

import contextlib
import io
import json
import tempfile
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bot import cast
from bot.script import Happens, Runs, Texts
from bot.stage import Stage
from flows.hours import local
from store import story
from store.database import moment, writing


class Rehearsal:
    """One script on its stage. `play()` runs it; `events()` is what happened."""

    def __init__(self, script, path):
        self.script = script
        self.zone = script.practice.zone
        self.stage = Stage(path, cast.practice_of(script), script.start_at)
        with writing(self.stage.office.db()) as db:
            self.people = cast.enrol(db, script, script.start_at)
        self.output = []  # (at, command, what it printed)
        self.last = []    # carrier ids of the texts so far

    def play(self):
        """Play every step, then close the books: what is due at the last moment is done."""
        steps = _swapped(self.script.steps)
        self.stage.settle()
        for step, held in steps:
            self.stage.advance_to(step.due_at(self.stage.now, self.zone))
            if isinstance(step.does, Texts):
                self._text(step.does, held)
            elif isinstance(step.does, Happens):
                self._happen(step.does)
            elif isinstance(step.does, Runs):
                self._run(step.does)
        return self

    def _text(self, does, held):
        number = self.people.number(does.sender)
        self.last.append(self.stage.texts(number, does.text, does.media, does.sender, deliver=not held))

    def _happen(self, does):
        stage, until = self.stage, does.lasts and self.stage.now + does.lasts
        number = self.people.number(does.who) if does.who else None
        if does.event == "duplicate":
            stage.deliver(self.last[-1])
        elif does.event == "swap":
            stage.deliver(self.last[-2])  # it was held back until now; the later one has arrived
        elif does.event == "carrier-down":
            stage.carrier.down(until)
        elif does.event == "undelivered":
            stage.carrier.undelivered(number, until)
        elif does.event == "no-receipt":
            stage.carrier.no_receipt(number, until)
        elif does.event == "opted-out":
            stage.carrier.refuse(number, "21610")
        elif does.event == "worker-down":
            stage.worker_down_until = until
        elif does.event == "web-down":
            stage.carrier.web_down(until)
        stage.settle()

    def _run(self, does):
        from bot.cli import run_words

        printed = io.StringIO()
        with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
            status = run_words(does.words, self.stage.office.path, self.stage.clock, self.stage.office.practice)
        self.output.append((self.stage.now, does.command, printed.getvalue().rstrip(), status))
        self.stage.settle()

    def events(self):
        """What happened, in time order, in the fixed form; the last event is the record."""
        return [event for _, _, event in sorted(self._found(), key=lambda found: found[:2])] + [self._record()]

    def _found(self):
        db = self.stage.office.db()
        ours = story.sent_texts(db)
        order = 0
        for text in self.stage.carrier.texts:
            order += 1
            row = ours.get(text.carrier_id)
            if hasattr(text, "from_number"):
                yield text.sent_at, order, self._event(text.sent_at, self.stage.senders[text.carrier_id], "Ebbline", "inbound",
                                                       text.body)
            else:
                name = self.people.name(text.to_number, row and row["patient_id"])
                yield text.sent_at, order, self._event(text.sent_at, "Ebbline", name, row["kind"] if row else "notice", text.body)
        for task in story.tasks(db):
            at = moment(task["opened_at"])
            owner = "coordinator" if task["owner"] == "coordinator" else self.script.nurses[0]
            about = f"{task['about']}: {task['patient'] or 'no patient'}, due {self._shown(moment(task['due_at']))}"
            yield at, 10**6 + order, self._event(at, "Ebbline", owner, "task", about)

    def _event(self, at, who, to, kind, text):
        return {"at": self._shown(at), "from": who, "to": to, "kind": kind, "text": text}

    def _shown(self, at):
        return local(at, self.zone).isoformat(timespec="seconds")

    def _local(self, row):
        return {key: self._shown(moment(value)) if key.endswith("_at") and value else value for key, value in row.items()}

    def _record(self):
        db = self.stage.office.db()
        patients = []
        for name, patient_id in self.people.patients.items():
            state = next(row for row in story.states(db) if row["id"] == patient_id)
            patients.append({
                "name": name, "held": state["held_at"] is not None,
                "infusions": [self._local(row) for row in story.infusions(db, patient_id)],
                "reactions": [{**self._local(row), "at": self._shown(moment(row["at"]))} for row in story.reactions(db, patient_id)],
            })
        return {"kind": "record", "patients": patients, "matters": [self._local(row) for row in story.matters(db)],
                "tasks": [self._local(row) for row in story.tasks(db)]}

    def chat(self):
        """The whole chat as text that reads like one."""
        lines, day = [], None
        events = self.events()
        for event in events[:-1]:
            at = datetime.fromisoformat(event["at"])
            if at.date() != day:
                day = at.date()
                lines += ["", f"{at:%A} {day.isoformat()}"]
            kind = "" if event["kind"] == "inbound" else f" [{event['kind']}]"
            lines.append(f"{at:%H:%M} {event['from']} > {event['to']}{kind}: {event['text']}")
        for at, command, printed, status in self.output:
            shown = f" (exit status {status})" if status else ""
            lines.append(f"{local(at, self.zone):%H:%M} $ ebbline {command}{shown}\n{printed}")
        return "\n".join(lines + ["", _record_lines(events[-1])]).strip() + "\n"


def _record_lines(record):
    lines = []
    for patient in record["patients"]:
        doses = ", ".join(f"{dose['due_on']} {dose['state']}" for dose in patient["infusions"]) or "none"
        lines.append(f"{patient['name']}: doses {doses}{'; ORDER ON HOLD' if patient['held'] else ''}")
        lines += [f"  {row['kind']}{', ' + row['site'] if row['site'] else ''}: {row['words']}" for row in patient["reactions"]]
    for row in record["matters"]:
        taken = f"taken by {row['by']}" if row["by"] else "nobody has it"
        closed = f", closed: {row['outcome']}" if row["closed_at"] else ", open"
        lines.append(f"case {row['case']} {row['disposition']} {row['topic']}: {taken}{closed}")
    lines += [f"task {row['case']} for the {row['owner']}: {row['about']} ({row['patient'] or 'no patient'})"
              for row in record["tasks"]]
    return "\n".join(lines)


def _swapped(steps):
    """Steps with a mark on every text that a later `swap` holds back: of the two texts before it, the first."""
    marked = [[step, False] for step in steps]
    for place, (step, _) in enumerate(marked):
        if isinstance(step.does, Happens) and step.does.event == "swap":
            texts = [n for n in range(place) if isinstance(marked[n][0].does, Texts)]
            marked[texts[-2]][1] = True
    return [tuple(pair) for pair in marked]


@dataclass(frozen=True)
class Played:
    """A rehearsal that is over: its events (the last is the record), what its commands printed, and the chat."""

    events: list
    output: list
    text: str


def play(script):
    """Play a script on a fresh database in a temporary folder; what was `Played`."""
    with tempfile.TemporaryDirectory() as folder:
        rehearsal = Rehearsal(script, Path(folder) / "rehearsal.db").play()
        finished = Played(rehearsal.events(), rehearsal.output, rehearsal.chat())
        rehearsal.stage.close()
        return finished


def print_events(played, out):
    """The events as one JSON list."""
    json.dump(played.events, out, ensure_ascii=False, indent=1)
    out.write("\n")

