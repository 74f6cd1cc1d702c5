"""The ladder: who is paged next about a matter, and when. A pure function of the matter, its pages, the people and now.

Page, repeat, the next person, repeat, … the last rung, then everybody, again and again. A repeat comes after half the
practice's answer time, the next person after the whole of it. A page that failed, or that is not known delivered
within the delivery wait, moves on to the next person at once.
"""

from dataclasses import dataclass
from datetime import timedelta


@dataclass(frozen=True)
class Step:
    """Page `people` (Staff; empty: the fallback number) as step `number`, at `due_at` (aware UTC, may be past)."""

    number: int
    people: tuple
    due_at: object


def next_step(matter, pages, ladder, practice, now):
    """The next step for an open matter, or None while a nurse has it.

    pages: those of this matter, any order; only those since it was last raised count. ladder: Staff, first rung first.
    Every open matter that nobody has taken has a next step, so none falls silent.
    """
    if matter.taken or matter.closed_at is not None:
        return None
    answer = timedelta(minutes=practice.answer_within_minutes[matter.disposition])
    made = [page for page in pages if page.made_at >= matter.raised_at]
    if not made:
        return Step(0, tuple(ladder[:1]), matter.raised_at)
    last = max(page.step for page in made)
    latest = [page for page in made if page.step == last]
    since = max(page.made_at for page in latest)
    rungs = max(len(ladder), 1)
    if last >= 2 * rungs - 1 or len(ladder) == 0:
        return Step(last + 1, tuple(ladder), since + answer)
    lost = _lost_at(latest, practice, now)
    if lost is not None:
        number = last - last % 2 + 2
        people = (ladder[number // 2],) if number // 2 < len(ladder) else tuple(ladder)
        return Step(number, people, max(lost, since))
    number = last + 1
    people = (ladder[number // 2],) if number < 2 * rungs else tuple(ladder)
    return Step(number, people, since + answer / 2)


def _lost_at(latest, practice, now):
    """When the last step was found not to have arrived (every page of it failed or overdue), else None."""
    found = []
    for page in latest:
        if page.state == "failed":
            found.append(page.made_at)
        elif page.state != "delivered":
            overdue = page.made_at + timedelta(minutes=practice.delivery_wait_minutes)
            if now < overdue:
                return None
            found.append(overdue)
        else:
            return None
    return max(found, default=None)


def wake_at(matter, pages, ladder, practice, now):
    """When to look at this matter next: its next step, or the end of a delivery wait that may bring it forward."""
    step = next_step(matter, pages, ladder, practice, now)
    if step is None:
        return None
    waits = [
        page.made_at + timedelta(minutes=practice.delivery_wait_minutes)
        for page in pages if page.state not in ("delivered", "failed") and page.made_at >= matter.raised_at
    ]
    ahead = [at for at in waits if at > now]
    return min([step.due_at, *ahead])


def unanswered(matter, practice, now):
    """Has the matter's answer time passed with nobody having it, and the patient not been told so yet?"""
    answer = timedelta(minutes=practice.answer_within_minutes[matter.disposition])
    told = matter.nobody_told_at is not None and matter.nobody_told_at >= matter.raised_at
    return not matter.taken and not told and now >= matter.raised_at + answer
