"""What is out of an order's rule: dated changes, a patient's own times, an order that waits for its date."""

import json
from datetime import date

from flows.hours import parse_quiet
from flows.schedule import Change
from store.database import one, rows, stamp

TIMES = ("quiet", "lead_minutes", "second_reminder_minutes", "grace_minutes", "follow_up_hours")


def change_of(row):
    """A `Change` from a row of the schedule_change table."""
    days = {name: row[name] and date.fromisoformat(row[name]) for name in ("from_on", "until_on", "to_on")}
    return Change(id=row["id"], kind=row["kind"], **days, clock_local=row["clock_local"], zone=row["zone"], doses=row["doses"])


def change_rows(db, patient_id=None):
    """The changes that stand for a patient, the practice's holidays among them, by date: rows. None: the holidays alone."""
    return rows(db, """SELECT * FROM schedule_change WHERE dropped_at IS NULL AND (patient_id = ? OR patient_id IS NULL)
                       ORDER BY from_on, id""", patient_id)


def changes(db, patient_id):
    """The changes that stand for a patient and the practice's holidays, as `Change`s by date."""
    return tuple(map(change_of, change_rows(db, patient_id)))


def patient_of(db, change_id):
    """The patient whose change this is; None for the practice's, and for one that is not there."""
    row = one(db, "SELECT patient_id FROM schedule_change WHERE id = ?", change_id)
    return row and row["patient_id"]


def holidays(db):
    """The dates on which the practice is closed."""
    return frozenset(change.from_on for change in changes(db, None))


def times(db, patient_id):
    """A patient's own times by the fields of `flows.model.Practice`; what is the practice's is left out."""
    row = one(db, "SELECT * FROM patient_times WHERE patient_id = ?", patient_id) or {}
    read = {"quiet": parse_quiet, "follow_up_hours": lambda text: tuple(map(int, text.split(",")))}
    return {key: read.get(key, int)(row[key]) for key in TIMES if row.get(key) is not None}


def put_times(db, now, patient_id, given):
    """Set some of a patient's own times, as they are stored ({name: value}; None goes back to the practice's)."""
    db.conn.execute("INSERT INTO patient_times (patient_id) VALUES (?) ON CONFLICT DO NOTHING", [patient_id])
    for name, value in given.items():
        if name not in TIMES:
            raise KeyError(f"there is no time {name}")
        db.conn.execute(f"UPDATE patient_times SET {name} = ? WHERE patient_id = ?", [value, patient_id])
    db.conn.execute("INSERT INTO audit (at, who, what, subject, detail) VALUES (?, 'coordinator', 'times set', ?, ?)",
                    [stamp(now), f"patient/{patient_id}", json.dumps(given, sort_keys=True)])


def current_patients(db):
    """Ids of the patients who are served and have an order, by id."""
    return [row["patient_id"] for row in rows(db, """SELECT patient_id FROM infusion_order JOIN patient ON patient.id = patient_id
                                                      WHERE current = 1 AND patient.state = 'live' ORDER BY patient_id""")]


def due_successors(db, now):
    """Ids of the patients whose next order takes over by `now`."""
    return [row["patient_id"] for row in rows(db, "SELECT patient_id FROM infusion_order WHERE takes_over_at <= ?", stamp(now))]
