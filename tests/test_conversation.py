"""The machine: its table, its drawing, and an answer in every state to every kind of text."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from flows import decide
from flows.advice import Complaint
from flows.conversation import MACHINE, STATES, TABLE, drawing
from flows.model import Inbound, Infusion, Matter, MakePage, Order, Patient, Phone, Speaker, Staff, Talk, Text, World
from flows.reader import read
from tests.test_content import PRACTICE

NOW = datetime(2026, 3, 10, 23, 30, tzinfo=UTC)  # Tuesday 18:30 in Chicago
ANA, RUTH = Phone(1, "+13125550101"), Phone(2, "+13125550102")
NURSE = Staff(1, "Ruth", "nurse", RUTH)
ORDER = Order(id=1, volume_ml=40.0, strength_g_per_ml=0.2, sites=2, rate_ml_per_h_per_site=20.0, every="week", weekdays=("Tue",),
              clock_local="18:00", starts_on=date(2026, 3, 3))
DUE = {"order_id": 1, "due_on": date(2026, 3, 10), "due_at": NOW - timedelta(minutes=30)}
INFUSION = {  # the infusion that goes with a state of the talk
    "idle": [], "put_off": [Infusion(1, state="planned", reminded_at=NOW - timedelta(minutes=30), **DUE)],
    "reminded": [Infusion(1, state="planned", reminded_at=NOW - timedelta(minutes=30), **DUE)],
    "running": [Infusion(1, state="running", started_at=NOW - timedelta(minutes=20), started_by="Ana", **DUE)],
    "skipped": [Infusion(1, state="skipped", **DUE)],
    "stopped": [Infusion(1, state="stopped", ended_at=NOW - timedelta(minutes=5), **DUE)],
    "check_in": [Infusion(1, state="done", ended_at=NOW - timedelta(minutes=5), **DUE)],
}
SAME_AS = {"asked_running": "running", "second_dose": "running", "safety": "running", "problem": "check_in",
           "with_nurse": "stopped", "ended": "idle", "bother": "check_in", "amount": "check_in", "times": "check_in",
           "lots": "check_in", "follow_up": "check_in", "detail": "running"}
LEAK = Complaint("site_leak", asked=("site", "amount")).written()
TEXTS = (
    "starting now", "done", "done, all good", "done. left side leaked a bit", "still going", "had to stop it halfway", "later",
    "remind me at 9pm", "tomorrow", "skip", "skip, bad cold", "already did it this morning", "yes", "no", "ok", "all good",
    "thanks!", "when is my next one?", "the site is a bit red and itchy", "i am almost out of needles", "i feel weird", "40 ml left belly", "7", "all", "6pm to 7pm", "lot A12", "she died yesterday", "we moved to another state",
    "we stopped the therapy", "its gone", "it was 35 ml not 40",
    "hives all over", "i cant breathe", "my tongue is swelling", "STOP", "HELP", "START", "wrong number", "im in the hospital",
    "1", "2", "3", "25 ml", "?", "", "asdf qwer", "\U0001f44d", "\U0001f62d", "lol", "x" * 1600, "спасибо", "no hives no fever",
)


def patient_in(state, order=ORDER):
    infusions = INFUSION[SAME_AS.get(state, state)]
    matters = (Matter(1, "4213", "urgent", "hives", None, NOW, NOW, patient_id=1, from_number=ANA.number, seen=("hives",)),)
    return Patient(
        id=1, name="Ana", initials="A.", lang="en", zone="America/Chicago", state="live", order=order,
        speakers=(Speaker("Ana", "patient", ANA),), talk=Talk(state=state, back_to="running", asked_phone_id=1, about=LEAK if state == "detail" else ""),
        infusions=tuple(infusions), matters=matters if state == "with_nurse" else ())


def world(*patients):
    return World(now=NOW, practice=PRACTICE, ladder=(NURSE,), codes=("8086", "1957", "5827", "9698"), patients=patients, staff=(NURSE,))


def answer(state, text, media=0, order=ORDER):
    inbound = Inbound(1, ANA, ANA.number, text, media, NOW)
    return decide.decide(world(patient_in(state, order)), inbound).effects


def texts_to_ana(effects):
    return [effect for effect in effects if isinstance(effect, Text) and effect.number == ANA.number]


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text[:20] or "(empty)")
def test_every_state_answers_every_kind_of_text(state, text):
    assert texts_to_ana(answer(state, text)), f"{text!r} in {state} has no answer"


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("text", ["?" * 1599 + "x", "threw it" + " " * 1500 + "x", "1a" * 799 + "?x", "not yet " * 200, "left " * 320],
                         ids=["marks", "blanks", "codes", "not yet", "left"])
def test_no_long_text_hangs_a_state(state, text):  # a pattern that tries every way to split it would never end
    assert texts_to_ana(answer(state, text))


@pytest.mark.parametrize("state", STATES)
def test_every_state_answers_a_picture(state):
    assert texts_to_ana(answer(state, "", media=1))


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text[:20] or "(empty)")
def test_a_patient_without_an_order_is_answered_in_every_state(state, text):
    assert texts_to_ana(answer(state, text, order=None))


@pytest.mark.parametrize("state", STATES)
def test_an_emergency_pages_and_instructs_first_in_every_state(state):
    effects = answer(state, "i cant breathe")
    assert texts_to_ana(effects)[0].entry == "emergency.allergic"
    assert texts_to_ana(effects)[0].safety
    assert any(isinstance(effect, MakePage) for effect in effects)
    assert len([text for text in texts_to_ana(effects) if text.kind != "emergency"]) == 0, "nothing stands beside an emergency"


@pytest.mark.parametrize("state", [state for state in STATES if state not in ("safety", "second_dose", "with_nurse", "ended")])
def test_a_text_not_understood_is_never_read_as_fine(state):
    told = texts_to_ana(answer(state, "asdf qwer zxcv"))
    fine = {"check_in.thanks", "hello", "safety.clear", "running_fine"}
    if state not in ("skipped", "stopped", "bother", "amount", "times", "lots"):  # there any words are the reason, or the mL are not answered
        assert not fine & {text.entry for text in told}


@pytest.mark.parametrize("text", ["yes", "1", "maybe", "asdf", "", "thanks", "done", "lol", "i think so", "not sure"])
def test_only_a_plain_no_clears_the_safety_question(text):
    effects = answer("safety", text)
    assert any(isinstance(effect, MakePage) for effect in effects), f"{text!r} must page"


@pytest.mark.parametrize("text", ["no", "No.", "2", "nope", "none", "no, none of these"])
def test_a_plain_no_clears_the_safety_question(text):
    effects = answer("safety", text)
    assert not any(isinstance(effect, MakePage) for effect in effects)
    assert texts_to_ana(effects)[0].entry == "safety.clear"


def test_the_drawing_is_that_of_the_table():
    file = Path(__file__).parent.parent / "flows" / "conversation.mmd"
    assert file.read_text(encoding="utf-8") == drawing(), (
        "the table has changed: python -c \"from flows.conversation import drawing; print(drawing(), end='')\" "
        "> flows/conversation.mmd")


def test_the_table_names_only_known_states_and_each_step_once():
    seen = set()
    for trigger, sources, dest, _ in TABLE:
        assert dest == "=" or dest in STATES, trigger
        for source in sources:
            assert source in STATES, trigger
            assert (trigger, source) not in seen, f"{trigger} from {source} stands twice"
            seen.add((trigger, source))


def test_every_action_of_the_table_is_one_of_the_turn():
    from flows.turn import Turn

    for trigger, _, _, action in TABLE:
        assert callable(getattr(Turn, action, None)), f"{trigger}: Turn has no {action}"


def test_every_state_can_be_reached_and_left():
    edges = {(source, dest) for _, sources, dest, _ in TABLE for source in sources if dest != "="}
    reached = {"idle"} | {dest for _, dest in edges}
    assert set(STATES) - reached <= {"ended"}, "`ended` is set by the coordinator"
    for state in STATES:
        assert any(source == state for source, _ in edges), f"{state} is never left"


def test_the_machine_is_built_once_and_holds_no_models():
    assert MACHINE.models == []
    assert MACHINE.auto_transitions is False


@pytest.mark.parametrize(("state", "text"), [
    ("running", "blood in the tubing and everything is going dark"), ("idle", "blood in the line, i feel like im going to pass out"),
    ("detail", "left belly, everything is spinning and weird"), ("problem", "pain in my chest and left arm"), ("check_in", "102.9"),
    ("amount", "40 ml left belly and i feel really off"), ("detail", "a few drops. cant get my breath"),
])
def test_no_answer_of_ours_lowers_what_the_reader_hears_besides(state, text):
    """Blood in the tube, a text of facts, an answer to our question: each may calm only what it is about."""
    heard = read(text).disposition
    effects = answer(state, text)
    asked = {each.entry for each in texts_to_ana(effects)}
    if heard in ("urgent", "emergency"):
        assert any(isinstance(each, MakePage) for each in effects), (heard, asked)
    if heard == "ask":
        assert "safety" in asked or any(isinstance(each, MakePage) for each in effects), asked


def alarming_lines():
    """Emergencies of two training writers, a few of each."""
    for writer in ("en7", "es4"):
        lines = (Path(__file__).parent / "corpus" / f"{writer}.jsonl").read_text(encoding="utf-8").splitlines()
        found = [each["text"] for each in map(json.loads, lines) if each["level"] == "EMERGENCY"]
        yield from found[::4]


@pytest.mark.parametrize("state", ["running", "idle", "detail", "problem", "check_in", "amount"])
def test_an_alarm_behind_blood_in_the_tube_or_behind_an_answer_still_reaches_a_human(state):
    for text in alarming_lines():
        for said in (f"blood in the tubing. {text}", f"left belly, a few drops. {text}"):
            if read(said).disposition not in ("ask", "urgent", "emergency"):
                continue
            effects = answer(state, said)
            paged = any(isinstance(each, MakePage) for each in effects)
            assert paged or "safety" in {each.entry for each in texts_to_ana(effects)}, said
