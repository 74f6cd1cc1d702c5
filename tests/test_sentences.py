"""Sentences that confused people really send: what each comes to, in the state in which it is sent."""

from dataclasses import replace
from datetime import timedelta

import pytest

from flows.decide import _own_words, _without_questions, decide
from flows.model import AddReaction, Inbound, MakePage, OpenTask, PutInfusion, PutLots, SetTalk, SetTimer, StopPhone
from flows.reader import read
from tests.test_conversation import ANA, NOW, answer, patient_in, texts_to_ana, world


def doses(effects):
    return [effect.changes for effect in effects if isinstance(effect, PutInfusion)]


def entries(effects):
    return [text.entry for text in texts_to_ana(effects)]


@pytest.mark.parametrize("text", ["havent done it yet", "todavia no", "not done yet", "still going"])
def test_not_yet_after_the_reminder_never_starts_a_dose(text):
    effects = answer("reminded", text)
    assert not [change for change in doses(effects) if change.get("state") == "running"]
    assert texts_to_ana(effects)


@pytest.mark.parametrize("text", [
    "is it done when the pump stops?", "then i pull the needles out?", "can i just take the needles out", "should I stop it?",
    "am i done at 40 ml?", "ya termino cuando pita la bomba?",
])
def test_a_question_moves_no_dose(text):
    assert not [change for change in doses(answer("running", text)) if "state" in change]


@pytest.mark.parametrize("text", ["did it", "i did it", "just did it", "Did it!", "I did my infusion", "ya me la puse", "did it already"])
def test_everyday_words_for_done_are_understood(text):
    assert {"state": "done"}.items() <= {k: v for change in doses(answer("reminded", text)) for k, v in change.items()}.items()


@pytest.mark.parametrize("text", ["doing it now", "doing it rn", "about to start", "starting ig", "hooked up"])
def test_everyday_words_for_starting_are_understood(text):
    assert [change for change in doses(answer("reminded", text)) if change.get("state") == "running"]


def test_a_past_tense_with_a_clock_time_is_done_and_not_later():
    found = doses(answer("reminded", "the infusion has concluded at ten minutes to eight"))
    assert [change for change in found if change.get("state") == "done"]


def test_started_an_hour_ago_is_on_record_as_an_hour_ago():
    from tests.test_conversation import NOW

    started = [change["started_at"] for change in doses(answer("reminded", "i started an hour ago")) if "started_at" in change]
    assert (NOW - started[0]).total_seconds() == 3600


@pytest.mark.parametrize("text", ["no none of those i was just showing you the bump", "None of these, thank you dear", "no im fine", "no tengo nada de eso"])
def test_a_plain_denial_clears_the_safety_question(text):
    effects = answer("safety", text)
    assert not [effect for effect in effects if isinstance(effect, MakePage)]


@pytest.mark.parametrize("text", ["no but my chest feels odd", "none, just a little dizzy maybe", "no, i think"])
def test_a_hedged_denial_pages(text):
    assert [effect for effect in answer("safety", text) if isinstance(effect, MakePage)]


@pytest.mark.parametrize("text", ["terrible", "a bit rough", "meh", "could be better", "mal"])
def test_how_it_went_in_one_bad_word_asks_what_the_problem_is(text):
    assert entries(answer("check_in", text)) == ["check_in.problem"]


@pytest.mark.parametrize(("text", "kind"), [("red", "redness"), ("itchy", "itch"), ("leaking a bit", "leak")])
def test_one_word_about_the_problem_is_understood_as_the_sites(text, kind):
    effects = answer("problem", text)
    assert [effect.kind for effect in effects if isinstance(effect, AddReaction)] == [kind]


def test_who_is_this_tells_nothing_and_stops_until_she_expects_us():
    effects = answer("idle", "Who is this?")
    assert entries(effects) == ["who"]
    assert "infusion" not in texts_to_ana(effects)[0].body.lower()
    assert [effect.why for effect in effects if isinstance(effect, StopPhone)] == ["asked who this is"]


@pytest.mark.parametrize("text", ["are you a real person?", "Denise are you there?", "I want to talk to a human being NOW"])
def test_whoever_asks_for_a_person_hears_that_this_is_an_automatic_line(text):
    assert entries(answer("idle", text)) == ["automatic"]


def test_a_reaction_to_our_own_text_is_not_read_as_the_senders_words():
    ours = "Noted, started at 6:05 PM. It takes about 60 minutes. Trouble breathing, face or throat swelling: 911."
    assert _own_words(f"Liked \u201c{ours}\u201d", (ours,)) == "thanks"
    assert _own_words(f"Questioned \u201c{ours[:60]}\u2026\u201d", (ours,)) == "?"
    assert _own_words("Liked \u201ci cant breathe\u201d", (ours,)) == "Liked \u201ci cant breathe\u201d", "only a quotation of ours is cut"


def test_statements_beside_a_question_still_count():
    assert "done" in _without_questions(read("done. can i take a bath?"), "done. can i take a bath?", "en").acts


def test_a_pump_that_fails_while_infusing_does_not_wait_for_tomorrow():
    assert [effect for effect in answer("running", "the pump stopped working and wont restart") if isinstance(effect, MakePage)]


@pytest.mark.parametrize("text", ["should i still do it?", "is it ok to infuse with a cold?"])
def test_may_i_before_a_dose_is_answered_with_please_wait(text):
    assert "nurse_list.wait" in entries(answer("reminded", text))


def test_later_while_it_runs_asks_how_it_stands_and_pages_nobody():
    effects = answer("running", "i mean 8:10")
    assert not [effect for effect in effects if isinstance(effect, MakePage)]
    assert texts_to_ana(effects)


def test_no_entiendo_ingles_switches_at_once():
    assert "Gracias" in answer("idle", "no entiendo ingles mija, gracias")[-1].body or any(
        "enfermera" in text.body or "Perdon" in text.body or "Gracias" in text.body
        for text in texts_to_ana(answer("idle", "no entiendo ingles mija, gracias")))


def test_a_call_back_asked_for_again_says_that_it_is_still_on_the_list():
    from dataclasses import replace

    from flows import decide
    from flows.model import Inbound, Task
    from tests.test_conversation import ANA, NOW, patient_in, world

    patient = replace(patient_in("idle"), tasks=(Task(1, "1957", "nurse", "question", NOW),))
    effects = decide.decide(world(patient), Inbound(1, ANA, ANA.number, "when can i fly?", 0, NOW)).effects
    assert entries(effects) == ["nurse_list.still"]
    assert not [effect for effect in effects if isinstance(effect, (OpenTask, SetTalk))]


# --- what a second look found --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["grandma died today, have to skip", "my mom passed away, can i do it later", "my sister died, skip"])
def test_somebody_elses_death_never_ends_a_living_patient(text):
    from flows.model import EndPatient

    assert not [effect for effect in answer("reminded", text) if isinstance(effect, EndPatient)]


@pytest.mark.parametrize("text", ["she died yesterday", "this is her daughter, mom passed away on sunday", "Ana died last night"])
def test_the_patients_own_death_stops_everything(text):
    from flows.model import EndPatient

    assert [effect for effect in answer("reminded", text) if isinstance(effect, EndPatient)]


@pytest.mark.parametrize("text", ["done with dinner, starting now", "finished work, starting", "finished physical therapy, starting now"])
def test_something_else_that_is_done_does_not_end_the_dose_that_starts(text):
    assert [change["state"] for change in doses(answer("reminded", text)) if "state" in change] == ["running"]


@pytest.mark.parametrize("text", ["stopped, leaking", "im stopping it, too painful", "stopped because it hurts", "had to stop it, battery died"])
def test_a_dose_that_is_stopped_is_stopped_whatever_the_reason(text):
    effects = answer("running", text)
    assert "stopped" in [change.get("state") for change in doses(effects)]
    assert [effect for effect in effects if isinstance(effect, (OpenTask, MakePage))]


def test_wrong_number_in_answer_to_a_reminder_is_understood():
    assert entries(answer("reminded", "wrong number")) == ["wrong_number"]


@pytest.mark.parametrize(("text", "volume_ml"), [
    ("38 ml. left belly, right thigh. a bit of itching", 38.0), ("all done, 40 ml left and right belly", 40.0),
    ("35 of 40 ml", 35.0), ("20 ml left thigh and 20 ml right thigh", 40.0), ("40 thighs", 40.0), ("forty, left belly", 40.0),
    ("all, both thighs", 40.0),
])
def test_the_volume_that_was_told_is_kept_whatever_else_the_text_says(text, volume_ml):
    found = [change["volume_ml"] for change in doses(answer("amount", text)) if "volume_ml" in change]
    assert found == [volume_ml]


@pytest.mark.parametrize("text", ["all fine", "all good", "is that all", "not all of it", "all but 5 ml", "1", "idk", "25 ml left in the syringe"])
def test_no_volume_is_kept_that_nobody_said(text):
    assert not [change for change in doses(answer("amount", text)) if "volume_ml" in change]


@pytest.mark.parametrize("text", ["my skin feels like cardboard and i see stars", "\u043c\u043d\u0435 \u043f\u043b\u043e\u0445\u043e", "it is creeping up"])
def test_not_understood_in_the_middle_of_the_check_in_is_asked_again_and_never_thanked_for(text):
    for state in ("amount", "bother"):
        assert not {"check_in.thanks", "check_in.no_fact"} & set(entries(answer(state, text)))


def test_done_and_an_alarm_in_one_text_records_the_dose_and_its_volume():
    found = doses(answer("running", "done. 40 ml left belly. now hives all over"))
    assert {"state": "done", "volume_ml": 40.0}.items() <= {k: v for change in found for k, v in change.items()}.items()


def test_skip_with_an_illness_is_a_skip_and_the_safety_question():
    effects = answer("reminded", "skip, i feel weird")
    assert "skipped" in [change.get("state") for change in doses(effects)]
    assert "safety" in entries(effects)


def test_gone_here_but_new_there_is_not_gone():
    from flows.model import MendReaction

    assert not [effect for effect in answer("follow_up", "gone from the left but now the right is red") if isinstance(effect, MendReaction)]


@pytest.mark.parametrize("text", ["left belly is red and right thigh leaks", "barriga izquierda roja y gotea el muslo derecho"])
def test_two_problems_in_one_text_are_on_record_each_with_its_own_site(text):
    told = {(each.kind, each.site) for each in answer("check_in", text) if isinstance(each, AddReaction)}
    assert told == {("redness", "left belly"), ("leak", "right thigh")}


def test_a_bare_lot_number_is_on_record_when_it_was_asked_for_and_confirmed():
    effects = answer("lots", "P10012345 and P10012346")
    assert [each.lots for each in effects if isinstance(each, PutLots)] == [(("P10012345", None), ("P10012346", None))]
    assert "P10012345, P10012346" in texts_to_ana(effects)[0].body


NOT_BEGUN = ["oh wait not yet", "oh wait not yet, sorry", "havent started yet sorry", "I didn't actually start",
             "false alarm i didnt start", "no he empezado todavia"]


def answer_minutes_after(state, text, minutes, who="Ana"):
    """What a text of Ana's comes to so many minutes after `who` said "starting" (running) or somebody "done"."""
    patient = patient_in(state)
    dose, *rest = patient.infusions or patient_in("check_in").infusions
    at = NOW - timedelta(minutes=minutes)
    dose = replace(dose, started_by=who, **({"started_at": at} if dose.state == "running" else {"ended_at": at}))
    patient = replace(patient, infusions=(dose, *rest))
    return decide(world(patient), Inbound(1, ANA, ANA.number, text, 0, NOW)).effects


def taken_back(effects, state):
    return [change for change in doses(effects) if change.get("state") == state]


@pytest.mark.parametrize("text", NOT_BEGUN)
def test_a_start_that_was_none_is_taken_back_and_the_reminder_comes_later(text):
    effects = answer_minutes_after("running", text, 5)
    assert {"state": "planned", "started_at": None, "started_by": None} in doses(effects)
    assert entries(effects) == ["later"]
    assert "put_off" in [each.kind for each in effects if isinstance(each, SetTimer)]
    assert not [each for each in effects if isinstance(each, MakePage)]


@pytest.mark.parametrize("text", NOT_BEGUN)
@pytest.mark.parametrize(("state", "minutes", "who"), [("running", 16, "Ana"), ("running", 5, "Dana"), ("asked_running", 5, "Ana"),
                                                      ("asked_running", 70, "Ana")])
def test_a_start_long_ago_or_of_another_is_never_taken_back_and_stays_watched(text, state, minutes, who):
    effects = answer_minutes_after(state, text, minutes, who)
    assert not taken_back(effects, "planned")
    assert texts_to_ana(effects)


@pytest.mark.parametrize("text", ["i havent started feeling bad", "havent started yet but my throat is tight", "not yet, my chest hurts"])
def test_no_alarm_and_no_feeling_is_taken_for_a_start_taken_back(text):
    assert not taken_back(answer_minutes_after("running", text, 5), "planned")


@pytest.mark.parametrize("text", ["oh wait its not done yet", "i said done by mistake its still going", "sorry still running"])
def test_a_done_that_was_none_is_taken_back_and_the_dose_is_watched_again(text):
    effects = answer_minutes_after("check_in", text, 5)
    assert [change for change in taken_back(effects, "running") if change["ended_at"] is None]
    assert entries(effects) == ["running_fine"]
    assert {"running_question", "running_end"} <= {each.kind for each in effects if isinstance(each, SetTimer)}


@pytest.mark.parametrize(("state", "minutes"), [("check_in", 20), ("idle", 24 * 60), ("follow_up", 24 * 60), ("problem", 5), ("bother", 5)])
@pytest.mark.parametrize("text", ["still going", "its still going", "not over yet"])
def test_what_still_goes_on_later_or_is_a_complaint_revives_no_dose(text, state, minutes):
    assert not taken_back(answer_minutes_after(state, text, minutes), "running")


@pytest.mark.parametrize("text", ["I don't have them", "threw away the boxes", "no los tengo"])
def test_lots_that_are_gone_are_not_asked_for_again(text):
    assert "lots" not in entries(answer("lots", text))


@pytest.mark.parametrize(("text", "minutes"), [("about an hour", 60), ("an hour and a half", 90), ("media hora", 30),
                                               ("two hours", 120)])
def test_how_long_it_took_may_be_told_in_words(text, minutes):
    effects = answer("times", text)
    assert next((change["minutes"] for change in doses(effects) if "minutes" in change), None) == minutes


def test_nobody_is_told_that_an_infusion_should_be_over_before_it_should_be():
    assert entries(answer("running", "later")) == ["running_question.early"]


@pytest.mark.parametrize("text", ["after i eat", "when i get home", "ok once the kids are asleep", "cuando llegue a casa", "after dinner"])
def test_an_hour_that_we_cannot_know_is_asked_back(text):
    assert entries(answer("reminded", text)) == ["later.vague"]


@pytest.mark.parametrize("text", ["after i eat my chest hurts", "when i get up i faint"])
def test_what_happens_after_something_is_no_wish_for_later(text):
    assert "later.vague" not in entries(answer("reminded", text))


@pytest.mark.parametrize(("state", "text", "entry"), [
    ("running", "done 400 ml", "amount.more"), ("running", "done, all good, 4 ml", "amount.less"), ("running", "done 35 or 40 ml", "amount.unsure"),
    ("amount", "400", "amount.more"), ("check_in", "all good, 400 ml both thighs", "amount.more"), ("stopped", "400 ml", "amount.more"),
])
def test_a_volume_in_doubt_is_asked_back_in_one_question_and_not_recorded(state, text, entry):
    effects = answer(state, text)
    assert [sent.entry for sent in texts_to_ana(effects) if sent.kind == "prompt"] == [entry]
    assert not any("volume_ml" in each.changes for each in effects if isinstance(each, PutInfusion))
    assert not any(isinstance(each, OpenTask) for each in effects)


def test_a_correction_that_cannot_be_is_asked_back_and_leaves_the_record_as_it_is():
    patient = patient_in("check_in")
    patient = replace(patient, talk=replace(patient.talk, state="idle"))
    effects = decide(world(patient), Inbound(1, ANA, ANA.number, "sorry it was 400 ml", 0, NOW)).effects
    assert entries(effects) == ["amount.more"] and not any("volume_ml" in changes for changes in doses(effects))


def test_a_second_answer_in_doubt_is_not_asked_again_and_a_nurse_has_a_task():
    patient = patient_in("amount")
    patient = replace(patient, infusions=(replace(patient.infusions[0], asked=("how", "amount", "again"), how="fine"),))
    effects = decide(world(patient), Inbound(1, ANA, ANA.number, "400 ml", 0, NOW)).effects
    assert not any(entry.startswith("amount") for entry in entries(effects))
    assert [task.about for task in effects if isinstance(task, OpenTask)] == ["volume to check"]
