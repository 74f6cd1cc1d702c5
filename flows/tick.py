"""What falls due without a text: occasions, time-outs, pages, call-backs, texts that did not arrive. Pure."""

from datetime import timedelta

from flows import hours
from flows.alarm import holder_of, nobody_yet, raise_alarm, who_words
from flows.conversation import answers
from flows.ladder import next_step, unanswered
from flows.model import (
    Decision, Inbound, Infusion, PutInfusion, SetNextDue, SetPending, SetTimer, TaskTold, Text,
)
from flows.nurse import ON_HOLD, nurse_in_need
from flows.occasion import timing_of
from flows.phase import expected, running
from flows.phrases import when_words
from flows.content import render
from flows.say import call_back, due_words, page, say
from flows.schedule import next_occasion, occasions
from flows.turn import Turn
from flows.words import Because, Reading


def remind(world, patient):
    """The occasions of a patient's order up to now: the last one is reminded of when that is still useful and nothing
    stands against it; earlier ones, and one that is past its useful time, go to the coordinator as missed."""
    order, now = patient.order, world.now
    timing = timing_of(order, patient.zone)
    due = occasions(timing, order.next_due_at, now + timedelta(seconds=1))
    coming = next_occasion(timing, now)
    effects = [SetNextDue(order.id, coming.at if coming else None)]
    there = {infusion.due_on: infusion for infusion in patient.infusions if infusion.order_id == order.id}
    useful = timedelta(minutes=world.practice.reminder_useful_minutes)
    missed = []
    for number, occasion in enumerate(due, start=1):
        infusion = there.get(occasion.on)
        if infusion and infusion.state != "planned":
            continue  # started, done or skipped before its time
        infusion = infusion or Infusion(0, order.id, occasion.on, occasion.at, "planned")
        last = number == len(due)
        if order.held_at or not last or now - occasion.at > useful:
            state = "held" if order.held_at else "missed"
            effects.append(PutInfusion(order.id, occasion.on, occasion.at, {"state": state}))
            missed.append(occasion)
            continue
        effects += _remind_of(world, patient, infusion, len([e for e in effects if hasattr(e, "owner")]))
    if missed:
        about = ON_HOLD if order.held_at else "reminder not sent in time"
        owner = "nurse" if order.held_at else "coordinator"
        if not any(task.about == about for task in patient.tasks):
            effects.append(call_back(world, world.codes[0], about, about, patient.id, owner))
    return Decision(tuple(effects))


def _remind_of(world, patient, infusion, used):
    """The reminder of one occasion, or what is done instead while something stands against it."""
    against = "another dose is running" if running(patient) else "a matter is open" if patient.matters else None
    if against or not answers("time_to_infuse", patient.talk.state):
        about = f"no reminder: {against or 'a question is open'}"
        put = PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, {"state": "held" if against else "planned"})
        if against:
            return [put, call_back(world, world.codes[used + 1], about, about, patient.id)]
        # a question is open: the reminder waits for its end
        return [put, SetTimer("put_off", world.now + timedelta(minutes=world.practice.ask_minutes), patient.id, None, None)]
    turn = Turn(world, patient)
    turn.due = infusion
    effects = turn.run("time_to_infuse")
    if turn.phone is None or turn.phone.opted_out_at or turn.phone.stopped_why:
        about = "infusion due, no texts to this patient: call"
        effects.append(call_back(world, world.codes[used + 1], about, about, patient.id, "coordinator"))
    return effects


def time_out(world, timer):
    """One due time-out. A time-out whose question has been answered meanwhile comes to nothing."""
    patient = world.patient(timer.patient_id)
    if patient is None:
        return Decision(tuple(_phone_silence(world, timer)))
    state = patient.talk.state
    turn = Turn(world, patient, timer=timer)
    if timer.kind == "put_off":
        infusion = next((i for i in patient.infusions if i.state == "planned"), None)
        if infusion is None:
            return Decision()
        if patient.order is None or patient.order.held_at or patient.matters:
            return Decision((PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, {"state": "held"}),))
        if not answers("time_to_infuse", state):
            again = world.now + timedelta(minutes=world.practice.ask_minutes)
            return Decision((SetTimer("put_off", again, patient.id, timer.phone_id, infusion.id),))
        turn.due = infusion
        return Decision(tuple(turn.run("time_to_infuse")))
    if timer.kind == "second_reminder" and state == "reminded" and expected(patient):
        return Decision(tuple(turn.run("no_answer")))
    if timer.kind == "to_coordinator" and expected(patient) and state not in ("put_off", "with_nurse"):
        about = "no answer to the reminder"
        if any(task.about == about for task in patient.tasks):
            return Decision()
        return Decision((call_back(world, world.codes[0], about, about, patient.id, "coordinator"),))
    if timer.kind == "window_end" and expected(patient):
        if answers("window_ends", state):
            return Decision(tuple(turn.run("window_ends")))
        infusion = expected(patient)
        return Decision((PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, {"state": "missed"}),))
    if timer.kind == "running_question" and running(patient):
        if state == "running":
            return Decision(tuple(turn.run("should_be_done")))
        if state in ("safety", "second_dose"):  # that question is being answered or paged about; ask again after it
            again = world.now + timedelta(minutes=world.practice.ask_minutes)
            return Decision((SetTimer("running_question", again, patient.id, timer.phone_id),))
        return Decision()
    if timer.kind == "running_end" and running(patient):
        infusion, about = running(patient), "end of an infusion not known"
        put = PutInfusion(infusion.order_id, infusion.due_on, infusion.due_at, {"state": "stopped", "why": "end not known"})
        return Decision((put, call_back(world, world.codes[0], about, about, patient.id)))
    silent_in = {"running_silence": "asked_running", "problem_silence": "problem", "safety_silence": "safety",
                 "second_dose_silence": "second_dose", "check_in_silence": "check_in", "skipped_silence": "skipped",
                 "stopped_silence": "stopped"}
    if silent_in.get(timer.kind) == state:
        return Decision(tuple(turn.run("silence")))
    return Decision()


def _phone_silence(world, timer):
    """Silence after a question to a phone rather than to a patient."""
    pending = world.pending
    if pending is None:
        return []
    forget = SetPending(timer.phone_id, None)
    if timer.kind == "nurse_self_silence" and pending.asked == "nurse_self":
        staff = next((staff for staff in world.staff if staff.phone.id == timer.phone_id), None)
        return [forget, *nurse_in_need(world, staff, pending.body)] if staff else [forget]
    if timer.kind == "stranger_silence" and pending.asked == "safety":
        inbound = Inbound(pending.inbound_id, world.phone, world.phone.number, pending.body, 0, pending.asked_at)
        reading = Reading("urgent", "other", because=(Because("in-doubt", pending.body),))
        return [forget, *raise_alarm(world, inbound, reading, None, "en", key="safety.paging", matters=world.matters)]
    if timer.kind == "which_silence" and pending.asked == "which":
        task = call_back(world, world.codes[0], "text that could not be placed", pending.body, None)
        values = due_words(world, task.due_at, world.practice.zone, "en")
        return [forget, task, *say(world, world.phone, "nurse_will_look", "notice", "en", **values)]
    return []


def ladder_step(world, matter, pages, patient, numbers):
    """The next page of an open matter if it is due, and the word to the patient when nobody has answered in time.

    numbers: the telephone numbers that wrote about this matter and are told the truth about it.
    """
    effects = []
    step = next_step(matter, pages, world.ladder, world.practice, world.now)
    if step and step.due_at <= world.now:
        minutes = int((world.now - matter.raised_at).total_seconds() // 60)
        who = who_words(patient)
        key = "page" if step.number == 0 else "page.again"
        for staff in step.people or (None,):
            effects.append(page(world, staff, key, matter.case, matter.disposition, matter.about, who, step.number,
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
    if text.kind == "page" or text.timer:
        return Decision()
    if matter is not None and text.kind in ("emergency", "notice", "relay") and matter.closed_at is None:
        target = holder_of(world, matter) or (world.ladder[0] if world.ladder else None)
        body = page(world, target, "page.call", matter.case, matter.disposition, matter.about, who_words(patient), 0, world.now)
        return Decision((Text(number=body.number, body=body.body, kind="page", entry="page.call", case=matter.case, safety=True),))
    about = "text not delivered"
    if patient is None or any(task.about == about for task in patient.tasks):
        return Decision()
    return Decision((call_back(world, world.codes[0], about, text.entry, patient.id, "coordinator"),))

