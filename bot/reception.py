"""One inbound text: recorded and committed, then decided on and carried out in one transaction.

An exception after the first commit delays a human, it never replaces one: the text stays on the list and a nurse is
paged about "a message we could not read".
"""

import sqlite3

from bot.office import log
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
    """Decide on a recorded text; ids of the outbox rows that are to leave at once. Never raises an ordinary exception."""
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
        log.error("inbound %s could not be read: %s", inbound_id, type(error).__name__, exc_info=_where(error))
        return give_to_human(office, inbound_id, type(error).__name__)


def give_to_human(office, inbound_id, failure):
    """Page a nurse about a text that could not be read; ids of the rows to send at once."""
    db = office.db()
    try:
        with writing(db):
            row = post.inbound(db, inbound_id)
            now = office.clock.now()
            known, inbound = world.for_inbound(db, office.practice, now, row)
            safety = record.carry_out(db, unreadable(known, inbound), now)
            post.mark_failed(db, inbound_id, now, failure)
            return safety
    except sqlite3.OperationalError as error:
        log.error("inbound %s: page not written yet: %s", inbound_id, error)
        return []


def _where(error):
    """The traceback without the exception's own words, which may hold a patient's text."""
    return (type(error), type(error)(), error.__traceback__) if _bare(type(error)) else None


def _bare(kind):
    try:
        kind()
    except TypeError:
        return False
    return True
