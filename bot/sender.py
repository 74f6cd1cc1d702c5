"""Texts leave here and only here: claimed under a lease, handed to the carrier, written down.

A text whose earlier try may have got through is looked for in the carrier's own list before it is sent again.
"""

import sqlite3
from datetime import timedelta

from bot.carrier import CarrierDown, CarrierRefused
from bot.office import log, trace
from flows import hours, tick
from store import post, record, world
from store.database import writing

ROUTINE = ("reminder", "prompt", "advice", "notice")  # to patients; what a nurse relays leaves at any hour
LEASE = timedelta(seconds=30)  # two calls of 10 s to the carrier fit; a dead sender's text is free again after it
ROUND = timedelta(seconds=10)  # whoever sends whatever is ready comes up for air after so long
STALE = timedelta(minutes=30)  # a text held up for so long is no answer to somebody awake: it keeps quiet hours
SLACK = timedelta(minutes=2)  # the carrier's clock and ours may differ by so much
WAITS_S = (2, 5, 15, 30, 60)  # growing waits between tries
LONGEST_VALID_S = 36_000  # the longest that the carrier takes (messaging 2.3, ValidityPeriod)
PAGE_WAIT_S = 15  # the longest wait for a safety text


def send_ready(office, only=None):
    """Send what is ready (or only these outbox ids); how many texts the carrier took.

    Safe to run from several processes at once: each text is claimed by one. What cannot arrive is told to people.
    """
    db, began, sent = office.db(), office.clock.now(), 0
    while True:
        now = office.clock.now()
        with writing(db):
            post.expire(db, now)
            claim = post.claim(db, now, office.name, LEASE, only)
        sent += claim is not None and _send(office, claim)
        more = tell_lost(office)
        if only is not None:
            only = [each for each in only if claim and each != claim.id] + more
        if claim is None and not more or only is None and now - began > ROUND:
            return sent


def _send(office, claim):
    """Send one claimed text; True when the carrier has it now."""
    db = office.db()
    try:
        carrier_id = _earlier(office, claim) if claim.unsure else None
        if carrier_id is None and _past_use(office, claim):
            with writing(db):
                post.mark_late(db, claim, office.clock.now())
            return False
        morning = _morning(office, claim) if carrier_id is None else None
        if morning is not None:
            with writing(db):
                post.mark_waiting(db, claim, morning, claim.unsure)
            return False
        if carrier_id is None:
            carrier_id = office.carrier.send(claim.number, claim.body, _valid_for_s(office, claim))
        with writing(db):
            post.mark_sent(db, claim, carrier_id, office.clock.now())
    except CarrierRefused as error:
        log.warning("outbox %s refused: %s", claim.id, error.code)
        with writing(db):
            post.mark_refused(db, claim, error.code, office.clock.now())
        return False
    except Exception as error:  # noqa: BLE001 - one text that breaks the adapter must not hold up the others
        unsure = claim.unsure or not isinstance(error, CarrierDown)
        log.warning("outbox %s not taken: %s", claim.id, type(error).__name__)
        with writing(db):
            post.mark_waiting(db, claim, office.clock.now() + _wait(claim), unsure)
        return False
    log.info("outbox %s sent", claim.id)
    return True


def _earlier(office, claim):
    """The carrier's id of this text if an earlier try got through, else None.

    When the carrier's list cannot be read: a safety text rather goes twice than never, one past its use stays unsent,
    any other waits, so whatever the adapter raised is raised.
    """
    try:
        texts = office.carrier.sent_since(claim.number, claim.tried_at - SLACK)
    except Exception as error:  # noqa: BLE001
        if not claim.safety and not _past_use(office, claim):
            raise
        log.warning("outbox %s not looked for: %s", claim.id, type(error).__name__)
        return None
    same = (text.carrier_id for text in texts if text.body == claim.body)
    return next((carrier_id for carrier_id in same if not post.known(office.db(), carrier_id)), None)


def _past_use(office, claim):
    return claim.useless_after is not None and claim.useless_after <= office.clock.now()


def _morning(office, claim):
    """The end of the patient's quiet hours, for a text that was held up into them (our outage or the carrier's)."""
    now = office.clock.now()
    if claim.safety or claim.patient_id is None or claim.kind not in ROUTINE or now - claim.made_at < STALE:
        return None
    patient = world.patient(office.db(), claim.patient_id, now)
    zone, quiet = patient.zone, patient.practice(office.practice).quiet
    return hours.quiet_end(quiet, now, zone) if hours.is_quiet(quiet, now, zone) else None


def _wait(claim):
    seconds = WAITS_S[min(claim.tries, len(WAITS_S)) - 1]
    return timedelta(seconds=min(seconds, PAGE_WAIT_S) if claim.safety else seconds)


def _valid_for_s(office, claim):
    """How long the carrier may try: until the text is of no use any more; a safety text as long as it can."""
    if claim.useless_after is None:
        return None
    return min(max(int((claim.useless_after - office.clock.now()).total_seconds()), 5), LONGEST_VALID_S)


def take_report(office, status):
    """Apply a report of the carrier on one of our texts; ids of the outbox rows that are to leave at once."""
    db = office.db()
    with writing(db):
        failed = post.report(db, status.carrier_id, status.state, status.code, office.clock.now())
    if failed is not None:
        log.warning("outbox %s not delivered: %s", failed, status.code)
    return tell_lost(office)


def tell_lost(office):
    """Deal with every text that will not arrive: its question counts as unanswered now, or somebody is told. Ids of
    the outbox rows that are to leave at once. What raises here stays on the list for the next call."""
    db, safety = office.db(), []
    for claim in post.lost(db):
        try:
            with writing(db):
                now = office.clock.now()
                if post.mark_lost(db, claim, now):  # else another process was faster
                    safety += _follow(office, db, claim, now)
        except sqlite3.OperationalError as error:
            log.error("outbox %s lost, not told yet: %s", claim.id, error)
            break
        except Exception as error:  # noqa: BLE001
            log.error("outbox %s lost, not told: %s", claim.id, trace(error))
    return safety


def _follow(office, db, claim, now):
    if claim.timer and record.bring_forward(db, claim, now):
        return []
    known = world.for_patient(db, office.practice, now, claim.patient_id)
    matter = world.matter(db, claim.matter_id)
    return record.carry_out(db, tick.undelivered(known, claim, matter, known.patient(claim.patient_id)), now)
