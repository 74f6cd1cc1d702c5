"""The conversation with a patient: one shared machine, and a light model of one message.

`TABLE` is the whole machine. A row says: on this trigger, in these states, go there and do that. The triggers are what
texts say (`trigger_of`) and what time-outs bring; the actions are methods of `Turn`, which only append effects.
"""

import re
from dataclasses import replace

from transitions import Machine

from flows import advice

STATES = (
    "idle",           # nothing is expected
    "reminded",       # the reminder is out and not answered: an infusion may run
    "put_off",        # the patient wants to be reminded later
    "running",        # the patient said that it started
    "asked_running",  # past its expected end: asked whether it still runs
    "second_dose",    # a second "starting" from another phone: asked whether it is the same infusion
    "check_in",       # done: asked how it went
    "problem",        # a problem was named without saying which
    "detail",         # a complaint waits for its advice: asked what a nurse would ask first
    "bother",         # asked how much the problem bothers, 0 to 10
    "amount",         # asked how many mL went in and where
    "times",          # asked when it started and ended
    "lots",           # asked for the lot numbers
    "follow_up",      # a day or two later: asked whether the reaction is gone
    "skipped",        # skipped: asked for the reason
    "stopped",        # stopped early: asked how many mL went in
    "safety",         # the closed safety question is out
    "with_nurse",     # an emergency or urgent matter is open: no routine talk
    "ended",          # no longer served here: nothing is sent but safety texts
)
FACTS = ("bother", "amount", "times", "lots")  # questions of the check-in that are answered by facts
ENDS = {"done", "stopped", "starting", "skip", "already"}
CHECKING = ("check_in", "problem", *FACTS, "follow_up")
WAITING = ("idle", "reminded", "put_off")
CALM = WAITING + CHECKING + ("skipped", "stopped")
RUNNING = ("running", "asked_running")
QUESTIONS = ("safety", "second_dose")  # only the phone that was asked can answer
SERVED = CALM + RUNNING + ("detail",)

# (trigger, from these states, to this state or "=" for the same, action)
TABLE = (
    ("starting", WAITING + CHECKING + ("skipped",), "running", "start"),
    ("starting", RUNNING, "running", "start_again"),
    ("starting", ("stopped",), "=", "nurse_decides"),
    ("second_start", SERVED, "second_dose", "ask_second_dose"),
    ("done", WAITING + RUNNING + ("skipped",), "idle", "finish"),
    ("done", CHECKING + ("stopped",), "=", "finish_again"),
    ("done_again", SERVED, "=", "finish_again"),
    ("done_on_hold", SERVED, "idle", "finish_on_hold"),
    ("already", WAITING + ("skipped",), "idle", "finish_before"),
    ("already", RUNNING, "idle", "finish"),
    ("already", CHECKING + ("stopped",), "=", "finish_again"),
    ("still_running", RUNNING, "running", "keep_running"),
    ("still_running", WAITING + CHECKING + ("skipped",), "=", "ask_if_started"),
    ("still_running", ("stopped",), "=", "nurse_decides"),
    ("stop", WAITING + RUNNING + CHECKING + ("skipped",), "stopped", "stop"),
    ("stop", ("stopped",), "=", "nurse_decides"),
    ("later", ("reminded", "put_off"), "put_off", "put_off"),
    ("later", ("idle", "skipped", "stopped") + CHECKING, "=", "call_back"),
    ("later", RUNNING, "asked_running", "ask_running"),
    ("not_begun", ("running",), "put_off", "take_back_start"),
    ("not_over", ("idle", "check_in"), "running", "take_back_end"),
    ("skip", ("reminded", "put_off"), "skipped", "skip"),
    ("skip", ("idle", "skipped", "stopped") + CHECKING, "=", "call_back"),
    ("skip", RUNNING, "asked_running", "ask_running"),
    # how it went
    ("well", ("idle", "check_in", "problem"), "idle", "went_well"),
    ("which_problem", SERVED, "problem", "ask_problem"),
    ("complaint", CHECKING, "idle", "advise"),
    ("complaint", WAITING + ("running", "skipped", "stopped"), "=", "advise"),
    ("complaint", ("asked_running",), "running", "advise"),
    ("ask_detail", WAITING + ("running",), "detail", "ask_detail"),
    ("advised_idle", ("detail",), "idle", "advise_told"),
    ("advised_reminded", ("detail",), "reminded", "advise_told"),
    ("advised_put_off", ("detail",), "put_off", "advise_told"),
    ("advised_running", ("detail",), "running", "advise_told"),
    ("advised_check_in", ("detail",), "idle", "advise_told"),
    ("told", FACTS + ("check_in",), "idle", "take_facts"),
    ("correction", ("idle",), "=", "correct"),
    ("gone", ("follow_up",), "idle", "reaction_gone"),
    ("still_there", ("follow_up",), "idle", "reaction_stays"),
    # the questions of the check-in, from what is not known yet
    ("ask_how", ("idle",), "check_in", "ask_how"),
    ("ask_bother", ("idle",), "bother", "ask_bother"),
    ("ask_amount", ("idle",), "amount", "ask_amount"),
    ("ask_times", ("idle",), "times", "ask_times"),
    ("ask_lots", ("idle",), "lots", "ask_lots"),
    # small talk and the rest
    ("fine", ("check_in", "problem"), "idle", "went_well"),
    ("fine", ("follow_up",), "idle", "reaction_gone"),
    ("fine", ("asked_running",), "running", "keep_running"),
    ("fine", ("running",), "=", "say_running"),
    ("fine", ("reminded",), "=", "say_waiting"),
    ("fine", ("idle", "put_off"), "=", "greet"),
    ("fine", FACTS, "idle", "take_facts"),
    ("fine", ("skipped",), "idle", "give_reason"),
    ("fine", ("stopped",), "idle", "give_volume"),
    ("thanks", WAITING + CHECKING + ("running", "skipped", "stopped"), "=", "greet"),
    ("thanks", ("asked_running",), "safety", "ask_safety"),
    ("call_back", CHECKING, "idle", "call_back"),
    ("call_back", WAITING + ("running", "skipped", "stopped"), "=", "call_back"),
    ("call_back", ("asked_running",), "safety", "ask_safety_and_call_back"),
    ("reason", ("skipped",), "idle", "give_reason"),
    ("volume", ("stopped",), "idle", "give_volume"),
    ("automatic", SERVED, "=", "say_automatic"),
    ("unsure", SERVED, "safety", "ask_safety"),
    ("picture", CALM, "safety", "ask_about_picture"),
    ("picture", RUNNING, "with_nurse", "page_picture"),
    ("unclear", WAITING + CHECKING + ("skipped", "stopped"), "=", "not_understood"),
    ("unclear", RUNNING, "safety", "ask_safety"),
    ("hospital", SERVED + QUESTIONS + ("with_nurse",), "with_nurse", "in_hospital"),
    ("moved", SERVED + QUESTIONS, "idle", "moved_away"),
    ("therapy_ended", SERVED + QUESTIONS, "idle", "therapy_over"),
    ("died", SERVED + QUESTIONS + ("with_nurse",), "ended", "has_died"),
    # the two closed questions
    ("cleared_idle", ("safety",), "idle", "clear"),
    ("cleared_reminded", ("safety",), "reminded", "clear"),
    ("cleared_put_off", ("safety",), "put_off", "clear"),
    ("cleared_running", ("safety",), "running", "clear"),
    ("cleared_check_in", ("safety",), "idle", "clear_check_in"),
    ("same_dose", ("second_dose",), "running", "one_dose"),
    ("in_doubt", QUESTIONS, "with_nurse", "page_in_doubt"),
    # alarms and their end
    ("alarm", SERVED + QUESTIONS + ("with_nurse", "ended"), "with_nurse", "raise_alarm"),
    ("more", ("with_nurse",), "=", "tell_nurse_more"),
    ("nurse_closes", ("with_nurse",), "idle", "after_closing"),
    ("anything", ("ended",), "=", "say_stranger"),
    # time-outs
    ("time_to_infuse", CALM, "reminded", "remind"),
    ("no_answer", ("reminded",), "=", "remind_again"),
    ("window_ends", ("reminded", "put_off"), "idle", "count_missed"),
    ("should_be_done", ("running",), "asked_running", "ask_running"),
    ("day_after", ("idle", "put_off", "skipped", "stopped") + CHECKING, "follow_up", "ask_if_gone"),
    ("next_day", ("idle", "skipped", "stopped") + CHECKING, "check_in", "ask_next_day"),
    ("silence", ("asked_running", "problem"), "with_nurse", "page_silent"),
    ("silence", QUESTIONS, "with_nurse", "page_in_doubt"),
    ("silence", ("check_in", "follow_up", "skipped", "stopped") + FACTS, "idle", "leave_unanswered"),
)
BACK = {  # where a cleared safety question or a given advice leads, from the state it was asked in
    **{state: "check_in" for state in CHECKING}, "idle": "idle", "reminded": "reminded", "put_off": "put_off",
    "running": "running", "asked_running": "running", "follow_up": "idle", "skipped": "idle", "stopped": "idle",
}
ASKS = {"how": "ask_how", "bother": "ask_bother", "amount": "ask_amount", "times": "ask_times", "lots": "ask_lots"}


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


PLAIN_NO = re.compile(r"\W*(no+|nope|nah|none|neither|nothing|nada|ningun[ao]?)\b", re.IGNORECASE)
HEDGED = re.compile(r"\b(but|except|though|although|only|just a|maybe|pero|excepto|aunque|solo|creo|not sure|idk|think)\b", re.IGNORECASE)
ASKS_WHO = re.compile(r"\b(real person|(a|you) (human|robot|bot|machine|computer)|are you (there|real)|talk to (a|some) ?(human|person|one)|"
                      r"who am i (talking|texting)|persona real|hay alguien)\b", re.IGNORECASE)
NOT_WELL = re.compile(r"\b(terribl[ey]|horribl[ey]|awful|bad(ly)?|rough|meh|so so|could be better|not (so |too |that )?(good|great|well)|mal|"
                      r"regular|mas o menos|fatal)\b", re.IGNORECASE)
STOPPED_IT = re.compile(r"\W*(ok |so |i |we |im |i'm |had to |just |ya |la |lo )*(stopped|stopping|stop(ped)? it|pare|paramos|detuve)\b"
                        r"(?!\s+(bleeding|itching|leaking|hurting|burning|by itself|texting))", re.IGNORECASE)
COUNTED = re.compile(r"\s*\d\s*(sites?|needles?|mls?|hours?|hrs?|h|mins?|vials?|sitios?|agujas?|horas?)\b", re.IGNORECASE)
DONT_KNOW = re.compile(  # on the words alone, parted by single blanks
    r"idk|(i )?(do not|don'?t|dont) (know|remember)|not sure|no idea|no se|no sé|ni idea|no me acuerdo|"
    r"(i |we )?(do not|don'?t|dont) have (it|them|those|that|the (box|boxes|vials|labels?|numbers?))( any ?more| here)?|"
    r"(i |we )?(already )?(threw|tossed) (it|them|the \w+|those)?( ?(away|out))( the \w+)?( already)?|"
    r"no (lo|los|la|las) tengo|(ya )?(lo |los |la |las )?(tire|tiré|boté)( .{1,20})?", re.IGNORECASE)
AFTER = (r"^\W*(?:(?:ok|maybe|probably|right|just|not now|en|si|bueno)\W+)*(?:after|when|once|as soon as|cuando|despues que|después que|en cuanto) "
         r"(?:i|i'm|we|she|he|they|my|the|llegu\w*|termin\w*|com\w*|salg\w*|regres\w*|vuelv\w*|pueda)\b")  # "when I get home"
NOT_BEGUN = re.compile(r"\b((have ?n.?t|has ?n.?t|did ?n.?t|have not|has not|did not|not|never) (actually |really |even )?(start(ed)?|begun|begin)|"
                       r"(no|aun no|todavia no|todavía no) (he |ha |lo |la )*(empez\w+|empec\w+|comenz\w+|comenc\w+)|(oh |wait |no |sorry )*not yet)"
                       r"(\W+(it|yet|the (infusion|pump)|sorry|actually|my mistake|todavia|todavía|la infusion))*\W*$", re.IGNORECASE)
NOT_OVER = re.compile(r"\b(still (running|going|infusing)|not (done|finished|over)( yet)?|done by mistake|(todavia|todavía|sigue) (corriendo|pasando)|"
                      r"no (ha|he) terminado|aun no termin\w+)\b", re.IGNORECASE)
NUMBER = re.compile(r"\d|\b(all|everything|todo|toda|ten|fifteen|twenty|thirty|forty|fifty|sixty|diez|veinte|treinta|cuarenta)\b", re.IGNORECASE)
TURN = re.compile(r"\b(but|except|though|now|other|new|pero|ahora|otro|otra)\b", re.IGNORECASE)
CHOICES = {
    "asked_running": {1: "still_running", 2: "done", 3: "unsure"},
    "check_in": {1: "fine", 2: "which_problem", 3: "unsure"},
    "follow_up": {1: "gone", 2: "still_there", 3: "unsure"},
    "second_dose": {1: "same_dose", 2: "in_doubt"},
    "safety": {2: "cleared"},
}
PROGRESS = {"stopped": "stop", "done": "done", "already": "already", "starting": "starting",
            "still_running": "still_running", "skip": "skip", "later": "later"}


def _does_not_know(text):
    words = " ".join(re.findall(r"[\w']+", text))
    return bool(DONT_KNOW.fullmatch(words)) if words else "?" in text


def triggers_of(reading, state, media_count=0, tells=False, lately=False, gone=None, text="", just="", back="idle", complaint=None):
    """What a text asks of the machine in this state: one trigger, or a step and then what was said about it.

    Pure. `reading` has passed the alarm screen. tells: the text holds facts of a dose (`flows.log`). lately: a dose ended
    so lately that such facts are about it. gone: the text says that something is gone (True) or still there (False). text: the words themselves. just: "started" or "ended" when this very person said so of a dose
    within the last minutes, and may take it back. back, complaint: where the talk goes back to from "detail", and the complaint
    that waits there. Order: alarm, place of an open question, progress, complaint, rest.
    """
    if reading.disposition in ("emergency", "urgent"):
        return ("alarm",)
    acts = set(reading.acts)
    if tells and (state in CHECKING or (state == "idle" and lately)):
        acts -= {"still_running"}  # "38 ml left and right belly" is no "38 mL left"
    if "skip" in acts and reading.when is not None and state in ("reminded", "put_off") and not re.search(r"\b(skip\w*|salt\w*)\b", text, re.IGNORECASE):
        acts = acts - {"skip"} | {"later"}  # "can't tonight, tomorrow at 6"
        reading = replace(reading, acts=tuple(dict.fromkeys(("later", *(act for act in reading.acts if act != "skip")))))
    if {"done", "starting"} <= acts and state in WAITING:
        acts -= {"done"}  # "done with dinner, starting now"
    if state in RUNNING and STOPPED_IT.match(text):
        acts |= {"stopped"}
    if reading.topic == "blood_before":
        acts -= {"starting", "still_running", "later"}  # "blood in the line when I put the needle in" has not begun
    if reading.topic == "blood_after" and "done" in acts:
        acts -= {"stopped"}  # "done, a drop of blood when I took the needle out"
    reading = replace(reading, acts=tuple(act for act in (*reading.acts, "stopped") if act in acts) or ("unclear",))
    if reading.choice is not None and COUNTED.match(text):
        reading = replace(reading, choice=None)  # "2 sites, all good" is no answer 2
    if state == "ended":
        return ("anything",)
    for act in ("died", "hospital", "moved", "therapy_ended"):
        if act in reading.acts and answers(act, state):
            return (act,)
    if state == "with_nurse":
        return ("more",)
    if state == "detail":
        rest = triggers_of(reading, _after_advice(back), media_count, tells, lately, gone, text, just)
        beside = _besides(reading, rest, text, complaint)
        return beside if "unsure" in beside else ("advised", *beside)  # no routine advice beside the safety question
    if state in QUESTIONS:
        return (_answer(reading, state, media_count, text),)
    if reading.disposition == "ask":
        steps = ("done", "stop", "starting") + (("skip", "later") if state not in RUNNING else ())
        return tuple(step for step in _steps(reading) if step in steps) + ("unsure",)
    if state == "amount" and reading.choice in (2, 3) and len(text.split()) == 1:
        return ("which_problem",) if reading.choice == 2 else ("unsure",)
    if state == "running" and just == "started" and reading.disposition == "none" and NOT_BEGUN.search(text):
        return ("not_begun",)
    if state in ("reminded", "put_off") and reading.disposition == "none" and (
        acts <= {"unclear", "fine", "yes"} and re.match(AFTER, text, re.IGNORECASE)
    ):
        return ("later",)
    if just == "ended" and not tells and reading.disposition == "none" and "still_running" in acts and NOT_OVER.search(text) and (
        answers("not_over", state)
    ):
        return ("not_over",)
    if state in FACTS and not media_count and _does_not_know(text) and reading.disposition in ("none", "nurse"):
        return ("told",)
    if state == "stopped" and _does_not_know(text):
        return ("volume",)
    if state in FACTS and not media_count and (tells or reading.choice is not None or NUMBER.search(text)) and (
        not acts & (ENDS if not tells else {"stopped", "skip"})
    ) and (
        reading.disposition == "none" or (tells and reading.disposition == "nurse" and reading.topic in ("schedule", "question"))
    ):
        return ("told",)  # "4pm to 5pm" is an answer here, no wish for another hour
    if state == "check_in" and tells and not media_count and reading.disposition == "none" and not acts & (ENDS | {"fine", "no"}) and (
        reading.choice is None
    ):
        return ("told",)  # mL and places, told before they are asked for
    if media_count:
        return _steps(reading) + ("picture",)
    if state == "follow_up" and gone is None and "yes" in acts:
        gone = True
    if state == "follow_up" and gone is not None and not (gone and TURN.search(text)) and reading.disposition in ("none", "selfcare"):
        return ("gone",) if gone else ("still_there",)
    if ASKS_WHO.search(text) and reading.disposition in ("none", "nurse") and not acts & ENDS:
        return ("automatic",)
    if state == "check_in" and reading.disposition == "none" and NOT_WELL.search(text) and not acts & ENDS and "fine" not in acts:
        return ("which_problem",)
    return _plain(reading, state, tells, lately, text)


def _answer(reading, state, media_count, text):
    """The one answer to a closed question; whatever is not plainly the calm answer is in doubt."""
    calm = "cleared" if state == "safety" else "same_dose"
    if reading.disposition in ("none", "selfcare") and not media_count:
        if state == "safety" and PLAIN_NO.match(text) and not HEDGED.search(text):
            return calm
        chosen = CHOICES[state].get(reading.choice)
        if chosen == calm or (state == "safety" and "no" in reading.acts and not HEDGED.search(text)) or (
            state == "second_dose" and reading.choice is None and "yes" in reading.acts
        ):
            return calm
    return "in_doubt"


def _after_advice(back):
    """The state that a text beside the advice is read in."""
    return "idle" if BACK[back] == "check_in" else BACK[back]


def _besides(reading, rest, text, complaint):
    """What a text asks for besides answering the question about a complaint: a step, another complaint, a person; no small talk."""
    told = complaint is not None and advice.answers(complaint, text, reading.choice)
    same = complaint is not None and reading.topic == complaint.topic
    kept = {"done", "stop", "skip", "later", "already", "still_running", "unsure", "picture"}
    if told:  # "since I started at 6" is an answer, no wish for another hour and no doubt of its own
        kept -= {"later", "already", "still_running"}
        kept -= {"unsure"} if advice.only_answers(text) else set()
    kept |= {"complaint"} - ({"complaint"} if same else set()) | ({"call_back"} if not told else set())
    if complaint is not None and complaint.topic == "slow":
        kept -= {"later", "still_running", "already"}  # "started at 6", "around six"
    if complaint is not None and complaint.topic.startswith("blood"):
        kept -= {"done", "already", "still_running", "later"}  # "it is out", "pump is running" say where the needle is
    return tuple(trigger for trigger in rest if trigger in kept)


def _steps(reading):
    """Progress that the text reports, the furthest first; at most one step is taken."""
    return tuple(PROGRESS[act] for act in PROGRESS if act in reading.acts)[:1]


def _plain(reading, state, tells, lately, text):
    if reading.choice is not None and state in CHOICES and reading.topic in ("other", "chatter", "done", "thanks"):
        chosen = CHOICES[state].get(reading.choice)
        if chosen == "fine" and TURN.search(text):
            chosen = "which_problem"  # "1 but my arm looks odd"
        if chosen:
            return (chosen,)
    steps = _steps(reading)
    if state == "stopped" and not steps and (reading.choice is not None or reading.disposition == "none"):
        return ("volume",)
    if state == "skipped" and not steps and reading.disposition in ("none", "nurse"):
        return ("reason",)
    if reading.disposition == "selfcare":
        if steps == ("starting",) and state in RUNNING:
            return ("complaint",)  # "the needle in my belly stings" starts nothing
        return steps if steps == ("stop",) else steps + ("complaint",)
    if reading.disposition == "nurse":
        # "skip it, we are away" is a skip with its reason, "done, out of needles" a dose and a call-back
        if steps == ("stop",):
            return steps  # the stopped dose is a nurse's matter with these words
        if state in RUNNING and steps in (("later",), ("skip",)):
            return ("call_back",)  # "can I do the rest tomorrow"
        return steps if steps and steps[0] in ("skip", "later") and answers(steps[0], "reminded") and (
            reading.topic == "schedule" and state in ("reminded", "put_off")
        ) else steps + ("call_back",)
    if steps:
        return steps + (("well",) if "fine" in reading.acts and steps[0] in ("done", "already") else ())
    if state == "idle" and tells and lately:
        return ("correction",)
    if "fine" in reading.acts or ("yes" in reading.acts and state in ("reminded", "idle", "put_off", "running")):
        return ("fine",)
    if state == "follow_up" and {"no", "still_running"} & set(reading.acts):
        return ("still_there",)
    if "no" in reading.acts and state == "check_in":
        return ("unclear",)
    if "thanks" in reading.acts:
        return ("thanks",)
    if "question" in reading.acts:
        return ("call_back",)
    if "problem" in reading.acts:
        return ("which_problem",)
    return ("unclear",)
