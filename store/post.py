"""Texts in and out: recording what came, claiming what is to go, writing down what the carrier said."""

import json
from dataclasses import dataclass
from datetime import timedelta

from store.database import moment, one, rows, stamp

OVERLAP = timedelta(hours=1)
OPEN = "handled_at IS NULL AND failed_at IS NULL"  # an inbound text that nobody has dealt with yet
RANK = {"waiting": 0, "leased": 1, "sent": 2, "failed": 3, "late": 3, "delivered": 4}


@dataclass(frozen=True)
class Claim:
    """One outbox row that this process alone may send until its lease ends. `unsure`: an earlier try may have got
    through."""

    id: int
    number: str
    body: str
    kind: str
    safety: bool
    useless_after: object
    tries: int
    tried_at: object
    unsure: bool
    patient_id: int | None
    matter_id: int | None
    timer: str | None
    entry: str
    made_at: object


def record_inbound(db, text, now, recovered=False):
    """Write one received text; its row id, or None when this carrier id is on record already. The caller commits."""
    body = text.body.encode("utf-8", "replace").decode("utf-8")  # half of a torn emoji cannot be stored
    row = one(db, "SELECT id FROM phone WHERE number = ?", text.from_number)
    if row is None and _is_number(text.from_number):
        db.conn.execute("INSERT INTO phone (number) VALUES (?) ON CONFLICT DO NOTHING", [text.from_number])
        row = one(db, "SELECT id FROM phone WHERE number = ?", text.from_number)
    cursor = db.conn.execute(
        """INSERT INTO inbound (carrier_id, from_number, to_number, body, media, phone_id, sent_at, received_at,
                                recovered)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (carrier_id) DO NOTHING RETURNING id""",
        [text.carrier_id, text.from_number, text.to_number, body, json.dumps(list(text.media)), row and row["id"],
         stamp(text.sent_at), stamp(now), int(recovered)])
    found = cursor.fetchone()
    for address in text.media if found else ():
        db.conn.execute("INSERT INTO picture (inbound_id, address, next_at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
                        [found[0], address, stamp(now)])
    return found and found[0]


def waiting_pictures(db, now):
    """Pictures that are to be fetched now: (id, address, tries so far)."""
    return [(row["id"], row["address"], row["tries"]) for row in rows(
        db, "SELECT id, address, tries FROM picture WHERE next_at <= ? ORDER BY id LIMIT 5", stamp(now))]


def mark_picture(db, picture_id, file=None, refused=None, next_at=None):
    """A picture was fetched into `file`, was refused, or is to be tried again at `next_at`."""
    db.conn.execute("UPDATE picture SET file = ?, refused = ?, next_at = ?, tries = tries + 1 WHERE id = ?",
                    [file, refused, stamp(next_at), picture_id])


def _is_number(number):
    return number.startswith("+") and number[1:].isdigit() and 3 <= len(number) <= 16 and number[1] != "0"


def inbound(db, inbound_id):
    """The row of one received text."""
    return one(db, "SELECT * FROM inbound WHERE id = ?", inbound_id)


def unhandled(db, before):
    """Ids of received texts that nobody has dealt with, received at or before `before`, oldest first."""
    return [row["id"] for row in rows(
        db, f"SELECT id FROM inbound WHERE {OPEN} AND received_at <= ? ORDER BY id", stamp(before))]


def oldest_unhandled(db):
    """When the oldest unhandled text came, or None."""
    return moment(one(db, f"SELECT min(received_at) AS at FROM inbound WHERE {OPEN}")["at"])


def count_failed(db):
    """How many texts could not be read and wait on the list for a person."""
    return one(db, "SELECT count(*) AS n FROM inbound WHERE handled_at IS NULL AND failed_at IS NOT NULL")["n"]


def mark_handled(db, inbound_id, now):
    """This text has been dealt with."""
    db.conn.execute("UPDATE inbound SET handled_at = ? WHERE id = ?", [stamp(now), inbound_id])


def count_try(db, inbound_id):
    """Count one try at dealing with a text; how many there were before."""
    cursor = db.conn.execute("UPDATE inbound SET tries = tries + 1 WHERE id = ? RETURNING tries - 1", [inbound_id])
    return cursor.fetchone()[0]


def mark_failed(db, inbound_id, now, failure):
    """Dealing with this text raised and a person has been paged about it: it stays unhandled, on the list, and is not
    tried again. `failure` holds no words of the text."""
    db.conn.execute("UPDATE inbound SET failed_at = ?, failure = ? WHERE id = ?", [stamp(now), failure, inbound_id])


def listed_since(db, now):
    """From when to read the carrier's own list: an hour before the last reading, or a day back at first."""
    row = one(db, "SELECT value FROM mark WHERE name = 'listed'")
    return (moment(row["value"]) if row else now - timedelta(days=1) + OVERLAP) - OVERLAP


def mark_listed(db, now):
    """The carrier's list has been read up to now."""
    db.conn.execute("""INSERT INTO mark VALUES ('listed', ?)
                       ON CONFLICT (name) DO UPDATE SET value = excluded.value""", [stamp(now)])


def has_inbound(db, carrier_id):
    """Is this text on record?"""
    return one(db, "SELECT 1 FROM inbound WHERE carrier_id = ?", carrier_id) is not None


def expire(db, now):
    """Mark texts that are past their use `late`. One that an earlier try may have sent is first looked for."""
    db.conn.execute("""UPDATE outbox SET state = 'late', ended_at = ? WHERE state = 'waiting' AND unsure = 0
                       AND useless_after <= ?""", [stamp(now), stamp(now)])


def claim(db, now, who, lease, only=None):
    """Claim the first text that is ready to go, safety texts before others: a lease that nobody else can take before
    it ends. A `Claim`, or None. only: ids to choose from, else any. The caller's transaction."""
    chosen = "" if only is None else f"AND id IN ({','.join(str(int(each)) for each in only)})"
    row = db.conn.execute(
        f"""UPDATE outbox SET state = 'leased', lease_until = ?, leased_by = ?, unsure = max(unsure, state = 'leased'),
                tries = tries + 1, tried_at = coalesce(tried_at, ?)
            WHERE id = (SELECT id FROM outbox WHERE not_before <= ? {chosen}
                        AND (state = 'waiting' OR (state = 'leased' AND lease_until <= ?))
                        ORDER BY safety DESC, not_before, id LIMIT 1) RETURNING {FIELDS}""",
        [stamp(now + lease), who, stamp(now), stamp(now), stamp(now)]).fetchone()
    return row and _claim(row)


FIELDS = "id, number, body, kind, safety, useless_after, tries, tried_at, unsure, patient_id, matter_id, timer, entry, made_at"


def _claim(row):
    number, body, kind, safety, useless_after, tries, tried_at, unsure, *about, made_at = row[1:]
    return Claim(row[0], number, body, kind, bool(safety), moment(useless_after), tries, moment(tried_at), bool(unsure),
                 *about, moment(made_at))


def known(db, carrier_id):
    """Is this carrier id already that of one of our texts?"""
    return one(db, "SELECT 1 FROM outbox WHERE carrier_id = ?", carrier_id) is not None


def mark_sent(db, claim, carrier_id, now):
    """The carrier has taken this text. Reports that came before its id are applied now.

    Raises sqlite3.IntegrityError when the id is that of another text with the same words.
    """
    db.conn.execute("""UPDATE outbox SET state = 'sent', carrier_id = ?, sent_at = ?, lease_until = NULL, unsure = 0
                       WHERE id = ? AND state IN ('waiting', 'leased')""", [carrier_id, stamp(now), claim.id])
    for row in rows(db, "DELETE FROM early_report WHERE carrier_id = ? RETURNING *", carrier_id):
        report(db, carrier_id, row["state"], row["code"], now)


def mark_waiting(db, claim, not_before, unsure):
    """Not taken (or not known): try again at `not_before`. Nothing when the lease has gone to another."""
    _give_back(db, claim, "state = 'waiting', not_before = ?, unsure = ?", stamp(not_before), int(unsure))


def mark_refused(db, claim, code, now):
    """The carrier refused this text for good. Nothing when the lease has gone to another."""
    _give_back(db, claim, "state = 'failed', ended_at = ?, code = ?", stamp(now), code)


def mark_late(db, claim, now):
    """This text is past its use and has not been sent. Nothing when the lease has gone to another."""
    _give_back(db, claim, "state = 'late', ended_at = ?", stamp(now))


def _give_back(db, claim, changes, *values):
    # every claim counts a try, so the count tells this lease from a later one, even of the same process
    db.conn.execute(f"UPDATE outbox SET {changes}, lease_until = NULL WHERE id = ? AND state = 'leased' AND tries = ?",
                    [*values, claim.id, claim.tries])


REPORTED = {"sent": "sent", "delivered": "delivered", "undelivered": "failed", "failed": "failed"}


def report(db, carrier_id, state, code, now):
    """Apply the carrier's report on a text of ours; the outbox id when it has now failed, else None.

    Reports may come twice, late, in any order, or before the create call has returned: a lower state never undoes a
    higher one, and one on an id that we do not know is kept.
    """
    row = one(db, "SELECT id, state FROM outbox WHERE carrier_id = ?", carrier_id)
    if row is None:
        db.conn.execute("INSERT INTO early_report VALUES (?, ?, ?, ?)", [carrier_id, state, code, stamp(now)])
        return None
    reached = REPORTED.get(state)
    if reached is None or RANK[reached] <= RANK[row["state"]]:
        return None
    db.conn.execute("UPDATE outbox SET state = ?, ended_at = ?, code = coalesce(?, code) WHERE id = ?",
                    [reached, stamp(now), code, row["id"]])
    return row["id"] if reached == "failed" else None


def lost(db):
    """`Claim`s of texts that will not arrive and that nobody has heard of yet, oldest first."""
    return [_claim(row) for row in db.conn.execute(
        f"SELECT {FIELDS} FROM outbox WHERE state IN ('failed', 'late') AND lost_at IS NULL ORDER BY id")]


def mark_lost(db, claim, now):
    """What follows from the loss of this text is done in this transaction; False when that is done already."""
    cursor = db.conn.execute("""UPDATE outbox SET lost_at = ? WHERE id = ? AND lost_at IS NULL
                                AND state IN ('failed', 'late')""", [stamp(now), claim.id])
    return cursor.rowcount > 0


def oldest_unsent(db, now):
    """When the oldest text that is ready and not sent was ready, or None."""
    row = one(db, """SELECT min(not_before) AS at FROM outbox
                     WHERE state IN ('waiting', 'leased') AND not_before <= ?""", stamp(now))
    return moment(row["at"])
