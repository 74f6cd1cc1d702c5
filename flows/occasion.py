"""Which planned infusion a text is about, and moments that a text names."""

from datetime import timedelta

from flows import hours, phase, schedule
from flows.model import Infusion, SetNextDue

NEAR = timedelta(hours=36)  # a "starting" this far from an occasion may still be about it


def timing_of(patient, order=None):
    """The `schedule.Timing` of a patient's order (or of another one for her). It goes on past the order's end: what is due
    then is held (`flows.readiness`), not silently dropped. It ends where the next order takes over."""
    order = order or patient.order
    every = schedule.parse_every(order.every, ",".join(order.weekdays) or None)
    return schedule.Timing(
        every=every.every, count=every.count, weekdays=every.weekdays, clock_local=order.clock_local,
        zone=patient.home_zone or patient.zone, starts_on=order.starts_on, ends_on=order.until_on and max(order.until_on, order.starts_on),
        changes=patient.changes,
    )


def remind_at(at, practice, zone):
    """When the reminder of the dose at `at` goes: its lead before, or at the end of quiet hours that it would fall in. A
    dose whose own time lies in them is so by wish."""
    early = at - timedelta(minutes=practice.lead_minutes)
    return early if hours.is_quiet(practice.quiet, at, zone) else hours.quiet_end(practice.quiet, early, zone)


def next_due(patient, practice, after_at):
    """The effect that sets a patient's next occasion after a moment. practice: as it is for her (`Patient.practice`)."""
    timing = timing_of(patient)
    coming = schedule.next_occasion(timing, after_at)
    if coming is None:
        return SetNextDue(patient.order.id, None, None)
    return SetNextDue(patient.order.id, coming.at, remind_at(coming.at, practice, schedule.zone_on(timing, coming.on)))


def occasion_for(patient, now, late_window_hours=0):
    """The infusion that a "starting" or "done" is about.

    In this order: the one reminded of; one that waits, was skipped, missed or held lately (half an interval, at most 36
    hours; one missed also inside the practice's late window); the next occasion when it is as near; else a dose of its own
    on today's local date.
    """
    order, half = patient.order, half_interval(patient, now)
    near, late = min(half, NEAR), min(half, max(NEAR, timedelta(hours=late_window_hours)))
    waiting = phase.expected(patient) or next(
        (i for i in patient.infusions if i.state in ("planned", "skipped", "missed", "held")
         and abs(i.due_at - now) <= (late if i.state == "missed" else near)), None)
    if waiting:
        return waiting
    coming = schedule.next_occasion(timing_of(patient), now)
    taken = {(infusion.order_id, infusion.due_on) for infusion in patient.infusions}
    if coming and coming.at - now <= near and (order.id, coming.on) not in taken:
        return Infusion(0, order.id, coming.on, coming.at, "planned")
    return further_dose(patient, now)


def further_dose(patient, now):
    """A dose that is no occasion's: on today's local date, counted up from the doses that are there."""
    today = hours.local(now, patient.zone).date()
    there = [i.extra for i in patient.infusions if i.order_id == patient.order.id and i.due_on == today]
    return Infusion(0, patient.order.id, today, now, "planned", extra=max(there, default=0) + 1)


def late_dose(patient, infusion, now, practice):
    """Is this dose, said to begin or to be done, a missed one past the practice's window? Then a nurse is asked."""
    missed = infusion if infusion.state == "missed" else next(
        (i for i in patient.infusions if infusion.extra and i.state == "missed" and now - i.due_at <= half_interval(patient, now)), None)
    return missed is not None and now - missed.due_at > timedelta(hours=max(practice.window_hours, practice.late_window_hours))


def half_interval(patient, now):
    """Half the real time between the next two occasions of a patient's order; 36 hours when it has ended."""
    timing = timing_of(patient)
    first = schedule.next_occasion(timing, now)
    second = first and schedule.next_occasion(timing, first.at)
    return (second.at - first.at) / 2 if second else NEAR


def too_soon(patient, now):
    """The last dose, if it ended so lately that a new one may be a second one (a day, or half an interval)."""
    last = phase.last_ended(patient)
    if last and now - last.ended_at < min(timedelta(hours=24), half_interval(patient, now)):
        return last
    return None


def moment(when, now, patient, practice):
    """The aware UTC moment that a text names, always after `now`. A named time is the patient's wish and may lie in
    quiet hours; our own guess (`when` None: the practice's put-off minutes) may not. "At 9" is the next of the two."""
    zone = patient.zone
    if when is None:
        return hours.quiet_end(practice.quiet, now + timedelta(minutes=practice.put_off_minutes), zone)
    if when.minutes is not None:
        return now + timedelta(minutes=max(when.minutes, 1))
    today = hours.local(now, zone).date()
    clock = hours.parse_clock(when.clock or patient.order.clock_local)
    clocks = [clock] if when.meridiem_known or clock.hour > 12 else [
        clock.replace(hour=clock.hour % 12), clock.replace(hour=clock.hour % 12 + 12)]
    days = [when.in_days] if when.in_days > 0 else [0, 1]
    if when.in_days > 0 and len(clocks) == 2:  # "tomorrow at 6" is the half of the day that the order has
        usual = hours.parse_clock(patient.order.clock_local)
        clocks = [min(clocks, key=lambda each: abs((each.hour * 60 + each.minute) - (usual.hour * 60 + usual.minute)))]
    named = [hours.at_wall(today + timedelta(days=day), clock, zone) for day in days for clock in clocks]
    return min(at for at in named if at > now)
