"""Reading the database into the shapes that the flows decide on."""

import json
import re
from dataclasses import replace
from datetime import date, timedelta

from flows import case
from flows.hours import local
from flows.model import (
    Inbound, Infusion, Matter, Order, Page, Patient, Pending, Phone, Reaction, Speaker, Staff, Talk, Task, Timer, World,
)
from store import calendar, supplies
from store.database import moment, one, rows, stamp

INFUSIONS = 40  # the newest of a patient that a decision sees
TROUBLES = 60  # the newest reactions
CODES = 8  # free case codes handed to one decision
CODE_REST = timedelta(days=90)  # a code is not used again for so long
CASE_CODES = tuple(map(case.code, range(case.COUNT)))


def day(text):
    """The date of a stored date; None stays None."""
    return None if text is None else date.fromisoformat(text)


def phone_of(row):
    """A `Phone` from a row of the phone table."""
    return Phone(row["id"], row["number"], moment(row["opted_out_at"]), row["stopped_why"])


def phone(db, phone_id):
    """The phone with this id, or None."""
    row = one(db, "SELECT * FROM phone WHERE id = ?", phone_id)
    return row and phone_of(row)


def staff(db):
    """All active staff, by id."""
    found = rows(db, """SELECT staff.id AS staff_id, staff.name, staff.role, phone.* FROM staff
                        JOIN phone ON phone.id = staff.phone_id WHERE staff.active = 1 ORDER BY staff.id""")
    return tuple(Staff(row["staff_id"], row["name"], row["role"], phone_of(row)) for row in found)


def ladder(db, now):
    """Who is paged, first rung first: the shifts that cover `now`; with no shift, every nurse and manager."""
    people = {person.id: person for person in staff(db)}
    on = rows(db, """SELECT staff_id FROM shift WHERE starts_at <= ? AND (ends_at IS NULL OR ends_at > ?)
                     ORDER BY rung, id""", stamp(now), stamp(now))
    found = tuple(dict.fromkeys(people[row["staff_id"]] for row in on if row["staff_id"] in people))
    return found or tuple(person for person in people.values() if person.role in ("nurse", "manager"))


def codes(db, now):
    """Case codes in the order they are to be used: first those that rest for 90 days or more since they were last in
    use. When all are in use, an alarm takes the code of an open task rather than none; never that of an open matter."""
    since = stamp(now - CODE_REST)
    found = rows(db, """SELECT case_code, closed_at AS ended_at, 'matter' AS what FROM matter WHERE closed_at IS NULL OR closed_at > ?
                        UNION ALL SELECT case_code, ended_at, 'task' FROM task WHERE ended_at IS NULL OR ended_at > ?""", since, since)
    matters = {row["case_code"] for row in found if row["what"] == "matter" and row["ended_at"] is None}
    tasks = {row["case_code"] for row in found if row["what"] == "task" and row["ended_at"] is None}
    used = {row["case_code"] for row in found}
    start = int((one(db, "SELECT value FROM mark WHERE name = 'case'") or {"value": "0"})["value"]) % case.COUNT
    free = [code for code in CASE_CODES[start:] + CASE_CODES[:start] if code not in matters]
    return tuple(sorted(free, key=lambda code: (code in tasks, code in used))[:CODES])


def order_of(row):
    """An `Order` from a row of the infusion_order table."""
    return Order(
        id=row["id"], volume_ml=row["volume_ml"], strength_g_per_ml=row["strength_g_per_ml"], sites=row["sites"],
        rate_ml_per_h_per_site=row["rate_ml_per_h_per_site"], every=row["every"],
        weekdays=tuple(filter(None, row["weekdays"].split(","))), clock_local=row["clock_local"],
        starts_on=day(row["starts_on"]), ends_on=day(row["ends_on"]), next_due_at=moment(row["next_due_at"]),
        held_at=moment(row["held_at"]), held_why=row["held_why"], held_case=row["held_case"],
        gap_limit_days=row["gap_limit_days"], product=row["product_code"] or row["product_name"],
        profile=row["profile"], needle_mm=row["needle_mm"], gauge=row["gauge"],
    )


def matter_of(row):
    """A `Matter` from a row of the matter table."""
    return Matter(
        id=row["id"], case=row["case_code"], disposition=row["disposition"], topic=row["topic"], kind=row["kind"],
        opened_at=moment(row["opened_at"]), raised_at=moment(row["raised_at"]), patient_id=row["patient_id"],
        phone_id=row["phone_id"], acknowledged_at=moment(row["acknowledged_at"]), acknowledged_by=row["acknowledged_by"],
        nobody_told_at=moment(row["nobody_told_at"]), told_more_at=moment(row["told_more_at"]),
        from_number=row["from_number"], seen=tuple(row["seen"].split(",")), closed_at=moment(row["closed_at"]),
        detail=row["detail"],
    )


def matter(db, matter_id):
    """The matter with this id, open or closed, or None."""
    row = one(db, "SELECT * FROM matter WHERE id = ?", matter_id)
    return row and matter_of(row)


def task_of(row):
    """A `Task` from a row of the task table."""
    return Task(row["id"], row["case_code"], row["owner"], row["about"], moment(row["due_at"]), row["patient_id"],
                moment(row["overdue_told_at"]))


def patient(db, patient_id, now):
    """One patient whole, with the speakers that may speak and the zone she is in at `now`; None when there is none."""
    row = one(db, "SELECT * FROM patient WHERE id = ?", patient_id)
    if row is None:
        return None
    changes, today = calendar.changes(db, patient_id), now.date()
    speakers = rows(db, """SELECT speaker.name AS speaker_name, speaker.role, phone.* FROM speaker
                           JOIN phone ON phone.id = speaker.phone_id
                           WHERE patient_id = ? AND (from_on IS NULL OR from_on <= ?) AND (until_on IS NULL OR until_on >= ?)
                           ORDER BY speaker.id""", patient_id, today.isoformat(), today.isoformat())
    order = one(db, "SELECT * FROM infusion_order WHERE patient_id = ? AND current = 1", patient_id)
    waits = one(db, "SELECT * FROM infusion_order WHERE patient_id = ? AND takes_over_at IS NOT NULL", patient_id)
    next_order = order_of(waits) if waits else None
    until_on = next_order and next_order.starts_on - timedelta(days=1)
    talk = one(db, "SELECT * FROM conversation WHERE patient_id = ?", patient_id)
    infusions = rows(db, "SELECT * FROM infusion WHERE patient_id = ? ORDER BY due_at DESC, id DESC LIMIT ?", patient_id, INFUSIONS)
    # a matter from a phone of several patients is everybody's until it is clear whom it is about
    matters = rows(db, """SELECT * FROM matter WHERE closed_at IS NULL AND (patient_id = ? OR (patient_id IS NULL AND from_number IN
                          (SELECT number FROM phone JOIN speaker ON speaker.phone_id = phone.id WHERE speaker.patient_id = ?)))
                          ORDER BY id""", patient_id, patient_id)
    tasks = rows(db, "SELECT * FROM task WHERE patient_id = ? AND ended_at IS NULL ORDER BY id", patient_id)
    return Patient(
        id=row["id"], name=row["name"], initials=row["initials"], lang=row["lang"], zone=_zone_now(row["zone"], changes, now), state=row["state"],
        epinephrine=bool(row["epinephrine"]), wording=row["wording"], other_lang=row["other_lang"],
        first_order=one(db, "SELECT 1 FROM infusion_order WHERE patient_id = ? AND current = 0 AND takes_over_at IS NULL", patient_id) is None,
        reactions=_reactions(db, patient_id), troubles=_troubles(db, patient_id), supplies=supplies.ledger(db, patient_id),
        born_on=day(row["born_on"]), weight_kg=row["weight_kg"],
        speakers=tuple(Speaker(s["speaker_name"], s["role"], phone_of(s)) for s in speakers),
        order=replace(order_of(order), until_on=until_on) if order else None,
        talk=Talk(talk["state"], talk["back_to"], talk["asked_phone_id"], None, talk["unclear"], talk["about"]) if talk else Talk(),
        infusions=tuple(
            Infusion(i["id"], i["order_id"], day(i["due_on"]), moment(i["due_at"]), i["state"], moment(i["reminded_at"]),
                     moment(i["started_at"]), i["started_by"], moment(i["ended_at"]), i["volume_ml"], i["why"], i["extra"], i["minutes"], i["how"],
                     tuple(filter(None, i["asked"].split(","))), _details(db, "site", i["id"]), _details(db, "lot", i["id"]))
            for i in infusions),
        matters=tuple(map(matter_of, matters)), tasks=tuple(map(task_of, tasks)), home_zone=row["zone"],
        changes=changes, times=calendar.times(db, patient_id), next_order=next_order,
    )


def _zone_now(home, changes, now):
    """The zone that a patient is in: that of a journey on whose days it is there, else her own."""
    return next((change.zone for change in changes if change.kind == "travel" and change.covers(local(now, change.zone).date())), home)


def task(db, task_id):
    """The task with this id if it is open, or None."""
    row = one(db, "SELECT * FROM task WHERE id = ? AND ended_at IS NULL", task_id)
    return row and task_of(row)


def _details(db, what, infusion_id):
    return tuple(row[what] for row in rows(db, f"SELECT {what} FROM infusion_{what} WHERE infusion_id = ? ORDER BY id", infusion_id))


def _reactions(db, patient_id):
    """Reactions told of and not known to be gone, newest first."""
    found = rows(db, "SELECT * FROM reaction WHERE patient_id = ? AND gone_at IS NULL ORDER BY id DESC LIMIT 10", patient_id)
    return tuple(Reaction(row["kind"], row["site"], moment(row["told_at"]), row["infusion_id"]) for row in found)


def _troubles(db, patient_id):
    """The newest reactions told of, gone or not."""
    found = rows(db, "SELECT * FROM reaction WHERE patient_id = ? ORDER BY told_at DESC, id DESC LIMIT ?", patient_id, TROUBLES)
    return tuple(Reaction(row["kind"], row["site"], moment(row["told_at"]), row["infusion_id"], moment(row["gone_at"])) for row in found)


def pages(db, matter_id):
    """The pages of one matter with the state of their texts, oldest first."""
    states = {"waiting": "waiting", "leased": "waiting", "sent": "sent", "delivered": "delivered", "failed": "failed",
              "late": "failed"}
    found = rows(db, """SELECT page.*, outbox.state AS text_state, outbox.sent_at FROM page
                        JOIN outbox ON outbox.id = page.outbox_id WHERE page.matter_id = ? ORDER BY page.id""", matter_id)
    return tuple(Page(row["id"], row["matter_id"], row["staff_id"], row["step"], moment(row["made_at"]),
                      states[row["text_state"]], moment(row["sent_at"])) for row in found)


def open_matters(db):
    """Every open matter, oldest first."""
    return tuple(map(matter_of, rows(db, "SELECT * FROM matter WHERE closed_at IS NULL ORDER BY id")))


def numbers_of(db, matter):
    """The telephone numbers that wrote about a matter and are told the truth about it."""
    return tuple(phone.number for phone in _wrote(db, matter))


def pending_of(db, phone_row):
    """The open question of a phone that is not one patient's, or None."""
    if not phone_row or not phone_row["pending"]:
        return None
    text = one(db, "SELECT body FROM inbound WHERE id = ?", phone_row["pending_inbound_id"])
    return Pending(phone_row["pending"], phone_row["pending_inbound_id"], text["body"], moment(phone_row["pending_at"]))


def practice_now(db, practice):
    """The practice with its holidays as they are on record."""
    return replace(practice, hours=replace(practice.hours, closed_on=calendar.holidays(db)))


def base(db, practice, now, **more):
    """A `World` with the people and the free codes; `more` fills in the rest."""
    return World(now=now, practice=practice_now(db, practice), ladder=ladder(db, now), codes=codes(db, now), staff=staff(db), **more)


def inbound_of(db, row):
    """An `Inbound` from a row of the inbound table."""
    return Inbound(row["id"], phone(db, row["phone_id"]), row["from_number"], row["body"], len(json.loads(row["media"])),
                   moment(min(row["received_at"], row["sent_at"] or row["received_at"])), bool(row["recovered"]))


def _from_number(db, number):
    return tuple(map(matter_of, rows(
        db, "SELECT * FROM matter WHERE from_number = ? AND closed_at IS NULL ORDER BY id", number)))


def for_unread(db, practice, now, row):
    """(world, Inbound) for a text that could not be dealt with: nothing of its patients, whose record may be what is
    at fault."""
    inbound = inbound_of(db, row)
    return base(db, practice, now, matters=_from_number(db, row["from_number"]), phone=inbound.phone), inbound


def for_inbound(db, practice, now, row):
    """(world, Inbound) for one row of the inbound table: the sender's patients, or for staff every open case."""
    inbound = inbound_of(db, row)
    phone_row = one(db, "SELECT * FROM phone WHERE id = ?", row["phone_id"])
    sender = one(db, "SELECT id FROM staff WHERE phone_id = ? AND active = 1", row["phone_id"])
    if sender:
        matters = open_matters(db) + _closed_and_named(db, row["body"])
        tasks = open_tasks(db)
        ids = dict.fromkeys(_concerned(db, matters, tasks))
        paged = {m.id: _paged(db, m.id) for m in matters}
        wrote = {m.id: _wrote(db, m) for m in matters}
    else:
        matters, tasks, paged, wrote = _from_number(db, row["from_number"]), (), {}, {}
        ids = dict.fromkeys(r["patient_id"] for r in rows(
            db, "SELECT patient_id FROM speaker JOIN patient ON patient.id = patient_id WHERE phone_id = ? ORDER BY speaker.id",
            row["phone_id"]))
    return base(
        db, practice, now, patients=tuple(patient(db, patient_id, now) for patient_id in ids), matters=matters, tasks=tasks,
        phone=inbound.phone, pending=pending_of(db, phone_row), paged=paged, wrote=wrote, recent=recent(db, row["from_number"]),
    ), inbound


def recent(db, number):
    """The newest texts of ours to a number."""
    return tuple(row["body"] for row in rows(db, "SELECT body FROM outbox WHERE number = ? ORDER BY id DESC LIMIT 20", number))


def for_patient(db, practice, now, patient_id):
    """A `World` of one patient."""
    found = patient(db, patient_id, now) if patient_id else None
    return base(db, practice, now, patients=(found,) if found else ())


def for_timer(db, practice, now, timer):
    """A `World` for one due time-out: its patient, or the phone that was asked."""
    if timer.patient_id:
        return for_patient(db, practice, now, timer.patient_id)
    phone_row = one(db, "SELECT * FROM phone WHERE id = ?", timer.phone_id)
    asked = phone_of(phone_row)
    return base(db, practice, now, matters=_from_number(db, asked.number), phone=asked, pending=pending_of(db, phone_row))


def due_timers(db, now):
    """Time-outs due at `now`, oldest first."""
    found = rows(db, "SELECT * FROM timer WHERE due_at <= ? ORDER BY due_at, id", stamp(now))
    return tuple(timer_of(row) for row in found)


def timer_of(row):
    """A `Timer` from a row of the timer table."""
    return Timer(row["id"], row["kind"], moment(row["due_at"]), row["patient_id"], row["phone_id"], row["infusion_id"],
                 row["data"])


def timer(db, timer_id):
    """The time-out with this id if it still waits, or None."""
    row = one(db, "SELECT * FROM timer WHERE id = ?", timer_id)
    return row and timer_of(row)


def due_orders(db, now):
    """Ids of live patients whose order has an occasion due at `now`."""
    found = rows(db, """SELECT patient_id FROM infusion_order JOIN patient ON patient.id = patient_id
                        WHERE current = 1 AND patient.state = 'live' AND remind_at <= ? ORDER BY remind_at""", stamp(now))
    return tuple(row["patient_id"] for row in found)


AHEAD = "current = 1 AND patient.state = 'live' AND (looked_ahead_at IS NULL OR looked_ahead_at < next_due_at)"


def due_leads(db, now, lead):
    """Ids of live patients whose next occasion comes within `lead` and has not been looked at."""
    found = rows(db, f"""SELECT patient_id FROM infusion_order JOIN patient ON patient.id = patient_id
                         WHERE {AHEAD} AND next_due_at <= ?""", stamp(now + lead))
    return tuple(row["patient_id"] for row in found)


def next_lead(db, lead):
    """When the next occasion is to be looked at ahead, or None."""
    at = moment(one(db, f"""SELECT min(next_due_at) AS at FROM infusion_order JOIN patient ON patient.id = patient_id
                            WHERE {AHEAD}""")["at"])
    return at and at - lead


def open_tasks(db):
    """Every open task, the first due first."""
    return tuple(map(task_of, rows(db, "SELECT * FROM task WHERE ended_at IS NULL ORDER BY due_at, id")))


def next_due(db):
    """When the next occasion, time-out or unsent text is due, as an aware UTC datetime; None when nothing is."""
    row = one(db, """SELECT min(at) AS at FROM (
        SELECT min(remind_at) AS at FROM infusion_order JOIN patient ON patient.id = patient_id
            WHERE current = 1 AND patient.state = 'live'
        UNION ALL SELECT min(takes_over_at) FROM infusion_order
        UNION ALL SELECT min(due_at) FROM timer
        UNION ALL SELECT min(CASE WHEN state = 'leased' THEN max(lease_until, not_before) ELSE not_before END) FROM outbox
            WHERE state IN ('waiting', 'leased'))""")
    return moment(row["at"])


def _closed_and_named(db, body):
    """Closed matters whose code stands in a nurse's text: she may still release by it. The newest of each code."""
    found = [one(db, "SELECT * FROM matter WHERE case_code = ? AND closed_at IS NOT NULL ORDER BY id DESC", code)
             for code in dict.fromkeys(re.findall(r"(?<!\d)\d{4}(?!\d)", body))]
    return tuple(matter_of(row) for row in found if row)


def _concerned(db, matters, tasks):
    """Ids of the patients that a nurse's text may be about: of these matters and tasks, and with an order on hold."""
    yield from (each.patient_id for each in (*matters, *tasks) if each.patient_id)
    for matter in matters:
        if matter.patient_id is None:
            yield from (row["patient_id"] for row in rows(
                db, """SELECT patient_id FROM speaker JOIN phone ON phone.id = speaker.phone_id WHERE number = ?
                       ORDER BY speaker.id""", matter.from_number))
    yield from (row["patient_id"] for row in rows(
        db, "SELECT patient_id FROM infusion_order WHERE current = 1 AND held_at IS NOT NULL ORDER BY held_at"))


def _wrote(db, matter):
    """The phones that wrote about a matter: the one it came from, and those of the patient that texted since."""
    found = rows(db, """SELECT DISTINCT phone.* FROM phone LEFT JOIN speaker ON speaker.phone_id = phone.id
                        WHERE phone.stopped_why IS NULL AND (phone.number = ? OR (speaker.patient_id = ? AND EXISTS (SELECT 1 FROM inbound
                              WHERE inbound.phone_id = phone.id AND inbound.received_at >= ?))) ORDER BY phone.id""",
                 matter.from_number, matter.patient_id, stamp(matter.opened_at))
    return tuple(map(phone_of, found))


def _paged(db, matter_id):
    ids = {row["staff_id"] for row in rows(db, "SELECT DISTINCT staff_id FROM page WHERE matter_id = ?", matter_id)}
    return tuple(person for person in staff(db) if person.id in ids)
