"""The iCalendar feeds: planned times of one patient, or of the practice. Words that a stranger may read over a shoulder."""

from datetime import timedelta

from bot import agenda
from flows.ical import Event, calendar
from store.calendar import current_patients
from store.world import patient as load_patient

AHEAD = timedelta(days=370)
MOST = 400  # events of one patient
ANSWERED = ("skipped", "done", "stopped", "missed", "held")


def of_one(db, practice, now, patient_id):
    """The feed of one patient, for her own calendar. PeopleError when she has no order."""
    return calendar("Planned times", _events(agenda.with_order(db, patient_id, now), now, "Planned time"), now)


def of_all(db, practice, now):
    """The feed of the practice: every patient who is served and has an order, by initials."""
    patients = [load_patient(db, patient_id, now) for patient_id in current_patients(db)]
    events = [event for patient in patients for event in _events(patient, now, f"Planned: {patient.initials}")]
    return calendar("Planned times", sorted(events, key=lambda event: (event.at, event.key)), now)


def _events(patient, now, words):
    """Nothing while the order is on hold: a planned time would ask for a dose that a nurse has stopped."""
    if patient.order.held_at:
        return []
    over = {infusion.due_on for infusion in patient.infusions if infusion.state in ANSWERED and not infusion.extra}
    found = []
    for occasion, _ in agenda.ahead(patient, now):
        if occasion.at - now > AHEAD or len(found) == MOST:
            break
        order = patient.next_order if patient.order.until_on and occasion.on > patient.order.until_on else patient.order
        expired = order.ends_on and occasion.on > order.ends_on
        if occasion.on not in over and not expired:
            found.append(Event(f"{order.id}-{occasion.on.isoformat()}", occasion.at, order.minutes, words))
    return found
