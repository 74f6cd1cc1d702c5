"""Texts leave here and only here: claimed under a lease, handed to the carrier, written down.

A text whose earlier try may have got through is looked for in the carrier's own list before it is sent again.
"""

from datetime import timedelta

from bot.carrier import CarrierDown, CarrierRefused, Status
from bot.office import log
from flows import tick
from store import post, record, world
from store.database import writing

LEASE = timedelta(seconds=60)
BATCH = 4  # at 10 s a call this is done within the lease
SLACK = timedelta(minutes=2)  # the carrier's clock and ours may differ by so much
WAITS_S = (2, 5, 15, 30, 60)  # growing waits between tries
LONGEST_VALID_S = 36_000  # the longest that the carrier takes (messaging 2.3, ValidityPeriod)
PAGE_WAIT_S = 15  # the longest wait for a safety text


def send_ready(office, only=None):
    """Send what is ready (or only these outbox ids); how many texts the carrier took.

    Safe to run from several processes at once: each text is claimed by one.
    """
    sent = 0
    while only is None or only:
        db = office.db()
        now = office.clock.now()
        with writing(db):
            claims, late = post.claim(db, now, office.name, LEASE, only, BATCH)
        for claim in late:
            lost(office, claim)
        if not claims:
            return sent
        for claim in claims:
            sent += _send(office, claim)
        if only is not None:
            only = [each for each in only if each not in {claim.id for claim in claims}]
    return sent


def _send(office, claim):
    """Send one claimed text: 1 when the carrier has it now."""
    db = office.db()
    if not post.holds(db, claim.id, office.name, office.clock.now() + LEASE / 4):
        return 0  # too little of the lease is left for a call; whoever claims it next looks before sending
    try:
        carrier_id = _earlier(office, claim) if claim.unsure else None
        if carrier_id is None:
            carrier_id = office.carrier.send(claim.number, claim.body, _valid_for_s(office, claim))
    except CarrierRefused as error:
        log.warning("outbox %s refused: %s", claim.id, error.code)
        with writing(db):
            post.mark_refused(db, claim.id, error.code, office.clock.now())
        lost(office, claim)
        return 0
    except Exception as error:  # noqa: BLE001 - one text that breaks the adapter must not hold up the others
        unsure = claim.unsure or not isinstance(error, CarrierDown)
        log.warning("outbox %s not taken: %s", claim.id, type(error).__name__)
        with writing(db):
            post.mark_waiting(db, claim.id, office.clock.now() + _wait(claim), unsure)
        return 0
    with writing(db):
        early = post.mark_sent(db, claim.id, carrier_id, office.clock.now())
    for state, code in early:
        take_report(office, Status(carrier_id, state, code))
    log.info("outbox %s sent", claim.id)
    return 1


def _earlier(office, claim):
    """The carrier's id of this text if an earlier try got through, else None. Raises CarrierDown."""
    since = claim.tried_at - SLACK
    db = office.db()
    for text in office.carrier.sent_since(claim.number, since):
        if text.body == claim.body and not post.known(db, text.carrier_id):
            return text.carrier_id
    return None


def _wait(claim):
    seconds = WAITS_S[min(claim.tries, len(WAITS_S) - 1)]
    return timedelta(seconds=min(seconds, PAGE_WAIT_S) if claim.safety else seconds)


def _valid_for_s(office, claim):
    """How long the carrier may try: until the text is of no use any more; a safety text as long as it can."""
    if claim.useless_after is None:
        return None
    return min(max(int((claim.useless_after - office.clock.now()).total_seconds()), 5), LONGEST_VALID_S)


def take_report(office, status):
    """Apply a report of the carrier on one of our texts."""
    db = office.db()
    with writing(db):
        failed = post.report(db, status, office.clock.now())
    if failed is not None:
        log.warning("outbox %s not delivered: %s", failed.id, status.code)
        lost(office, failed)


def lost(office, claim):
    """A text that will not arrive: its question counts as unanswered now, or somebody is told."""
    db = office.db()
    with writing(db):
        now = office.clock.now()
        if claim.timer and record.bring_forward(db, claim.timer, claim.patient_id, now):
            return
        known = world.for_patient(db, office.practice, now, claim.patient_id)
        matter = world.matter(db, claim.matter_id)
        record.carry_out(db, tick.undelivered(known, claim, matter, known.patient(claim.patient_id)), now)
