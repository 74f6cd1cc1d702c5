"""Carrying a decision out: every effect as rows, inside the caller's one transaction."""

import json
from functools import singledispatch

from flows import model
from store import supplies
from store.database import one, rows, stamp
from store.world import CASE_CODES


class Writer:
    """One transaction's pen: the database, the time, who acts, and the safety texts written so far."""

    def __init__(self, db, now, who):
        self.db, self.now, self.who = db, now, who
        self.at = stamp(now)
        self.safety = []  # ids of outbox rows that are to leave at once

    def run(self, sql, *values):
        """Execute one statement; the cursor."""
        return self.db.conn.execute(sql, values)

    def audit(self, what, subject, **detail):
        """One line of the append-only audit."""
        self.run("INSERT INTO audit (at, who, what, subject, detail) VALUES (?, ?, ?, ?, ?)", self.at, self.who, what, subject,
                 json.dumps(detail, sort_keys=True))

    def matter_id(self, code):
        """Row id of the open matter with this case code, else of the newest one. KeyError when there is none."""
        row = one(self.db, "SELECT id FROM matter WHERE case_code = ? ORDER BY closed_at IS NULL DESC, id DESC", code)
        if row is None:
            raise KeyError(f"no matter with case code {code}")
        return row["id"]

    def end_pages(self, which, matter_id, *values):
        """Pages of a matter that could not leave yet are of no use from now on. A page that may be on its way just now
        goes; one that a dead process left behind does not."""
        self.run(f"""UPDATE outbox SET useless_after = ? WHERE state IN ('waiting', 'leased') AND id IN
                     (SELECT outbox_id FROM page WHERE matter_id = ? AND {which})""", self.at, matter_id, *values)

    def use_code(self, code):
        """Move the counter of case codes past this one."""
        self.run("INSERT INTO mark VALUES ('case', ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                 str(CASE_CODES.index(code) + 1))


def carry_out(db, decision, now, who="ebbline"):
    """Write all effects of a `Decision`; ids of the outbox rows that are to leave at once. The caller's transaction."""
    writer = Writer(db, now, who)
    for each in decision.effects:
        effect(each, writer)
    return writer.safety


@singledispatch
def effect(each, writer):
    """Write one effect. TypeError for one that nobody wrote a rule for."""
    raise TypeError(f"no rule to write {type(each).__name__}; add one to store/record.py")


@effect.register
def _(each: model.Text, writer):
    matter_id = writer.matter_id(each.case) if each.case and _is_matter(writer, each.case) else None
    put_text(writer, each, matter_id)


def _is_matter(writer, code):
    return one(writer.db, "SELECT 1 FROM matter WHERE case_code = ?", code) is not None


def put_text(writer, text, matter_id):
    """One outbox row; None when its occasion has its text already."""
    ready = text.not_before or writer.now
    cursor = writer.run(
        """INSERT INTO outbox (occasion, number, body, kind, entry, patient_id, matter_id, safety, timer, made_at, not_before,
                               useless_after)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (occasion) DO NOTHING RETURNING id""",
        text.occasion, text.number, text.body[:1600], text.kind, text.entry, text.patient_id, matter_id, int(text.safety),
        text.timer, writer.at, stamp(ready), stamp(text.useless_after))
    found = cursor.fetchone()
    if found and text.safety and ready <= writer.now:
        writer.safety.append(found[0])
    return found and found[0]


@effect.register
def _(each: model.OpenMatter, writer):
    writer.use_code(each.case)
    matter_id = writer.run(
        """INSERT INTO matter (case_code, disposition, topic, detail, kind, seen, patient_id, phone_id, from_number, opened_at, raised_at)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        each.case, each.disposition, each.topic, each.detail, each.kind, each.kind or each.topic, each.patient_id, each.phone_id,
        each.from_number, writer.at, writer.at).lastrowid
    _note(writer, matter_id, "phone", each.words)
    writer.audit("matter opened", f"matter/{matter_id}", case=each.case, disposition=each.disposition, topic=each.topic)


def _note(writer, matter_id, who, words):
    writer.run("INSERT INTO matter_note (matter_id, at, who, words) VALUES (?, ?, ?, ?)", matter_id, writer.at, who, words)


@effect.register
def _(each: model.RaiseMatter, writer):
    matter_id = writer.matter_id(each.case)
    writer.run("UPDATE matter SET seen = seen || ',' || ? WHERE id = ?", each.kind or each.topic, matter_id)
    if each.worse:
        writer.run("""UPDATE matter SET disposition = ?, topic = ?, detail = ?, kind = coalesce(?, kind), raised_at = ?
                      WHERE id = ?""", each.disposition, each.topic, each.detail, each.kind, writer.at, matter_id)
    _note(writer, matter_id, "phone", each.words)
    writer.audit("matter raised" if each.worse else "matter added to", f"matter/{matter_id}", disposition=each.disposition, topic=each.topic)


@effect.register
def _(each: model.NoteMatter, writer):
    matter_id = writer.matter_id(each.case)
    _note(writer, matter_id, each.who, each.words)
    if each.told:
        writer.run("UPDATE matter SET told_more_at = ? WHERE id = ?", writer.at, matter_id)
    writer.audit("note filed", f"matter/{matter_id}")


@effect.register
def _(each: model.TakeMatter, writer):
    matter_id = writer.matter_id(each.case)
    writer.run("UPDATE matter SET acknowledged_at = ?, acknowledged_by = ? WHERE id = ?", writer.at, each.staff_id, matter_id)
    # pages not yet handed to the carrier would call people who need not come
    writer.end_pages("staff_id IS NOT ?", matter_id, each.staff_id)
    # nor is a text true any more that says nobody has answered
    writer.run("""UPDATE outbox SET useless_after = ? WHERE state = 'waiting' AND matter_id = ? AND
                  (entry = 'short' OR entry LIKE 'nobody.%')""", writer.at, matter_id)
    writer.audit("matter taken", f"matter/{matter_id}", staff=each.staff_id)


@effect.register
def _(each: model.CloseMatter, writer):
    matter_id = writer.matter_id(each.case)
    writer.run("""UPDATE matter SET closed_at = ?, closed_by = ?, outcome = ?,
                  acknowledged_at = coalesce(acknowledged_at, ?), acknowledged_by = coalesce(acknowledged_by, ?) WHERE id = ?""",
               writer.at, each.staff_id, each.outcome, writer.at, each.staff_id, matter_id)
    writer.end_pages("1", matter_id)
    writer.audit("matter closed", f"matter/{matter_id}", staff=each.staff_id)


@effect.register
def _(each: model.PlaceMatter, writer):
    matter_id = writer.matter_id(each.case)
    writer.run("UPDATE matter SET patient_id = ? WHERE id = ?", each.patient_id, matter_id)
    writer.audit("matter placed", f"matter/{matter_id}", patient=each.patient_id)


@effect.register
def _(each: model.DropTexts, writer):
    marks = ",".join("?" for _ in each.entries)
    writer.run(f"UPDATE outbox SET useless_after = ? WHERE state = 'waiting' AND number = ? AND entry IN ({marks})", writer.at,
               each.number, *each.entries)


@effect.register
def _(each: model.NobodyTold, writer):
    writer.run("UPDATE matter SET nobody_told_at = ? WHERE id = ?", writer.at, writer.matter_id(each.case))


@effect.register
def _(each: model.MakePage, writer):
    matter_id = writer.matter_id(each.case)
    # a page to the same phone that could not leave yet says less than this one
    writer.end_pages("outbox_id IN (SELECT id FROM outbox WHERE number = ?)", matter_id, each.number)
    text = model.Text(number=each.number, body=each.body, kind="page", entry="page", case=each.case, safety=True)
    outbox_id = put_text(writer, text, matter_id)
    writer.run("INSERT INTO page (matter_id, staff_id, step, outbox_id, made_at) VALUES (?, ?, ?, ?, ?)",
               matter_id, each.staff_id, each.step, outbox_id, writer.at)
    writer.audit("page made", f"matter/{matter_id}", staff=each.staff_id, step=each.step)


@effect.register
def _(each: model.OpenTask, writer):
    writer.use_code(each.case)
    task_id = writer.run(
        "INSERT INTO task (case_code, owner, about, words, patient_id, opened_at, due_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
        each.case, each.owner, each.about, each.words, each.patient_id, writer.at, stamp(each.due_at)).lastrowid
    writer.audit("task opened", f"task/{task_id}", owner=each.owner, about=each.about)


@effect.register
def _(each: model.EndTask, writer):
    row = one(writer.db, "SELECT id FROM task WHERE case_code = ? AND ended_at IS NULL", each.case)
    if row is None:
        raise KeyError(f"no open task with case code {each.case}")
    writer.run("UPDATE task SET ended_at = ?, ended_by = ?, outcome = ? WHERE id = ?", writer.at, each.staff_id, each.outcome,
               row["id"])
    writer.audit("task ended", f"task/{row['id']}", staff=each.staff_id)


@effect.register
def _(each: model.TaskTold, writer):
    writer.run("UPDATE task SET overdue_told_at = ? WHERE case_code = ? AND ended_at IS NULL", writer.at, each.case)


@effect.register
def _(each: model.SetTalk, writer):
    talk = each.talk
    writer.run("""INSERT INTO conversation (patient_id, state, back_to, asked_phone_id, unclear, about, changed_at)
                  VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (patient_id) DO UPDATE SET state = excluded.state,
                  back_to = excluded.back_to, asked_phone_id = excluded.asked_phone_id, unclear = excluded.unclear, about = excluded.about,
                  changed_at = excluded.changed_at""",
               each.patient_id, talk.state, talk.back_to, talk.asked_phone_id, talk.unclear, talk.about, writer.at)


COLUMNS = {"state", "reminded_at", "started_at", "started_by", "ended_at", "volume_ml", "minutes", "how", "asked", "why"}
CLINICAL = {"started_at", "ended_at", "volume_ml", "minutes", "how"}  # a change of one that was told leaves a trace


@effect.register
def _(each: model.PutInfusion, writer):
    unknown = set(each.changes) - COLUMNS
    if unknown:
        raise KeyError(f"an infusion has no column {sorted(unknown)[0]}")
    writer.run("""INSERT INTO infusion (order_id, patient_id, due_on, extra, due_at, state)
                  SELECT id, patient_id, ?, ?, ?, 'planned' FROM infusion_order WHERE id = ?
                  ON CONFLICT (order_id, due_on, extra) DO NOTHING""", each.due_on.isoformat(), each.extra, stamp(each.due_at),
               each.order_id)
    there = one(writer.db, "SELECT * FROM infusion WHERE order_id = ? AND due_on = ? AND extra = ?", each.order_id,
                each.due_on.isoformat(), each.extra)
    for column, value in each.changes.items():
        value = stamp(value) if column.endswith("_at") else value
        if column in CLINICAL and there[column] is not None and there[column] != value:
            writer.audit("infusion changed", f"infusion/{there['id']}", column=column, before=there[column], after=value)
        writer.run(f"UPDATE infusion SET {column} = ? WHERE order_id = ? AND due_on = ? AND extra = ?",
                   value, each.order_id, each.due_on.isoformat(), each.extra)
    if "state" in each.changes:
        writer.audit("infusion", f"order/{each.order_id}/{each.due_on.isoformat()}", state=each.changes["state"])


@effect.register
def _(each: model.AddReaction, writer):
    writer.run("INSERT INTO reaction (patient_id, infusion_id, kind, site, words, told_at) VALUES (?, ?, ?, ?, ?, ?)",
               each.patient_id, each.infusion and _infusion_id(writer, each.infusion), each.kind, each.site, each.words, writer.at)


def _infusion_id(writer, key):
    order_id, due_on, extra = key
    row = one(writer.db, "SELECT id FROM infusion WHERE order_id = ? AND due_on = ? AND extra = ?", order_id, due_on.isoformat(), extra)
    return row and row["id"]


def _replace(writer, table, columns, key, values):
    """Put these rows in place of a dose's own in a table of details; a change of what was there leaves a trace."""
    infusion_id = _infusion_id(writer, key)
    names, after = ", ".join(columns), [list(value) for value in values]
    before = [[row[column] for column in columns] for row in rows(
        writer.db, f"SELECT {names} FROM {table} WHERE infusion_id = ? ORDER BY id", infusion_id)]
    if before == after:
        return
    writer.run(f"DELETE FROM {table} WHERE infusion_id = ?", infusion_id)
    for value in after:
        writer.run(f"INSERT INTO {table} (infusion_id, {names}) VALUES (?{', ?' * len(columns)})", infusion_id, *value)
    writer.audit("infusion changed", f"infusion/{infusion_id}", column=names, before=before, after=after)


@effect.register
def _(each: model.PutSites, writer):
    _replace(writer, "infusion_site", ("site",), each.infusion, [(site,) for site in each.sites])


@effect.register
def _(each: model.PutLots, writer):
    _replace(writer, "infusion_lot", ("lot", "volume_ml"), each.infusion, each.lots)


@effect.register
def _(each: model.MendReaction, writer):
    newest = "patient_id = ? AND gone_at IS NULL AND infusion_id IS (SELECT infusion_id FROM reaction WHERE patient_id = ? ORDER BY id DESC)"
    if each.bother is not None:
        writer.run(f"UPDATE reaction SET bother = ? WHERE {newest}", each.bother, each.patient_id, each.patient_id)
    if each.site is not None:
        writer.run(f"UPDATE reaction SET site = ? WHERE site IS NULL AND {newest}", each.site, each.patient_id, each.patient_id)
    if each.words:
        writer.run("UPDATE reaction SET words = substr(words || ' / ' || ?, 1, 1000) WHERE id = (SELECT max(id) FROM reaction WHERE patient_id = ?)",
                   each.words, each.patient_id)
    if each.gone:
        writer.run("UPDATE reaction SET gone_at = ? WHERE patient_id = ? AND gone_at IS NULL AND told_at >= ?", writer.at,
                   each.patient_id, stamp(each.since) or "")


@effect.register
def _(each: model.PutSupply, writer):
    supplies.put_entry(writer.db, writer.now, each.patient_id, each.item, each.kind, each.amount, each.who)
    writer.audit(f"supply {each.kind}", f"patient/{each.patient_id}", item=each.item, amount=each.amount)


@effect.register
def _(each: model.SetLang, writer):
    writer.run("UPDATE patient SET lang = ?, other_lang = ? WHERE id = ?", each.lang, each.other_lang, each.patient_id)


@effect.register
def _(each: model.EndPatient, writer):
    writer.run("UPDATE patient SET state = 'ended' WHERE id = ?", each.patient_id)
    writer.run("DELETE FROM timer WHERE patient_id = ?", each.patient_id)
    writer.run("UPDATE infusion_order SET next_due_at = NULL, remind_at = NULL, takes_over_at = NULL WHERE patient_id = ?", each.patient_id)
    writer.run("""UPDATE phone SET stopped_why = ? WHERE id IN (SELECT phone_id FROM speaker WHERE patient_id = ?) AND id NOT IN
                  (SELECT phone_id FROM speaker JOIN patient ON patient.id = patient_id WHERE patient.state != 'ended')""",
               each.why, each.patient_id)
    writer.run("""UPDATE outbox SET useless_after = ? WHERE state = 'waiting' AND safety = 0 AND patient_id = ?""", writer.at,
               each.patient_id)
    writer.audit("patient ended", f"patient/{each.patient_id}", why=each.why)


@effect.register
def _(each: model.HoldOrder, writer):
    writer.run("UPDATE infusion_order SET held_at = ?, held_why = ?, held_case = ? WHERE id = ? AND held_at IS NULL", writer.at,
               each.why, each.case, each.order_id)
    writer.audit("order held", f"order/{each.order_id}", why=each.why)


@effect.register
def _(each: model.ReleaseOrder, writer):
    writer.run("""UPDATE infusion_order SET held_at = NULL, held_why = NULL, held_case = NULL, released_at = ?, released_by = ? WHERE id = ?""",
               writer.at, each.staff_id, each.order_id)
    writer.audit("order released", f"order/{each.order_id}", staff=each.staff_id)


@effect.register
def _(each: model.SetNextDue, writer):
    writer.run("UPDATE infusion_order SET next_due_at = ?, remind_at = ? WHERE id = ?", stamp(each.next_due_at), stamp(each.remind_at),
               each.order_id)


@effect.register
def _(each: model.TakeOver, writer):
    writer.run("""UPDATE infusion_order SET (held_at, held_why, held_case) = (SELECT held_at, held_why, held_case FROM infusion_order
                  WHERE patient_id = ? AND current = 1) WHERE id = ?""", each.patient_id, each.order_id)
    writer.run("UPDATE infusion_order SET current = 0 WHERE patient_id = ?", each.patient_id)
    writer.run("UPDATE infusion_order SET current = 1, takes_over_at = NULL WHERE id = ?", each.order_id)
    writer.audit("order took over", f"order/{each.order_id}")


@effect.register
def _(each: model.PutChange, writer):
    change, day = each.change, lambda on: on and on.isoformat()
    found = {"from_on": day(change.from_on), "until_on": day(change.until_on), "to_on": day(change.to_on), "clock_local": change.clock_local,
             "zone": change.zone, "doses": change.doses}
    change_id = writer.run(
        f"""INSERT INTO schedule_change (patient_id, kind, why, made_at, {", ".join(found)})
            VALUES (?, ?, ?, ?, {", ".join("?" * len(found))})""", each.patient_id, change.kind, each.why, writer.at, *found.values()).lastrowid
    writer.audit(f"schedule {change.kind}", f"patient/{each.patient_id}" if each.patient_id else "practice", change=change_id, why=each.why,
                 **{key: value for key, value in found.items() if value is not None})


@effect.register
def _(each: model.DropChange, writer):
    if each.until_on is None:
        writer.run("UPDATE schedule_change SET dropped_at = ? WHERE id = ?", writer.at, each.change_id)
    else:
        writer.run("UPDATE schedule_change SET until_on = ? WHERE id = ?", each.until_on.isoformat(), each.change_id)
    writer.audit("schedule change ended", f"change/{each.change_id}", until_on=each.until_on and each.until_on.isoformat())


@effect.register
def _(each: model.MoveInfusion, writer):
    order, before = f"order/{each.order_id}/{each.due_on.isoformat()}", f"{each.order_id}/{each.due_on.isoformat()}/%"
    writer.run("""UPDATE infusion SET due_on = ?, due_at = ?, state = 'planned', reminded_at = NULL, why = NULL
                  WHERE order_id = ? AND due_on = ? AND extra = 0""", each.to_on.isoformat(), stamp(each.due_at), each.order_id,
               each.due_on.isoformat())
    # the dose may be reminded of once more at its new time; what has not left about the old one does not leave
    writer.run("UPDATE outbox SET useless_after = ? WHERE occasion LIKE ? AND state = 'waiting'", writer.at, before)
    writer.run("UPDATE outbox SET occasion = occasion || '/moved-' || id WHERE occasion LIKE ?", before)
    writer.audit("infusion moved", order, to_on=each.to_on.isoformat(), due_at=stamp(each.due_at))


@effect.register
def _(each: model.SetLead, writer):
    writer.run("UPDATE infusion_order SET looked_ahead_at = ? WHERE id = ?", stamp(each.next_due_at), each.order_id)


@effect.register
def _(each: model.SetTimer, writer):
    _clear(writer, each.patient_id, each.phone_id, (each.kind,))
    writer.run("INSERT INTO timer (kind, due_at, patient_id, phone_id, infusion_id, data) VALUES (?, ?, ?, ?, ?, ?)",
               each.kind, stamp(each.due_at), each.patient_id, each.phone_id, each.infusion_id or None, each.data)


@effect.register
def _(each: model.ClearTimers, writer):
    _clear(writer, each.patient_id, each.phone_id, each.kinds)


def _clear(writer, patient_id, phone_id, kinds):
    for kind in kinds:
        if patient_id is not None:
            writer.run("DELETE FROM timer WHERE kind = ? AND patient_id = ?", kind, patient_id)
        else:
            writer.run("DELETE FROM timer WHERE kind = ? AND patient_id IS NULL AND phone_id = ?", kind, phone_id)


@effect.register
def _(each: model.OptOut, writer):
    writer.run("UPDATE phone SET opted_out_at = coalesce(opted_out_at, ?) WHERE id = ?", writer.at, each.phone_id)
    writer.audit("opted out", f"phone/{each.phone_id}")


@effect.register
def _(each: model.OptIn, writer):
    writer.run("UPDATE phone SET opted_out_at = NULL, stopped_why = NULL WHERE id = ?", each.phone_id)
    writer.audit("opted in", f"phone/{each.phone_id}")


@effect.register
def _(each: model.StopPhone, writer):
    writer.run("UPDATE phone SET stopped_why = ? WHERE id = ?", each.why, each.phone_id)
    writer.audit("phone stopped", f"phone/{each.phone_id}", why=each.why)


@effect.register
def _(each: model.SetPending, writer):
    writer.run("UPDATE phone SET pending = ?, pending_inbound_id = ?, pending_at = ? WHERE id = ?", each.asked,
               each.inbound_id if each.asked else None, writer.at if each.asked else None, each.phone_id)


@effect.register
def _(each: model.Note, writer):
    writer.audit(each.what, each.subject, **each.detail)


def drop_timer(db, timer_id):
    """Remove a time-out that is being carried out."""
    db.conn.execute("DELETE FROM timer WHERE id = ?", [timer_id])


def postpone_timer(db, timer_id, at):
    """Make a time-out due at `at` instead; how often it has been postponed so."""
    row = db.conn.execute("UPDATE timer SET due_at = ?, tries = tries + 1 WHERE id = ? RETURNING tries", [stamp(at), timer_id]).fetchone()
    return row[0] if row else 0


def bring_forward(db, claim, now):
    """The question in this text was not heard: make its time-out due now. Whether there was one; a later question of
    the same kind keeps its own time."""
    cursor = db.conn.execute(
        """UPDATE timer SET due_at = min(due_at, ?) WHERE kind = ? AND patient_id = ?
           AND NOT EXISTS (SELECT 1 FROM outbox WHERE timer = timer.kind AND patient_id = timer.patient_id AND id > ?)""",
        [stamp(now), claim.timer, claim.patient_id, claim.id])
    return cursor.rowcount > 0


def heartbeat(db, name, now):
    """Leave a mark that this part of the program ran at `now`."""
    db.conn.execute("INSERT INTO mark VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                    [f"beat/{name}", stamp(now)])


def beats(db):
    """Heartbeats by name, as stored times."""
    return {row["name"].removeprefix("beat/"): row["value"] for row in rows(db, "SELECT * FROM mark WHERE name LIKE 'beat/%'")}
