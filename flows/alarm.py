"""Raising an alarm: the instruction to the phone, the matter, the first page, the hold. One decision, one transaction."""

from flows import phase
from flows.content import render
from flows.model import HoldOrder, NobodyTold, NoteMatter, OpenMatter, PutInfusion, RaiseMatter, Text
from flows.phrases import clock_words
from flows.say import page
from flows.words import rank

MORE_EVERY_MINUTES = 2  # a nurse hears of further, no worse texts at most this often; the words are filed each time
NO_REACTION = ("stop_word", "other", "schedule", "supply", "mood")  # topics of a matter that is not about how the patient is


def who_words(patient):
    """Who a page is about: initials, or that the number is on no file."""
    return patient.initials if patient else "unknown number"


def open_alarm(matters):
    """The open emergency or urgent matter, or None."""
    return next((matter for matter in matters if matter.disposition in ("emergency", "urgent")), None)


def holder_of(world, matter):
    """The staff member who has the matter, or None while nobody has."""
    return next((staff for staff in world.staff if matter.taken and staff.id == matter.acknowledged_by), None)


def ladder_for(world, matter):
    """The people who can be paged about a matter: the ladder without the person it is about."""
    return tuple(staff for staff in world.ladder if matter is None or staff.phone.number != matter.from_number)


def raise_alarm(world, inbound, reading, patient, lang, *, key=None, matters=None, who=None, values=None, concerned=None):
    """Effects of one alarming text (or of a silence that counts as one).

    reading: a Reading of disposition `emergency` or `urgent`. patient: None when nobody knows whose text it is.
    key: the entry to send instead of the usual one for an urgent matter; "" sends nothing to the patient.
    matters: the sender's open matters (default: the patient's). who: whom the page is about, when not this patient.
    concerned: the patients whose doses stop and whose orders are held (default: the patient).

    A first alarm opens a matter and pages; one that is worse raises it and the ladder starts afresh; one of another kind
    pages too; a repeat is filed, the nurse is told, and the sender gets the short instruction with the true state.
    """
    matter = open_alarm(patient.matters if matters is None and patient else matters or ())
    fresh = matter is None
    what = reading.kind or reading.topic
    worse = not fresh and (rank(reading.disposition) > rank(matter.disposition)
                           or (reading.disposition == "emergency" and not _known(matter, what)))
    other = not fresh and not worse and not _known(matter, what)
    case = world.codes[0] if fresh else matter.case
    disposition = reading.disposition if fresh else max(reading.disposition, matter.disposition, key=rank)
    who, about = who or who_words(patient), reading.detail or reading.topic
    words = inbound.body if inbound else reading.because[0].words
    told = {"topic": reading.topic, "kind": reading.kind, "detail": reading.detail, "words": words}
    effects = []
    if fresh:
        effects.append(OpenMatter(
            case=case, disposition=disposition, patient_id=patient.id if patient else None,
            phone_id=inbound.phone.id if inbound and inbound.phone else None,
            from_number=inbound.from_number if inbound else None, **told))
    elif worse or other:
        effects.append(RaiseMatter(case=case, worse=worse, disposition=disposition, **told))
    effects += _instruction(world, inbound, reading, patient, lang, key, case, matter, fresh or worse or other, values or {})
    if fresh or worse or other:
        people = ladder_for(world, matter)
        first = (None if fresh else holder_of(world, matter)) or (people[0] if people else None)
        deaf = inbound and inbound.phone and inbound.phone.opted_out_at  # our instruction may not get through
        entry = "page.opted_out" if deaf else "page" if fresh else "page.raised" if worse else "page.other"
        effects.append(page(world, first, entry, case, disposition, about, who, 0, world.now))
    else:
        effects += tell_more(world, inbound, matter, patient)
    for each in concerned if concerned is not None else (patient,) if patient else ():
        effects += _stop_and_hold(world, reading, each, case)
    return effects


def _known(matter, what):
    """Has the matter been raised for this kind or topic? An emergency of no known kind adds nothing to another one."""
    return what in matter.seen or (what == "unknown" and matter.disposition == "emergency")


def _instruction(world, inbound, reading, patient, lang, key, case, matter, whole, values):
    """The text to the sender; the whole instruction for a new or worse alarm, else short with the true state."""
    if not inbound or not inbound.from_number or key == "":
        return []
    common = {"number": inbound.from_number, "patient_id": patient.id if patient else None, "case": case, "safety": True}
    if reading.disposition == "emergency" and whole:
        entry = f"emergency.{reading.kind or 'unknown'}"
        return [Text(body=render(entry, lang, world.practice), kind="emergency", entry=entry, **common)]
    if not whole or (matter is not None and matter.disposition == "emergency"):
        return [Text(body=short_and_state(world, matter, lang), kind=kind_of(matter), entry="short", **common)]
    entry = key or ("urgent.mood" if reading.topic == "mood" else "urgent.now")
    return [Text(body=render(entry, lang, world.practice, **values), kind="notice", entry=entry, **common)]


def kind_of(matter):
    """Kind of a text about this matter: `emergency`, else `notice`."""
    return "emergency" if matter.disposition == "emergency" else "notice"


def short_and_state(world, matter, lang):
    """The short instruction of the matter's kind, and what has truly happened to the page."""
    short = f"short.{matter.kind or 'unknown'}" if matter.disposition == "emergency" else (
        "short.mood" if matter.topic == "mood" else "short.urgent")
    state = "taken" if matter.taken else "nobody" if matter.nobody_told_at else "paged"
    return " ".join(render(key, lang, world.practice) for key in (short, f"state.{state}"))


def answer_open(world, inbound, matter, patient, lang):
    """A text while a matter is open: filed, the nurse told that there is more, the sender told the truth."""
    return [*tell_more(world, inbound, matter, patient),
            Text(number=inbound.from_number, body=short_and_state(world, matter, lang), kind=kind_of(matter), entry="short",
                 patient_id=patient.id if patient else None, case=matter.case, safety=True)]


def tell_more(world, inbound, matter, patient):
    """File a further text and let the nurse who has the matter (or is paged first) know that there is more."""
    due = matter.told_more_at is None or (world.now - matter.told_more_at).total_seconds() >= MORE_EVERY_MINUTES * 60
    people = ladder_for(world, matter)
    target = holder_of(world, matter) or (people[0] if people else None)
    effects = [NoteMatter(case=matter.case, who=patient.name if patient else "unknown", words=inbound.body, told=due)]
    if due:
        number = target.phone.number if target else world.practice.fallback_number
        body = render("page.more", "en", world.practice, case=matter.case, who=who_words(patient),
                      time=clock_words(inbound.received_at, world.practice.zone))
        effects.append(Text(number=number, body=body, kind="page", entry="page.more", case=matter.case, safety=True))
    return effects


def nobody_yet(world, matter, patient, numbers, lang):
    """Tell those who wrote that nobody has answered the page yet, once."""
    key = "nobody.emergency" if matter.disposition == "emergency" else "nobody.urgent"
    body = render(key, lang, world.practice)
    return [NobodyTold(case=matter.case)] + [
        Text(number=number, body=body, kind=kind_of(matter), entry=key, case=matter.case, safety=True,
             patient_id=patient.id if patient else None)
        for number in numbers
    ]


def _stop_and_hold(world, reading, patient, case):
    """An emergency holds the order; so does a reaction while a dose runs or may run. The mL of a stopped dose is not known."""
    emergency = reading.disposition == "emergency"
    reaction = reading.topic not in NO_REACTION and reading.detail != "second_dose_in_doubt"
    running, waiting = phase.running(patient), phase.expected(patient)
    if not (emergency or (reaction and (running or waiting))):
        return []
    effects = []
    if running:
        effects.append(PutInfusion(running.order_id, running.due_on, running.due_at,
                                   {"state": "stopped", "ended_at": world.now, "why": f"told to stop: {reading.topic}"},
                                   running.extra))
    if waiting:
        effects.append(PutInfusion(waiting.order_id, waiting.due_on, waiting.due_at, {"state": "held"}, waiting.extra))
    if patient.order and not patient.order.held_at:
        effects.append(HoldOrder(patient.order.id, f"{reading.disposition}: {reading.topic}", case))
    return effects
