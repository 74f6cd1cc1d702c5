"""The actions of the conversation: what each row of the machine's table does, as effects.

A `Turn` lives for one text or one time-out. It has a `state` that the machine moves, and collects effects; nothing
else changes.
"""

import re
from dataclasses import replace
from datetime import date, timedelta

from flows import hours, phase
from flows.alarm import answer_open, open_alarm, raise_alarm, tell_more
from flows.content import may_send
from flows.conversation import BACK, QUESTIONS, fire
from flows.model import (
    AddReaction, ClearTimers, DropTexts, HoldOrder, Inbound, OpenMatter, OpenTask, PutInfusion, SetTalk, SetTimer, Talk,
)
from flows.occasion import further_dose, moment, occasion_for
from flows.phrases import clock_words, number_words, when_words
from flows.say import call_back, due_words, minutes_later, say
from flows.words import Because, Reading

WAITS = ("second_reminder", "to_coordinator", "window_end", "put_off")  # time-outs of an occasion not yet answered
ASKED = ("running_question", "running_silence", "check_in_silence", "problem_silence", "skipped_silence",
         "stopped_silence", "safety_silence", "second_dose_silence")
REACTIONS = {"site_leak": "leak", "site_swelling": "swelling", "site_itch": "itch", "site_pain": "pain",
             "needle_pain": "pain", "slow": "slow", "blood_before": "blood", "blood_after": "blood",
             "site_infection": "infection signs"}
NOT_A_REACTION = {"supply", "schedule", "question", "done", "thanks", "chatter", "stop_word", "slow", "other"}
TASKS = {"done": "text to look at", "thanks": "text to look at", "chatter": "text to look at", "other": "text to look at"}
ADVICE = {"site_leak", "site_swelling", "site_itch", "site_pain", "needle_pain", "slow", "blood_before", "blood_after"}
SITE = re.compile(
    r"\b(?:(?:left|right|upper|lower|izquierd[ao]|derech[ao])\s+)*"
    r"(?:side|belly|tummy|stomach|abdomen|thigh|leg|arm|hip|flank|lado|barriga|panza|abdomen|muslo|pierna|brazo|cadera)"
    r"(?:\s+(?:izquierd[ao]|derech[ao]))?\b|\b(?:left|right|izquierd[ao]|derech[ao])\b", re.IGNORECASE)


class Turn:
    """One message or time-out of one patient. `state` is moved by the machine; `effects` is what it comes to."""

    def __init__(self, world, patient, inbound=None, reading=None, speaker=None, timer=None):
        self.world, self.patient, self.inbound, self.reading, self.timer = world, patient, inbound, reading, timer
        self.talk, self.state = patient.talk, patient.talk.state
        self.back_to, self.asked_phone_id, self.unclear = patient.talk.back_to, patient.talk.asked_phone_id, 0
        self.speaker = speaker or (timer and speaker_on(patient, timer.phone_id)) or contact(patient)
        self.lang = patient.lang
        self.effects = []
        self.before = self.state
        self.alarm_key, self.alarm_values = None, {}  # another text than the usual one for an urgent matter
        self.follows = False  # another step of the same text follows, so this one asks nothing

    # --- small tools ---

    @property
    def now(self):
        return self.world.now

    @property
    def phone(self):
        return self.speaker.phone if self.speaker else None

    def say(self, key, kind="notice", **values):
        if self.phone:
            self.effects += say(self.world, self.phone, key, kind, self.lang, patient_id=self.patient.id, **values)

    def wait(self, kind, minutes, **more):
        self.effects.append(SetTimer(kind=kind, due_at=minutes_later(self.world, minutes), patient_id=self.patient.id,
                                     phone_id=self.phone.id if self.phone else None, **more))

    def stop_waiting(self, *kinds):
        self.effects.append(ClearTimers(patient_id=self.patient.id, kinds=kinds))

    def put(self, infusion, **changes):
        self.effects.append(PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, changes, infusion.extra))

    def clock(self, at):
        return clock_words(at, self.patient.zone)

    def run(self, *triggers):
        """Fire the triggers in turn and return the effects, the new state last."""
        elsewhere = self.question_elsewhere()
        if elsewhere:
            self.state = self.back_to
        for number, trigger in enumerate(triggers, start=1):
            self.follows = number < len(triggers)
            self.before = self.state
            if trigger == "cleared":
                trigger = f"cleared_{BACK[self.back_to]}"
            fire(trigger, self)
        if elsewhere and self.state != "with_nurse":
            self.state, self.back_to = self.talk.state, self.state
            if self.back_to not in BACK:  # a second closed question: the first one stays the one that waits
                self.back_to = self.talk.back_to
        talk = Talk(state=self.state, back_to=self.back_to, asked_phone_id=self.asked_phone_id, unclear=self.unclear,
                    infusion_id=None)
        if talk != self.talk:
            self.effects.append(SetTalk(self.patient.id, talk))
        return self.effects

    def question_elsewhere(self):
        """A closed question is out to another phone: this text is read as if it were not, and the question waits on."""
        return (self.inbound is not None and self.talk.state in QUESTIONS and self.phone is not None
                and self.talk.asked_phone_id is not None and self.phone.id != self.talk.asked_phone_id)

    # --- starting, running, done ---

    def start(self):
        order = self.patient.order
        infusion = occasion_for(self.patient, self.now)
        self.put(infusion, state="running", started_at=self.now, started_by=self.speaker.name)
        self.stop_waiting(*WAITS, *ASKED)
        self.wait("running_question", order.minutes + self.world.practice.grace_minutes)
        self.wait("running_end", order.minutes + self.world.practice.window_hours * 60)
        if not self.follows:
            self.say("started", time=self.clock(self.now), minutes=round(order.minutes))

    def start_again(self):
        """ "Starting" once more from the same phone: it runs as we know. The watch over it goes on."""
        self._watch_again()
        self.say_running()

    def say_running(self):
        self.say("started.already", time=self.clock(phase.running(self.patient).started_at))

    def _watch_again(self):
        """Ask anew: at the expected end, or when that is past, after the minutes of a running infusion's silence."""
        practice = self.world.practice
        self.stop_waiting("running_silence", "running_question")
        end = phase.expected_end(self.patient) + timedelta(minutes=practice.grace_minutes)
        again = max(end, minutes_later(self.world, practice.silent_while_infusing_minutes))
        starter = next((s for s in self.patient.speakers if s.name == phase.running(self.patient).started_by), self.speaker)
        self.effects.append(SetTimer("running_question", again, self.patient.id, starter.phone.id))
        return again

    def say_waiting(self):
        self.say("waiting")

    def nurse_decides(self):
        self.say("stopped.wait")

    def ask_second_dose(self):
        infusion = phase.running(self.patient)
        self.back_to, self.asked_phone_id = "running", self.phone.id
        self.say("second_dose", "prompt", who=infusion.started_by, time=self.clock(infusion.started_at), safety=True,
                 timer="second_dose_silence")
        self.wait("second_dose_silence", self.world.practice.ask_minutes)

    def one_dose(self):
        self.stop_waiting("second_dose_silence")
        running = phase.running(self.patient)
        if running is None:  # the other phone has said "done" meanwhile
            self.state = "idle"
            return self.say("hello")
        self._watch_again()
        return self.say("second_dose.same", time=self.clock(running.started_at))

    def keep_running(self):
        self.say("running_fine", time=self.clock(self._watch_again()))

    def finish(self):
        infusion = phase.running(self.patient) or occasion_for(self.patient, self.now)
        self._end(infusion, self.now)
        if not self.follows:
            self.say("check_in", "prompt", time=self.clock(self.now))

    def finish_before(self):
        """Done already: today at this hour unless the text says yesterday; the hour itself is not known."""
        infusion = occasion_for(self.patient, self.now)
        yesterday = self.reading.when and self.reading.when.in_days == -1
        self._end(infusion, self.now - timedelta(days=1) if yesterday else self.now, why="reported afterwards")
        if not self.follows:
            self.say("already", "prompt")

    def _end(self, infusion, at, **more):
        self.put(infusion, state="done", ended_at=at, **more)
        self.stop_waiting(*WAITS, *ASKED)
        self.wait("check_in_silence", self.world.practice.second_reminder_minutes)

    def finish_on_hold(self):
        """A dose done although the order is on hold goes on record, and a nurse hears of it."""
        self.finish()
        self._task("infused while on hold", owner="nurse")

    def finish_again(self):
        last = phase.last_ended(self.patient)
        if last and last.state == "stopped":
            self._task("done after a stopped dose", owner="nurse")
            return self.nurse_decides()
        return self.say("done.already", time=self.clock(last.ended_at if last else self.now))

    def went_well(self):
        self.stop_waiting(*ASKED)
        self.say("check_in.thanks")

    def stop(self):
        infusion = phase.running(self.patient) or occasion_for(self.patient, self.now)
        self.put(infusion, state="stopped", ended_at=self.now, why=self.inbound.body[:200])
        self.stop_waiting(*WAITS, *ASKED)
        task = self._task("dose stopped early", owner="nurse")
        if self.reading.topic in REACTIONS:
            self._reaction(infusion)
        if self.reading.disposition in ("selfcare", "nurse") and self.reading.topic not in NOT_A_REACTION:
            self._hold("dose stopped early for a reaction", task.case)
        if not self.follows:
            self.say("stopped", "prompt")
        self.wait("stopped_silence", self.world.practice.second_reminder_minutes)

    def give_volume(self):
        """The mL of a stopped dose: a number up to the ordered volume, else it stays "not answered"."""
        last, order = phase.last_ended(self.patient), self.patient.order
        found = re.search(r"\d+(?:[.,]\d+)?", self.inbound.body)
        volume_ml = float(found.group().replace(",", ".")) if found else None
        if last and last.state == "stopped" and order and volume_ml is not None and volume_ml <= order.volume_ml:
            self.put(last, volume_ml=volume_ml)
        self.stop_waiting("stopped_silence")
        self.say("stopped.thanks")

    # --- later, skip ---

    def put_off(self):
        infusion, practice = phase.expected(self.patient) or occasion_for(self.patient, self.now), self.world.practice
        at = moment(self.reading.when, self.now, self.patient, practice)
        if at > infusion.due_at + timedelta(hours=practice.window_hours):
            return self.call_back()
        self.stop_waiting("second_reminder", *ASKED)
        self.effects.append(SetTimer("put_off", at, self.patient.id, self.phone.id, infusion.id))
        for kind, minutes in (("to_coordinator", practice.coordinator_after_minutes), ("window_end", practice.window_hours * 60)):
            self.effects.append(SetTimer(kind, at + timedelta(minutes=minutes), self.patient.id, None, infusion.id))
        self.say("later", when=when_words(at, self.now, self.patient.zone, self.lang))
        return None

    def skip(self):
        infusion = phase.expected(self.patient) or occasion_for(self.patient, self.now)
        reason = reason_in(self.inbound.body)
        self.put(infusion, state="skipped", why=reason)
        self.stop_waiting(*WAITS, *ASKED)
        if reason:
            self.state = "idle"
            return self.say("skip.noted")
        self.wait("skipped_silence", self.world.practice.second_reminder_minutes)
        return self.say("skip", "prompt")

    def give_reason(self):
        last = next((i for i in self.patient.infusions if i.state == "skipped"), None)
        if last:
            self.put(last, why=self.inbound.body[:200])
        self.stop_waiting("skipped_silence")
        self.say("skip.thanks")

    # --- complaints and questions ---

    def ask_problem(self):
        self.say("check_in.problem", "prompt", timer="problem_silence")
        self.stop_waiting(*(kind for kind in ASKED if kind != "running_question"))
        self.wait("problem_silence", self.world.practice.silent_while_infusing_minutes)

    def advise(self):
        topic = self.reading.topic
        self._reaction(phase.running(self.patient) or phase.last_ended(self.patient))
        self.stop_waiting("check_in_silence", "problem_silence", "running_silence")
        if self.talk.state == "asked_running":
            self.wait("running_question", self.world.practice.silent_while_infusing_minutes)
        key = f"advice.{topic}" if topic in ADVICE else "advice.mild"
        if not may_send(key, self.lang, self.world.practice, hours.local(self.now, self.world.practice.zone).date()):
            return self.call_back(key="nurse_will_look")
        order = self.patient.order
        values = {"volume": number_words(order.volume_ml), "sites": order.sites,
                  "minutes": round(order.minutes)} if order else {"volume": "?", "sites": "?", "minutes": "?"}
        return self.say(key, "advice", **values)

    def _reaction(self, infusion):
        """Put the complaint on record with the site that the text names."""
        kind = "redness" if self.reading.detail == "site_redness" else REACTIONS.get(self.reading.topic, self.reading.topic)
        found = SITE.search(self.inbound.body)
        self.effects.append(AddReaction(self.patient.id, infusion.id if infusion and infusion.id else None, kind,
                                        found.group().lower() if found else None, self.inbound.body))

    def _hold(self, why, case):
        if self.patient.order and not self.patient.order.held_at:
            self.effects.append(HoldOrder(self.patient.order.id, why, case))

    def call_back(self, key="nurse_list"):
        self.stop_waiting("check_in_silence", "problem_silence")
        task = self._task(TASKS.get(self.reading.topic, self.reading.topic), owner="nurse")
        self.say(key, **due_words(self.world, task.due_at, self.patient.zone, self.lang))

    def _task(self, about, owner):
        """Open a task, or add to the one that is open about the same thing."""
        same = next((task for task in self.patient.tasks if task.about == about and task.owner == owner), None)
        if same:
            return same
        used = sum(isinstance(effect, (OpenMatter, OpenTask)) for effect in self.effects)
        words = self.inbound.body if self.inbound else about
        task = call_back(self.world, self.world.codes[used], about, words, self.patient.id, owner)
        self.effects.append(task)
        return task

    def greet(self):
        self.say("hello")

    def not_understood(self):
        if self.talk.unclear or self.phone.opted_out_at:  # one that we may not ask again goes to a person at once
            return self.call_back(key="nurse_will_look")
        self.unclear = 1
        return self.say("unclear", "prompt")

    # --- the safety question ---

    def ask_safety(self):
        """One closed question. Its wait counts from the patient's own text, however late we read it."""
        self.back_to, self.asked_phone_id = self.before if self.before in BACK else "idle", self.phone.id
        self.say("safety", "prompt", safety=True, timer="safety_silence")
        since = self.inbound.received_at if self.inbound else self.now
        self.effects.append(SetTimer("safety_silence", since + timedelta(minutes=self.world.practice.ask_minutes),
                                     self.patient.id, self.phone.id))

    def ask_safety_and_call_back(self):
        self._task(self.reading.topic, owner="nurse")
        self.ask_safety()

    def ask_about_picture(self):
        self._task("picture", owner="nurse")
        self.say("picture", safety=True)
        self.ask_safety()

    def page_picture(self):
        """A picture while a dose runs may show anything, and we cannot see it."""
        self._task("picture", owner="nurse")
        self._page("other", "picture_while_infusing", "picture.paging")

    def clear(self):
        """None of the signs: the talk goes on where it stood, with the question that stood there."""
        self.stop_waiting("safety_silence")
        last = phase.last_ended(self.patient)
        if self.state == "check_in" and last:
            self.wait("check_in_silence", self.world.practice.second_reminder_minutes)
            return self.say("check_in", "prompt", time=self.clock(last.ended_at))
        if self.state == "running" and phase.running(self.patient):
            self._watch_again()
        return self.say("safety.clear")

    def page_in_doubt(self):
        """An unclear answer, silence, or a question that did not arrive: the nurse is paged as if it were an alarm."""
        second = self.talk.state == "second_dose"
        if self.phone:
            self.effects.append(DropTexts(self.phone.number, ("safety", "second_dose")))
        if self.inbound:
            self._note_end()
        if second and self.reading and self.reading.choice == 2:
            self._second_dose("second dose, told to stop")
        self._page("dosing_error" if second else "other", "second_dose_in_doubt" if second else "safety_question_in_doubt",
                   "safety.paging")

    def page_silent(self):
        self._page("other", "silent_while_infusing" if self.talk.state == "asked_running" else "silent_about_a_problem",
                   "silent.paging")

    def _page(self, topic, detail, key):
        reading = Reading("urgent", topic, detail=detail, because=(Because(detail, detail.replace("_", " ")),))
        self.stop_waiting(*ASKED)
        used = sum(isinstance(effect, (OpenMatter, OpenTask)) for effect in self.effects)
        world = replace(self.world, codes=self.world.codes[used:])
        self.effects += raise_alarm(world, self.inbound or _silent(self), reading, self.patient, self.lang, key=key)

    def _note_end(self):
        """A text that says "done" or "stopped" in the middle of something else: the dose is not lost from the record."""
        running = phase.running(self.patient)
        if running and {"done", "stopped"} & set(self.reading.acts):
            self.put(running, state="stopped" if "stopped" in self.reading.acts else "done", ended_at=self.now)

    def _second_dose(self, why):
        """A further dose that may have begun is kept as stopped, its mL not answered."""
        if self.patient.order is None:
            return
        self.put(further_dose(self.patient, self.now), state="stopped", started_at=self.now, started_by=self.speaker.name,
                 ended_at=self.now, why=why)

    # --- alarms ---

    def raise_alarm(self):
        self.stop_waiting("second_reminder", *ASKED)
        if self.reading.detail == "second_dose":
            self._second_dose("second dose in doubt, told to stop")
        used = sum(isinstance(effect, (OpenMatter, OpenTask)) for effect in self.effects)
        world = replace(self.world, codes=self.world.codes[used:])
        self.effects += raise_alarm(world, self.inbound, self.reading, self.patient, self.lang, key=self.alarm_key,
                                    values=self.alarm_values)

    def tell_nurse_more(self):
        """With a matter open: what the text reports is recorded, the nurse hears of it, the sender hears the truth."""
        matter = open_alarm(self.patient.matters)
        if matter is None:  # the state outlived its matter: never leave the patient without an answer
            self.state = "idle"
            return self.say("unclear", "prompt")
        self._note_end()
        self.effects += answer_open(self.world, self.inbound, matter, self.patient, self.lang)
        return None

    def in_hospital(self):
        """ "I'm in the hospital", "the doctor said stop": the order is held and the nurse has a task."""
        running, waiting = phase.running(self.patient), phase.expected(self.patient)
        if running:
            self.put(running, state="stopped", ended_at=self.now, why="told to stop: hospital or prescriber")
        if waiting:
            self.put(waiting, state="held")
        self._hold("hospital or prescriber", self._task("hospital or told to stop", owner="nurse").case)
        self.stop_waiting(*WAITS, *ASKED)
        matter = open_alarm(self.patient.matters)
        if matter:
            self.effects += tell_more(self.world, self.inbound, matter, self.patient)
        else:
            self.state = "idle"
        self.say("hospital")

    def after_closing(self):
        """The nurse closed the last open matter; her decision says the last line."""

    def say_stranger(self):
        if self.phone:
            self.effects += say(self.world, self.phone, "stranger", "notice", self.lang)

    # --- time-outs ---

    def remind(self):
        infusion, practice = self.due, self.world.practice
        sent = "again" if infusion.reminded_at else "first"
        self.put(infusion, reminded_at=self.now)
        number = self.timer.id if self.timer else 0
        key = f"{infusion.order_id}/{infusion.due_on.isoformat()}/reminder" + (f"-{number}" if sent == "again" else "")
        self.say(self._reminder("reminder"), "reminder", name=self.patient.name, occasion=key,
                 useless_after=minutes_later(self.world, practice.reminder_useful_minutes))
        self.stop_waiting(*WAITS, *ASKED)
        second = hours.quiet_end(practice.quiet, minutes_later(self.world, practice.second_reminder_minutes),
                                 self.patient.zone)
        self.effects.append(SetTimer("second_reminder", second, self.patient.id, self.phone and self.phone.id, infusion.id))
        coordinator = max(minutes_later(self.world, practice.coordinator_after_minutes),
                          second + timedelta(minutes=practice.second_reminder_minutes))
        self.effects.append(SetTimer("to_coordinator", coordinator, self.patient.id, None, infusion.id))
        self.wait("window_end", practice.window_hours * 60, infusion_id=infusion.id)

    def remind_again(self):
        infusion = phase.expected(self.patient)
        self.say(self._reminder("reminder.second"), "reminder", name=self.patient.name,
                 occasion=f"{infusion.order_id}/{infusion.due_on.isoformat()}/second",
                 useless_after=minutes_later(self.world, self.world.practice.reminder_useful_minutes))

    def _reminder(self, key):
        """The entry for the person who gets it: a caregiver is not asked about "your" infusion."""
        return f"{key}.for" if self.speaker and self.speaker.role == "caregiver" else key

    def count_missed(self):
        infusion = phase.expected(self.patient)
        self.put(infusion, state="missed")
        self.stop_waiting(*WAITS)
        self._task("no answer to the reminder", owner="coordinator")

    def ask_running(self):
        if self.phone is None or self.phone.opted_out_at or self.phone.stopped_why:
            self.state = "running"
            return self._task("infusion should be over, no texts to this patient: call", owner="nurse")
        self.say("running_question", "prompt", safety=True, timer="running_silence")
        return self.wait("running_silence", self.world.practice.silent_while_infusing_minutes)

    def leave_unanswered(self):
        """What was not answered stays "not answered"; nobody is asked twice."""


def _silent(turn):
    """A pretended inbound for a page that silence caused, so that the patient hears of it."""
    phone = turn.phone
    return Inbound(id=0, phone=phone, from_number=phone.number if phone else "", body="(silence)", media_count=0,
                   received_at=turn.now)


def speaker_on(patient, phone_id):
    """The patient's speaker with this phone, or None."""
    return next((speaker for speaker in patient.speakers if speaker.phone.id == phone_id), None)


def contact(patient):
    """The person who gets a patient's reminders: the caregiver of a child, else the patient, else any caregiver."""
    own = [speaker for speaker in patient.speakers if speaker.role == "patient"]
    others = [speaker for speaker in patient.speakers if speaker.role != "patient"]
    ordered = others + own if patient.born_on and _child(patient) else own + others
    reachable = [s for s in ordered if not s.phone.opted_out_at and not s.phone.stopped_why]
    return next(iter(reachable or ordered), None)


def _child(patient):
    return (patient.order.starts_on if patient.order else date.max) < date(
        patient.born_on.year + 18, patient.born_on.month, min(patient.born_on.day, 28))


def reason_in(text):
    """The reason that follows "skip": what is left when the skip words are gone, or None when nothing much is."""
    rest = re.sub(r"^\W*(?:i\s+(?:will|have\s+to|need\s+to|want\s+to|am)|i'?ll|im|gonna)?\W*(?:skip(?:ping|ped)?|hoy no|no hoy)"
                  r"(?:\s+(?:it|this|one|today|tonight|week|dose|the))*[\s,.;:-]*(?:because|bc|cuz|porque|since|as)?\s*", "", text,
                  flags=re.IGNORECASE)
    return rest.strip()[:200] if len(rest.split()) >= 1 and rest.strip() and rest.strip() != text.strip() else None

