"""A nurse's own text: taking, closing, telling, releasing; and the alarm screen on her phone."""

from datetime import timedelta

from flows import hours
from flows.case import wish
from flows.content import render
from flows.model import (
    ClearTimers, CloseMatter, EndTask, NoteMatter, OpenMatter, OptIn, OptOut, ReleaseOrder, SetPending, SetTalk,
    SetTimer, TakeMatter, Talk, Text,
)
from flows.occasion import next_due
from flows.phase import expected_end, running
from flows.phrases import clock_words
from flows.readiness import ON_HOLD
from flows.say import call_back, page
from flows.turn import contact

RELAY_MOST = 600  # characters; a longer message belongs in a call
AWAKE = timedelta(minutes=30)  # a patient who wrote so lately may be answered in quiet hours
ALARMING = ("emergency", "urgent", "ask")


class Desk:
    """One text of one nurse, and the effects it comes to."""

    def __init__(self, world, inbound, staff):
        self.world, self.inbound, self.staff = world, inbound, staff
        self.open = [matter for matter in world.matters if matter.closed_at is None]
        self.mine = [matter for matter in self.open if matter.taken and matter.acknowledged_by == staff.id]
        self.effects = []

    def answer(self, key, **values):
        self._text(self.staff.phone.number, render(key, "en", self.world.practice, **values), "confirmation", key)

    def _text(self, number, body, kind, entry, **more):
        more.setdefault("safety", True)
        self.effects.append(Text(number=number, body=body, kind=kind, entry=entry, **more))

    def cases(self):
        """The open case codes as words, tasks after matters."""
        return ", ".join([m.case for m in self.open] + [task.case for task in self.world.tasks]) or "none"

    def concerned(self, matter):
        """The patients of a matter: the one it is about, or all of the phone it came from while that is not clear."""
        if matter.patient_id is not None:
            return [patient for patient in self.world.patients if patient.id == matter.patient_id]
        return [patient for patient in self.world.patients
                if any(speaker.phone.number == matter.from_number for speaker in patient.speakers)]

    def to_patient(self, matter, key, kind="notice", quiet=False, **values):
        """Tell every phone that wrote about the matter; those that opted out are not texted. quiet: keep quiet hours,
        unless the patient wrote just now."""
        patient = next(iter(self.concerned(matter)), None)
        phones = self.world.wrote.get(matter.id, ())
        lately = max(matter.raised_at, matter.told_more_at or matter.raised_at) >= self.world.now - AWAKE
        zone = patient.zone if patient else self.world.practice.zone
        own = patient.practice(self.world.practice) if patient else self.world.practice
        ready = None if not quiet or lately else hours.quiet_end(own.quiet, self.world.now, zone)
        for phone in phones:
            if not phone.opted_out_at:
                body = render(key, patient.lang if patient else "en", self.world.practice, **values)
                self._text(phone.number, body, kind, key, case=matter.case, patient_id=matter.patient_id, safety=ready is None,
                           not_before=ready)

    # --- what a nurse can ask for ---

    def take(self, matter):
        if matter.from_number == self.staff.phone.number:
            return self.answer("nurse.taken.own", case=matter.case)
        if matter.taken and matter.acknowledged_by != self.staff.id:
            return self.answer("nurse.taken.before", who=self._holder(matter), case=matter.case,
                               time=clock_words(matter.acknowledged_at, self.world.practice.zone))
        again = matter.taken
        self.effects.append(TakeMatter(matter.case, self.staff.id))
        self.answer("nurse.taken", case=matter.case)
        if not again:
            for other in self.world.paged.get(matter.id, ()):
                if other.id != self.staff.id:
                    self._tell_staff(other, "nurse.taken.other", case=matter.case, who=self.staff.name)
            self.to_patient(matter, f"taken.{matter.disposition}")
        return None

    def _holder(self, matter):
        return next((s.name for s in self.world.staff if s.id == matter.acknowledged_by), "Another nurse")

    def _tell_staff(self, staff, key, **values):
        self._text(staff.phone.number, render(key, "en", self.world.practice, **values), "confirmation", key)

    def close(self, matter, words):
        self.effects.append(CloseMatter(matter.case, self.staff.id, words.strip() or "no outcome given"))
        patients = self.concerned(matter)
        held = any(patient.order and patient.order.held_at for patient in patients)
        self.answer("nurse.closed.held" if held else "nurse.closed", case=matter.case)
        if matter.taken and matter.acknowledged_by != self.staff.id:
            holder = next((s for s in self.world.staff if s.id == matter.acknowledged_by), None)
            if holder:
                self._tell_staff(holder, "nurse.closed.other", who=self.staff.name, case=matter.case)
        self.to_patient(matter, "closed.held" if held else "closed.free", quiet=True)
        for patient in patients:
            if not [m for m in patient.matters if m.case != matter.case]:
                self._resume(patient)

    def _resume(self, patient):
        """The last matter is closed: the talk goes on where it stood. An infusion that still runs is watched again."""
        if patient.talk.state not in ("with_nurse", "idle"):
            return
        infusion = running(patient)
        self.effects.append(SetTalk(patient.id, Talk(state="running" if infusion else "idle")))
        speaker = contact(patient)
        if infusion and speaker:
            grace = timedelta(minutes=self.world.practice.grace_minutes)
            self.effects.append(SetTimer("running_question", max(expected_end(patient), self.world.now) + grace, patient.id, speaker.phone.id))

    def tell(self, matter, words):
        words = words.strip()
        if not words:
            return self.answer("nurse.told.empty", case=matter.case)
        if len(words) > RELAY_MOST:
            return self.answer("nurse.told.long", case=matter.case, most=RELAY_MOST)
        if all(phone.opted_out_at for phone in self.world.wrote.get(matter.id, ())):
            return self.answer("nurse.told.not", case=matter.case)
        self.to_patient(matter, "relay", "relay", words=words)
        self.effects.append(NoteMatter(matter.case, self.staff.name, f"told the patient: {words}"))
        if not matter.taken and matter.closed_at is None:
            self.effects.append(TakeMatter(matter.case, self.staff.id))
        return self.answer("nurse.told", case=matter.case)

    def note(self, matter, words):
        self.effects.append(NoteMatter(matter.case, self.staff.name, words))
        self.answer("nurse.noted", case=matter.case)

    def release(self, case, patients):
        """Let reminders start again: the held orders of these patients, and those held under this case."""
        held = [patient for patient in self.world.patients if patient.order and patient.order.held_at
                and (patient in patients or patient.order.held_case == case)]
        if not held:
            return self.answer("nurse.released.none", case=case)
        still = next((m for patient in held for m in patient.matters), None)
        if still:
            return self.answer("nurse.release.open", case=still.case)
        for patient in held:
            order = patient.order
            self.effects += [ReleaseOrder(order.id, self.staff.id), next_due(patient, patient.practice(self.world.practice), self.world.now)]
            self.effects += [EndTask(task.case, self.staff.id, "order released") for task in self.world.tasks
                             if task.patient_id == patient.id and (task.about == ON_HOLD or task.case == order.held_case)]
            speaker = contact(patient)
            if speaker and not speaker.phone.opted_out_at and not speaker.phone.stopped_why:
                self._text(speaker.phone.number, render("released", patient.lang, self.world.practice), "notice", "released",
                           patient_id=patient.id, safety=False,
                           not_before=hours.quiet_end(patient.practice(self.world.practice).quiet, self.world.now, patient.zone))
        return self.answer("nurse.released", case=case)

    # --- the text ---

    def read(self, reading):
        """The effects of this text. Alarm words on a nurse's phone belong to a named or taken case, or are asked about."""
        asked = wish(self.inbound.body)
        pending = self.world.pending if self.world.pending and self.world.pending.asked == "nurse_self" else None
        if pending and asked.case is None and self._answer_about_self(asked, reading, pending):
            return self.effects
        if asked.case is None and asked.act == "unclear":
            if "opt_out" in reading.acts:
                return self._opt_out()
            if "opt_in" in reading.acts:
                self.effects.append(OptIn(self.staff.phone.id))
                self.answer("nurse.opt_in")
                return self.effects
        alarming = reading.disposition in ALARMING
        if asked.act == "release":
            return self._release(asked)
        matter = self._matter(asked, alarming)
        task = next((t for t in self.world.tasks if t.case == asked.case), None) if asked.case else None
        if task:
            return self._on_task(task, asked)
        if matter is None:
            return self._without_matter(asked, reading, alarming)
        if matter.closed_at is not None and asked.act != "tell":
            self.answer("nurse.code_unknown", case=matter.case, cases=self.cases())
            return self._ask_about_self() if alarming else self.effects
        act = {"take": self.take, "close": lambda m: self.close(m, asked.words), "tell": lambda m: self.tell(m, asked.words)}
        if asked.act in act:
            act[asked.act](matter)
        else:
            self.note(matter, asked.words or self.inbound.body)
        if alarming:  # what she says of the patient is on the case, and our question whether it is about her is answered
            if asked.act == "take":
                self.effects.append(NoteMatter(matter.case, self.staff.name, self.inbound.body))
            if pending:
                self._forget()
        return self.effects

    def _matter(self, asked, alarming):
        """The matter that the text is about: by code, else the only one that fits what is asked."""
        if asked.case:
            return next((m for m in (*self.open, *self.world.matters) if m.case == asked.case), None)
        free = [matter for matter in self.open if not matter.taken]
        if asked.act == "take":
            pool = free or self.open
        elif asked.act in ("close", "tell"):
            pool = self.mine
        elif asked.act == "note" or alarming:
            # words without a code belong to a case only when she has taken the only one that is open
            pool = self.mine if len(self.open) == 1 else []
        else:
            pool = []
        return pool[0] if len(pool) == 1 else None

    def _without_matter(self, asked, reading, alarming):
        if asked.case:
            self.answer("nurse.code_unknown", case=asked.case, cases=self.cases())
        if alarming:
            return self._ask_about_self()
        if asked.case:
            return self.effects
        if asked.act == "unclear":
            self.answer("nurse.forms", cases=self.cases())
        elif not self.open and not self.world.tasks:
            self.answer("nurse.none")
        else:
            self.answer("nurse.which", cases=self.cases(), case=(self.open or self.world.tasks)[0].case)
        return self.effects

    def _release(self, asked):
        held = [patient for patient in self.world.patients if patient.order and patient.order.held_at]
        if asked.case:
            matter = next((m for m in self.world.matters if m.case == asked.case), None)
            task = next((t for t in self.world.tasks if t.case == asked.case), None)
            patients = self.concerned(matter) if matter else [p for p in held if task and p.id == task.patient_id]
            self.release(asked.case, patients)
        elif len(held) == 1:
            self.release(held[0].order.held_case or "", held)
        elif held:
            codes = ", ".join(patient.order.held_case or "?" for patient in held)
            self.answer("nurse.which", cases=codes, case=held[0].order.held_case or "0000")
        else:
            self.answer("nurse.released.none", case="-")
        return self.effects

    def _on_task(self, task, asked):
        if asked.act == "close":
            self.effects.append(EndTask(task.case, self.staff.id, asked.words.strip() or "done"))
            self.answer("nurse.closed", case=task.case)
        elif asked.act in ("take", "note"):
            self.answer("nurse.noted", case=task.case)
        else:
            self.answer("nurse.forms", cases=self.cases())
        return self.effects

    def _ask_about_self(self):
        self.effects.append(SetPending(self.staff.phone.id, "nurse_self", self.inbound.id))
        self.effects.append(SetTimer(
            "nurse_self_silence", self.inbound.received_at + timedelta(minutes=self.world.practice.ask_minutes),
            phone_id=self.staff.phone.id))
        self.answer("nurse.self")
        return self.effects

    def _answer_about_self(self, asked, reading, pending):
        """True when the text answered "a patient, or you?". Another alarm instead of an answer is read as "me"."""
        said = self.inbound.body.strip().lower().strip(".!")
        if asked.choice == 1 or said in ("patient", "a patient"):
            if len(self.open) == 1:
                self._forget()
                self.note(self.open[0], pending.body)
            else:  # it is on no case yet: the wait goes on, and silence pages the next
                self.answer("nurse.self.patient", cases=self.cases())
            return True
        if asked.choice == 2 or said in ("me", "myself", "i am", "its me", "it's me") or (
            asked.act != "take" and reading.disposition in ("emergency", "urgent")
        ):
            self._forget()
            self._text(self.staff.phone.number, render("emergency.unknown", "en", self.world.practice), "emergency",
                       "emergency.unknown")
            self.effects += nurse_in_need(self.world, self.staff, pending.body)
            return True
        return False

    def _forget(self):
        self.effects += [SetPending(self.staff.phone.id, None),
                         ClearTimers(phone_id=self.staff.phone.id, kinds=("nurse_self_silence",))]

    def _opt_out(self):
        """Honoured, and told: pages are still tried, and the ladder moves on when the carrier refuses them."""
        self.effects.append(OptOut(self.staff.phone.id))
        self.answer("nurse.opt_out")
        self.effects.append(call_back(self.world, self.world.codes[0], "on-call phone opted out", self.staff.name, None,
                                      "coordinator"))
        return self.effects


def nurse_in_need(world, staff, words):
    """A nurse wrote of an alarm and it may be about herself: an emergency of its own, and the next person is paged."""
    case = world.codes[0]
    matter = OpenMatter(case=case, disposition="emergency", topic="other", kind="unknown", patient_id=None,
                        phone_id=staff.phone.id, from_number=staff.phone.number, words=words, detail=f"nurse {staff.name}")
    others = tuple(other for other in world.ladder if other.id != staff.id)
    return [matter, page(world, others[0] if others else None, "page.nurse_ill", case, "emergency", "other", staff.name, 0,
                         world.now)]


def nurse_text(world, inbound, staff, reading):
    """Effects of one text from a nurse, manager or coordinator."""
    return Desk(world, inbound, staff).read(reading)

