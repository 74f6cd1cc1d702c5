"""What every acting part needs: the database, the practice's settings, the carrier, the clock, and its own name."""

import logging
import threading
import traceback

from flows.model import Practice
from store import database

log = logging.getLogger("ebbline")
log.addHandler(logging.NullHandler())  # silent unless a process asks for logs


def trace(error):
    """Kind and place of an exception for the log, without its own words: they may hold a patient's text or number."""
    return f"{type(error).__name__}\n{''.join(traceback.format_tb(error.__traceback__))}"


class Office:
    """One process's hold on one practice. `db()` is this thread's own connection.

    path: the database file. practice: flows' settings. name: of this process, for leases and heartbeats. busy_ms: how
    long a write waits for another.
    """

    def __init__(self, path, practice, carrier, clock, name, busy_ms=database.BUSY_MS):
        self.path, self.practice, self.carrier, self.clock, self.name = path, practice, carrier, clock, name
        self.busy_ms = busy_ms
        self._own = threading.local()
        database.open_database(path, clock.now()).conn.close()

    def db(self):
        """This thread's connection."""
        if not hasattr(self._own, "db"):
            self._own.db = database.connect(self.path, self.busy_ms)
        return self._own.db

    def close(self):
        """Close this thread's connection."""
        if hasattr(self._own, "db"):
            self._own.db.conn.close()
            del self._own.db


def practice_of(settings):
    """The part of the settings that the flows decide with."""
    who, talk, care = settings.practice, settings.conversation, settings.care
    return Practice(
        name=who.name, emergency_number=who.emergency_number, crisis_line=who.crisis_line,
        practice_number=who.practice_number, fallback_number=who.fallback_number, zone=who.zone,
        hours=settings.hours.open, quiet=settings.hours.quiet, call_back_hours=settings.hours.call_back_hours,
        answer_within_minutes={"emergency": settings.answer_within_minutes.emergency,
                               "urgent": settings.answer_within_minutes.urgent},
        ask_minutes=talk.ask_minutes, silent_while_infusing_minutes=talk.silent_while_infusing_minutes,
        delivery_wait_minutes=settings.sending.delivery_wait_minutes,
        second_reminder_minutes=talk.second_reminder_minutes,
        coordinator_after_minutes=talk.coordinator_after_minutes, window_hours=talk.window_hours,
        grace_minutes=talk.grace_minutes, put_off_minutes=talk.put_off_minutes,
        unsigned_content=settings.unsigned_content, site_rule=care.site_rule, sites_in_reminder=care.sites_in_reminder,
        site_areas=care.site_areas, site_rest_days=care.site_rest_days, site_avoid_days=care.site_avoid_days,
        site_spacing_in=care.site_spacing_in, refill_lead_days=care.refill_lead_days,
        late_window_hours=talk.late_window_hours,
    )
