"""The two processes watch each other: one that leaves no heartbeat for too long is told of, by the path that is left.

Silence is counted in the seconds that the watcher itself has waited, so a clock that jumps tells of nothing.
"""

import sqlite3
import threading

from bot import sender
from bot.clock import pause
from bot.office import log, trace
from flows import watch
from store import record, world
from store.database import reading, writing

EVERY_S = 5  # between two looks
SILENT_S = 90  # a part that left no mark for so long is told of: within two minutes, with the look and the tick before it


class Watch:
    """`look()` leaves our own mark, if we have one to leave, and tells of the other's silence; `run(stop)` looks until stopped."""

    def __init__(self, office, other, own=None, silent_s=SILENT_S, every_s=EVERY_S):
        self.office, self.other, self.own, self.silent_s, self.every_s = office, other, own, silent_s, every_s
        self.seen, self.waited_s, self.told = object(), 0.0, 0

    def look(self):
        """One look. The ids of the texts that are to leave at once."""
        office, now = self.office, self.office.clock.now()
        if self.own:
            with writing(office.db()) as db:
                record.heartbeat(db, self.own, now)
        with reading(office.db()) as db:
            mark = record.beats(db).get(self.other)
        if mark != self.seen:
            back, self.seen, self.waited_s, self.told = self.told, mark, 0.0, 0
            return self._tell(watch.runs_again, now) if back else []
        self.waited_s += self.every_s
        due = watch.tellings(self.waited_s, self.silent_s)
        if due <= self.told:
            return []
        log.error("%s has left no mark for %d s", self.other, self.waited_s)
        ids = self._tell(watch.stands_still, now)
        self.told = due  # only now: a database that was locked is tried again at the next look
        return ids

    def _tell(self, what, now):
        with writing(self.office.db()) as db:
            known = world.base(db, self.office.practice, now)
            return record.carry_out(db, what(known, self.other, self.seen), now)

    def run(self, stop):
        """Look every few seconds until the event is set. What was told leaves from this very process."""
        while not pause(stop, self.every_s):
            try:
                ids = self.look()
                if ids:
                    sender.send_ready(self.office, ids)
            except sqlite3.OperationalError as error:
                log.error("watch: %s", error)
            except Exception as error:  # noqa: BLE001 - the watch must go on
                log.error("watch: %s", trace(error))
        self.office.close()


def start(office, other, own=None, **more):
    """Watch in a thread of its own; the function that ends it."""
    stop = threading.Event()
    thread = threading.Thread(target=Watch(office, other, own, **more).run, args=(stop,), daemon=True, name="watch")
    thread.start()

    def end():
        stop.set()
        thread.join(5)
    return end
