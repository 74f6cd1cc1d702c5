"""What happens without a text: one tick looks at the clock once and does everything that is due."""

import sqlite3
from datetime import timedelta
from pathlib import Path

from bot import reception, sender
from bot.carrier import CarrierError, MediaRefused
from bot.clock import pause
from bot.office import log, trace
from flows import ladder, tick
from flows.alarm import ladder_for
from flows.hours import next_open
from store import calendar, post, record, supplies, world
from store.database import writing

SETTLE = timedelta(seconds=2)  # the web process has this long to deal with a text itself
LIST_EVERY = timedelta(minutes=1)
PICTURE_EVERY, PICTURE_TRIES = timedelta(minutes=1), 6  # first wait for a picture, doubled each time
TRIES = 3  # times that a time-out may raise before a nurse is paged about it
POSTPONE = timedelta(minutes=1)  # a time-out that raised is tried again after this
SUPPLIES_EVERY = timedelta(days=1)
BEAT_EVERY = timedelta(seconds=10)


class Worker:
    """One worker: `tick()` does what is due now; `run(stop)` ticks until the event is set."""

    def __init__(self, office):
        self.office = office
        self.listed_at = self.beat_at = None

    def tick(self):
        """Everything that is due at one reading of the clock. One failing item never holds up the others."""
        now = self.office.clock.now()
        db = self.office.db()
        self._beat(now)
        self._do("the carrier's list", self._list_inbound, now)
        for inbound_id in post.unhandled(db, now - SETTLE):
            self._do(f"inbound {inbound_id}", self._unhandled, inbound_id)
        self._do("pictures", self._fetch_pictures, now)
        for patient_id in calendar.due_successors(db, now):
            self._do(f"next order of patient {patient_id}", self._take_over, now, patient_id)
        for patient_id in world.due_leads(db, now, self._lead):
            self._do(f"coming dose of patient {patient_id}", self._look_ahead, now, patient_id)
        for patient_id in world.due_orders(db, now):
            self._do(f"order of patient {patient_id}", self._remind, now, patient_id)
        for timer in world.due_timers(db, now):
            self._do(f"timer {timer.id}", self._time_out, now, timer, postpone=timer)
        for matter in world.open_matters(db):
            self._do(f"matter {matter.id}", self._ladder, now, matter.id)
        for task in world.open_tasks(db):
            self._do(f"task {task.id}", self._overdue, now, task)
        self._do("supplies", self._supplies, now)
        sender.send_ready(self.office)

    def run(self, stop, every_s=1.0):
        """Tick until `stop` is set. A locked or full database is waited out."""
        while not stop.is_set():
            try:
                self.tick()
            except sqlite3.OperationalError as error:
                log.error("tick not finished: %s", error)
            except Exception as error:  # noqa: BLE001 - the worker must go on
                log.error("tick not finished: %s", trace(error))
            pause(stop, every_s)

    # --- the parts of a tick ---

    def _do(self, what, work, *values, postpone=None):
        """Do one item; True when it did not raise."""
        try:
            work(*values)
            return True
        except sqlite3.OperationalError:
            raise
        except CarrierError as error:
            log.warning("%s: %s", what, type(error).__name__)
            return False
        except Exception as error:  # noqa: BLE001
            log.error("%s: %s", what, trace(error))
            if postpone:
                with writing(self.office.db()) as db:
                    self._postpone(db, postpone)
            return False

    def _postpone(self, db, timer):
        """A time-out that raised is tried again a little later; after the third time a nurse is paged about it."""
        now = self.office.clock.now()
        if record.postpone_timer(db, timer.id, now + POSTPONE) < TRIES:
            return
        known = world.for_timer(db, self.office.practice, now, timer)
        record.drop_timer(db, timer.id)
        record.carry_out(db, tick.given_up(known, timer), now)

    def _beat(self, now):
        if self.beat_at is None or now - self.beat_at >= BEAT_EVERY:
            with writing(self.office.db()) as db:
                record.heartbeat(db, "worker", now)
            self.beat_at = now

    def _list_inbound(self, now):
        """Texts that the carrier has and we do not: its webhook failed, and carriers do not call twice."""
        if self.listed_at is not None and now - self.listed_at < LIST_EVERY:
            return
        db = self.office.db()
        self.listed_at = now  # a carrier that does not answer is not asked every second
        texts = self.office.carrier.inbound_since(post.listed_since(db, now))
        missing = [text for text in texts if not post.has_inbound(db, text.carrier_id)]
        taken = [self._do("a text on the carrier's list", self._take_in, text) for text in missing]
        if all(taken):  # else the list is read from the same moment on again
            with writing(db):
                post.mark_listed(db, now)

    def _take_in(self, text):
        inbound_id = reception.receive(self.office, text, recovered=True)
        if inbound_id:
            sender.send_ready(self.office, reception.handle(self.office, inbound_id))

    def _unhandled(self, inbound_id):
        """A text on record that nobody dealt with: the web process died or could not write. Twice in vain: a human."""
        with writing(self.office.db()) as db:
            tries = post.count_try(db, inbound_id)
        if tries >= 2:
            safety = reception.give_to_human(self.office, inbound_id, "not handled after two tries")
        else:
            safety = reception.handle(self.office, inbound_id)
        sender.send_ready(self.office, safety)

    def _remind(self, now, patient_id):
        with writing(self.office.db()) as db:
            known = world.for_patient(db, self.office.practice, now, patient_id)
            patient = known.patients[0]
            if patient.order and patient_id in world.due_orders(db, now):  # else another worker was faster
                record.carry_out(db, tick.remind(known, patient), now)

    def _take_over(self, now, patient_id):
        with writing(self.office.db()) as db:
            known = world.for_patient(db, self.office.practice, now, patient_id)
            if patient_id in calendar.due_successors(db, now):  # else another worker was faster
                record.carry_out(db, tick.take_over(known, known.patients[0]), now)

    def _fetch_pictures(self, now):
        """Pictures come into private storage beside the database; one that cannot be had is tried again, then given up."""
        db, folder = self.office.db(), Path(self.office.path).parent / "pictures"
        for picture_id, address, tries in post.waiting_pictures(db, now):
            outcome = {}
            try:
                outcome["file"] = self.office.carrier.fetch_media(address, folder).name
            except MediaRefused as error:
                log.warning("picture %s refused", picture_id)
                outcome["refused"] = str(error)[:200]
            except (CarrierError, OSError) as error:
                log.warning("picture %s not fetched: %s", picture_id, type(error).__name__)
                again = now + PICTURE_EVERY * 2**tries
                outcome.update({"next_at": again} if tries + 1 < PICTURE_TRIES else {"refused": "not to be had"})
            with writing(db):
                post.mark_picture(db, picture_id, **outcome)

    @property
    def _lead(self):
        return timedelta(hours=self.office.practice.hold_lead_hours)

    def _look_ahead(self, now, patient_id):
        with writing(self.office.db()) as db:
            known = world.for_patient(db, self.office.practice, now, patient_id)
            if known.patients[0].order and known.patients[0].order.next_due_at:
                record.carry_out(db, tick.look_ahead(known, known.patients[0]), now)

    def _time_out(self, now, timer):
        with writing(self.office.db()) as db:
            current = world.timer(db, timer.id)
            if current is None or current.due_at > now:
                return
            record.drop_timer(db, timer.id)
            record.carry_out(db, tick.time_out(world.for_timer(db, self.office.practice, now, current), current), now)

    def _ladder(self, now, matter_id):
        db = self.office.db()
        matter = world.matter(db, matter_id)
        pages = world.pages(db, matter_id)
        known = world.base(db, self.office.practice, now)
        step = ladder.next_step(matter, pages, ladder_for(known, matter), known.practice, now)
        if not (step and step.due_at <= now) and not ladder.unanswered(matter, known.practice, now):
            return
        with writing(db):
            matter, pages = world.matter(db, matter_id), world.pages(db, matter_id)
            if matter.closed_at is not None:
                return
            known = world.for_patient(db, self.office.practice, now, matter.patient_id)
            patient, numbers = known.patient(matter.patient_id), world.numbers_of(db, matter)
            decision = tick.ladder_step(known, matter, pages, patient, numbers)
            record.carry_out(db, decision, now)

    def _overdue(self, now, task):
        if now < tick.overdue_at(task, world.practice_now(self.office.db(), self.office.practice)):
            return
        with writing(self.office.db()) as db:
            task = world.task(db, task.id)
            if task is not None:  # else another process was faster
                known = world.for_patient(db, self.office.practice, now, task.patient_id)
                record.carry_out(db, tick.overdue(known, task), now)

    def _supplies(self, now):
        """About once a day, in working hours: does every counted patient still have enough?"""
        db = self.office.db()
        at = self._supplies_at(now)
        if at is None or now < at:
            return
        for patient_id in supplies.counted_patients(db):
            self._do(f"supplies of patient {patient_id}", self._refill, now, patient_id)
        practice = world.practice_now(db, self.office.practice)
        with writing(db):
            supplies.mark_checked(db, next_open(practice.hours, now + SUPPLIES_EVERY, practice.zone))

    def _supplies_at(self, now):
        """When the supplies are looked at next; None when none are counted."""
        db = self.office.db()
        practice = world.practice_now(db, self.office.practice)
        at = supplies.checked_until(db)
        if at is None and supplies.counted_patients(db):
            at = next_open(practice.hours, now, practice.zone)
        return at

    def _refill(self, now, patient_id):
        with writing(self.office.db()) as db:
            known = world.for_patient(db, self.office.practice, now, patient_id)
            record.carry_out(db, tick.refill(known, known.patients[0]), now)

    def next_at(self):
        """When the next thing is due, as far as the database knows; None when nothing is. May be past."""
        db = self.office.db()
        now = self.office.clock.now()
        known = world.base(db, self.office.practice, now)
        moments = [world.next_due(db), world.next_lead(db, self._lead), self._supplies_at(now)]
        moments += [tick.overdue_at(task, known.practice) for task in world.open_tasks(db)]
        for matter in world.open_matters(db):
            pages = world.pages(db, matter.id)
            moments.append(ladder.wake_at(matter, pages, ladder_for(known, matter), known.practice, now))
            if ladder_waits(matter, known.practice, now):
                moments.append(matter.raised_at + timedelta(
                    minutes=known.practice.answer_within_minutes[matter.disposition]))
        return min((at for at in moments if at is not None), default=None)


def ladder_waits(matter, practice, now):
    """Will the patient still have to be told that nobody has answered?"""
    told = matter.nobody_told_at is not None and matter.nobody_told_at >= matter.raised_at
    return not matter.taken and not told and not ladder.unanswered(matter, practice, now)
