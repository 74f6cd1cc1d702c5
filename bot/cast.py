"""The people of a rehearsal or the demo, put on the books as a practice would: phones, orders, history, the ladder."""

from datetime import timedelta

from flows import regimen
from flows.hours import at_wall, local, parse_hours, parse_quiet
from flows.model import Order, Patient, Practice
from flows.occasion import timing_of
from flows.schedule import next_occasion
from store import people

AREA = "+1312555"  # Chicago; 555-0100 to 555-0199 are kept free for invented numbers
CARE = ("site_rule", "sites_in_reminder", "site_areas", "site_rest_days", "site_avoid_days", "site_spacing_in", "refill_lead_days",
        "late_window_hours")
FALLBACK, OFFICE = "+13125550198", "+13125550197"


def practice_of(script):
    """The flows' practice settings of a script, with the sample content sent as it is."""
    given = script.practice
    return Practice(
        name=given.name, emergency_number=given.emergency_number, crisis_line=given.crisis_line or "988",
        practice_number=OFFICE, fallback_number=given.fallback or FALLBACK, zone=given.zone,
        hours=parse_hours(given.open), quiet=parse_quiet(given.quiet),
        answer_within_minutes=dict(given.answer_within_minutes), ask_minutes=given.ask_minutes,
        silent_while_infusing_minutes=given.silent_while_infusing_minutes, call_back_hours=given.call_back_hours or 4,
        delivery_wait_minutes=2, unsigned_content=True,
        **{key: getattr(given, key) for key in CARE if getattr(given, key) is not None},
    )


class People:
    """Who has which phone. `number(name)` and `name(number, patient_id)`; `patients` is name to row id."""

    def __init__(self, script):
        self._numbers, self.patients, self._free = {}, {}, iter(range(101, 197))
        shared = {}
        for patient in script.patients:
            label = patient.phone
            number = shared.get(label) or self._new()
            if label:
                shared[label] = number
            self._numbers[patient.name] = number
            for caregiver in patient.caregivers:
                self._numbers.setdefault(caregiver, None)
        for name in [name for name, number in self._numbers.items() if number is None] + list(script.nurses):
            self._numbers[name] = self._new()
        self._numbers["coordinator"], self._numbers["Unknown"] = self._new(), "+12065550142"

    def _new(self):
        return f"{AREA}0{next(self._free)}"

    def number(self, name):
        """The telephone number of a name of the file."""
        return self._numbers[name]

    def name(self, number, patient_id=None):
        """The name a number goes by; on a shared phone that of the patient the text is about."""
        names = [name for name, known in self._numbers.items() if known == number]
        about = next((name for name, known in self.patients.items() if known == patient_id), None)
        if about in names:
            return about
        return names[0] if names else "fallback number" if number in (FALLBACK,) else number


def enrol(db, script, now):
    """Write the people of a script into an empty database; the `People`. The caller's transaction."""
    who = People(script)
    for patient in script.patients:
        patient_id = people.add_patient(
            db, now, name=patient.name, lang=patient.lang, zone=patient.zone, number=who.number(patient.name),
            born_on=patient.born, weight_kg=patient.weight_kg, epinephrine=bool(patient.epinephrine))
        who.patients[patient.name] = patient_id
        for caregiver in patient.caregivers:
            people.add_speaker(db, now, patient_id, caregiver, "caregiver", who.number(caregiver))
        if patient.order:
            _order(db, now, patient, patient_id)
    for rung, name in enumerate(script.nurses, start=1):
        role = "manager" if rung == len(script.nurses) and rung > 1 else "nurse"
        staff_id = people.add_staff(db, now, name=name, role=role, number=who.number(name))
        people.add_shift(db, now, staff_id, rung, now)
    people.add_staff(db, now, name="coordinator", role="coordinator", number=who.number("coordinator"))
    return who


def _order(db, now, patient, patient_id):
    given = patient.order
    volume_ml = given.volume_ml or regimen.plan(dose_g=given.dose_g, strength=given.strength, sites=given.sites, profile=given.profile,
                                                rate_ml_per_h_per_site=given.rate_ml_per_h_per_site).volume_ml
    first = min([past.on for past in patient.history], default=local(now, patient.zone).date())
    clock = f"{given.time:%H:%M}"
    shape = Order(id=0, volume_ml=volume_ml, strength_g_per_ml=given.strength, sites=given.sites,
                  rate_ml_per_h_per_site=given.rate_ml_per_h_per_site, every=given.every,
                  weekdays=tuple(given.day.split(",")) if given.day else (), clock_local=clock, starts_on=first, profile=given.profile)
    coming = next_occasion(timing_of(Patient(0, "", "", "en", patient.zone, "live", order=shape)), now - timedelta(seconds=1))
    order_id = people.add_order(
        db, now, patient_id, volume_ml=volume_ml, strength_g_per_ml=given.strength, sites=given.sites,
        rate_ml_per_h_per_site=given.rate_ml_per_h_per_site, every=given.every, weekdays=shape.weekdays, clock_local=clock,
        starts_on=first, next_due_at=coming.at, needle_mm=patient.needle_mm, gauge=patient.gauge, product_name=given.product,
        product_code=given.product_code, profile=given.profile)
    for past in patient.history:
        due_at = at_wall(past.on, given.time, patient.zone)
        minutes = past.minutes if past.minutes is not None else round(shape.minutes)
        people.add_past(
            db, patient_id, order_id, due_on=past.on, due_at=due_at, ended_at=due_at + timedelta(minutes=minutes),
            volume_ml=past.volume_ml, minutes=past.minutes, sites=past.sites, lots=past.lots,
            problems=[(problem.kind, problem.site) for problem in past.problems])
