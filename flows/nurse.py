"""A nurse's own text: taking, closing, telling, releasing; and the alarm screen on her phone."""

from datetime import timedelta

from flows import hours
from flows.case import wish
from flows.content import render
from flows.model import (
    ClearTimers, CloseMatter, EndTask, NoteMatter, OpenMatter, OptIn, OptOut, ReleaseOrder, SetNextDue, SetPending, SetTalk,
    SetTimer, TakeMatter, Talk, Text,
)
from flows.occasion import timing_of
from flows.phase import running
from flows.phrases import clock_words
from flows.say import call_back, page
from flows.schedule import next_occasion
from flows.turn import contact, speaker_on

ON_HOLD = "order on hold, dose due"
RELAY_MOST = 600  # characters; a longer message belongs in a call


class Desk:
    """One text of one nurse, and the effects it comes to."""

    def __init__(self, world, inbound, staff):
        self.world, self.inbound, self.staff = world, inbound, staff
        self.open = [matter for matter in world.matters if matter.closed_at is None]
        self.effects = []

    def answer(self, key, **values):
        self._text(self.staff.phone.number, render(key, "en", self.world.practice, **values), "confirmation", key)

    def _text(self, number, body, kind, entry, **more):
        self.effects.append(Text(number=number, body=body, kind=kind, entry=entry, safety=True, **more))

    def cases(self):
        """The open case codes as words, tasks after matters."""
        return ", ".join([m.case for m in self.open] + [task.case for task in self.world.tasks]) or "none"

    def held_by_me(self):
        return [matter for matter in self.open if matter.taken and matter.acknowledged_by == self.staff.id]

    def to_patient(self, matter, key, kind="notice", **values):
        """Tell those the matter is about: the phone that wrote, else the patient's own contact."""
        patient = self.world.patient(matter.patient_id)
        speaker = patient and (speaker_on(patient, matter.phone_id) or contact(patient))
        number = matter.from_number or (speaker and speaker.phone.number)
        lang = patient.lang if patient else "en"
        if number:
            self._text(number, render(key, lang, self.world.practice, **values), kind, key, case=matter.case,
                       patient_id=matter.patient_id)
        return number

    # --- what a nurse can ask for ---

    def take(self, matter):
        if matter.taken and matter.acknowledged_by != self.staff.id:
            holder = next((s.name for s in self.world.staff if s.id == matter.acknowledged_by), "Another nurse")
            return self.answer("nurse.taken.before", who=holder, case=matter.case,
                               time=clock_words(matter.acknowledged_at, self.world.practice.zone))
        again = matter.taken
        self.effects.append(TakeMatter(matter.case, self.staff.id))
        self.answer("nurse.taken", case=matter.case)
        if not again:
            for other in self.world.paged.get(matter.id, ()):
                if other.id != self.staff.id:
                    self._text(other.phone.number, render("nurse.taken.other", "en", self.world.practice, who=self.staff.name,
                                                          case=matter.case), "confirmation", "nurse.taken.other")
            self.to_patient(matter, f"taken.{matter.disposition}")
        return None

    def close(self, matter, words):
        self.effects.append(CloseMatter(matter.case, self.staff.id, words.strip() or "no outcome given"))
        patient = self.world.patient(matter.patient_id)
        held = bool(patient and patient.order and patient.order.held_at)
        self.answer("nurse.closed.held" if held else "nurse.closed", case=matter.case)
        self.to_patient(matter, "closed.held" if held else "closed.free")
        if patient and patient.talk.state == "with_nurse":
            left = [m for m in patient.matters if m.case != matter.case and m.disposition in ("emergency", "urgent")]
            if not left:
                self._resume(patient)

    def _resume(self, patient):
        """The last matter is closed: the talk goes on where it stood. An infusion that still runs is watched again."""
        infusion = running(patient)
        self.effects.append(SetTalk(patient.id, Talk(state="running" if infusion else "idle")))
        speaker = contact(patient)
        if infusion and speaker and not speaker.phone.opted_out_at:
            grace = timedelta(minutes=self.world.practice.grace_minutes)
            end = infusion.started_at + timedelta(minutes=patient.order.minutes)
            self.effects.append(SetTimer("running_question", max(end, self.world.now) + grace, patient.id, speaker.phone.id))

    def tell(self, matter, words):
        words = words.strip()
        if not words:
            return self.answer("nurse.told.empty", case=matter.case)
        if len(words) > RELAY_MOST:
            return self.answer("nurse.told.long", case=matter.case, most=RELAY_MOST)
        patient = self.world.patient(matter.patient_id)
        speaker = patient and speaker_on(patient, matter.phone_id)
        if speaker and speaker.phone.opted_out_at:
            return self.answer("nurse.told.not", case=matter.case)
        self.to_patient(matter, "relay", "relay", words=words)
        self.effects.append(NoteMatter(matter.case, self.staff.name, f"told the patient: {words}"))
        if not matter.taken:
            self.effects.append(TakeMatter(matter.case, self.staff.id))
        return self.answer("nurse.told", case=matter.case)

    def note(self, matter, words):
        self.effects.append(NoteMatter(matter.case, self.staff.name, words))
        self.answer("nurse.noted", case=matter.case)

    def release(self, matter):
        patient = self.world.patient(matter.patient_id)
        order = patient and patient.order
        if not order or not order.held_at:
            return self.answer("nurse.released.none", case=matter.case)
        coming = next_occasion(timing_of(order, patient.zone), self.world.now)
        self.effects += [ReleaseOrder(order.id, self.staff.id), SetNextDue(order.id, coming.at if coming else None)]
        self.effects += [EndTask(task.case, self.staff.id, "order released") for task in self.world.tasks
                         if task.patient_id == patient.id and task.about == ON_HOLD]
        self.answer("nurse.released", case=matter.case)
        speaker = contact(patient)
        if speaker and not speaker.phone.opted_out_at and not speaker.phone.stopped_why:
            self.effects.append(Text(
                number=speaker.phone.number, body=render("released", patient.lang, self.world.practice), kind="notice",
                entry="released", patient_id=patient.id, case=matter.case,
                not_before=hours.quiet_end(self.world.practice.quiet, self.world.now, patient.zone)))
        return None

    # --- the text ---

    def read(self, reading):
        """The effects of this text. Alarm words on a nurse's phone belong to a named or taken case, or are asked about."""
        asked = wish(self.inbound.body)
        pending = self.world.pending if self.world.pending and self.world.pending.asked == "nurse_self" else None
        if pending and asked.case is None:
            if self._answer_about_self(asked, reading):
                return self.effects
        if "opt_out" in reading.acts and asked.act == "unclear" and asked.case is None:
            return self._opt_out()
        if "opt_in" in reading.acts and asked.case is None and self.staff.phone.opted_out_at:
            self.effects.append(OptIn(self.staff.phone.id))
            self.answer("opt_in")
            return self.effects
        alarming = reading.disposition in ("emergency", "urgent", "ask")
        matter, task, refused = self._named(asked, alarming)
        if refused:
            return self.effects
        if task:
            return self._on_task(task, asked)
        if matter is None:
            return self._ask_about_self(reading) if alarming else self._not_placed(asked)
        if asked.act != "release" and matter.closed_at is not None:
            self.answer("nurse.code_unknown", case=matter.case, cases=self.cases())
        elif asked.act == "take":
            self.take(matter)
        elif asked.act == "close":
            self.close(matter, asked.words)
        elif asked.act == "tell":
            self.tell(matter, asked.words)
        elif asked.act == "release":
            self.release(matter)
        else:
            self.note(matter, asked.words)
        if pending:
            self._forget()
        if alarming and asked.act in ("take",) and asked.words:
            self.effects.append(NoteMatter(matter.case, self.staff.name, self.inbound.body))
        return self.effects

    def _named(self, asked, alarming):
        """(matter, task, whether the code was refused) that the text is about; by code, else the only one that fits."""
        if asked.case:
            matter = next((m for m in self.world.matters if m.case == asked.case), None)
            task = next((t for t in self.world.tasks if t.case == asked.case), None)
            if matter or task:
                return matter, task, False
            if alarming:
                return None, None, False
            self.answer("nurse.code_unknown", case=asked.case, cases=self.cases())
            return None, None, True
        mine = self.held_by_me()
        if alarming and asked.act in ("unclear", "note", "take"):
            # alarms belong to a case only when she has taken the only one that is open
            return (mine[0] if len(mine) == 1 and len(self.open) == 1 else None), None, False
        if asked.act == "take":
            free = [matter for matter in self.open if not matter.taken]
            pool = free or self.open
            return (pool[0] if len(pool) == 1 else None), None, False
        if asked.act == "release":
            held = [m for m in self.world.matters if self._order_held(m)]
            patients = {m.patient_id for m in held}
            return (held[-1] if len(patients) == 1 else None), None, False
        if asked.act in ("close", "tell", "note"):
            pool = mine or self.open
            return (pool[0] if len(pool) == 1 else None), None, False
        return None, None, False

    def _order_held(self, matter):
        patient = self.world.patient(matter.patient_id)
        return bool(patient and patient.order and patient.order.held_at)

    def _on_task(self, task, asked):
        if asked.act in ("close", "take", "note"):
            if asked.act == "close":
                self.effects.append(EndTask(task.case, self.staff.id, asked.words.strip() or "done"))
                self.answer("nurse.closed", case=task.case)
            else:
                self.answer("nurse.noted", case=task.case)
        else:
            self.answer("nurse.forms", cases=self.cases())
        return self.effects

    def _not_placed(self, asked):
        if asked.act == "unclear":
            self.answer("nurse.forms", cases=self.cases())
        elif not self.open and not self.world.tasks:
            self.answer("nurse.none")
        else:
            self.answer("nurse.which", cases=self.cases(), case=(self.open or self.world.tasks)[0].case)
        return self.effects

    def _ask_about_self(self, reading):
        self.effects.append(SetPending(self.staff.phone.id, "nurse_self", self.inbound.id))
        self.effects.append(SetTimer(
            "nurse_self_silence", self.inbound.received_at + timedelta(minutes=self.world.practice.ask_minutes),
            phone_id=self.staff.phone.id))
        self.answer("nurse.self")
        return self.effects

    def _answer_about_self(self, asked, reading):
        """True when the text answered "a patient, or you?". Another alarm instead of an answer is read as "me"."""
        said = self.inbound.body.strip().lower().strip(".!")
        if asked.choice == 1 or said in ("patient", "a patient"):
            self._forget()
            self.answer("nurse.self.patient", cases=self.cases())
            return True
        if asked.choice == 2 or said in ("me", "myself", "i am", "its me") or reading.disposition in ("emergency", "urgent"):
            self._forget()
            self._text(self.staff.phone.number, render("emergency.unknown", "en", self.world.practice), "emergency",
                       "emergency.unknown")
            self.effects += nurse_in_need(self.world, self.staff, self.inbound.body)
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
    """A nurse wrote of an alarm and it may be about herself: a matter of its own, and the next person is paged."""
    others = [other for other in world.ladder if other.id != staff.id]
    case = world.codes[0]
    matter = OpenMatter(case=case, disposition="urgent", topic="other", kind=None, patient_id=None, phone_id=staff.phone.id,
                        from_number=staff.phone.number, words=words)
    return [matter, page(world, others[0] if others else None, "page.nurse_ill", case, "urgent", "other", staff.name, 0,
                         world.now)]


def nurse_text(world, inbound, staff, reading):
    """Effects of one text from a nurse, manager or coordinator."""
    return Desk(world, inbound, staff).read(reading)

