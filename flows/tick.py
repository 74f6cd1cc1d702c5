"""What falls due without a text: occasions, time-outs, pages, call-backs, texts that did not arrive. Pure."""

from dataclasses import replace
from datetime import time, timedelta

from flows import hours, supply
from flows.alarm import holder_of, ladder_for, nobody_yet, open_alarm, raise_alarm, tell_more, who_words
from flows.content import render
from flows.conversation import FACTS, answers
from flows.ladder import next_step, unanswered
from flows.model import (
    ClearTimers, Decision, Inbound, Infusion, OpenTask, PutInfusion, PutSupply, SetLead, SetPending, SetTalk, SetTimer, TakeOver,
    Talk, TaskTold, Text,
)
from flows.nurse import nurse_in_need
from flows.occasion import next_due, remind_at, timing_of
from flows.phase import expected, running
from flows.phrases import when_words
from flows.readiness import ON_HOLD, QUIET_HOLDS, RUNNING, readiness
from flows.say import call_back, due_words, page, say
from flows.schedule import next_occasion, occasions, zone_on
from flows.turn import Turn, contact, staying
from flows.words import Because, Reading

NO_ANSWER = "no answer to the reminder"
REFILL = "refill"
NO_TEXTS = "infusion due, no texts to this patient: call"
CALLS_QUESTIONS = ("safety", "second_dose")


class Plan:
    """Effects of one tick for one patient. A task is opened once per `about`, each with a code of its own."""

    def __init__(self, world, patient):
        self.world, self.patient, self.effects = world, patient, []
        self.practice = patient.practice(world.practice)
        self.about = {task.about for task in patient.tasks}

    def task(self, about, owner="coordinator", due_at=None):
        if about not in self.about:
            used = sum(isinstance(effect, OpenTask) for effect in self.effects)
            task = call_back(self.world, self.world.codes[used], about, about, self.patient.id, owner)
            self.effects.append(task if due_at is None else replace(task, due_at=min(task.due_at, due_at)))
            self.about.add(about)

    def put(self, infusion, state):
        self.effects.append(PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, {"state": state}, infusion.extra))

    def decision(self):
        return Decision(tuple(self.effects))


def look_ahead(world, patient):
    """Some hours before an occasion: whatever will hold it is a nurse's task while there is time to mend it."""
    order, plan = patient.order, Plan(world, patient)
    plan.effects.append(SetLead(order.id, order.next_due_at))
    coming = next_occasion(timing_of(patient), order.next_due_at - timedelta(seconds=1))
    on = coming.on if coming else hours.local(order.next_due_at, patient.zone).date()
    ready = readiness(patient, on, order.next_due_at, world.practice)
    there = any(i.due_on == on and i.state not in ("planned", "held") for i in patient.infusions)
    if ready.level == "hold" and not there and ready.why != RUNNING:
        plan.task(ready.why, "nurse", due_at=order.next_due_at)
    return plan.decision()


def remind(world, patient):
    """The occasions of a patient's order up to now: the last one is reminded of when that is still useful and nothing
    stands against it; earlier ones, and one that is past its useful time, go to the coordinator as missed."""
    order, now, plan = patient.order, world.now, Plan(world, patient)
    timing, lead = timing_of(patient), timedelta(minutes=plan.practice.lead_minutes)
    due = [each for each in occasions(timing, order.next_due_at, now + lead + timedelta(seconds=1))
           if remind_at(each.at, plan.practice, zone_on(timing, each.on)) <= now]
    plan.effects.append(next_due(patient, plan.practice, due[-1].at if due else order.next_due_at - timedelta(seconds=1)))
    there = {infusion.due_on: infusion for infusion in patient.infusions if infusion.order_id == order.id and not infusion.extra}
    for infusion in patient.infusions:  # a new occasion ends the wait for the one before
        if infusion.state == "planned" and infusion.due_at < now and infusion.due_on not in {each.on for each in due}:
            plan.put(infusion, "missed")
            plan.task(NO_ANSWER)
    for occasion in due:
        infusion = there.get(occasion.on) or Infusion(0, order.id, occasion.on, occasion.at, "planned")
        if infusion.state != "planned" or infusion.reminded_at:
            continue  # started, done or skipped before its time, or reminded of already
        if occasion == due[-1] and (now - occasion.at <= _useful(world) or order.held_at):
            _remind_of(plan, infusion)
        elif order.held_at:
            plan.put(infusion, "held")
            plan.task(ON_HOLD, "nurse")
        else:
            plan.put(infusion, "missed")
            plan.task("reminder not sent in time")
    return plan.decision()


def take_over(world, patient):
    """The order that was written down for a later date is the current one from that date on."""
    coming, plan = patient.next_order, Plan(world, patient)
    plan.effects.append(TakeOver(patient.id, coming.id))
    start = hours.at_wall(coming.starts_on, time(0), patient.home_zone or patient.zone)
    plan.effects.append(next_due(replace(patient, order=coming), plan.practice, start - timedelta(seconds=1)))
    return plan.decision()


def _useful(world):
    return timedelta(minutes=world.practice.reminder_useful_minutes)


def _remind_of(plan, infusion, timer=None):
    """The reminder of one dose; or, while something holds it, a nurse's task and a text that does not ask for an
    infusion. While a closed question is open the reminder waits for its end, as long as it is of use."""
    world, patient = plan.world, plan.patient
    ready = readiness(patient, infusion.due_on, world.now, world.practice)
    if ready.level == "hold":
        plan.put(infusion, "held")
        plan.task(ready.why, "nurse")
        phone = contact(patient)
        emergency = any(matter.disposition == "emergency" for matter in patient.matters)
        if phone and ready.why != RUNNING and not emergency and patient.order.held_why not in QUIET_HOLDS and world.now - infusion.due_at <= _useful(world):
            plan.effects += say(world, phone.phone, "held_due", "notice", patient.lang, patient_id=patient.id,
                                occasion=f"{infusion.order_id}/{infusion.due_on.isoformat()}/held")
        return None
    state = patient.talk.state
    if state in CALLS_QUESTIONS:
        if world.now - infusion.due_at > _useful(world) and timer is None:
            plan.put(infusion, "missed")
            return plan.task("reminder not sent in time")
        plan.put(infusion, "planned")
        again = world.now + timedelta(minutes=world.practice.ask_minutes)
        return plan.effects.append(SetTimer("put_off", again, patient.id, timer.phone_id if timer else None))
    turn = Turn(world, patient, timer=timer)
    if state != "detail" and not answers("time_to_infuse", state):
        turn.state = "idle"  # a running or with_nurse talk that outlived its dose or matter
    turn.due, turn.check = infusion, ready.level == "check"
    plan.effects += turn.run(*(("advised",) if state == "detail" else ()), "time_to_infuse")
    if turn.phone is None or turn.phone.opted_out_at or turn.phone.stopped_why:
        plan.task(NO_TEXTS)
    return None


def refill(world, patient):
    """Once a day: supplies that no longer cover the practice's lead time are one task of the coordinator's."""
    plan, items = Plan(world, patient), supply.refill_due(patient, world.practice, world.now)
    if items and REFILL not in plan.about:
        words = ", ".join(f"{each.item}: {supply.number(each.left)} left, enough for {each.infusions}"
                          for each in supply.stocks(patient, world.now) if each.item in items)
        plan.effects.append(call_back(world, world.codes[0], REFILL, words, patient.id, "coordinator"))
        plan.effects += [PutSupply(patient.id, item, "refill", None, "ebbline") for item in items]
    return plan.decision()


def time_out(world, timer):
    """One due time-out. A time-out whose question has been answered meanwhile comes to nothing."""
    patient = world.patient(timer.patient_id)
    if patient is None:
        return Decision(tuple(_phone_silence(world, timer)))
    state, plan = patient.talk.state, Plan(world, patient)
    waiting = expected(patient)
    if timer.kind in ("put_off", "second_reminder") and _too_late_at_night(world, patient, timer):
        plan.effects.append(SetTimer(timer.kind, hours.quiet_end(plan.practice.quiet, world.now, patient.zone), patient.id,
                                     timer.phone_id, timer.infusion_id))
    elif timer.kind == "put_off":
        infusion = next((i for i in patient.infusions if i.state == "planned"), None)
        if infusion and patient.order:
            _remind_of(plan, infusion, timer)
    elif timer.kind == "second_reminder" and state == "reminded" and waiting:
        plan.effects += Turn(world, patient, timer=timer).run("no_answer")
    elif timer.kind == "to_coordinator" and waiting and state != "with_nurse":
        if NO_TEXTS not in plan.about:
            plan.task(NO_ANSWER)
    elif timer.kind == "window_end" and waiting:
        if answers("window_ends", state):
            plan.effects += Turn(world, patient, timer=timer).run("window_ends")
        else:
            plan.put(waiting, "missed")
            plan.task(NO_ANSWER)
    elif timer.kind == "running_question" and running(patient):
        if state == "running":
            plan.effects += Turn(world, patient, timer=timer).run("should_be_done")
        elif state in (*CALLS_QUESTIONS, "detail"):  # that question is being answered or paged about; ask again after it
            again = world.now + timedelta(minutes=world.practice.ask_minutes)
            plan.effects.append(SetTimer("running_question", again, patient.id, timer.phone_id))
    elif timer.kind == "running_end" and running(patient):
        infusion = running(patient)
        plan.effects.append(PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at,
                                        {"state": "stopped", "why": "end not known"}, infusion.extra))
        if state in ("running", "asked_running"):
            plan.effects.append(SetTalk(patient.id, Talk()))
        plan.task("end of an infusion not known", "nurse")
    elif timer.kind == "detail_silence" and state == "detail":
        plan.effects += Turn(world, patient, timer=timer).run("advised")
    elif timer.kind in ("follow_24", "follow_48"):
        if staying(patient, world.now):
            _ask_later(plan, timer, "day_after")
    elif timer.kind == "next_day":
        if not (running(patient) or patient.matters):
            _ask_later(plan, timer, "next_day")
    elif state in SILENT_IN.get(timer.kind, ()):
        plan.effects += Turn(world, patient, timer=timer).run("silence")
    return plan.decision()


def _too_late_at_night(world, patient, timer):
    """A reminder that comes long after its own time, in quiet hours, waits for their end."""
    late = world.now - timer.due_at > timedelta(minutes=30)
    return late and hours.is_quiet(patient.practice(world.practice).quiet, world.now, patient.zone)


def given_up(world, timer):
    """A time-out that could not be carried out again and again: a nurse is paged, as about a text that cannot be read."""
    patient = world.patient(timer.patient_id)
    reading = Reading("urgent", "other", detail=f"a time-out we could not carry out: {timer.kind.replace('_', ' ')}",
                      because=(Because("time-out", timer.kind),))
    return Decision(tuple(raise_alarm(world, None, reading, patient, "en", concerned=())))


def _ask_later(plan, timer, trigger):
    """A question of a later day, when the talk is free for it; else a little later, and never at night."""
    world, patient = plan.world, plan.patient
    free = answers(trigger, patient.talk.state) and not (running(patient) or patient.matters)
    if free and not hours.is_quiet(plan.practice.quiet, world.now, patient.zone):
        plan.effects += Turn(world, patient, timer=timer).run(trigger)
        return
    again = hours.quiet_end(plan.practice.quiet, world.now + LATER, patient.zone)
    plan.effects.append(SetTimer(timer.kind, again, patient.id, timer.phone_id))


LATER = timedelta(hours=1)
SILENT_IN = {"running_silence": ("asked_running",), "problem_silence": ("problem",), "safety_silence": ("safety",),
             "second_dose_silence": ("second_dose",), "check_in_silence": ("check_in", "follow_up", *FACTS),
             "skipped_silence": ("skipped",), "stopped_silence": ("stopped",)}


def _phone_silence(world, timer):
    """Silence after a question to a phone rather than to a patient."""
    pending = world.pending
    if pending is None:
        return []
    forget = [SetPending(timer.phone_id, None), ClearTimers(phone_id=timer.phone_id, kinds=(timer.kind,))]
    inbound = Inbound(pending.inbound_id, world.phone, world.phone.number, pending.body, 0, pending.asked_at)
    if timer.kind == "nurse_self_silence" and pending.asked == "nurse_self":
        staff = next((staff for staff in world.staff if staff.phone.id == timer.phone_id), None)
        return [*forget, *nurse_in_need(world, staff, pending.body)] if staff else forget
    if timer.kind == "stranger_silence" and pending.asked == "safety":
        reading = Reading("urgent", "other", detail="safety_question_in_doubt", because=(Because("in-doubt", pending.body),))
        return [*forget, *raise_alarm(world, inbound, reading, None, "en", key="safety.paging", matters=world.matters)]
    if timer.kind == "which_silence" and timer.data == "page" and not open_alarm(world.matters):
        reading = Reading("urgent", "other", detail="text that could not be placed, infusing", because=(Because("which", pending.body),))
        return [*forget, *raise_alarm(world, inbound, reading, None, "en", key="silent.paging")]
    if timer.kind == "which_silence" and pending.asked == "which":
        matter = open_alarm(world.matters)
        if matter:
            return [*forget, *tell_more(world, inbound, matter, None)]
        task = call_back(world, world.codes[0], "text that could not be placed", pending.body, None)
        values = due_words(world, task.due_at, world.practice.zone, "en")
        return [*forget, task, *say(world, world.phone, "nurse_will_look", "notice", "en", **values)]
    return []


def ladder_step(world, matter, pages, patient, numbers):
    """The next page of an open matter if it is due, and the word to the patient when nobody has answered in time.

    numbers: the telephone numbers that wrote about this matter and are told the truth about it.
    """
    effects = []
    step = next_step(matter, pages, ladder_for(world, matter), world.practice, world.now)
    if step and step.due_at <= world.now:
        minutes = int((world.now - matter.raised_at).total_seconds() // 60)
        key = "page" if step.number == 0 else "page.again"
        for staff in step.people or (None,):
            effects.append(page(world, staff, key, matter.case, matter.disposition, matter.about, who_words(patient), step.number,
                                matter.raised_at, minutes=minutes))
    if unanswered(matter, world.practice, world.now):
        effects += nobody_yet(world, matter, patient, numbers, patient.lang if patient else "en")
    return Decision(tuple(effects))


def overdue_at(task, practice):
    """When an open task is told of next: at its due time, after a further span of call-back working hours, then daily."""
    told = task.overdue_told_at
    if told is None:
        return task.due_at
    if told - task.due_at < timedelta(minutes=30):
        return hours.add_working(practice.hours, told, timedelta(hours=practice.call_back_hours), practice.zone)
    return hours.next_open(practice.hours, told + timedelta(hours=24), practice.zone)


def overdue(world, task):
    """An open task past its due time: a nurse's goes to the first on the ladder, and from the second time on to the
    last (the manager) too; a coordinator's to the coordinators. Always within working hours."""
    if world.now < overdue_at(task, world.practice):
        return Decision()
    patient = world.patient(task.patient_id)
    if task.owner == "coordinator":
        people = [staff for staff in world.staff if staff.role == "coordinator"]
    else:
        people = list(dict.fromkeys(world.ladder[:1] + (world.ladder[-1:] if task.overdue_told_at else ())))
    body = render("page.overdue", "en", world.practice, case=task.case, who=who_words(patient) if patient else "no patient",
                  topic=task.about, time=when_words(task.due_at, world.now, world.practice.zone, "en"))
    numbers = [staff.phone.number for staff in people] or [world.practice.fallback_number]
    return Decision((TaskTold(task.case), *(
        Text(number=number, body=body, kind="page", entry="page.overdue", case=task.case) for number in numbers)))


def undelivered(world, text, matter, patient):
    """A text of ours that will not arrive. Pages are the ladder's; a lost question counts as silence (its time-out is
    brought forward by the store); a lost instruction makes the nurse call; the rest goes to the coordinator's list."""
    if text.kind in ("page", "confirmation") or text.timer:
        return Decision()
    if matter is not None and matter.closed_at is None:
        people = ladder_for(world, matter)
        target = holder_of(world, matter) or (people[0] if people else None)
        body = page(world, target, "page.call", matter.case, matter.disposition, matter.about, who_words(patient), 0, world.now)
        return Decision((Text(number=body.number, body=body.body, kind="page", entry="page.call", case=matter.case, safety=True),))
    about = "text not delivered"
    if patient is None or any(task.about == about for task in patient.tasks):
        return Decision()
    return Decision((call_back(world, world.codes[0], about, text.entry, patient.id, "coordinator"),))
