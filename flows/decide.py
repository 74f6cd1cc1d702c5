"""One inbound text: who sent it, what it says, what is to be done. The alarm screen runs first, on every text."""

import re
from dataclasses import replace

from flows.alarm import open_alarm, raise_alarm, short_and_state, tell_more, kind_of
from flows.conversation import TABLE, answers, triggers_of
from flows.model import (
    ClearTimers, Decision, HoldOrder, OptIn, OptOut, SetPending, SetTimer, StopPhone, Text,
)
from flows.nurse import nurse_text
from flows.occasion import too_soon
from flows.phase import infusing, phase_of, running
from flows.phrases import OR, when_words
from flows.reader import read
from flows.say import call_back, minutes_later, say
from flows.turn import Turn, speaker_on
from flows.words import Because, Reading

WHICH_WAIT_MINUTES = 30  # after this a text that nobody could place goes to the nurse's list
ASKED = {"safety": "safety", "check_in": "check_in", "asked_running": "running_question", "second_dose": "second_dose",
         "problem": "check_in.problem", "stopped": "stopped", "skipped": "skip", "reminded": "reminder"}
NEEDS_ORDER = ("starting", "done", "already", "still_running", "stop", "later", "skip", "volume", "reason")


def decide(world, inbound):
    """The `Decision` on one recorded inbound text. Pure; nothing has changed when it returns."""
    staff = next((staff for staff in world.staff if staff.phone.number == inbound.from_number), None)
    if staff:
        return Decision(tuple(nurse_text(world, inbound, staff, read(inbound.body))))
    phone_id = inbound.phone.id if inbound.phone else None
    mine = [patient for patient in world.patients if speaker_on(patient, phone_id)]
    if not mine:
        return Decision(tuple(_stranger(world, inbound)))
    if len(mine) == 1:
        return Decision(tuple(_patient(world, inbound, mine[0])))
    return Decision(tuple(_one_of_several(world, inbound, mine)))


# --- a patient ------------------------------------------------------------------------------------------------------


def _patient(world, inbound, patient):
    speaker = speaker_on(patient, inbound.phone.id)
    asked_here = patient.talk.asked_phone_id in (None, inbound.phone.id)
    asked = ASKED.get(patient.talk.state) if asked_here else None
    reading = read(inbound.body, lang=patient.lang, phase=phase_of(patient, world.now), asked=asked)
    by_phone = _open_by_phone(world, inbound)
    if by_phone and not open_alarm(patient.matters):  # a matter from when it was not clear whom it was about
        patient = replace(patient, matters=(by_phone, *patient.matters))
    turn = Turn(world, patient, inbound, reading, speaker)
    calm = reading.disposition not in ("emergency", "urgent")
    if calm and "opt_out" in reading.acts:
        return _opt_out(world, inbound, patient, turn)
    if calm and "help" in reading.acts:
        return _help(world, inbound, patient, turn)
    if calm and "opt_in" in reading.acts and inbound.phone.opted_out_at:
        return _opt_in(world, inbound, patient)
    if calm and "wrong_number" in reading.acts and not infusing(patient, world.now) and not open_alarm(patient.matters):
        return _wrong_number(world, inbound, patient)
    if open_alarm(patient.matters) and turn.state not in ("with_nurse", "ended"):
        turn.state = "with_nurse"
    triggers = [_checked(trigger, turn, speaker) for trigger in triggers_of(reading, _state_here(turn), inbound.media_count)]
    return turn.run(*_answered(triggers, _state_here(turn)))


def _state_here(turn):
    """The state that this phone's text is read in: a closed question to another phone is not this one's."""
    return turn.back_to if turn.question_elsewhere() else turn.state


def _answered(triggers, state):
    """Only triggers that the table answers in turn; a first one without a row is "not understood", never nothing."""
    kept = []
    for trigger in triggers:
        name = "cleared_idle" if trigger == "cleared" else trigger
        if trigger == "cleared" or answers(name, state):
            kept.append(trigger)
            row = next((row for row in TABLE if row[0] == name and state in row[1]), None)
            state = state if row is None or row[2] == "=" else row[2]
    return kept or ["unclear"]


def _checked(trigger, turn, speaker):
    """A step that the record forbids becomes an alarm or a call-back: no order, an order on hold, a second dose."""
    patient, world = turn.patient, turn.world
    if trigger in NEEDS_ORDER and patient.order is None:
        return "call_back"
    if trigger not in ("starting", "still_running") or turn.state in ("stopped",):
        return trigger
    now_running = running(patient)
    if trigger == "still_running" and now_running:
        return trigger
    lang = patient.lang
    if patient.order.held_at and not now_running:
        turn.reading = Reading("urgent", "dosing_error", detail="started_while_on_hold",
                               because=(Because("started-while-held", turn.inbound.body),))
        turn.alarm_key = "urgent.held"
        return "alarm"
    if now_running:
        return "starting" if now_running.started_by == speaker.name else "second_start"
    last = too_soon(patient, world.now)
    if last:
        turn.reading = Reading("urgent", "dosing_error", detail="second_dose", because=(Because("second-dose", turn.inbound.body),))
        turn.alarm_key = "urgent.second_dose"
        turn.alarm_values = {"when": when_words(last.ended_at, world.now, patient.zone, lang)}
        return "alarm"
    return trigger


def _opt_out(world, inbound, patient, turn):
    """STOP and its kin: honoured at once. Around an infusion, or with a matter open, it is also a call for help."""
    effects = [OptOut(inbound.phone.id)]
    open_now = open_alarm(patient.matters)
    if open_now or infusing(patient, world.now):
        effects += say(world, inbound.phone, "opt_out.call", "notice", patient.lang, patient_id=patient.id, safety=True)
        turn.reading = Reading("urgent", "stop_word", because=(Because("opt-out-word", inbound.body),))
        turn.alarm_key = ""
        effects += turn.run("alarm")
    else:
        effects += say(world, inbound.phone, "opt_out", "notice", patient.lang, patient_id=patient.id, safety=True)
    effects.append(call_back(world, world.codes[1], "opted out of texts", inbound.body, patient.id, "coordinator"))
    return effects


def _help(world, inbound, patient, turn):
    """HELP: the standard answer, and the safety question while an infusion may run; with a matter open, a page."""
    effects = say(world, inbound.phone, "help", "notice", patient.lang, patient_id=patient.id, safety=True)
    if open_alarm(patient.matters):
        turn.state = "with_nurse"
        turn.reading = Reading("urgent", "other", detail="wrote_help", because=(Because("help-word", inbound.body),))
        return effects + turn.run("alarm")
    if infusing(patient, world.now):
        state = _state_here(turn)
        return effects + turn.run("unsure" if answers("unsure", state) else "in_doubt" if answers("in_doubt", state) else "more")
    return effects


def _opt_in(world, inbound, patient):
    phone = replace(inbound.phone, opted_out_at=None)
    return [OptIn(phone.id), *say(world, phone, "opt_in", "notice", patient.lang, patient_id=patient.id)]


def _wrong_number(world, inbound, patient):
    """ "Wrong number", "who is this": stop, tell nothing, and a person looks."""
    return [
        *say(world, inbound.phone, "wrong_number", "notice", patient.lang),
        StopPhone(inbound.phone.id, "wrong number"),
        call_back(world, world.codes[0], "wrong number", inbound.body, patient.id, "coordinator"),
    ]


# --- one phone, several patients --------------------------------------------------------------------------------------


def _one_of_several(world, inbound, patients):
    """Whom is it about? A name, the only one that waits for a word, else we ask; an alarm does not wait for that."""
    pending = world.pending if world.pending and world.pending.asked == "which" else None
    reading = read(inbound.body, lang=patients[0].lang)
    named = [patient for patient in patients if _names(patient, inbound.body)]
    if pending and len(named) == 1:
        earlier = replace(inbound, body=pending.body)
        bare = len(re.findall(r"\w+", inbound.body)) <= 3
        return [
            SetPending(inbound.phone.id, None), ClearTimers(phone_id=inbound.phone.id, kinds=("which_silence",)),
            *_patient(world, earlier if bare else replace(inbound, body=f"{pending.body}. {inbound.body}"), named[0]),
        ]
    if len(named) == 1:
        return _patient(world, inbound, named[0])
    waiting = [patient for patient in patients if patient.talk.state != "idle"]
    if len(waiting) == 1 and not named:
        return _patient(world, inbound, waiting[0])
    if reading.disposition in ("emergency", "urgent"):
        return _alarm_for_any(world, inbound, reading, patients)
    matter = _open_by_phone(world, inbound)
    if matter:
        return [*tell_more(world, inbound, matter, None),
                Text(number=inbound.from_number, body=short_and_state(world, matter, patients[0].lang), kind=kind_of(matter),
                     entry="short", case=matter.case, safety=True)]
    if reading.disposition == "ask" or {"opt_out", "help", "wrong_number"} & set(reading.acts):
        return _patient(world, inbound, max(patients, key=lambda patient: infusing(patient, world.now)))
    choices = f" {OR[patients[0].lang]} ".join(patient.name for patient in patients)
    return [
        SetPending(inbound.phone.id, "which", inbound.id),
        SetTimer("which_silence", minutes_later(world, WHICH_WAIT_MINUTES), phone_id=inbound.phone.id),
        *say(world, inbound.phone, "which", "prompt", patients[0].lang, choices=choices),
    ]


def _names(patient, text):
    return re.search(rf"\b{re.escape(patient.name.casefold())}\b", text.casefold()) is not None


def _alarm_for_any(world, inbound, reading, patients):
    """An alarm from a phone of several patients: instruction and page at once, and every order on hold till it is clear."""
    matter = _open_by_phone(world, inbound)
    effects = raise_alarm(world, inbound, reading, None, patients[0].lang, matters=(matter,) if matter else (),
                          who=" or ".join(patient.initials for patient in patients))
    if reading.disposition == "emergency":
        effects += [HoldOrder(patient.order.id, f"emergency: {reading.topic}, patient not named")
                    for patient in patients if patient.order and not patient.order.held_at]
    return effects


def _open_by_phone(world, inbound):
    """The open alarm that this phone raised without a known patient, or None."""
    return open_alarm(tuple(matter for matter in world.matters
                            if matter.patient_id is None and matter.from_number == inbound.from_number))


# --- a number on no file ------------------------------------------------------------------------------------------------


def _stranger(world, inbound):
    reading = read(inbound.body)
    matter = _open_by_phone(world, inbound)
    pending = world.pending if world.pending and world.pending.asked == "safety" else None
    lang, phone = reading.lang, inbound.phone
    if pending:
        reading = read(inbound.body, asked="safety")
        done = [SetPending(phone.id, None), ClearTimers(phone_id=phone.id, kinds=("stranger_silence",))]
        if reading.disposition == "none" and ("no" in reading.acts or reading.choice == 2):
            return done + say(world, phone, "stranger", "notice", lang)
        if reading.disposition not in ("emergency", "urgent"):
            reading = Reading("urgent", "other", because=(Because("in-doubt", inbound.body),))
        return done + raise_alarm(world, inbound, reading, None, lang, matters=(matter,) if matter else ())
    if reading.disposition in ("emergency", "urgent"):
        return raise_alarm(world, inbound, reading, None, lang, matters=(matter,) if matter else ())
    if matter:
        return [*tell_more(world, inbound, matter, None),
                Text(number=inbound.from_number, body=short_and_state(world, matter, lang), kind=kind_of(matter), entry="short",
                     case=matter.case, safety=True)]
    if "opt_out" in reading.acts:
        return [OptOut(phone.id), *say(world, phone, "opt_out", "notice", lang, safety=True)]
    if "help" in reading.acts:
        return say(world, phone, "help", "notice", lang, safety=True)
    if "opt_in" in reading.acts and phone.opted_out_at:
        return [OptIn(phone.id)]
    if reading.disposition == "ask":
        return [
            SetPending(phone.id, "safety", inbound.id),
            SetTimer("stranger_silence", minutes_later(world, world.practice.ask_minutes), phone_id=phone.id),
            *say(world, phone, "safety", "prompt", lang, safety=True),
        ]
    # once a day: another automatic line must not keep us talking
    return say(world, phone, "stranger", "notice", lang, occasion=f"stranger/{phone.id}/{world.now.date().isoformat()}")


# --- a text that could not be read ----------------------------------------------------------------------------------------


def unreadable(world, inbound):
    """What is done when deciding on a text raised an exception: a nurse is paged, the sender hears of it. Kept to the
    least that can fail: nothing of the conversation is read."""
    reading = Reading("urgent", "other", detail="a message we could not read", because=(Because("unreadable", inbound.body),))
    staff = any(staff.phone.number == inbound.from_number for staff in world.staff)
    return Decision(tuple(raise_alarm(world, inbound, reading, None, "en", key="" if staff else "unreadable",
                                      matters=tuple(m for m in world.matters if m.from_number == inbound.from_number))))

