"""The actions of the conversation: what each row of the machine's table does, as effects.

A `Turn` lives for one text or one time-out. It has a `state` that the machine moves, and collects effects; nothing
else changes.
"""

import re
from dataclasses import replace
from datetime import date, timedelta

from flows import advice, content, hours, log, phase, rotation, shortage
from flows.alarm import answer_open, open_alarm, raise_alarm, tell_more
from flows.amount import MOST
from flows.content import may_send, render
from flows.conversation import AFTER, ASKS, BACK, FACTS, QUESTIONS, answers, fire
from flows.model import (
    AddReaction, ClearTimers, DropTexts, EndPatient, HoldOrder, Inbound, MendReaction, OpenMatter, OpenTask, PutInfusion, PutLots,
    PutSites, PutSupply, SetTalk, SetTimer, Talk, Text,
)
from flows.occasion import further_dose, late_dose, moment, occasion_for
from flows.phrases import (
    clock_words, counted_sites_words, number_words, reaction_words, sites_words, supplies_words, when_words,
)
from flows.readiness import QUIET_HOLDS
from flows.reader import rules, spoken
from flows.say import call_back, due_words, minutes_later, say
from flows.segments import segments
from flows.words import Because, Reading, When

WAITS = ("second_reminder", "to_coordinator", "window_end", "put_off")  # time-outs of an occasion not yet answered
ASKED = ("running_question", "running_silence", "check_in_silence", "problem_silence", "skipped_silence",
         "stopped_silence", "safety_silence", "second_dose_silence", "detail_silence")
REACTIONS = {"site_leak": "leak", "site_swelling": "swelling", "site_itch": "itch", "site_pain": "pain",
             "needle_pain": "pain", "slow": "slow", "blood_before": "blood", "blood_after": "blood",
             "site_infection": "infection signs"}
STAYS = {"swelling", "redness", "itch", "pain"}  # local reactions that are asked about again a day and two days after
SYMPTOMS = {"headache", "fever", "gi", "heart", "faint", "urine", "hives", "itch_all_over", "other"}  # told at a check-in, kept on record
ALARM_TEXTS = {("urgent", "blood_before"): "urgent.blood"}  # urgent matters with an instruction of their own
AFTER_STOP_MINUTES = 30  # after being told to stop and call, a silent patient is asked about so much later
PAST_48 = "a site reaction past 48 hours"
OLDER = re.compile(r"\b(still|last (week|time|infusion|one)|yesterday|days?|todavia|sigue|la (semana|vez) pasada|ayer|dias?)\b", re.IGNORECASE)
AT_THE_NEEDLE = {"site_leak", "needle_pain", "slow", "blood_before", "blood_after"}  # told while setting up, these are of this dose
CHECKED_BEFORE = ("check_in", "problem", *FACTS, "follow_up")
SIGNS = {"breathing", "throat_swelling", "hives", "itch_all_over", "faint", "chest_pain", "stroke", "seizure", "confusion", "clot_limb", "headache",
         "neck_stiff", "fever", "urine", "jaundice", "gi", "heart"}  # told in an alarm, these stand on record as reactions too
AGO_OR_START = r"\b(ago|hours?|hrs?|minutes?|mins?|been|since|started|began|hace|horas?|minutos?|desde|lleva|empe\w+)\b"
NOT_A_REACTION = {"supply", "schedule", "question", "done", "thanks", "chatter", "stop_word", "slow", "other"}
TASKS = {"done": "text to look at", "thanks": "text to look at", "chatter": "text to look at", "other": "text to look at"}
VAGUE = re.compile(AFTER + r"|\b(after|before|when|once)\b.*\b(dinner|lunch|supper|work|school|shower|movie|game|church|kids?|bed)\b|\btonight\b|"
                   r"\bthis (evening|afternoon)\b|\b(despues de|antes de|cuando)\b|\bmas tarde en la noche\b|\ben la noche\b", re.IGNORECASE)
MAY_I = re.compile(r"\b(should|can|could|may|ok to|okay to|safe to|still (do|take|start|infuse)|puedo|debo|puede|debe)\b", re.IGNORECASE)
ALL_OF_IT = re.compile(r"\W*(yes,? |si,? )?(it was )?(all( of it)?|everything|the (full|whole|entire) (dose|amount|thing|syringe|bag|volume)|tod[oa]|complet[oa])\b"
                       r"(?! (good|fine|ok|well|set|right|bien|but|except))(?!.*\b(but|except|menos|pero)\b)", re.IGNORECASE)
AHEAD = timedelta(minutes=5)  # a reminder this long before the dose names its time
ANSWERABLE_MINUTES = 14 * 60  # a question of the check-in can be answered after a working day or a night
LEAST_LONE = 0.2  # a number without its unit below this part of the order is not taken for mL
MOST_PROMPTS = 4  # questions of one check-in, not counting what a problem is and how much it bothers
MUCH_BOTHER = 7  # of 10: a nurse hears of it (bands 0, 1-3, 4-6, 7-10: clinical 11, numeric rating scale)
ASKED_WITHIN = timedelta(hours=96)  # an older reaction is history and not asked about
NOT_YET_GONE_H = 47  # a reaction told of as long ago that is still there goes to a nurse ("past 48 hours", with an hour's slack)


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
        self.checking = None  # the dose whose check-in goes on after the steps of this text
        self.learnt = []      # what the confirmation in the next text says
        self.problem = False  # a problem was named in this check-in
        self.about = self.talk.about  # the complaint that waits for its advice
        self.doubt = None     # the facts of this text whose mL must be asked back, until they are

    # --- small tools ---

    @property
    def now(self):
        return self.world.now

    @property
    def phone(self):
        return self.speaker.phone if self.speaker else None

    @property
    def practice(self):
        """The practice's settings as they are for this patient."""
        return self.patient.practice(self.world.practice)

    def occasion(self):
        """The dose that a "starting" or "done" is about."""
        return occasion_for(self.patient, self.now, self.practice.late_window_hours)

    def ask_if_late(self, infusion):
        """A missed dose past the practice's window goes on record all the same; a nurse looks at it."""
        if late_dose(self.patient, infusion, self.now, self.practice):
            self._task("missed dose taken late", owner="nurse")

    def say(self, key, kind="notice", **values):
        if self.phone:
            self.effects += say(self.world, self.phone, key, kind, self.lang, patient_id=self.patient.id, **values)

    def add(self, sentence, first=False):
        """One sentence more in the text just said, if there is one and it keeps to its segments; whether it is in."""
        text = self.effects[-1] if self.effects else None
        if not isinstance(text, Text):
            return False
        body = f"{sentence} {text.body}" if first else f"{text.body} {sentence}"
        fits = len(segments(body).parts) <= content.entry(text.entry, self.lang).segments
        if fits:
            self.effects[-1] = replace(text, body=body)
        return fits

    def wait(self, kind, minutes, **more):
        self.effects.append(SetTimer(kind=kind, due_at=minutes_later(self.world, minutes), patient_id=self.patient.id,
                                     phone_id=self.phone.id if self.phone else None, **more))

    def stop_waiting(self, *kinds):
        self.effects.append(ClearTimers(patient_id=self.patient.id, kinds=kinds))

    def put(self, infusion, **changes):
        """Change a dose; the changed dose, so that later steps of this text see it."""
        self.effects.append(PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, dict(changes), infusion.extra))
        asked = changes.pop("asked", None)
        return replace(infusion, **changes, **({"asked": tuple(filter(None, asked.split(",")))} if asked is not None else {}))

    def clock(self, at):
        return clock_words(at, self.patient.zone)

    def run(self, *triggers):
        """Fire the triggers in turn, go on with the check-in if one is on, and return the effects, the new state last."""
        elsewhere = self.question_elsewhere()
        if elsewhere:
            self.state = self.back_to
        for number, trigger in enumerate(triggers, start=1):
            self.follows = number < len(triggers)
            self.before = self.state
            if trigger in ("cleared", "advised"):
                trigger = f"{trigger}_{BACK[self.back_to]}"
            if number > 1 and not answers(trigger, self.state):
                break  # the step before it has brought the nurse in
            fire(trigger, self)
        if self.checking is not None and self.state == "idle":
            self._go_on_checking()
        if self.doubt is not None:
            self._task("volume to check", owner="nurse")
        if elsewhere and self.state != "with_nurse":
            self.state, self.back_to = self.talk.state, self.state
            if self.back_to not in BACK:  # a second closed question: the first one stays the one that waits
                self.back_to = self.talk.back_to
        talk = Talk(state=self.state, back_to=self.back_to, asked_phone_id=self.asked_phone_id, unclear=self.unclear,
                    infusion_id=None, about=self.about if self.state == "detail" else "")
        if talk != self.talk:
            self.effects.append(SetTalk(self.patient.id, talk))
        return self.effects

    def question_elsewhere(self):
        """A closed question is out to another phone: this text is read as if it were not, and the question waits on."""
        return (self.inbound is not None and self.talk.state in QUESTIONS and self.phone is not None
                and self.talk.asked_phone_id is not None and self.phone.id != self.talk.asked_phone_id)

    # --- starting, running, done ---

    def start(self):
        infusion = self.occasion()
        started_at = self.now - timedelta(minutes=_ago(self.inbound.body) if self.inbound else 0)
        when = self.reading.when if self.reading else None
        named = self.inbound and re.search(r"\b(started|began|empe[cz]\w*)\b", self.inbound.body, re.IGNORECASE)
        if self.start_named:
            started_at = self.start_named
        elif when and when.clock and not when.in_days and named:
            day = hours.local(self.now, self.patient.zone).date()
            named = _before(when.clock, day, self.patient.zone, self.now, exact=when.meridiem_known)
            started_at = named if named and self.now - named < timedelta(hours=12) else started_at
        self.ask_if_late(infusion)
        infusion = self.put(infusion, state="running", started_at=started_at, started_by=self.speaker.name)
        self._exchange(self.learn(infusion))  # what else the text tells is of this dose
        self.stop_waiting(*WAITS, *ASKED, "next_day")
        minutes, passed = advice.expected_minutes(self.patient), (self.now - started_at).total_seconds() / 60
        self.wait("running_question", max(minutes - passed, 0) + self.practice.grace_minutes)
        self.wait("running_end", minutes + self.practice.window_hours * 60)
        if not self.follows:
            self.say("started", time=self.clock(started_at), minutes=round(self.patient.order.minutes))

    def start_again(self):
        """ "Starting" once more from the same phone: it runs as we know. The watch over it goes on."""
        self._watch_again()
        self.say_running()

    def say_running(self):
        self.say("started.already", time=self.clock(phase.running(self.patient).started_at))

    def _watch_again(self):
        """Ask anew: at the expected end, or when that is past, after the minutes of a running infusion's silence."""
        self.stop_waiting("running_silence", "running_question")
        end = phase.expected_end(self.patient) + timedelta(minutes=self.practice.grace_minutes)
        again = max(end, minutes_later(self.world, self.practice.silent_while_infusing_minutes))
        starter = next((s for s in self.patient.speakers if s.name == phase.running(self.patient).started_by), self.speaker)
        self.effects.append(SetTimer("running_question", again, self.patient.id, starter.phone.id))
        return again

    def say_waiting(self):
        self.say("waiting")

    def ask_if_started(self):
        """ "Still going", "not done yet" of a dose that nobody has said to have started: asked, never guessed."""
        self.say("started.unsure", "prompt")

    def say_automatic(self):
        self.say("automatic")

    def nurse_decides(self):
        self.say("stopped.wait")

    def ask_second_dose(self):
        infusion = phase.running(self.patient)
        self.back_to, self.asked_phone_id = "running", self.phone.id
        self.say("second_dose", "prompt", who=infusion.started_by, time=self.clock(infusion.started_at), safety=True,
                 timer="second_dose_silence")
        self.wait("second_dose_silence", self.practice.ask_minutes)

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

    def take_back_start(self):
        """It has not begun after all: the dose waits again, and its reminder comes later."""
        infusion = phase.running(self.patient)
        self.stop_waiting("running_question", "running_silence", "running_end")
        self._exchange(self.put(infusion, state="planned", started_at=None, started_by=None))
        self.put_off()

    def take_back_end(self):
        """It is not over after all: the dose runs on and is watched again."""
        infusion = self._latest()
        if infusion is None or infusion.state != "done" or self.patient.order is None:
            self.state = "idle"
            return self.say("started.unsure", "prompt")
        self.stop_waiting(*ASKED, "next_day")
        begun = infusion.started_at or self.now  # unknown: watched from now on
        self._exchange(self.put(infusion, state="running", started_at=begun, started_by=self.speaker.name, ended_at=None,
                                asked=""))
        self.wait("running_end", self.patient.order.minutes + self.practice.window_hours * 60)
        return self.keep_running()

    def _exchange(self, infusion):
        """Later steps of this text see the dose as it is now."""
        others = tuple(each for each in self.patient.infusions if each.key != infusion.key)
        self.patient = replace(self.patient, infusions=(infusion, *others))

    def finish(self):
        infusion = phase.running(self.patient) or self.occasion()
        self._end(infusion, self.now)

    def finish_before(self):
        """Done already: at the hour that the text names, yesterday if it says so, else today at this hour."""
        infusion, when, zone = self.occasion(), self.reading.when or When(), self.patient.zone
        ended_at = self.now
        last_night = re.search(r"\b(last night|anoche)\b", self.inbound.body, re.IGNORECASE)
        if last_night:
            when = replace(when, in_days=-1, meridiem_known=True,
                           clock=when.clock and (when.clock if int(when.clock[:2]) >= 12 else f"{int(when.clock[:2]) + 12}{when.clock[2:]}"))
        if re.search(r"\b(yesterday|ayer)\b", self.inbound.body, re.IGNORECASE):
            when = replace(when, in_days=-1)
        if when.clock:
            day = hours.local(self.now, zone).date() + timedelta(days=min(when.in_days, 0))
            latest = self.now if when.in_days >= 0 else hours.at_wall(day, hours.parse_clock("23:59"), zone)
            ended_at = _before(when.clock, day, zone, latest, exact=when.meridiem_known) or self.now
        elif when.in_days == -1:
            ended_at = self.now - timedelta(days=1)
        self._end(infusion, ended_at, why="reported afterwards")

    def finish_on_hold(self):
        """A dose done although the order is on hold goes on record, and a nurse hears of it."""
        self.finish()
        self._task("infused while on hold", owner="nurse")

    def _end(self, infusion, at, **more):
        self.ask_if_late(infusion)
        infusion = self.put(infusion, state="done", ended_at=at, **more)
        self.learnt.append("done " + self.clock(at) if self.lang == "en" else "termino " + self.clock(at))
        self.stop_waiting(*WAITS, *ASKED, "running_end", "next_day")
        self.checking = self.learn(infusion)
        if self._number(infusion) <= self.practice.first_infusions:
            self._later_question("next_day", at + timedelta(hours=18))

    def _number(self, infusion):
        """Which dose of this order it is, counted from 1."""
        return 1 + sum(i.state in ("done", "stopped") and i.key != infusion.key for i in self.patient.infusions
                       if i.order_id == infusion.order_id)

    def finish_again(self):
        last = phase.last_ended(self.patient)
        if last and last.state == "stopped":
            self._task("done after a stopped dose", owner="nurse")
            return self.nurse_decides()
        if last and self._facts(last).any and self.patient.order:
            self.state, self.checking = "idle", self.learn(last)
            return None
        return self.say("done.already", time=self.clock(last.ended_at if last else self.now))

    def stop(self):
        infusion = phase.running(self.patient) or self.occasion()
        infusion = self.put(infusion, state="stopped", ended_at=self.now, why=self.inbound.body[:200])
        infusion = self.learn(infusion)
        self.stop_waiting(*WAITS, *ASKED, "running_end")
        task = self._task("dose stopped early", owner="nurse")
        reaction = self._reaction_told()
        if reaction:
            self._reaction(infusion, reaction)
        if reaction or (self.reading.disposition in ("selfcare", "nurse") and self.reading.topic not in NOT_A_REACTION):
            self._hold("dose stopped early for a reaction", task.case)
        if infusion.volume_ml is not None:  # told in the same breath: nothing is asked
            self.state = "idle"
            return self.say("stopped.known", volume=number_words(infusion.volume_ml)) if not self.follows else None
        if not self.follows:
            self.say("stopped", "prompt")
        return self.wait("stopped_silence", self.practice.second_reminder_minutes)

    def give_volume(self):
        """The mL of a stopped dose, up to the ordered volume; more is asked back once, else it stays "not answered"."""
        self.stop_waiting("stopped_silence")
        last, order = phase.last_ended(self.patient), self.patient.order
        if last is None or last.state != "stopped" or order is None:
            return self.say("stopped.thanks")
        told = self._facts(last)
        volume_ml = next((ml for ml in (told.volume_ml, told.unlikely_ml, log.lone_number(self.inbound.body)) if ml is not None), None)
        if "volume_ml" in told.doubtful and told.unlikely_ml is None:
            volume_ml = None
        if volume_ml is not None and volume_ml <= order.volume_ml:
            last = self.put(last, volume_ml=volume_ml)
        elif volume_ml is not None or "volume_ml" in told.doubtful:
            self.doubt = replace(told, unlikely_ml=volume_ml)
        if told.sites and told.not_given_ml is None:
            self.effects.append(PutSites(last.key, told.sites))
        return self._check_volume(last) or self.say("stopped.thanks")

    # --- the check-in: what is not known yet is asked, each thing once ---

    def learn(self, infusion, bare_number=None):
        """Put the facts of this text on the dose's record and in the confirmation; the dose as it is then.

        A volume in doubt, or one that the order cannot mean, is not recorded: it is asked back once, then a nurse has a
        task. bare_number: the field that a lone number answers.
        """
        if self.inbound is None or self.patient.order is None:
            return infusion
        found, order = self._facts(infusion), self.patient.order
        complaint = self.reading is not None and self.reading.disposition == "selfcare"
        volume_ml = self._volume(found, bare_number) if infusion.state in ("done", "stopped") else None  # else it is yet to run
        changes = {}
        if volume_ml is not None and volume_ml > order.volume_ml * MOST:
            found, volume_ml = replace(found, doubtful=("volume_ml", *found.doubtful), unlikely_ml=volume_ml), None
        if "volume_ml" in found.doubtful and volume_ml is None and infusion.state in ("done", "stopped"):
            self.doubt = None if complaint else found  # "leaked, maybe 1 ml?" is no volume; how much went in is asked anyway
        elif volume_ml is not None:
            changes["volume_ml"] = volume_ml
            self.learnt.append(f"{number_words(volume_ml)} mL")
            if infusion.state == "done" and volume_ml < order.volume_ml * 0.9:
                self._task("less than ordered went in", owner="nurse")
        changes.update(self._times(infusion, found))
        infusion = self.put(infusion, **changes) if changes else infusion
        named = self._infused_sites(found, complaint, bare_number)
        if named:
            self.effects.append(PutSites(infusion.key, named))
            self.learnt.append(sites_words(named, self.lang))
            infusion = replace(infusion, sites=named)
        elif found.site_count and infusion.state == "done" and not infusion.sites:
            self.learnt.append(f"{found.site_count} {'sites' if self.lang == 'en' else 'sitios'}")
        lots = log.lots_answered(self.inbound.body) if bare_number == "lots" else found.lots
        if lots:
            self.effects.append(PutLots(infusion.key, tuple(map(tuple, lots))))
            self.learnt.append(", ".join(lot if ml is None else f"{lot} {number_words(ml)} mL" for lot, ml in lots))
            infusion = replace(infusion, lots=tuple(lot for lot, _ in lots))
        return infusion

    def _facts(self, infusion):
        """The facts of this text. Of a dose that ended on an earlier day, the hours told are that day's."""
        here = hours.local(self.now, self.patient.zone)
        earlier = infusion.ended_at is not None and hours.local(infusion.ended_at, self.patient.zone).date() < here.date()
        return log.facts(self.inbound.body, self.patient.order, "23:59" if earlier else f"{here:%H:%M}")

    def _volume(self, found, bare_number):
        """The mL that a text tells, None where it does not or is in doubt. "All of it" is what was ordered."""
        if found.volume_ml is not None or found.unlikely_ml is not None or "volume_ml" in found.doubtful:
            return found.volume_ml
        if bare_number != "amount" or found.not_given_ml is not None:
            return self.patient.order.volume_ml if found.whole else None
        lone = log.lone_number(self.inbound.body)
        if lone is not None and lone >= self.patient.order.volume_ml * LEAST_LONE:
            return lone  # a lone "1" is rather an answer to the question before
        return self.patient.order.volume_ml if found.whole or ALL_OF_IT.match(self.inbound.body) else None

    def _infused_sites(self, found, complaint, bare_number):
        """The sites that a text says the dose went into; what it says of a complaint's place is none of them."""
        named = found.sites
        if complaint:
            parts = [log.facts(part, self.patient.order) for part in re.split(r"[.;!?\n]", self.inbound.body)]
            named = next((part.sites for part in parts if part.volume_ml is not None), ())
            if len(named) < self.patient.order.sites:
                return ()  # one of several is where the trouble is
        sure = bare_number == "amount" or found.volume_ml is not None or len(named) > 1 or any(" " in site for site in named)
        if found.same and not named and not complaint:  # "the usual spots": those of the time before
            before = [dose for dose in self.patient.infusions if dose.state == "done" and dose.sites and dose.key != self._latest_key()]
            return max(before, key=lambda dose: dose.due_at).sites if before else ()
        return named if sure else ()

    def _latest_key(self):
        latest = phase.running(self.patient) or self._latest()
        return latest.key if latest else None

    def _times(self, infusion, found):
        """Start, end and minutes that a text tells, as changes of a dose that has ended."""
        if infusion.state not in ("done", "stopped") or infusion.ended_at is None:
            return {}
        zone, changes = self.patient.zone, {}
        day = hours.local(infusion.ended_at, zone).date()
        ended = _before(found.ended_local, day, zone, self.now, exact=True)
        if ended and found.started_local is None and infusion.started_at and ended <= infusion.started_at:
            ended = None  # it had not begun then
        if ended:
            changes["ended_at"] = ended
        started = _before(found.started_local, hours.local(ended or infusion.ended_at, zone).date(), zone, ended or infusion.ended_at, exact=True)
        if started and (ended or infusion.ended_at) - started < timedelta(hours=12):
            changes["started_at"] = started
            changes["minutes"] = round(((ended or infusion.ended_at) - started).total_seconds() / 60)
        elif found.minutes and infusion.state == "done":
            changes["minutes"] = found.minutes
            if infusion.started_at is None:
                changes["started_at"] = infusion.ended_at - timedelta(minutes=found.minutes)
        if "ended_at" in changes:  # the hour we took it for gives way to the one that was told
            self.learnt = [said for said in self.learnt if not said.startswith(("done ", "termino "))]
        if changes.get("started_at"):
            end = changes.get("ended_at", infusion.ended_at)
            self.learnt.append(f"{self.clock(changes['started_at'])} - {self.clock(end)}")
        elif "minutes" in changes:
            self.learnt.append(f"{changes['minutes']} min")
        return changes

    def _go_on_checking(self):
        """The next question of the check-in, or thanks; the confirmation shares its text."""
        infusion = self.checking
        if infusion.state == "stopped":  # of a stopped dose, nothing but its mL
            return self._check_volume(infusion) or self.say("stopped.thanks")
        if self._check_volume(infusion):
            return None
        question = next_question(infusion, self.practice, self.problem or self._has_problem(infusion))
        if question is None:
            nothing = self.before in FACTS and not self.learnt
            return self.say("check_in.no_fact" if nothing else "check_in.thanks", noted=self._noted())
        return self._ask(infusion, question)

    def _ask(self, infusion, question, *marks):
        """Ask a question of the check-in; the dose remembers it, so it is not asked twice."""
        self.put(infusion, asked=",".join(dict.fromkeys((*infusion.asked, question, *marks))))
        fire(ASKS[question], self)
        self.wait("check_in_silence", ANSWERABLE_MINUTES)
        return True

    def _check_volume(self, infusion):
        """Ask back a volume in doubt, once for a dose. A second one in doubt stays "not answered" and is a nurse's task."""
        if self.doubt is None or "again" in infusion.asked:
            return False
        return self._ask(infusion, "amount", "again")

    def _has_problem(self, infusion):
        return infusion.how == "problem"

    def _noted(self):
        """The confirmation: "Noted: 40 mL, left belly. " or nothing."""
        word = "Noted" if self.lang == "en" else "Anotado"
        return f"{word}: {', '.join(self.learnt)}. " if self.learnt else ""

    def _latest(self):
        """The dose that the check-in is about: the newest that has ended."""
        return phase.last_ended(self.patient)

    def ask_how(self):
        self.say("check_in", "prompt", noted=self._noted())

    def ask_bother(self):
        self.say("bother", "prompt", noted=self._noted())

    def ask_amount(self):
        """How many mL, and where. What was told before and is in doubt is asked back in its own words."""
        ordered, doubt, self.doubt = self.patient.order.volume_ml, self.doubt, None
        if doubt is None:
            self.say("amount", "prompt", noted=self._noted(), volume=number_words(ordered))
        elif doubt.unlikely_ml is None:
            self.say("amount.unsure", "prompt", noted=self._noted())
        else:
            key = "amount.more" if doubt.unlikely_ml > ordered else "amount.less"
            self.say(key, "prompt", noted=self._noted(), told=number_words(doubt.unlikely_ml), volume=number_words(ordered))

    def ask_times(self):
        found = self._facts(self.checking) if self.inbound and self.checking else log.Facts()
        unsure = {"started_local", "ended_local", "minutes"} & set(found.doubtful)
        self.say("times.unsure" if unsure else "times", "prompt", noted=self._noted())

    def ask_lots(self):
        self.say("lots", "prompt", noted=self._noted())

    def ask_next_day(self):
        self.say("next_day", "prompt")
        self.wait("check_in_silence", ANSWERABLE_MINUTES)

    def went_well(self):
        """All fine. What the text told of the dose besides is on record too."""
        self.stop_waiting(*ASKED)
        infusion = self.checking or self._latest()
        if infusion is None or infusion.state != "done" or self.patient.order is None:
            return self.say("check_in.thanks", noted=self._noted())
        infusion = self.learn(infusion) if self.checking is None else infusion
        if infusion.how != "unwell":
            infusion = self.put(infusion, how="fine")
        self.checking = infusion
        return None

    def take_facts(self):
        """The answer to a question for facts. What it does not tell stays "not answered" and is not asked again."""
        self.stop_waiting("check_in_silence")
        infusion = self._latest()
        if infusion is None or self.patient.order is None:
            return self.say("check_in.thanks", noted="")
        if self.before == "bother":
            found = re.search(r"\b(10|\d)\b", _digits(self.inbound.body))
            if found:
                self.effects.append(MendReaction(self.patient.id, bother=int(found[1])))
                self.learnt.append(f"{found[1]}/10")
                self.checking = infusion
                if int(found[1]) >= MUCH_BOTHER:
                    return self._call_back_about("a problem that bothers much")
                return None
        infusion = self.learn(infusion, bare_number=self.before)
        if self.before == "amount" and "again" in infusion.asked and infusion.volume_ml is None:
            self.doubt = self.doubt or log.Facts()  # asked back, and not answered
        self.checking = infusion
        return None

    def correct(self):
        """Facts about a dose that is on record already: the record changes and keeps a trace."""
        infusion = self.learn(self._latest())
        return self._check_volume(infusion) or self.say("corrected", noted=self._noted())

    def leave_unanswered(self):
        """What was not answered stays "not answered"; nobody is asked twice. A volume in doubt is a nurse's matter then."""
        infusion = self._latest()
        if infusion is not None and self.before == "amount" and "again" in infusion.asked and infusion.volume_ml is None:
            self._task("volume to check", owner="nurse")

    # --- later, skip ---

    def put_off(self):
        infusion, practice = phase.expected(self.patient) or self.occasion(), self.practice
        at = moment(self.reading.when, self.now, self.patient, practice)
        if at > infusion.due_at + timedelta(hours=practice.window_hours):
            return self.call_back()
        self.stop_waiting("second_reminder", *ASKED)
        self.effects.append(SetTimer("put_off", at, self.patient.id, self.phone.id, infusion.id))
        for kind, minutes in (("to_coordinator", practice.coordinator_after_minutes), ("window_end", practice.window_hours * 60)):
            self.effects.append(SetTimer(kind, at + timedelta(minutes=minutes), self.patient.id, None, infusion.id))
        vague = self.reading.when is None and VAGUE.search(self.inbound.body)
        self.say("later.vague" if vague else "later", "prompt" if vague else "notice",
                 when=when_words(at, self.now, self.patient.zone, self.lang))
        return None

    def skip(self):
        infusion = phase.expected(self.patient) or self.occasion()
        reason = reason_in(self.inbound.body)
        self.put(infusion, state="skipped", why=reason)
        self.stop_waiting(*WAITS, *ASKED)
        if reason:
            self.state = "idle"
            return self.say("skip.noted")
        self.wait("skipped_silence", self.practice.second_reminder_minutes)
        return self.say("skip", "prompt")

    def give_reason(self):
        last = next((i for i in self.patient.infusions if i.state == "skipped"), None)
        if last:
            self.put(last, why=self.inbound.body[:200])
        self.stop_waiting("skipped_silence")
        self.say("skip.thanks")
        if self.reading.disposition == "nurse" and self.reading.topic == "supply":  # the reason is one that somebody has to mend
            self._count_supplies()
            self._task("supply", owner="nurse")

    # --- complaints and questions ---

    def ask_problem(self):
        infusion = self._latest()
        if infusion and infusion.state == "done":
            self.put(infusion, how="problem")
        self.say("check_in.problem", "prompt", timer="problem_silence")
        self.stop_waiting(*(kind for kind in ASKED if kind != "running_question"))
        self.wait("problem_silence", self.practice.silent_while_infusing_minutes)

    def advise(self):
        """A complaint: what a nurse would ask is asked first, as far as it is not on record; then the fixed advice."""
        topic, order = advice.topic_of_blood(self.reading.topic, self.inbound.body), self.patient.order
        infusion = self._dose_of(topic, self.before)
        late = infusion is not None and infusion.ended_at and self.now - infusion.ended_at > timedelta(hours=48)
        if late and REACTIONS.get(topic) in ("swelling", "itch", "pain") and topic != "needle_pain":
            self._reaction(infusion, topic)
            return self._call_back_about(PAST_48)
        if infusion is not None and infusion.state == "done" and order and self.checking is None:
            infusion = self.learn(infusion)
        sites = self._reaction(infusion, topic)
        self.stop_waiting("check_in_silence", "problem_silence", "running_silence", "detail_silence")
        if self.before == "asked_running":
            self.wait("running_question", self.practice.silent_while_infusing_minutes)
        if infusion is not None and infusion.state == "done" and (self.checking or self.before in (*FACTS, "check_in", "problem")):
            self.problem = infusion.how != "unwell"
            self.checking = infusion = self.put(infusion, how="problem") if self.problem else infusion
        if topic == "slow" and self.before in ("reminded", "put_off"):
            self.stop_waiting("second_reminder")  # it runs: nobody is to be asked to start it
            if order and advice.started(self.inbound.body, "23:59") and not self.follows and re.search(AGO_OR_START, self.inbound.body, re.IGNORECASE):
                infusion = self._start_told() or infusion
        complaint = self._complaint(topic, self.reading.detail, sites, infusion)
        if self._cannot_wait(complaint, infusion):  # no routine advice beside it
            return self._advise(complaint, infusion)
        for other, detail in self._other_complaints(topic):
            self._advise(self._complaint(other, detail, sites, infusion), infusion)
            if self.state == "with_nurse":
                return None
        wanted = advice.missing(complaint)
        if wanted and order and answers("ask_detail", self.state) and self._may_advise(complaint, infusion):
            return self._ask_first(complaint, wanted, "check_in" if self.checking is not None else self.before)
        return self._advise(complaint, infusion)

    def _complaint(self, topic, detail, sites, infusion):
        """One complaint of this text with all that the text and the record know of it."""
        order = self.patient.order
        kind = "redness" if detail == "site_redness" else REACTIONS.get(topic, topic)
        complaint = advice.told(advice.Complaint(topic, detail), self.inbound.body, order and order.ml_per_site)
        if topic in ("blood_before", "blood_after") and advice.MENDED.search(self.inbound.body):
            complaint = replace(complaint, needle=complaint.needle or "before")
        if topic == "blood_before" and advice.not_started(self.inbound.body) and not phase.running(self.patient):
            complaint = replace(complaint, needle="before")
        if sites.get(kind):
            complaint = replace(complaint, site=", ".join(sites[kind]))
        return advice.on_record(complaint, self.patient, infusion, self.before, self.now)

    def _other_complaints(self, topic):
        """The first further complaint of the text, as ((topic, detail),); redness and itch are one, and so are the pains."""
        known = {rule.id: rule for rule in rules()}
        same = {"site_pain": "needle_pain", "needle_pain": "site_pain", "blood_before": "blood_after", "blood_after": "blood_before"}
        told = [known[each.rule] for each in self.reading.because if each.rule in known]
        found = [(rule.topic, rule.detail) for rule in told if rule.topic in advice.NEEDS and rule.disposition == "selfcare"
                 and rule.topic not in (topic, same.get(topic))]
        return tuple(dict.fromkeys(found))[:1] if self.patient.order else ()

    def _dose_of(self, topic, state):
        """The dose that a complaint told in this state is about: the one in the check-in, the one that runs or may run, else the last.
        What happens at a needle while a dose may run is never of the dose before it."""
        may_run = state in ("reminded", "put_off")
        if self.checking or phase.running(self.patient):
            return self.checking or phase.running(self.patient)
        if may_run and (topic in AT_THE_NEEDLE or not OLDER.search(self.inbound.body if self.inbound else "")):
            return phase.expected(self.patient)
        return self._latest()

    def _ask_first(self, complaint, wanted, back_to):
        asked = wanted if wanted in advice.QUESTIONS else wanted[:1]
        self.about = replace(complaint, asked=complaint.asked + asked).written()
        self.back_to, self.checking = back_to if back_to in BACK else "idle", None
        self.detail_asked = advice.question(asked)
        fire("ask_detail", self)

    def ask_detail(self):
        """The question, with the confirmation of what the text told besides; advice goes without its answer after some minutes."""
        self.say(self.detail_asked, "prompt", noted=self._noted())
        at_the_pump = phase.running(self.patient) or self.back_to in ("reminded", "put_off")
        self.wait("detail_silence", self.practice.ask_minutes if at_the_pump else self.practice.silent_while_infusing_minutes)

    def advise_told(self):
        """The answer to that question, or silence: the advice goes now. One more question only for what would change it."""
        self.stop_waiting("detail_silence")
        complaint = advice.complaint_of(self.about)
        if complaint is None or self.patient.order is None:
            return self.say("hello") if self.inbound and not self.follows else None
        checked = self.back_to in CHECKED_BEFORE
        infusion = self._latest() if checked else self._dose_of(complaint.topic, self.back_to)
        if self.inbound:
            choice = self.reading.choice if self.reading else None
            more = advice.told(complaint, self.inbound.body, self.patient.order.ml_per_site, choice)
            answered = more != complaint or (complaint.topic == "slow" and advice.started(self.inbound.body, "23:59"))
            if answered:  # the answer stands with the complaint's own words
                site = more.site if more.site != complaint.site else None
                self.effects.append(MendReaction(self.patient.id, site=site, words=self.inbound.body))
            complaint = more
            says_start = complaint.topic == "slow" or re.search(r"\b(start\w*|began|put it in|empe[cz]\w*)\b", self.inbound.body, re.IGNORECASE)
            if says_start and self.state in ("reminded", "put_off", "idle") and not self.follows:
                infusion = self._start_told() or infusion
        complaint = advice.on_record(complaint, self.patient, infusion, self.back_to, self.now)
        wanted = advice.missing(complaint) if self.inbound and not self.follows else ()
        if wanted:
            return self._ask_first(complaint, wanted, self.back_to)
        if checked and infusion is not None and infusion.state == "done":
            self.problem, self.checking = infusion.how != "unwell", infusion
            if self.inbound and len(log.sites(self.inbound.body)) == self.patient.order.sites:
                self.checking = infusion = self.learn(infusion)  # all of the sites were named; one of several is not where it all went
        return self._advise(complaint, infusion)

    def _start_told(self):
        """The start of a dose that nobody had told of, when a text names it; the dose, or None."""
        here = hours.local(self.now, self.patient.zone)
        told = advice.started(self.inbound.body, f"{here:%H:%M}")
        if told is None:
            return None
        at = self.now - timedelta(minutes=told[1]) if told[0] == "ago" else _before(told[1], here.date(), self.patient.zone, self.now, exact=True)
        if at is None or self.now - at > timedelta(hours=12):
            return None
        self.start_named = at
        follows, self.follows = self.follows, True
        fire("starting", self)
        self.follows = follows
        started = next(effect for effect in self.effects if isinstance(effect, PutInfusion) and effect.changes.get("state") == "running")
        return replace(self.occasion(), state="running", started_at=started.changes["started_at"])

    start_named = None  # the moment that an answer names as the start of a dose

    def _advice_key(self, complaint, infusion):
        return advice.entry(complaint, infusion, advice.far_over(self.patient, infusion, self.now))

    def _may_advise(self, complaint, infusion):
        """Is the advice signed (or the practice on trial)? Unsigned, nothing is asked for its sake either."""
        today = hours.local(self.now, self.practice.zone).date()
        return may_send(self._advice_key(complaint, infusion), self.lang, self.practice, today)

    def _advise(self, complaint, infusion):
        """The fixed text with the order's numbers; or the nurse, where a nurse must look."""
        at_once = self._cannot_wait(complaint, infusion)
        if at_once:
            return self._raise_instead(*at_once)
        words = self.inbound.body if self.inbound else ""
        if complaint.topic.startswith("blood") and infusion is not None and infusion.state == "running" and complaint.needle == "before":
            return self._call_back_about("blood in the tubing, a new set used")  # mended already: nothing to take out again
        if self._severe(complaint):
            return self._call_back_about("a strong site reaction", "nurse_list.strong")
        if advice.CHANGE.search(words):
            return self._call_back_about(complaint.topic, "nurse_list.change")
        if complaint.days is not None and complaint.days > advice.LONG_DAYS:
            return self._call_back_about(PAST_48)
        if complaint.amount == "more":
            return self._call_back_about("a larger leak", "leak.more")
        if complaint.topic == "site_leak" and complaint.amount is None:
            self._task("a leak, how much is not answered", owner="nurse")
        if self.patient.order is None or not self._may_advise(complaint, infusion):
            return self._call_back_about(complaint.topic, "nurse_will_look")
        if advice.far_over(self.patient, infusion, self.now) and complaint.topic == "slow":
            self._task("infusion far over its time", owner="nurse")
            self.stop_waiting("running_question")  # told to stop: not asked a minute later whether it runs
            self.wait("running_question", AFTER_STOP_MINUTES)
        kind = "redness" if complaint.detail == "site_redness" else REACTIONS.get(complaint.topic, complaint.topic)
        again = advice.comes_again(kind, self.patient, infusion, self.now)
        if again:
            self._task(f"repeated: {kind}", owner="nurse")
        def part(name, **known):
            return render(f"part.{name}", self.lang, self.practice, **known)

        self.say(self._advice_key(complaint, infusion), "advice",
                 **advice.values(complaint, replace(self.patient, lang=self.lang), infusion, self.now, part, again))
        if self.state == "running" and not (complaint.topic == "slow" and advice.far_over(self.patient, infusion, self.now)):
            self._watch_on()
        return None

    def _watch_on(self):
        """After a question in the middle of a running dose: it is still asked about at its end."""
        if self.before == "detail" and phase.running(self.patient):
            self._watch_again()

    def _severe(self, complaint):
        return complaint.topic in ("site_swelling", "site_itch", "site_pain") and self.inbound and advice.SEVERE.search(self.inbound.body)

    def _cannot_wait(self, complaint, infusion):
        """(topic, detail, entry) of a complaint that stops a running dose and pages, else None."""
        if complaint.topic.startswith("blood") and complaint.needle == "running":
            return "blood_before", "blood_while_running", "urgent.blood"
        if infusion is None or infusion.state != "running":
            return None
        if complaint.topic == "site_leak" and complaint.amount == "more":
            return "site_leak", "leak_while_running", "urgent.leak"
        return (complaint.topic, "strong_site_reaction", None) if self._severe(complaint) else None

    def _raise_instead(self, topic, detail, key):
        """What cannot wait while a dose runs: stop, and the on-call nurse (guide: urgent for blood; a leak of more than drops leaves the
        rest of the dose to a nurse's decision, design choice)."""
        words = self.inbound.body if self.inbound else detail.replace("_", " ")
        self.reading = Reading("urgent", topic, detail=detail, because=(Because(detail.replace("_", "-"), words),),
                               acts=self.reading.acts if self.reading else ())
        self.alarm_key = key
        fire("alarm", self)

    def _reaction_told(self):
        """The topic of a site reaction that the text tells of, be it the main thing it says or not; None without one."""
        topics = {rule.id: rule.topic for rule in rules()}
        told = [self.reading.topic] + [topics.get(each.rule) for each in self.reading.because]
        return next((topic for topic in told if topic in REACTIONS and topic != "slow"), None)

    def _reaction(self, infusion, topic):
        """Put each complaint on record with its own site, and ask about it again when it should be gone."""
        kind = "redness" if self.reading.detail == "site_redness" else REACTIONS.get(topic, topic)
        found = {rule.id: rule for rule in rules()}
        places = {kind: 0}
        for each in sorted(self.reading.because, key=lambda each: len(each.words), reverse=True):  # the closest words win
            rule = found.get(each.rule)
            if rule and rule.topic in REACTIONS:
                told = "redness" if rule.detail == "site_redness" else REACTIONS[rule.topic]
                places[told] = max(self.inbound.body.find(each.words), 0)
        sites = log.problem_sites(self.inbound.body, places)
        for told in places:  # what the text mainly says is the first
            self.effects.append(AddReaction(self.patient.id, infusion.key if infusion else None, told,
                                            ", ".join(sites.get(told, ())) or None, self.inbound.body))
        fresh = STAYS & set(places) - {reaction.kind for reaction in staying(self.patient, self.now)}
        if fresh:
            for kind, after in zip(("follow_24", "follow_48"), self.practice.follow_up_hours, strict=True):
                self._later_question(kind, self.now + timedelta(hours=after))
            self.stop_waiting("next_day")
        return sites

    def _later_question(self, kind, at):
        """A question of a later day; it moves to the end of quiet hours."""
        at = hours.quiet_end(self.practice.quiet, at, self.patient.zone)
        self.effects.append(SetTimer(kind, at, self.patient.id, self.phone.id if self.phone else None))

    def ask_if_gone(self):
        """A day or two after: is it gone? The hours said are the true ones."""
        found = staying(self.patient, self.now)
        if not found:  # it is gone, or history by now
            self.state = "idle"
            return self.say("unclear.idle", "prompt")
        first = found[-1]
        ago = round((self.now - first.told_at).total_seconds() / 3600)
        self.say("follow_up", "prompt", hours=ago, problem=reaction_words(first, self.lang))
        return self.wait("check_in_silence", ANSWERABLE_MINUTES)

    def reaction_gone(self):
        self.stop_waiting("follow_24", "follow_48", "check_in_silence")
        self.effects.append(MendReaction(self.patient.id, gone=True, since=self.now - ASKED_WITHIN))
        self.say("follow_up.gone")

    def reaction_stays(self):
        self.stop_waiting("check_in_silence")
        oldest = min((reaction.told_at for reaction in staying(self.patient, self.now)), default=self.now)
        if self.now - oldest >= timedelta(hours=NOT_YET_GONE_H):
            return self._call_back_about(PAST_48)
        return self.say("follow_up.stays")

    def _hold(self, why, case):
        if self.patient.order and not self.patient.order.held_at:
            self.effects.append(HoldOrder(self.patient.order.id, why, case))

    def call_back(self, key="nurse_list"):
        self._call_back_about(TASKS.get(self.reading.topic, self.reading.topic), key)
        self._count_supplies()
        last = self.checking or self._latest()
        if last and last.state == "done" and self.patient.order and (self.checking or self.before in (*FACTS, "check_in", "problem")):
            if self.reading.topic in SYMPTOMS:
                self.effects.append(AddReaction(self.patient.id, last.key, self.reading.topic, None, self.inbound.body))
                last = self.put(last, how="unwell")
            self.checking = self.learn(last)  # the check-in goes on besides

    def _call_back_about(self, about, key="nurse_list"):
        self.stop_waiting("check_in_silence", "problem_silence")
        known = any(task.about == about and task.owner == "nurse" for task in self.patient.tasks)
        task = self._task(about, owner="nurse")
        if known:
            return self.say("nurse_list.still")
        if self.before in ("reminded", "put_off") and self.inbound and MAY_I.search(self.inbound.body):
            key = "nurse_list.wait"
        return self.say(key, **due_words(self.world, task.due_at, self.patient.zone, self.lang))

    def _count_supplies(self):
        """What runs low, and how many are left where the text plainly says so, is a count in the ledger, and confirmed."""
        found = shortage.told(self.inbound.body) if self.inbound and self.reading.topic == "supply" else {}
        if not found:
            return
        items = supplies_words(found, self.lang)
        if not self.add(content.render("supply.noted", self.lang, self.practice, items=items), first=True):
            self.say("supply.noted", items=items)
        self.effects += [PutSupply(self.patient.id, item, "count", amount, self.speaker.name) for item, amount in found.items()]

    def _task(self, about, owner):
        """Open a task, or add to the one that is open about the same thing."""
        same = next((task for task in self.patient.tasks if task.about == about and task.owner == owner), None)
        if same:
            return same
        words = self.inbound.body if self.inbound else about
        task = call_back(self.world, self.world.codes[self._codes_used()], about, words, self.patient.id, owner)
        self.effects.append(task)
        return task

    def _codes_used(self):
        return sum(isinstance(effect, (OpenMatter, OpenTask)) for effect in self.effects)

    def greet(self):
        self.say("hello")

    def not_understood(self):
        if self.talk.unclear or self.phone.opted_out_at:  # one that we may not ask again goes to a person at once
            return self.call_back(key="nurse_will_look")
        self.unclear = 1
        again = {"check_in": self.ask_how, "problem": self._ask_problem_again, "bother": self.ask_bother, "amount": self.ask_amount,
                 "times": self.ask_times, "lots": self.ask_lots, "follow_up": self.ask_if_gone}.get(self.before)
        if again is None or (self.before in FACTS and self.patient.order is None):
            return self.say("unclear" if self.before in ("reminded", "put_off") else "unclear.idle", "prompt")
        self.say("unclear.short")
        return again()

    def _ask_problem_again(self):
        self.say("check_in.problem", "prompt", timer="problem_silence")

    # --- the safety question ---

    def ask_safety(self):
        """One closed question. Its wait counts from the patient's own text, however late we read it."""
        self.back_to, self.asked_phone_id = self.before if self.before in BACK else "idle", self.phone.id
        if self.checking is not None:
            self.back_to = "check_in"
            self.checking = None
        last = self._latest()
        if self.before in ("check_in", "follow_up") and last and last.state == "done" and self.reading and self.reading.choice == 3:
            self.put(last, how="unwell")
        self.say("safety", "prompt", safety=True, timer="safety_silence")
        since = self.inbound.received_at if self.inbound else self.now
        self.effects.append(SetTimer("safety_silence", since + timedelta(minutes=self.practice.ask_minutes),
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
        """None of the signs: the talk goes on where it stood."""
        self.stop_waiting("safety_silence")
        if self.state == "running" and phase.running(self.patient):
            self._watch_again()
        self.say("safety.clear")

    def clear_check_in(self):
        """None of the signs, in a check-in: it goes on with what is not known yet; who feels unwell is asked how."""
        self.stop_waiting("safety_silence")
        infusion = self._latest()
        if infusion is not None and infusion.how == "unwell":
            self.state = "problem"
            self.wait("problem_silence", self.practice.silent_while_infusing_minutes)
            return self.say("check_in.unwell", "prompt", timer="problem_silence")
        self.say("safety.clear")
        if infusion is not None and infusion.state == "done" and self.patient.order is not None:
            self.checking = infusion
        return None

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
        self.effects += raise_alarm(self._rest_of_world(), self.inbound or _silent(self), reading, self.patient, self.lang, key=key)

    def _rest_of_world(self):
        """The world with the case codes that this turn has not used."""
        return replace(self.world, codes=self.world.codes[self._codes_used():])

    def _note_end(self):
        """A text that says "done" or "stopped" in the middle of something else: the dose is not lost from the record."""
        held = next((dose for dose in self.patient.infusions if dose.state == "held" and abs(self.now - dose.due_at) < timedelta(hours=24)), None)
        open_dose = self.checking or phase.running(self.patient) or phase.expected(self.patient) or (held if "done" in self.reading.acts else None)
        if open_dose and {"done", "stopped"} & set(self.reading.acts):
            ended = self.put(open_dose, state="stopped" if "stopped" in self.reading.acts else "done", ended_at=self.now)
            ended = self.learn(ended)
            self._exchange(ended)  # what follows must not stop or hold it again

    def _second_dose(self, why):
        """A further dose that may have begun is kept as stopped, its mL not answered."""
        if self.patient.order is None:
            return
        self.put(further_dose(self.patient, self.now), state="stopped", started_at=self.now, started_by=self.speaker.name,
                 ended_at=self.now, why=why)

    # --- alarms ---

    def raise_alarm(self):
        self.stop_waiting("second_reminder", *ASKED)
        self._note_end()
        self.checking = None
        if self.reading.detail == "second_dose":
            self._second_dose("second dose in doubt, told to stop")
        self._record_told(phase.running(self.patient) or phase.expected(self.patient) or self._latest())
        key = ALARM_TEXTS.get((self.reading.disposition, self.reading.topic)) if self.alarm_key is None else self.alarm_key
        self.effects += raise_alarm(self._rest_of_world(), self.inbound, self.reading, self.patient, self._alarm_lang(),
                                    key=key, values=self.alarm_values)

    def _alarm_lang(self):
        """An alarm is answered in the language that it was written in, where the rule that matched knows it."""
        heard = spoken(self.inbound.body)
        ends = [each.rule.rsplit("-", 1)[-1] for each in self.reading.because]
        if heard == self.lang or self.lang in ends:
            return self.lang
        return heard or next((end for end in ends if end in ("en", "es")), self.lang)

    def tell_nurse_more(self):
        """With a matter open: what the text reports is recorded, the nurse hears of it, the sender hears the truth."""
        matter = open_alarm(self.patient.matters)
        if matter is None:  # the state outlived its matter: never leave the patient without an answer
            self.state = "idle"
            return self.say("unclear", "prompt")
        self._note_end()
        last = self._latest()
        if last is not None and self.now - last.ended_at < timedelta(hours=24) and self.patient.order:
            self.learn(last)
        self._record_told(last)
        self.effects += answer_open(self.world, self.inbound, matter, self.patient, self.lang)
        return None

    def _record_told(self, infusion):
        """The complaints and signs that an alarming text, or one beside an open matter, tells of: each on record with its place."""
        known = {rule.id: rule.topic for rule in rules()}
        told = dict.fromkeys([self.reading.topic, *(known.get(each.rule) for each in self.reading.because)])
        recorded = {effect.kind for effect in self.effects if isinstance(effect, AddReaction)}
        local = log.sites(self.inbound.body) or self.reading.topic in REACTIONS  # "my tongue is swelling" is no swollen site
        kinds = {REACTIONS.get(topic, topic): topic for topic in told if (topic in REACTIONS and local) or topic in SIGNS}
        for kind in kinds:
            if kind not in recorded and self.reading.disposition != "none" and self.reading.detail != "second_dose":
                site = ", ".join(log.sites(self.inbound.body)) if kinds[kind] in REACTIONS else ""
                self.effects.append(AddReaction(self.patient.id, infusion.key if infusion else None, kind, site or None, self.inbound.body))

    def in_hospital(self):
        """ "I'm in the hospital", "the doctor said stop": the order is held and the nurse has a task."""
        self._stand_still(QUIET_HOLDS[0], "hospital or told to stop")
        matter = open_alarm(self.patient.matters)
        if matter:
            self.effects += tell_more(self.world, self.inbound, matter, self.patient)
        else:
            self.state = "idle"
        self.say("hospital")

    def moved_away(self):
        """Moved house or to another practice: held until a person has sorted it out."""
        self._stand_still(QUIET_HOLDS[1], "moved away")
        self.say("moved")

    def therapy_over(self):
        """The therapy has ended, by the patient's word: held until a nurse has heard it from the prescriber."""
        self._stand_still(QUIET_HOLDS[2], QUIET_HOLDS[2])
        self.say("therapy_ended")

    def _stand_still(self, why, about):
        """Stop what runs, hold the order under a nurse's task, ask nothing more."""
        running, waiting = phase.running(self.patient), phase.expected(self.patient)
        if running:
            self.put(running, state="stopped", ended_at=self.now, why=f"told to stop: {why}")
        if waiting:
            self.put(waiting, state="held")
        self._hold(why, self._task(about, owner="nurse").case)
        self.stop_waiting(*WAITS, *ASKED, "follow_24", "follow_48", "next_day")

    def has_died(self):
        """A relative tells of the patient's death: one line of sympathy, and nothing more on any phone; people act."""
        running = phase.running(self.patient)
        if running:
            self.put(running, state="stopped", ended_at=self.now, why="patient died")
        self._task("patient died, by a relative's word", owner="nurse")
        self._task("patient died, by a relative's word: stop deliveries", owner="coordinator")
        self.say("died", safety=True)
        self.effects.append(EndPatient(self.patient.id, "patient died"))

    def after_closing(self):
        """The nurse closed the last open matter; her decision says the last line."""

    def say_stranger(self):
        if self.phone:
            self.effects += say(self.world, replace(self.phone, stopped_why=None), "stranger", "notice", self.lang,
                                occasion=f"stranger/{self.phone.id}/{self.now.date().isoformat()}")

    # --- time-outs ---

    def remind(self):
        infusion, practice = self.due, self.practice
        sent = "again" if infusion.reminded_at else "first"
        self.put(infusion, reminded_at=self.now)
        number = self.timer.id if self.timer else 0
        key = f"{infusion.order_id}/{infusion.due_on.isoformat()}/reminder" + (f"-{number}" if sent == "again" else "")
        ahead = infusion.due_at - self.now >= AHEAD  # then the text says when, and not "it is time"
        entry = "reminder.ahead" if ahead else "reminder.check" if self.check else "reminder"
        due = max(infusion.due_at, self.now)  # what follows counts from the dose, not from an early reminder
        self.say(self._reminder(entry), "reminder", name=self.patient.name, occasion=key, time=self.clock(infusion.due_at),
                 useless_after=due + timedelta(minutes=practice.reminder_useful_minutes))
        self._add_sites()
        self.stop_waiting(*WAITS, *ASKED, "next_day")
        second = hours.quiet_end(practice.quiet, due + timedelta(minutes=practice.second_reminder_minutes), self.patient.zone)
        self.effects.append(SetTimer("second_reminder", second, self.patient.id, self.phone and self.phone.id, infusion.id))
        coordinator = max(due + timedelta(minutes=practice.coordinator_after_minutes),
                          second + timedelta(minutes=practice.second_reminder_minutes))
        self.effects.append(SetTimer("to_coordinator", coordinator, self.patient.id, None, infusion.id))
        self.effects.append(SetTimer("window_end", due + timedelta(hours=practice.window_hours), self.patient.id,
                                     self.phone and self.phone.id, infusion.id))

    check = False  # the next reminder is the one with the extra words (a first infusion, after missed doses)

    def _add_sites(self):
        """The sites to use, where the practice wants them said: all that are ordered or none, and never in a discreet text."""
        today = hours.local(self.now, self.practice.zone).date()
        if not self.practice.sites_in_reminder or self.patient.wording == "discreet" or not (
            may_send("advice.sites", self.lang, self.practice, today)
        ):
            return
        proposal = rotation.for_patient(self.patient, self.practice, self.now)
        if not proposal.why:
            places = counted_sites_words(proposal.sites, self.lang)
            self.add(content.render("advice.sites", self.lang, self.practice, places=places))

    def remind_again(self):
        infusion = phase.expected(self.patient)
        self.say(self._reminder("reminder.second"), "reminder", name=self.patient.name,
                 occasion=f"{infusion.order_id}/{infusion.due_on.isoformat()}/second",
                 useless_after=minutes_later(self.world, self.practice.reminder_useful_minutes))

    def _reminder(self, key):
        """The entry for the person who gets it: discreet if she wants that; a caregiver is not asked about "your" infusion."""
        if self.patient.wording == "discreet":
            return f"{key}.discreet"
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
        over = phase.running(self.patient) is None or self.now >= phase.expected_end(self.patient)
        self.say("running_question" if over else "running_question.early", "prompt", safety=True, timer="running_silence")
        return self.wait("running_silence", self.practice.silent_while_infusing_minutes)


def next_question(infusion, practice, problem):
    """What the check-in asks next about a dose, or None: how it went, the bother of a problem, mL and sites, times, lots.

    Nothing that is known, and nothing twice; so at most four questions and, with the one what the problem is, two more.
    A volume that had to be asked back is one of the four.
    """
    if len(set(infusion.asked) - {"bother", "again"}) + ("again" in infusion.asked) > MOST_PROMPTS:
        return None
    open_questions = (
        ("how", infusion.how is None and not problem),
        ("bother", problem),
        ("amount", infusion.volume_ml is None or not infusion.sites),
        ("times", infusion.started_at is None),
        ("lots", practice.asks_lots and not infusion.lots),
    )
    return next((name for name, wanted in open_questions if wanted and name not in infusion.asked), None)


def staying(patient, now):
    """The local reactions that are asked about again: told of in the last days and not known to be gone, newest first."""
    return [reaction for reaction in patient.reactions if reaction.kind in STAYS and now - reaction.told_at < ASKED_WITHIN]


def _before(clock, day, zone, latest, exact=False):
    """The newest moment at or before `latest` whose wall time on or just before `day` is "HH:MM" (either half of the day
    when the text did not say), within a day; None when there is none or no clock."""
    if clock is None:
        return None
    hour, minute = (int(part) for part in clock.split(":"))
    halves = {hour, hour + 12} if 1 <= hour < 12 and not exact else {hour}
    options = [hours.at_wall(day - timedelta(days=back), hours.parse_clock(f"{h:02d}:{minute:02d}"), zone)
               for back in (0, 1) for h in halves]
    return max((at for at in options if latest - timedelta(hours=24) < at <= latest), default=None)


AGO = re.compile(r"\b(?:(an?|half an?|\d{1,3})\s*(hours?|hrs?|h|minutes?|mins?|min|m)\s+ago|hace\s+(una?|media|\d{1,3})\s*(horas?|minutos?|min))\b",
                 re.IGNORECASE)


def _ago(text):
    """Minutes since the moment that a text names ("an hour ago", "hace 20 minutos"), at most half a day; 0 without one."""
    found = AGO.search(text)
    if not found:
        return 0
    amount, unit = (found[1] or found[3]).lower(), (found[2] or found[4]).lower()
    count = 0.5 if amount.startswith(("half", "media")) else int(amount) if amount.isdigit() else 1
    minutes = count * 60 if unit.startswith("h") else count
    return minutes if minutes <= 12 * 60 else 0


SMALL = {"zero": "0", "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9",
         "cero": "0", "uno": "1", "dos": "2", "tres": "3", "cuatro": "4", "cinco": "5", "seis": "6", "siete": "7", "ocho": "8", "nueve": "9"}


def _digits(text):
    """The text with the small number words as digits."""
    return " ".join(SMALL.get(word.lower(), word) for word in re.findall(r"\w+|[^\w\s]", text))


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
