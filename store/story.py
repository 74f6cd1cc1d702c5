"""The record as people read it: chats, doses, matters, tasks. Only reading."""

import json

from store.database import one, rows


def sent_texts(db):
    """Every text of ours that the carrier took, with what it was: dicts by carrier id."""
    found = rows(db, """SELECT carrier_id, number, kind, entry, patient_id, matter_id FROM outbox WHERE carrier_id IS NOT NULL""")
    return {row["carrier_id"]: row for row in found}


def chat(db, number, most=200):
    """The newest texts to and from one number, oldest first: {"at", "out", "body", "kind", "state"}."""
    found = rows(db, """SELECT * FROM (
        SELECT received_at AS at, 0 AS out, body, 'inbound' AS kind, '' AS state, media, id FROM inbound WHERE from_number = ?
        UNION ALL SELECT coalesce(sent_at, not_before), 1, body, kind, state, '[]', id FROM outbox WHERE number = ?
        ORDER BY at DESC, out DESC, id DESC LIMIT ?) ORDER BY at, out, id""", number, number, most)
    for row in found:
        row["media"] = len(json.loads(row["media"]))
        del row["id"]
    return found


def infusions(db, patient_id):
    """Every dose of a patient, oldest first, with sites, lots and the mL of each lot. None means "not answered"."""
    found = rows(db, """SELECT id, due_on, due_at, state, reminded_at, started_at, started_by, ended_at, volume_ml, minutes, why
                        FROM infusion WHERE patient_id = ? ORDER BY due_at, id""", patient_id)
    for row in found:
        number = row.pop("id")
        row["sites"] = [r["site"] for r in rows(db, "SELECT site FROM infusion_site WHERE infusion_id = ? ORDER BY id", number)]
        lots = rows(db, "SELECT lot, volume_ml FROM infusion_lot WHERE infusion_id = ? ORDER BY id", number)
        row["lots"] = [r["lot"] for r in lots]
        row["lot_volumes_ml"] = [r["volume_ml"] for r in lots]
    return found


def reactions(db, patient_id):
    """Every reaction told by or for a patient, oldest first."""
    return rows(db, """SELECT reaction.kind, reaction.site, reaction.words, reaction.bother, reaction.gone_at,
                       reaction.told_at AS at, infusion.due_on FROM reaction
                       LEFT JOIN infusion ON infusion.id = reaction.infusion_id WHERE reaction.patient_id = ?
                       ORDER BY reaction.told_at, reaction.id""", patient_id)


def matters(db, only_open=False):
    """Escalations, oldest first: case, what, whom, when, by whom, how it ended."""
    return rows(db, f"""SELECT case_code AS "case", disposition, topic, detail, matter.kind, patient.name AS patient, from_number,
                        opened_at, raised_at, acknowledged_at, staff.name AS "by", closed_at, outcome FROM matter
                        LEFT JOIN patient ON patient.id = matter.patient_id LEFT JOIN staff ON staff.id = acknowledged_by
                        {'WHERE closed_at IS NULL' if only_open else ''} ORDER BY matter.id""")


def matter(db, case):
    """One escalation with its notes and pages, by case code (the newest); None when there is none."""
    found = one(db, """SELECT matter.id, case_code AS "case", disposition, topic, detail, matter.kind, patient.name AS patient, from_number,
                       opened_at, raised_at, acknowledged_at, staff.name AS "by", closed_at, outcome FROM matter
                       LEFT JOIN patient ON patient.id = matter.patient_id LEFT JOIN staff ON staff.id = acknowledged_by
                       WHERE case_code = ? ORDER BY matter.id DESC LIMIT 1""", case)
    if found is None:
        return None
    number = found.pop("id")
    found["notes"] = rows(db, """
        SELECT at, who, words, CASE WHEN who = 'phone' THEN
                   (SELECT speaker.name FROM inbound JOIN phone ON phone.number = inbound.from_number
                    JOIN speaker ON speaker.phone_id = phone.id JOIN matter ON matter.id = matter_id
                    WHERE inbound.body = matter_note.words AND received_at <= at AND speaker.patient_id = matter.patient_id
                    ORDER BY received_at DESC, speaker.id LIMIT 1) END AS name
        FROM matter_note WHERE matter_id = ? ORDER BY id""", number)
    found["pages"] = rows(db, """SELECT page.made_at, page.step, coalesce(staff.name, 'fallback number') AS "to", outbox.state
                                 FROM page JOIN outbox ON outbox.id = outbox_id LEFT JOIN staff ON staff.id = page.staff_id
                                 WHERE page.matter_id = ? ORDER BY page.id""", number)
    return found


def tasks(db, only_open=False):
    """Tasks for people, oldest first."""
    return rows(db, f"""SELECT case_code AS "case", owner, about, words, patient.name AS patient, opened_at, due_at, ended_at,
                        outcome FROM task LEFT JOIN patient ON patient.id = task.patient_id
                        {'WHERE ended_at IS NULL' if only_open else ''} ORDER BY task.id""")


def about(db, case):
    """Whom and what an open case is about, a matter or a task: {"case", "patient_id", "topic", "detail", "about"}, or None."""
    return one(db, """SELECT case_code AS "case", patient_id, topic, detail, NULL AS about FROM matter WHERE case_code = ? AND closed_at IS NULL
                      UNION ALL SELECT case_code, patient_id, NULL, NULL, about FROM task WHERE case_code = ? AND ended_at IS NULL""", case, case)


def task(db, case):
    """One task by case code (the newest); None when there is none."""
    return one(db, """SELECT case_code AS "case", owner, about, words, patient.name AS patient, opened_at, due_at, ended_at, outcome FROM task
                      LEFT JOIN patient ON patient.id = task.patient_id WHERE case_code = ? ORDER BY task.id DESC LIMIT 1""", case)


def whom(db, case, on):
    """Who a case is about and whom to call, who wrote about it first, as on a local date: {"calls": [{"name", "role", "number"}], born_on,
    weight_kg, epinephrine, held_why, zone, "addresses": [{"kind", "lines", "door_note"}]}; only "calls" when nobody knows whose it is.
    None when there is no such case."""
    found = one(db, """SELECT patient_id, from_number FROM (
                           SELECT 1 - (closed_at IS NULL) AS rank, patient_id, from_number FROM matter WHERE case_code = ?
                           UNION ALL SELECT 1 - (ended_at IS NULL), patient_id, (
                               SELECT from_number FROM inbound WHERE body = task.words AND received_at <= task.opened_at
                               ORDER BY received_at DESC LIMIT 1) FROM task WHERE case_code = ?)
                       ORDER BY rank LIMIT 1""", case, case)
    if found is None:
        return None
    if found["patient_id"] is None:
        known = rows(db, """SELECT name, role, number FROM speaker JOIN phone ON phone.id = phone_id WHERE number = ? ORDER BY speaker.id""",
                     found["from_number"])
        return {"calls": known or ([{"name": "unknown", "role": "", "number": found["from_number"]}] if found["from_number"] else [])}
    number, today = found["patient_id"], on.isoformat()
    row = one(db, """SELECT born_on, weight_kg, epinephrine, held_why, zone FROM patient
                     LEFT JOIN infusion_order ON infusion_order.patient_id = patient.id AND current = 1 WHERE patient.id = ?""", number)
    calls = rows(db, """SELECT speaker.name, role, number, number IS NOT ? AS after FROM speaker JOIN phone ON phone.id = phone_id
                        WHERE patient_id = ? AND (from_on IS NULL OR from_on <= ?) AND (until_on IS NULL OR until_on >= ?)
                        UNION ALL SELECT name, coalesce(relation, 'emergency contact'), number, 2 FROM emergency_contact WHERE patient_id = ?
                        ORDER BY after""", found["from_number"], number, today, today, number)
    places = rows(db, """SELECT kind, lines, door_note FROM address WHERE patient_id = ? AND (from_on IS NULL OR from_on <= ?)
                         AND (until_on IS NULL OR until_on >= ?) ORDER BY kind = 'home', id""", number, today, today)
    return {**row, "calls": [{name: each[name] for name in ("name", "role", "number")} for each in calls], "addresses": places}


def unreadable(db):
    """Texts that could not be read and wait for a person: ids and times, no words."""
    return rows(db, "SELECT id, received_at, failure FROM inbound WHERE failed_at IS NOT NULL AND handled_at IS NULL ORDER BY id")


def states(db):
    """Where every patient stands: name, conversation state, current infusion state, order held."""
    return rows(db, """SELECT patient.id, patient.name, patient.lang, coalesce(conversation.state, 'idle') AS state, held_at, next_due_at,
                       (SELECT state FROM infusion WHERE infusion.patient_id = patient.id ORDER BY due_at DESC LIMIT 1) AS infusion
                       FROM patient LEFT JOIN conversation ON conversation.patient_id = patient.id
                       LEFT JOIN infusion_order ON infusion_order.patient_id = patient.id AND current = 1 ORDER BY patient.id""")
