"""The conversation with a patient: one shared machine, and a light model of one message.

`TABLE` is the whole machine. A row says: on this trigger, in these states, go there and do that. The triggers are what
texts say (`trigger_of`) and what time-outs bring; the actions are methods of `Turn`, which only append effects.
"""

from transitions import Machine

STATES = (
    "idle",           # nothing is expected
    "reminded",       # the reminder is out and not answered: an infusion may run
    "put_off",        # the patient wants to be reminded later
    "running",        # the patient said that it started
    "asked_running",  # past its expected end: asked whether it still runs
    "second_dose",    # a second "starting" from another phone: asked whether it is the same infusion
    "check_in",       # done: asked how it went
    "problem",        # a problem was named without saying which
    "skipped",        # skipped: asked for the reason
    "stopped",        # stopped early: asked how many mL went in
    "safety",         # the closed safety question is out
    "with_nurse",     # an emergency or urgent matter is open: no routine talk
    "ended",          # no longer served here: nothing is sent but safety texts
)
CALM = ("idle", "reminded", "put_off", "check_in", "problem", "skipped", "stopped")
RUNNING = ("running", "asked_running")
QUESTIONS = ("safety", "second_dose")  # only the phone that was asked can answer
SERVED = CALM + RUNNING

# (trigger, from these states, to this state or "=" for the same, action)
TABLE = (
    ("starting", ("idle", "reminded", "put_off", "check_in", "problem", "skipped"), "running", "start"),
    ("starting", RUNNING, "running", "start_again"),
    ("starting", ("stopped",), "=", "nurse_decides"),
    ("second_start", SERVED, "second_dose", "ask_second_dose"),
    ("done", ("idle", "reminded", "put_off", "running", "asked_running", "skipped"), "check_in", "finish"),
    ("done", ("check_in", "problem", "stopped"), "=", "finish_again"),
    ("done_again", SERVED, "=", "finish_again"),
    ("done_on_hold", SERVED, "check_in", "finish_on_hold"),
    ("already", ("idle", "reminded", "put_off", "skipped"), "check_in", "finish_before"),
    ("already", ("running", "asked_running"), "check_in", "finish"),
    ("already", ("check_in", "problem", "stopped"), "=", "finish_again"),
    ("still_running", RUNNING, "running", "keep_running"),
    ("still_running", ("idle", "reminded", "put_off", "check_in", "problem", "skipped"), "running", "start"),
    ("still_running", ("stopped",), "=", "nurse_decides"),
    ("stop", ("idle", "reminded", "put_off", "running", "asked_running", "check_in", "problem", "skipped"), "stopped",
     "stop"),
    ("stop", ("stopped",), "=", "nurse_decides"),
    ("later", ("reminded", "put_off"), "put_off", "put_off"),
    ("later", ("idle", "check_in", "problem", "skipped", "stopped"), "=", "call_back"),
    ("later", RUNNING, "safety", "ask_safety"),
    ("skip", ("reminded", "put_off"), "skipped", "skip"),
    ("skip", ("idle", "check_in", "problem", "skipped", "stopped"), "=", "call_back"),
    ("skip", RUNNING, "safety", "ask_safety"),
    ("fine", ("check_in", "problem"), "idle", "went_well"),
    ("fine", ("asked_running",), "running", "keep_running"),
    ("fine", ("running",), "=", "say_running"),
    ("fine", ("reminded",), "=", "say_waiting"),
    ("fine", ("idle", "put_off"), "=", "greet"),
    ("fine", ("skipped",), "idle", "give_reason"),
    ("fine", ("stopped",), "idle", "give_volume"),
    ("thanks", ("idle", "reminded", "put_off", "running", "check_in", "problem", "skipped", "stopped"), "=", "greet"),
    ("thanks", ("asked_running",), "safety", "ask_safety"),
    ("which_problem", SERVED, "problem", "ask_problem"),
    ("complaint", ("check_in", "problem"), "idle", "advise"),
    ("complaint", ("idle", "reminded", "put_off", "running", "skipped", "stopped"), "=", "advise"),
    ("complaint", ("asked_running",), "running", "advise"),
    ("call_back", ("check_in", "problem"), "idle", "call_back"),
    ("call_back", ("idle", "reminded", "put_off", "running", "skipped", "stopped"), "=", "call_back"),
    ("call_back", ("asked_running",), "safety", "ask_safety_and_call_back"),
    ("reason", ("skipped",), "idle", "give_reason"),
    ("volume", ("stopped",), "idle", "give_volume"),
    ("unsure", SERVED, "safety", "ask_safety"),
    ("picture", CALM, "safety", "ask_about_picture"),
    ("picture", RUNNING, "with_nurse", "page_picture"),
    ("unclear", ("idle", "reminded", "put_off", "check_in", "problem", "skipped", "stopped"), "=", "not_understood"),
    ("unclear", RUNNING, "safety", "ask_safety"),
    ("hospital", SERVED + QUESTIONS + ("with_nurse",), "with_nurse", "in_hospital"),
    # the two closed questions
    ("cleared_idle", ("safety",), "idle", "clear"),
    ("cleared_reminded", ("safety",), "reminded", "clear"),
    ("cleared_put_off", ("safety",), "put_off", "clear"),
    ("cleared_running", ("safety",), "running", "clear"),
    ("cleared_check_in", ("safety",), "check_in", "clear"),
    ("same_dose", ("second_dose",), "running", "one_dose"),
    ("in_doubt", QUESTIONS, "with_nurse", "page_in_doubt"),
    # alarms and their end
    ("alarm", SERVED + QUESTIONS + ("with_nurse", "ended"), "with_nurse", "raise_alarm"),
    ("more", ("with_nurse",), "=", "tell_nurse_more"),
    ("nurse_closes", ("with_nurse",), "idle", "after_closing"),
    ("anything", ("ended",), "=", "say_stranger"),
    # time-outs
    ("time_to_infuse", ("idle", "put_off", "reminded", "check_in", "problem", "skipped", "stopped"), "reminded", "remind"),
    ("no_answer", ("reminded",), "=", "remind_again"),
    ("window_ends", ("reminded", "put_off"), "idle", "count_missed"),
    ("should_be_done", ("running",), "asked_running", "ask_running"),
    ("silence", ("asked_running", "problem"), "with_nurse", "page_silent"),
    ("silence", QUESTIONS, "with_nurse", "page_in_doubt"),
    ("silence", ("check_in", "skipped", "stopped"), "idle", "leave_unanswered"),
)
BACK = {  # where a cleared safety question leads, from the state it was asked in
    "idle": "idle", "reminded": "reminded", "put_off": "put_off", "running": "running", "asked_running": "running",
    "check_in": "check_in", "problem": "check_in", "skipped": "idle", "stopped": "idle",
}


def build():
    """The machine, from `TABLE` alone."""
    machine = Machine(model=None, states=list(STATES), initial="idle", auto_transitions=False)
    for trigger, sources, dest, action in TABLE:
        machine.add_transition(trigger, list(sources), dest, after=action)
    return machine


MACHINE = build()


def drawing():
    """The machine as a Mermaid state diagram; committed as `flows/conversation.mmd`."""
    lines = ["stateDiagram-v2", "    [*] --> idle"]
    for trigger, sources, dest, _ in TABLE:
        lines += [f"    {source} --> {source if dest == '=' else dest}: {trigger}" for source in sources]
    return "\n".join(lines) + "\n"


def fire(trigger, model):
    """Move `model` (its `state`, its actions) by one trigger. MachineError where the table has no such row."""
    MACHINE.events[trigger].trigger(model)


def answers(trigger, state):
    """Has the table a row for this trigger in this state?"""
    return trigger in MACHINE.get_triggers(state)


CHOICES = {
    "asked_running": {1: "still_running", 2: "done", 3: "unsure"},
    "check_in": {1: "fine", 2: "which_problem", 3: "unsure"},
    "second_dose": {1: "same_dose", 2: "in_doubt"},
    "safety": {2: "cleared"},
}
PROGRESS = {"stopped": "stop", "done": "done", "already": "already", "starting": "starting",
            "still_running": "still_running", "skip": "skip", "later": "later"}


def triggers_of(reading, state, media_count=0):
    """What a text asks of the machine in this state: one trigger, or a step and then what was said about it.

    Pure. `reading` has passed the alarm screen. Order: alarm, place of an open question, progress, complaint, rest.
    """
    if reading.disposition in ("emergency", "urgent"):
        return ("alarm",)
    if state == "ended":
        return ("anything",)
    if "hospital" in reading.acts:
        return ("hospital",)
    if state == "with_nurse":
        return ("more",)
    if state in QUESTIONS:
        return (_answer(reading, state, media_count),)
    if reading.disposition == "ask":
        return tuple(step for step in _steps(reading) if step in ("done", "stop", "starting")) + ("unsure",)
    if media_count:
        return _steps(reading) + ("picture",)
    return _plain(reading, state)


def _answer(reading, state, media_count):
    """The one answer to a closed question; whatever is not plainly the calm answer is in doubt."""
    calm = "cleared" if state == "safety" else "same_dose"
    if reading.disposition in ("none", "selfcare") and not media_count:
        chosen = CHOICES[state].get(reading.choice)
        if chosen == calm or (state == "safety" and "no" in reading.acts) or (
            state == "second_dose" and reading.choice is None and "yes" in reading.acts
        ):
            return calm
    return "in_doubt"


def _steps(reading):
    """Progress that the text reports, the furthest first; at most one step is taken."""
    return tuple(PROGRESS[act] for act in PROGRESS if act in reading.acts)[:1]


def _plain(reading, state):
    if reading.choice is not None and state in CHOICES and reading.topic in ("other", "chatter", "done", "thanks"):
        chosen = CHOICES[state].get(reading.choice)
        if chosen:
            return (chosen,)
    steps = _steps(reading)
    if state == "stopped" and not steps and (reading.choice is not None or reading.disposition == "none"):
        return ("volume",)
    if state == "skipped" and not steps and reading.disposition in ("none", "nurse"):
        return ("reason",)
    if reading.disposition == "selfcare":
        return steps if steps == ("stop",) else steps + ("complaint",)
    if reading.disposition == "nurse":
        # "skip it, we are away" is a skip with its reason, "done, out of needles" a dose and a call-back
        if steps == ("stop",):
            return steps  # the stopped dose is a nurse's matter with these words
        return steps if steps and steps[0] in ("skip", "later") and answers(steps[0], "reminded") and (
            reading.topic == "schedule" and state in ("reminded", "put_off")
        ) else steps + ("call_back",)
    if steps:
        return steps + (("fine",) if "fine" in reading.acts and steps[0] in ("done", "already") else ())
    if "fine" in reading.acts or ("yes" in reading.acts and state in ("reminded", "idle", "put_off", "running")):
        return ("fine",)
    if "no" in reading.acts and state == "check_in":
        return ("unclear",)
    if "thanks" in reading.acts:
        return ("thanks",)
    if "question" in reading.acts:
        return ("call_back",)
    if "problem" in reading.acts:
        return ("which_problem",)
    return ("unclear",)
