"""Before a reminder: is the patient clear to infuse, to be told more than usual, or to wait for a nurse?"""

from dataclasses import dataclass
from datetime import timedelta

from flows import phase


@dataclass(frozen=True)
class Readiness:
    """`clear`, `check` (the reminder with the extra words) or `hold` (no reminder, a nurse's task). why: for people."""

    level: str
    why: str = ""


ON_HOLD = "order on hold, dose due"
# holds that the patient herself told us of: a planned dose is not spoken of
QUIET_HOLDS = ("hospital or prescriber", "moved away", "therapy ended, by the patient's word")
RUNNING = "another dose is running, dose due"
MATTER = "a matter is open, dose due"


def readiness(patient, occasion_on, now, practice):
    """How ready a patient is for the dose of this local date.

    hold: the order is held or has expired, a dose still runs, a matter is open, or the last dose lies further back than
    the order's gap limit (else the practice's; more than 8 weeks is watched like a first infusion: clinical 7, HZ-EU).
    check: one of the first infusions of an order (the practice's number), or the dose before was not done.
    """
    order = patient.order
    if order.held_at:
        return Readiness("hold", ON_HOLD)
    if order.ends_on is not None and occasion_on > order.ends_on:
        return Readiness("hold", "order expired, dose due")
    if phase.running(patient):
        return Readiness("hold", RUNNING)
    if patient.matters:
        return Readiness("hold", MATTER)
    last = phase.last_ended(patient)
    limit = timedelta(days=order.gap_limit_days or practice.gap_limit_days)
    if last and now - last.ended_at > limit:
        return Readiness("hold", f"no dose for {(now - last.ended_at).days} days, dose due")
    done = sum(i.order_id == order.id and i.state in ("done", "stopped") for i in patient.infusions)
    if done < practice.first_infusions:
        return Readiness("check", "first infusions of the order")
    before = [i for i in patient.infusions if i.order_id == order.id and i.due_on < occasion_on and not i.extra]
    if before and max(before, key=lambda i: i.due_on).state in ("missed", "skipped", "held", "stopped"):
        return Readiness("check", "the dose before was not done")
    return Readiness("clear")
