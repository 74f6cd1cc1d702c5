"""What a patient has left, how long it lasts, and when more is to be sent. Pure.

A stock is never a counter that is changed: it is the last count, plus the deliveries since, minus what the doses begun
since have used (`model.Ledger`). A dose that is skipped uses nothing, one that is stopped uses all, one that is taken back
gives its things back.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import islice
from math import ceil

from flows.model import Ledger
from flows.occasion import timing_of
from flows.schedule import next_occasion

# The items, each with the unit that it is counted in. The closed list stands in the database too (migration 0002).
UNITS = {"dose": "doses, each all that one infusion takes", "needle": "needles", "tubing": "tubing sets", "syringe": "syringes",
         "battery": "batteries", "tape": "rolls"}
ITEMS = tuple(UNITS)
SYRINGE_ML = 60
FAR = 400  # occasions looked ahead at most


@dataclass(frozen=True)
class Stock:
    """One item of a patient. left: in the item's unit, None when it is not known; below 0 more was used than ever came, so
    it wants a count. each: what one infusion uses. infusions: how many it still covers, None when not known or not used.
    runs_out_on: the local date of the first infusion that it does not cover, None when none is in sight."""

    item: str
    left: Fraction | None
    each: Fraction
    infusions: int | None
    runs_out_on: date | None


def needs_of(sites, volume_ml, own=()):
    """What one infusion of an order uses: {item: number}. own: the order's own numbers, which count before these."""
    common = {
        "dose": 1,  # by what a dose is
        "needle": sites,  # one a site, none spare - common practice, no source
        "tubing": 1,  # one set, branched to the sites - common practice, no source
        "syringe": ceil(volume_ml / SYRINGE_ML),  # as few as hold it - common practice, no source
        "battery": 0,  # many pumps are driven by a spring; the order's own number where not - common practice, no source
        "tape": Fraction(sites, 20),  # 20 sites from one roll - common practice, no source
    }
    return {item: Fraction(str(dict(own).get(item, each))) for item, each in common.items()}


def left(item, ledger: Ledger):
    """How many of an item are there, or None when that is not known: it was never counted nor delivered, or the patient said
    that it is low and no number. A delivery after that counts from nothing, so that more is asked for too early rather
    than too late. What happened at the very moment of a count is in the count."""
    lines = sorted((each for each in ledger.entries if each.item == item and each.kind != "refill"), key=lambda each: (each.at, each.id))
    counted = max((place for place, each in enumerate(lines) if each.kind == "count"), default=None)
    since = lines if counted is None else lines[counted + 1:]
    known = counted is not None and lines[counted].amount is not None
    if not known and not since:
        return None
    begin = lines[counted] if known else since[0]
    used = sum(use.needs.get(item, 0) for use in ledger.uses if use.at > begin.at)
    return Fraction((begin.amount if known else 0) + sum(each.amount for each in since)) - used


def infusions_left(item, ledger):
    """How many infusions of the current order an item covers, or None when its number is not known or none is used."""
    there, each = left(item, ledger), ledger.needs.get(item, 0)
    return None if there is None or not each else max(int(there / each), 0)


def stocks(patient, now):
    """A `Stock` for each item that was ever counted or delivered, in the order of the list."""
    ledger = patient.supplies
    known = {each.item for each in ledger.entries}
    found = []
    for item in ITEMS:
        if item in known:
            count = infusions_left(item, ledger)
            out = None if count is None else next(islice(coming(patient, now), count, None), None)
            found.append(Stock(item, left(item, ledger), ledger.needs.get(item, Fraction(0)), count, out and out.on))
    return tuple(found)


def coming(patient, now):
    """The occasions of a patient's order that are still to use their things, in order, up to its last day: the ones that
    wait for an answer, then those to come. Nothing without an order."""
    order = patient.order
    if order is None:
        return
    timing, at = timing_of(patient), now
    doses = {each.due_on: each for each in patient.infusions if each.order_id == order.id and not each.extra}
    waiting = [each for each in doses.values() if each.state == "planned" and each.due_at <= now]
    for dose in sorted(waiting, key=lambda each: each.due_at)[-1:]:
        at = min(at, dose.due_at - timedelta(seconds=1))
    for _ in range(FAR):
        occasion = next_occasion(timing, at)
        if occasion is None or (order.ends_on and occasion.on > order.ends_on):
            return
        at = occasion.at
        if occasion.on not in doses or doses[occasion.on].state in ("planned", "held"):
            yield occasion


def refill_due(patient, practice, now):
    """The items to be sent: those that do not cover the infusions within the practice's lead time and one more. An item
    that was asked for waits for the next delivery, or for a count that covers it. Nothing while the order is on hold."""
    ledger, order = patient.supplies, patient.order
    if patient.state != "live" or order is None or order.held_at or not ledger.entries:
        return ()
    wanted, until = 0, now + timedelta(days=practice.refill_lead_days)
    for occasion in coming(patient, now):
        wanted += 1
        if occasion.at > until:
            break
    short = [item for item in ITEMS if (count := infusions_left(item, ledger)) is not None and count < wanted]
    return tuple(item for item in short if not _asked(item, ledger, wanted))


def _asked(item, ledger, wanted):
    """Was more of it asked for, and has nothing come since?"""
    lines = sorted(ledger.entries, key=lambda each: (each.at, each.id))
    asked = max((place for place, each in enumerate(lines) if (each.kind, each.item) == ("refill", item)), default=None)
    if asked is None:
        return False
    each = ledger.needs.get(item, 0)
    return not any(line.kind == "delivery" or (line.kind, line.item) == ("count", item) and (line.amount or 0) >= each * wanted
                   for line in lines[asked:])


def number(amount):
    """A number of things without a needless fraction: 8, 1.5."""
    return int(amount) if amount == int(amount) else round(float(amount), 2)
