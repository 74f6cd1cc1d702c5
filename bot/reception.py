"""One inbound text: recorded and committed, then decided on and carried out in one transaction.

An exception after the first commit delays a human, it never replaces one: the text stays on the list and a nurse is
paged about "a message we could not read".
"""

import sqlite3

from bot.office import log, trace
from flows.decide import decide, unreadable
from store import post, record, world
from store.database import writing


def receive(office, text, recovered=False):
    """Record one text from the carrier; the inbound id, or None for a repeat.

    Raises sqlite3.OperationalError when it cannot be committed: the carrier must not hear 200 then.
    """
    db = office.db()
    with writing(db):
        inbound_id = post.record_inbound(db, text, office.clock.now(), recovered)
    log.info("inbound %s", inbound_id or "repeat")
    return inbound_id


def handle(office, inbound_id):
    """Decide on a recorded text; ids of the outbox rows that are to leave at once. Raises no ordinary exception."""
    db = office.db()
    try:
        with writing(db):
            row = post.inbound(db, inbound_id)
            if row["handled_at"] or row["failed_at"]:
                return []
            now = office.clock.now()
            known, inbound = world.for_inbound(db, office.practice, now, row)
            safety = record.carry_out(db, decide(known, inbound), now)
            post.mark_handled(db, inbound_id, now)
            return safety
    except sqlite3.OperationalError as error:  # locked or full: the worker tries again
        log.error("inbound %s not handled yet: %s", inbound_id, error)
        return []
    except Exception as error:  # noqa: BLE001 - whatever it is, a human must hear of the text
        log.error("inbound %s could not be read: %s", inbound_id, trace(error))
        return give_to_human(office, inbound_id, type(error).__name__)


def give_to_human(office, inbound_id, failure):
    """Page a nurse about a text that could not be read; ids of the rows to send at once. When even that fails the text
    stays as it is, and the worker tries again."""
    db = office.db()
    try:
        with writing(db):
            row = post.inbound(db, inbound_id)
            if row["handled_at"] or row["failed_at"]:
                return []
            now = office.clock.now()
            safety = record.carry_out(db, unreadable(*world.for_unread(db, office.practice, now, row)), now)
            post.mark_failed(db, inbound_id, now, failure)
            return safety
    except Exception as error:  # noqa: BLE001
        log.error("inbound %s: page not written yet: %s", inbound_id, trace(error))
        return []
