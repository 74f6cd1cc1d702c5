"""Where a patient stands around an infusion: the phase that a text is read in."""

from datetime import timedelta

from flows.advice import expected_minutes


def running(patient):
    """The infusion that runs by the patient's word, or None."""
    return next((infusion for infusion in patient.infusions if infusion.state == "running"), None)


def expected(patient):
    """The infusion that was reminded of and not dealt with yet (the newest), or None."""
    return next((i for i in patient.infusions if i.state == "planned" and i.reminded_at), None)


def expected_end(patient):
    """When the running infusion should be over by the order or the usual time; with no order on file, its start."""
    return running(patient).started_at + timedelta(minutes=expected_minutes(patient) if patient.order else 0)


def last_ended(patient):
    """The newest infusion that was done or stopped, or None."""
    ended = [i for i in patient.infusions if i.state in ("done", "stopped") and i.ended_at]
    return max(ended, key=lambda infusion: infusion.ended_at, default=None)


def phase_of(patient, now):
    """`running`, `maybe_running`, `within_24h`, `within_72h`, `away` or `unknown` (no dose on record).

    `maybe_running` lasts from the reminder until done, skipped, put off or counted as missed; an infusion asked about
    and not answered for still runs.
    """
    if running(patient):
        return "running"
    if expected(patient) and patient.talk.state != "put_off":
        return "maybe_running"
    last = last_ended(patient)
    if last is None:
        return "unknown"
    if now - last.ended_at <= timedelta(hours=24):
        return "within_24h"
    if now - last.ended_at <= timedelta(hours=72):
        return "within_72h"
    return "away"


def infusing(patient, now):
    """May a dose run now, or did one in the last 24 hours? The window in which STOP and HELP are distress words."""
    return phase_of(patient, now) in ("running", "maybe_running", "within_24h")
