"""Which planned infusion a text is about, and moments that a text names."""

from datetime import timedelta

from flows import hours, phase, schedule
from flows.model import Infusion

NEAR = timedelta(hours=36)  # a "starting" this far from an occasion may still be about it


def timing_of(order, zone):
    """The `schedule.Timing` of an order in the patient's zone. It goes on past the order's end: what is due then is held
    (`flows.readiness`), not silently dropped."""
    every = schedule.parse_every(order.every, ",".join(order.weekdays) or None)
    return schedule.Timing(
        every=every.every, count=every.count, weekdays=every.weekdays, clock_local=order.clock_local, zone=zone,
        starts_on=order.starts_on,
    )


def occasion_for(patient, now):
    """The infusion that a "starting" or "done" is about.

    In this order: the one reminded of; one that waits, was skipped, missed or held lately (half an interval, at most 36
    hours); the next occasion when it is as near; else a dose of its own on today's local date.
    """
    order = patient.order
    near = min(half_interval(order, patient.zone, now), NEAR)
    waiting = phase.expected(patient) or next(
        (i for i in patient.infusions if i.state in ("planned", "skipped", "missed", "held") and abs(i.due_at - now) <= near), None)
    if waiting:
        return waiting
    coming = schedule.next_occasion(timing_of(order, patient.zone), now)
    taken = {(infusion.order_id, infusion.due_on) for infusion in patient.infusions}
    if coming and coming.at - now <= near and (order.id, coming.on) not in taken:
        return Infusion(0, order.id, coming.on, coming.at, "planned")
    return further_dose(patient, now)


def further_dose(patient, now):
    """A dose that is no occasion's: on today's local date, counted up from the doses that are there."""
    today = hours.local(now, patient.zone).date()
    there = [i.extra for i in patient.infusions if i.order_id == patient.order.id and i.due_on == today]
    return Infusion(0, patient.order.id, today, now, "planned", extra=max(there, default=0) + 1)


def half_interval(order, zone, now):
    """Half the real time between the next two occasions of an order; 36 hours when it has ended."""
    timing = timing_of(order, zone)
    first = schedule.next_occasion(timing, now)
    second = first and schedule.next_occasion(timing, first.at)
    return (second.at - first.at) / 2 if second else NEAR


def too_soon(patient, now):
    """The last dose, if it ended so lately that a new one may be a second one (a day, or half an interval)."""
    last = phase.last_ended(patient)
    if last and now - last.ended_at < min(timedelta(hours=24), half_interval(patient.order, patient.zone, now)):
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
    named = [hours.at_wall(today + timedelta(days=day), clock, zone) for day in days for clock in clocks]
    return min(at for at in named if at > now)
