"""Effects that put a text on its way, filled in from the packs."""

from datetime import timedelta

from flows import content, hours
from flows.model import MakePage, OpenTask, Text, later
from flows.phrases import clock_words, day_words, topic_words

REPLY_USEFUL = timedelta(hours=12)  # an answer later than this answers nothing


def say(world, phone, key, kind, lang="en", *, patient_id=None, case=None, safety=False, **extra):
    """One text to a phone, as a list of effects: empty when the phone has opted out or was stopped, unless `safety`.

    `extra` holds the entry's values and any of Text's own fields (occasion, not_before, useless_after, timer).
    """
    if (phone.opted_out_at or phone.stopped_why) and not safety:
        return []
    own = {name: extra.pop(name) for name in ("occasion", "not_before", "useless_after", "timer") if name in extra}
    if not safety:
        own.setdefault("useless_after", world.now + REPLY_USEFUL)
    body = content.render(key, lang, world.practice, **extra)
    return [Text(number=phone.number, body=body, kind=kind, entry=key, patient_id=patient_id, case=case, safety=safety, **own)]


def page(world, staff, key, case, disposition, topic, who, step, at, **values):
    """One page to one nurse; `staff` None pages the practice's fallback number."""
    body = content.render(
        key, "en", world.practice, case=case, disposition=disposition.upper(), topic=topic_words(topic), who=who,
        time=clock_words(at, world.practice.zone), **values,
    )
    number = staff.phone.number if staff else world.practice.fallback_number
    return MakePage(case=case, staff_id=staff.id if staff else None, number=number, step=step, body=body)


def call_back(world, case, about, words, patient_id, owner="nurse"):
    """A task for a person, due after the practice's call-back hours of working time."""
    practice = world.practice
    due_at = hours.add_working(practice.hours, world.now, timedelta(hours=practice.call_back_hours), practice.zone)
    return OpenTask(case=case, owner=owner, about=about, words=words, due_at=due_at, patient_id=patient_id)


def due_words(world, due_at, zone, lang):
    """The true day and time of a task, for the patient: {"day": "Monday", "time": "12:00 PM"}."""
    return {"day": day_words(due_at, world.now, zone, lang), "time": clock_words(due_at, zone)}


def minutes_later(world, minutes):
    """`world.now` plus so many minutes."""
    return later(world.now, minutes)
