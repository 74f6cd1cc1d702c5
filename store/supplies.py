"""The supply ledger in the database: deliveries, counts, and the doses that used things up."""

from flows.model import Entry, Ledger, Use
from flows.supply import needs_of
from store.database import moment, rows, stamp

BEGUN = "('running', 'done', 'stopped')"


def ledger(db, patient_id):
    """A patient's `Ledger`: nothing when nothing was ever delivered or counted."""
    entries = tuple(Entry(row["id"], row["item"], row["kind"], row["amount"], moment(row["at"])) for row in rows(
        db, "SELECT * FROM supply WHERE patient_id = ? ORDER BY id", patient_id))
    if not entries:
        return Ledger()
    orders = rows(db, "SELECT id, current, sites, volume_ml FROM infusion_order WHERE patient_id = ?", patient_id)
    needs = {row["id"]: needs_of(row["sites"], row["volume_ml"], own_needs(db, row["id"])) for row in orders}
    doses = rows(db, f"""SELECT order_id, coalesce(started_at, ended_at, due_at) AS at FROM infusion
                         WHERE patient_id = ? AND state IN {BEGUN} AND coalesce(started_at, ended_at, due_at) >= ?""",
                 patient_id, stamp(min(entry.at for entry in entries)))
    current = next((needs[row["id"]] for row in orders if row["current"]), {})
    return Ledger(entries, tuple(Use(moment(row["at"]), needs[row["order_id"]]) for row in doses), current)


def own_needs(db, order_id):
    """What an order uses for one infusion where it differs from the common number: {item: number}."""
    return {row["item"]: row["each"] for row in rows(db, "SELECT item, each FROM order_use WHERE order_id = ?", order_id)}


def put_entry(db, now, patient_id, item, kind, amount, who):
    """One line more in the ledger. The caller's transaction."""
    db.conn.execute("INSERT INTO supply (patient_id, item, kind, amount, at, who) VALUES (?, ?, ?, ?, ?, ?)",
                    [patient_id, item, kind, amount, stamp(now), who])


def put_need(db, order_id, item, each):
    """What an order uses of an item for one infusion; None: the common number again. The caller's transaction."""
    db.conn.execute("DELETE FROM order_use WHERE order_id = ? AND item = ?", [order_id, item])
    if each is not None:
        db.conn.execute("INSERT INTO order_use (order_id, item, each) VALUES (?, ?, ?)", [order_id, item, float(each)])


def entries(db, patient_id):
    """The lines of a patient's ledger as people read them, oldest first."""
    return rows(db, "SELECT item, kind, amount, at, who FROM supply WHERE patient_id = ? ORDER BY id", patient_id)


def counted_patients(db):
    """Ids of live patients whose supplies are counted."""
    return tuple(row["id"] for row in rows(db, """SELECT id FROM patient WHERE state = 'live' AND id IN (SELECT patient_id FROM supply)
                                                  ORDER BY id"""))


def checked_until(db):
    """When the stocks are to be looked at next, or None before the first time."""
    return next((moment(row["value"]) for row in rows(db, "SELECT value FROM mark WHERE name = 'supplies'")), None)


def mark_checked(db, next_at):
    """The stocks have been looked at; the next time is at `next_at`. The caller's transaction."""
    db.conn.execute("INSERT INTO mark VALUES ('supplies', ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", [stamp(next_at)])
