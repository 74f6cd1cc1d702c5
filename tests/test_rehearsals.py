"""Golden rehearsals: written conversations through the real webhook, worker and sender, compared as chats.

Each file in tests/rehearsals opens with its claim. Its whole chat stands beside it as `.chat`; read the difference
before you accept one: `python -m tests.test_rehearsals` writes the chats anew. The claims below hold whatever the words.
"""

import re
import sys
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from bot import script
from bot.rehearse import play

FOLDER = Path(__file__).parent / "rehearsals"
FILES = sorted(FOLDER.glob("*.yaml"))


@cache
def played(name):
    return play(script.load(FOLDER / f"{name}.yaml"))


BY_WISH = {"dst_gap", "dst_fold", "put_off_past_midnight"}  # the hour lies in quiet hours by the patient's own wish


def events(name, **wanted):
    """Events of a rehearsal whose fields have these values; `to`, `kind` … and `says` (a pattern in the text)."""
    says = wanted.pop("says", "")
    return [event for event in played(name).events[:-1]
            if all(event[key] == value for key, value in wanted.items()) and re.search(says, event["text"])]


def record(name):
    return played(name).events[-1]


def doses(name):
    return [(dose["due_on"], dose["state"]) for patient in record(name)["patients"] for dose in patient["infusions"]]


def held(name):
    return any(patient["held"] for patient in record(name)["patients"])


def seconds_between(first, second):
    return (datetime.fromisoformat(second["at"]) - datetime.fromisoformat(first["at"])).total_seconds()


def sent_by(name, who, says):
    return events(name, **{"from": who}, says=says)[0]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_chat_is_as_it_was_agreed(file):
    assert played(file.stem).text == file.with_suffix(".chat").read_text(encoding="utf-8")


def test_the_readme_shows_that_chat_word_for_word():
    readme = (FOLDER.parent.parent / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"^\d\d:\d\d \w+ > .*$", readme, re.MULTILINE)
    chat = [re.sub(r" \[\w+\]: ", ": ", line, count=1) for line in played("emergency_during").text.splitlines()]
    assert len(shown) > 9 and "\n".join(shown) in "\n".join(chat)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_rehearsal_opens_with_its_claim(file):
    assert re.match(r'# ["A-Z0-9].{20,}\.$', file.read_text(encoding="utf-8").splitlines()[0])


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_nothing_of_routine_stands_beside_an_emergency(file):
    """From an emergency instruction until the nurse closes, no reminder, advice or check-in goes to anybody about it."""
    open_since = None
    for event in played(file.stem).events[:-1]:
        if event["kind"] == "emergency" and "CALL" in event["text"]:
            open_since = event["to"]
        elif event["kind"] == "notice" and "closed this" in event["text"]:
            open_since = None
        if open_since and event["to"] == open_since:
            assert event["kind"] not in ("reminder", "advice", "prompt"), event


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_routine_text_starts_in_quiet_hours(file):
    if file.stem in BY_WISH:
        return
    inbound = {}
    for event in played(file.stem).events[:-1]:
        at = datetime.fromisoformat(event["at"])
        if event["kind"] == "inbound":
            inbound[event["from"]] = at
        if event["kind"] in ("reminder", "advice") and (at.hour >= 21 or at.hour < 8):
            answered = inbound.get(event["to"])
            assert answered and at - answered <= timedelta(minutes=30), event


def test_a_clean_day_is_one_reminder_two_questions_and_nothing_more():
    assert len(events("clean_day", kind="reminder")) == 1
    assert len(events("clean_day", kind="prompt")) == 2
    dose = record("clean_day")["patients"][0]["infusions"][-1]
    assert (dose["state"], dose["volume_ml"], dose["sites"]) == ("done", 40.0, ["left belly", "right belly"])
    assert not record("clean_day")["matters"] and not record("clean_day")["tasks"]


def test_later_brings_one_reminder_at_the_named_time_and_no_second_one():
    assert [event["at"][11:16] for event in events("later", kind="reminder")] == ["18:00", "19:00"]
    assert doses("later") == [("2026-03-10", "done")]


def test_a_skip_keeps_its_reason_and_is_never_doubled():
    infusions = record("skip")["patients"][0]["infusions"]
    assert [dose["why"] for dose in infusions] == ["we are out of town until thursday", "away for work"]
    assert [dose["state"] for dose in infusions] == ["skipped", "skipped"]


def test_silence_brings_one_second_reminder_then_the_coordinators_list_and_never_more():
    assert len(events("silent_to_the_reminder", kind="reminder")) == 2
    assert [task["owner"] for task in record("silent_to_the_reminder")["tasks"]] == ["coordinator"]
    assert doses("silent_to_the_reminder") == [("2026-03-10", "missed")]


def test_silence_while_infusing_is_one_question_and_then_a_page_after_the_practices_minutes():
    question = events("silent_while_infusing", kind="prompt")[0]
    first_page = events("silent_while_infusing", kind="page")[0]
    assert seconds_between(question, first_page) == 20 * 60
    assert record("silent_while_infusing")["matters"][0]["disposition"] == "urgent"


@pytest.mark.parametrize(("name", "said"), [
    ("emergency_before", "catch my breath"), ("emergency_during", "throat"), ("emergency_after", "chest"),
])
def test_an_emergency_is_answered_and_paged_at_once_and_holds_the_order(name, said):
    alarm = sent_by(name, "Ana", said)
    later = [event for event in played(name).events[:-1] if event["at"] >= alarm["at"] and event["from"] == "Ebbline"]
    assert later[0]["kind"] == "emergency" and later[0]["to"] == "Ana" and later[0]["text"].startswith("CALL 911 NOW")
    assert later[1]["kind"] == "page" and later[1]["to"] == "Ruth"
    assert seconds_between(alarm, later[1]) <= 2
    assert held(name)
    assert not [event for event in events(name, kind="reminder") if event["at"] > alarm["at"]]


def test_denied_alarm_words_bring_no_alarm():
    assert not record("negated_alarm_words")["matters"]
    assert doses("negated_alarm_words") == [("2026-03-10", "done")]


def test_stop_while_infusing_is_honoured_and_pages():
    stop = sent_by("stop_while_infusing", "Ana", "STOP")
    page = events("stop_while_infusing", kind="page")[0]
    assert seconds_between(stop, page) <= 2 and "opted out" in page["text"]
    assert not [e for e in events("stop_while_infusing", to="Ana", kind="reminder") if e["at"] > stop["at"]]


def test_help_with_a_matter_open_pages_again_besides_the_standard_answer():
    asked = sent_by("help_with_a_matter_open", "Ana", "^HELP$")
    after = [e for e in played("help_with_a_matter_open").events[:-1] if e["at"] == asked["at"] and e["from"] == "Ebbline"]
    assert any("Call 312-555-0197 to reach us" in event["text"] for event in after)
    assert any(event["kind"] == "page" and "4213 mine" in event["text"] for event in after)


def test_closing_is_not_a_release():
    name = "closed_and_still_held"
    closed, released = sent_by(name, "Ruth", "^close"), sent_by(name, "Sam", "^release")
    reminders = [event["at"] for event in events(name, kind="reminder")]
    assert not [at for at in reminders if closed["at"] < at < released["at"]]
    assert [at for at in reminders if at > released["at"]], "after the release the next planned infusion is reminded of"
    assert [event["text"] for event in events(name, kind="relay")] == ["From your nurse: Ana, sit with your legs up. I am calling you now."]


def test_a_silent_nurse_is_paged_again_then_the_next_then_the_manager():
    pages = events("nurse_silent_next_is_paged", kind="page", says="EMERGENCY")
    assert [event["to"] for event in pages][:6] == ["Ruth", "Ruth", "Sam", "Sam", "Mara", "Mara"]
    assert seconds_between(pages[0], pages[2]) == 5 * 60, "the next nurse comes after the practice's answer time"
    assert events("nurse_silent_next_is_paged", to="Ana", says="Nobody has answered our page yet. Call 911")
    taken = sent_by("nurse_silent_next_is_paged", "Mara", "on it")
    assert not [event for event in pages if event["at"] > taken["at"]]


def test_a_nurses_alarm_words_are_filed_on_her_case_or_asked_about_and_silence_pages_the_next():
    name = "nurse_text_with_alarm_words"
    assert events(name, to="Ruth", says="noted")
    asked = events(name, to="Ruth", says="about a patient or about you")[0]
    page = events(name, to="Sam", kind="page")[0]
    assert seconds_between(asked, page) == 5 * 60
    assert len(record(name)["matters"]) == 2


def test_a_duplicate_delivery_changes_nothing():
    name = "duplicate_delivery"
    assert len(events(name, kind="emergency")) == 1
    assert len(events(name, kind="page")) == 1
    assert len(record(name)["matters"]) == 1


def test_an_unknown_number_with_an_alarm_gets_the_instruction_and_a_page():
    name = "unknown_number_with_an_alarm"
    assert events(name, to="Unknown", kind="emergency", says="^CALL 911 NOW")
    assert "unknown number" in events(name, to="Ruth", kind="page")[0]["text"]
    assert len(events(name, to="Unknown", says="automatic line")) == 1


def test_both_parents_starting_are_answered_with_who_and_when_and_doubt_pages():
    name = "both_parents_start"
    first = events(name, to="Omar", kind="prompt")[0]
    assert "Dana told us at 6:05 PM" in first["text"]
    assert events(name, kind="page", says="second dose")
    assert [state for _, state in doses(name)][0] == "done"


def test_texts_that_change_places_are_both_dealt_with():
    assert doses("texts_out_of_order") == [("2026-03-10", "done")]
    assert len(events("texts_out_of_order", kind="inbound")) == 3


def test_an_instruction_waits_for_the_carrier_no_longer_than_the_longest_wait():
    up = "2026-03-10T18:20:"
    assert events("carrier_down", kind="emergency", says="^CALL")[0]["at"].startswith(up)
    assert events("carrier_down", kind="page")[0]["at"].startswith(up)


def test_with_the_worker_dead_an_emergency_leaves_at_once():
    alarm = sent_by("worker_down", "Ana", "face")
    assert seconds_between(alarm, events("worker_down", to="Ana", kind="emergency")[0]) <= 2
    assert seconds_between(alarm, events("worker_down", to="Ruth", kind="page")[0]) <= 2
    assert not events("worker_down", kind="reminder")


def test_a_text_that_the_webhook_lost_is_taken_in_within_a_minute():
    alarm = sent_by("web_down", "Ana", "coughing")
    assert seconds_between(alarm, events("web_down", to="Ana", kind="emergency")[0]) <= 60


def test_a_lost_safety_question_counts_as_silence():
    asked = events("question_not_delivered", kind="prompt")[0]
    assert seconds_between(asked, events("question_not_delivered", kind="page")[0]) <= 10


def test_a_page_that_does_not_arrive_moves_on_at_once():
    first, second = events("page_not_delivered", kind="page")[:2]
    assert (first["to"], second["to"]) == ("Ruth", "Sam")
    assert seconds_between(first, second) <= 10


def test_a_picture_is_never_fine():
    assert events("picture", to="Ana", says="cannot see pictures")
    assert [event["to"] for event in events("picture", kind="page")][0] == "Ruth"


def test_an_alarm_on_a_shared_phone_is_not_taken_for_the_answer_to_our_question():
    name = "shared_phone_alarm"
    assert events(name, kind="emergency", says="CALL 911 NOW")
    assert [patient["held"] for patient in record(name)["patients"]] == [False, True], "Tom was named, Max was not"


def test_on_a_shared_phone_a_name_says_whom_it_is_about():
    states = {patient["name"]: [dose["state"] for dose in patient["infusions"]] for patient in record("shared_phone_named")["patients"]}
    assert states["Tom"] == ["done"] and states["Max"] == ["missed"]
    assert len(events("shared_phone_named", says="Is this about Max or Tom")) == 1


def test_an_unnamed_emergency_holds_both_brothers_until_both_are_released():
    name = "shared_phone_unnamed_emergency"
    closed, released = sent_by(name, "Ruth", "close"), events(name, **{"from": "Sam"})[0]
    reminders = events(name, kind="reminder")
    assert not [event for event in reminders if event["at"] < released["at"]] and closed["at"] < released["at"]
    assert {event["to"] for event in reminders if event["at"] > released["at"]} == {"Max", "Tom"}
    assert events(name, to="Ruth", says="still open. Take it and close it first")


def test_a_hold_without_a_matter_is_released_by_its_task():
    reminders = [event["at"][:10] for event in events("hospital", kind="reminder")]
    assert reminders[0] == "2026-03-17" and not held("hospital")


def test_no_dose_of_a_daily_order_stays_open():
    assert [state for _, state in doses("daily_silent")] == ["missed", "missed", "missed", "done"]


def test_after_stop_and_start_the_reminders_go_on():
    assert [event["at"][:10] for event in events("opted_out_and_back", kind="reminder")] == ["2026-03-10", "2026-03-17", "2026-03-17"]


def test_an_alarm_after_later_does_not_lose_the_dose():
    assert doses("alarm_after_later") == [("2026-03-10", "held"), ("2026-03-17", "planned")]


def test_starting_again_does_not_end_the_watch():
    name = "starting_again_and_silence"
    assert len(events(name, kind="prompt", says="should be done")) == 2
    assert events(name, kind="page", says="silent while infusing")


def test_one_dose_told_of_three_times_is_one_dose():
    assert doses("done_twice") == [("2026-03-10", "done")]


def test_a_second_dose_the_same_day_pages_and_stays_on_record():
    assert [state for _, state in doses("second_dose_the_same_day")] == ["done", "stopped"]
    assert events("second_dose_the_same_day", kind="page", says="second dose")


def test_a_nurse_cannot_take_the_case_about_herself():
    assert events("nurse_ill", to="Ruth", says="about you, so another nurse")
    assert record("nurse_ill")["matters"][0]["by"] == "Sam"


def test_an_opted_out_patient_is_screened_and_the_nurse_is_told_to_call():
    assert events("opted_out_patient_with_an_alarm", to="Ruth", says="^CALL NOW EMERGENCY")


def test_a_stopped_dose_keeps_its_volume_and_is_a_nurses_task():
    dose = record("stopped_early")["patients"][0]["infusions"][0]
    assert (dose["state"], dose["volume_ml"]) == ("stopped", 22.0)
    assert record("stopped_early")["tasks"][0]["about"] == "dose stopped early"


# --- the check-in, complaints, later days ----------------------------------------------------------------------------


def last_dose(name):
    return record(name)["patients"][0]["infusions"][-1]


def told(name):
    return [(row["kind"], row["site"]) for row in record(name)["patients"][0]["reactions"]]


def asked(name):
    return len(events(name, kind="prompt"))


@pytest.mark.parametrize(("name", "kind", "words"), [
    ("complaint_leak", "leak", "Wipe and cover the place"), ("complaint_swelling", "swelling", "warm or cool pack"),
    ("complaint_redness", "redness", "do not scratch"), ("complaint_needle_pain", "pain", "do not pull at the needle"),
    ("complaint_slow", "slow", r"40 mL over 2 sites take about 60 min \(your last ones: about 61\)"), ("complaint_blood_before", "blood", "do not start"),
    ("complaint_blood_after", "blood", "Press with gauze"),
])
def test_each_complaint_gets_its_own_fixed_advice_and_stands_on_record(name, kind, words):
    assert events(name, kind="advice", says=words)
    assert kind in [what for what, _ in told(name)]
    assert not record(name)["matters"]


@pytest.mark.parametrize(("name", "numbers"), [
    # each complication twice: 40 mL over 2 sites at 20 mL/h, and 90 mL over 4 sites at 15 mL/h
    ("advice_leak_running", "40 mL over 2 sites, 20 mL each"), ("advice_leak_again", "20 mL at each of 2 sites"),
    ("advice_swelling_after", "20 mL at each of 2 sites"), ("advice_swelling_spanish", "22.5 mL en cada uno de 4 sitios"),
    ("advice_itch_next_day", "takes 20 mL"), ("advice_itch_running", "takes 22.5 mL"),
    ("complaint_swelling", "20 mL at each"), ("bother_much", "takes 20 mL"), ("advice_pain_fresh", "takes 22.5 mL"),
    ("advice_needle_running", "2 sites, 20 mL each"), ("advice_needle_after", "4 sites with 22.5 mL each"),
    ("advice_slow_not_on_record", "40 mL over 2 sites take about 60 min"), ("advice_slow_after", "90 mL over 4 sites take about 90 min"),
    ("advice_slow_far_over", "It has run 143 min"), ("complaint_blood_before", r"all 2 sites \(20 mL each\)"),
    ("advice_blood_before_start", r"all 4 sites \(22.5 mL each\)"), ("advice_blood_unknown", "any of your 2 sites"),
    ("advice_blood_out", "any of your 4 sites"),
])
def test_advice_is_filled_from_the_patients_own_order(name, numbers):
    assert events(name, kind="advice", says=numbers)


def test_blood_in_the_tubing_is_answered_by_where_the_dose_stands():
    assert events("complaint_blood_before", kind="advice", says="do not start")
    assert events("advice_blood_running", kind="page") and not events("advice_blood_running", kind="advice")
    assert events("advice_blood_running", kind="notice", says="Stop the pump and clamp the line now")
    assert events("advice_blood_out", kind="advice", says="when the needle comes out")


def test_what_cannot_wait_pages_and_no_advice_stands_beside_it():
    for name, words in (("advice_leak_running_much", "Do not put in more for what leaked"), ("advice_blood_running_spanish", "Pare la bomba y cierre")):
        assert events(name, kind="page") and events(name, kind="notice", says=words)
        assert not events(name, kind="advice")


def test_two_troubles_in_one_text_get_an_answer_each_and_their_own_sites():
    assert [bool(events("advice_two_troubles", kind="advice", says=words)) for words in ("Left thigh: Some redness", "Right belly: A few drops")] == [True] * 2
    assert {("redness", "left thigh"), ("leak", "right belly")} <= set(told("advice_two_troubles"))


def test_a_wish_to_change_the_pump_goes_to_a_nurse_and_changes_nothing():
    assert events("advice_change_wish", kind="notice", says="change nothing on pump")
    assert not events("advice_change_wish", kind="advice")


def test_what_a_nurse_would_ask_is_asked_once_and_not_when_it_is_on_record():
    asks = "Which site|how much|Since when|Where is that needle|When did it start"
    assert [len(events(name, kind="prompt", says=asks)) for name in (
        "advice_leak_running", "advice_leak_much", "advice_itch_next_day", "advice_slow_not_on_record", "advice_blood_unknown",
        "advice_leak_unanswered")] == [1] * 6
    assert not [name for name in ("advice_itch_running", "advice_needle_running", "advice_slow_after", "advice_slow_far_over",
                                  "advice_blood_before_start") if events(name, kind="prompt", says=asks)]


def test_the_answer_stands_on_record_with_the_complaint():
    assert told("advice_leak_running") == [("leak", "left belly")]
    assert told("advice_itch_next_day") == [("itch", "left side")]
    assert told("advice_leak_much") == [("leak", "right thigh")]
    started = last_dose("advice_slow_not_on_record")["started_at"]
    assert started.startswith("2026-03-10T18:05") or started.startswith("2026-03-10T23:05"), "6:05 PM on a Tuesday, as told"


def test_trouble_that_comes_again_or_is_large_or_old_reaches_the_nurse():
    for name, about in (("advice_leak_again", "repeated: leak"), ("advice_leak_much", "a larger leak"),
                        ("advice_pain_three_days", "a site reaction past 48 hours"), ("advice_slow_far_over", "infusion far over its time")):
        assert about in [task["about"] for task in record(name)["tasks"]], name


def test_an_unanswered_question_keeps_the_advice_back_for_minutes_only_and_the_watch_goes_on():
    advice, = events("advice_leak_unanswered", kind="advice")
    assert advice["at"][11:16] == "18:27"
    assert events("advice_leak_unanswered", kind="prompt", says="should be done by now")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_infusion_brings_more_than_four_questions_and_two_about_a_problem(file):
    for day in {event["at"][:10] for event in played(file.stem).events[:-1]}:
        for person in {event["to"] for event in played(file.stem).events[:-1]}:
            texts = [event["text"] for event in events(file.stem, to=person, kind="prompt") if event["at"].startswith(day)]
            check_in = [text for text in texts if re.search(r"How did it go|[Hh]ow many mL|When did it start|Which lot|Como le fue|[Cc]uantos mL|A que hora", text)]
            about = [text for text in texts if re.search(r"How much does it bother|What is it, and where|How do you feel\?|Cuanto le molesta", text)]
            children = 2 if "two" in file.stem or "shared" in file.stem else 1
            assert len(check_in) <= 4 * children and len(about) <= 2 * children


def test_what_was_said_is_never_asked_again():
    assert asked("sloppy_one_text") == 0
    dose = last_dose("sloppy_one_text")
    assert (dose["volume_ml"], dose["sites"], dose["lots"], dose["minutes"]) == (40.0, ["left thigh", "right thigh"], ["A123"], 65)
    assert asked("complaint_leak") == 2, "the bother, and mL with sites; how it went had been said"


def test_a_correction_changes_the_record():
    dose = last_dose("correction")
    assert (dose["volume_ml"], dose["sites"]) == (36.0, ["right thigh", "left thigh"])
    assert events("correction", says="We changed it on record")


def test_a_volume_that_the_order_cannot_mean_is_asked_back_and_not_recorded():
    assert len(events("impossible_volume", to="Ana", kind="prompt", says="400 mL is more than your order of 40")) == 1
    assert last_dose("impossible_volume")["volume_ml"] == 40.0 and not record("impossible_volume")["tasks"]


def test_a_volume_still_in_doubt_when_asked_back_is_not_recorded_and_a_nurse_hears_of_it():
    assert len(events("doubtful_volume", to="Ana", kind="prompt", says="not sure how many mL")) == 1
    assert last_dose("doubtful_volume")["volume_ml"] is None
    assert [task["about"] for task in record("doubtful_volume")["tasks"]] == ["volume to check"]


def test_each_lot_is_on_record_with_its_own_volume():
    dose = last_dose("several_lots")
    assert list(zip(dose["lots"], dose["lot_volumes_ml"])) == [("KX1140", 20.0), ("KX1207", 20.0)]
    assert (dose["volume_ml"], dose["sites"]) == (40.0, ["left thigh", "right thigh"])


def test_facts_told_in_spanish_are_not_asked_for():
    dose = last_dose("spanish_facts")
    assert (dose["volume_ml"], dose["sites"], dose["lots"], dose["minutes"]) == (30.0, ["left thigh", "right thigh"], ["77A1"], 65)
    assert asked("spanish_facts") == 1, "only how it went"


def test_silence_in_the_check_in_leaves_what_was_not_answered_unanswered():
    dose = last_dose("silence_in_the_check_in")
    assert (dose["state"], dose["volume_ml"], dose["sites"]) == ("done", None, [])
    assert asked("silence_in_the_check_in") == 1 and not record("silence_in_the_check_in")["matters"]


def test_silence_after_a_problem_was_named_pages():
    assert events("silence_about_a_problem", kind="page", says="silent about a problem")


def test_a_local_reaction_is_asked_about_after_a_day_and_two_and_no_more_when_gone():
    assert [event["at"][:10] for event in events("complaint_swelling", kind="prompt", says="Is it gone")] == ["2026-03-11"]
    assert [event["at"][:10] for event in events("complaint_redness", kind="prompt", says="Is it gone")] == ["2026-03-11", "2026-03-12"]
    assert "a site reaction past 48 hours" in [task["about"] for task in record("complaint_redness")["tasks"]]


def test_a_reaction_told_of_after_60_hours_goes_to_a_nurse():
    assert [task["about"] for task in record("reaction_at_60_hours")["tasks"]] == ["a site reaction past 48 hours"]
    assert not events("reaction_at_60_hours", kind="advice")


def test_first_infusions_bring_more_words_and_a_question_the_next_day():
    assert events("next_day", kind="reminder", says="have someone near you")
    assert events("next_day", kind="prompt", says="after your infusion yesterday")
    assert not events("clean_day", kind="prompt", says="yesterday"), "not from the third infusion on"


def test_a_gap_past_the_limit_holds_the_dose_and_a_nurse_has_a_task_before_it():
    task = record("long_gap")["tasks"][0]
    assert task["owner"] == "nurse" and task["opened_at"] < "2026-03-10T18:00" and task["due_at"] < "2026-03-10T18:00"
    assert not events("long_gap", kind="reminder")
    assert events("long_gap", to="Ana", says="Please do not infuse before a nurse tells you")


def test_a_reminder_names_the_sites_to_use_only_where_all_that_are_ordered_can_be_proposed():
    assert events("sites_rotate", to="Ana", kind="reminder", says=r"Sites to use: right belly, left thigh\.$"), "the left belly is red"
    assert events("sites_rotate", to="Luz", kind="reminder", says=r"Sitios para usar: barriga izquierda \(2\), barriga derecha, ")
    assert events("sites_same", to="Ana", kind="reminder", says=r"Sites to use: upper left belly, right belly\.$")
    for name in ("Ben", "Cem"):  # a discreet patient; one of two ordered sites on record
        assert len(events("sites_same", to=name, kind="reminder")) == 1 and not events("sites_same", to=name, says="Sites")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_text_names_sites_to_use_unless_the_practice_wants_it(file):
    if not file.stem.startswith("sites_"):
        assert not events(file.stem, says="Sites to use|Sitios para usar")


def test_a_refill_is_one_task_a_week_ahead_and_again_only_after_a_delivery():
    opened = [task["opened_at"] for task in record("refill_in_time")["tasks"] if task["about"] == "refill"]
    assert [at[:16] for at in opened] == ["2026-03-25T08:00", "2026-04-15T08:00"]
    assert {task["owner"] for task in record("refill_in_time")["tasks"] if task["about"] == "refill"} == {"coordinator"}
    left = [re.search(r"dose: (\d+) left", printed)[1] for _, _, printed, _ in played("refill_in_time").output if "dose:" in printed]
    assert left == ["2", "0", "2", "3"], "a skipped dose used none, one taken back gave its own back"


def test_running_low_corrects_the_count_only_by_a_plain_number_and_stays_a_nurses_task():
    ana, luz = [printed for _, command, printed, _ in played("supplies_running_low").output if command.startswith("patient supplies")]
    assert "dose: 2 left" in ana and "tape: 0 left" in ana and "needle: low, the number was not told" in ana and "needle: 4 left" in luz
    assert [task["owner"] for task in record("supplies_running_low")["tasks"] if task["about"] == "supply"] == ["nurse", "nurse"]
    assert events("supplies_running_low", to="Ana", says="^Noted: 2 doses left, 0 rolls of tape left. Thank you. This is on the nurse's list")


def test_already_did_it_is_on_record_at_the_hour_that_was_told():
    dose = last_dose("already_did_it")
    assert dose["ended_at"].startswith("2026-03-10T17:00") and dose["started_at"].startswith("2026-03-10T16:00")


def test_a_vague_time_is_asked_back_and_a_named_one_stands():
    assert events("vague_later", kind="prompt", says="At what time")
    assert [event["at"][11:16] for event in events("vague_later", kind="reminder")] == ["18:00", "20:00"]


def test_the_clocks_change_and_no_dose_is_lost_or_reminded_of_twice():
    """RFC 5545 3.3.5: 02:30 in the gap of Sunday 2026-03-08 is 03:30; the first 01:30 of Sunday 2026-11-01 counts."""
    first = [event["at"] for event in events("dst_gap", kind="reminder", says="it is time")]
    assert [at[:16] for at in first] == ["2026-03-08T03:30", "2026-03-09T02:30", "2026-03-10T02:30"]
    fold = [event["at"] for event in events("dst_fold", kind="reminder", says="it is time")]
    assert fold == ["2026-11-01T01:30:00-05:00", "2026-11-02T01:30:00-06:00"]


def test_two_texts_in_the_other_language_switch_it_and_an_alarm_is_answered_in_its_own():
    assert events("language_switch", kind="prompt", says="Cuantos mL entraron")
    assert events("language_switch", kind="emergency", says="^CALL 911 NOW")


def test_a_dose_stopped_for_a_reaction_holds_the_order():
    assert held("stopped_for_a_reaction") and told("stopped_for_a_reaction")
    assert record("stopped_for_a_reaction")["patients"][0]["infusions"][2]["volume_ml"] == 18.0


@pytest.mark.parametrize("name", ["wrong_number", "died", "moved_away", "therapy_ended"])
def test_who_has_left_is_asked_nothing_more(name):
    word = events(name, kind="inbound")[0]
    after = [event for event in events(name, to="Ana") if event["at"] > word["at"] and event["kind"] in ("reminder", "prompt")]
    assert not after
    assert record(name)["tasks"], "a person has it"


def test_a_problem_that_bothers_much_goes_to_a_nurse():
    assert record("bother_much")["tasks"][0]["about"] == "a problem that bothers much"


def test_whoever_feels_unwell_without_the_signs_is_asked_how():
    assert events("unwell_at_check_in", kind="prompt", says="How do you feel")


def test_both_children_of_one_phone_have_their_own_record():
    doses_of = {patient["name"]: patient["infusions"][-1]["volume_ml"] for patient in record("two_children")["patients"]}
    assert doses_of == {"Leo": 20.0, "Mia": 10.0}


def test_a_start_and_an_end_that_were_none_page_nobody_and_leave_one_whole_dose():
    assert not events("taken_back", kind="page")
    dose = record("taken_back")["patients"][0]["infusions"][-1]
    assert dose["state"] == "done" and dose["volume_ml"] == 40.0
    assert len(events("taken_back", kind="prompt", says="How did it go")) == 2


# ---- schedules: the practice's clock in each line


def reminded(name, who="Ana"):
    """When somebody got a first reminder, as "03-10 18:00"."""
    return [event["at"][5:16].replace("T", " ") for event in events(name, kind="reminder", to=who) if "have not heard" not in event["text"]]


def test_a_dose_moved_by_the_coordinator_is_asked_about_on_its_new_day_alone():
    assert reminded("moved_by_the_coordinator") == ["03-10 18:00", "03-12 18:00", "03-17 18:00"]
    assert not events("moved_by_the_coordinator", says="have not heard")
    assert ("2026-03-12", "done") in doses("moved_by_the_coordinator") and "2026-03-10" not in dict(doses("moved_by_the_coordinator"))
    assert [status for *_, status in played("moved_by_the_coordinator").output] == [2, 0, 0]


def test_nothing_is_due_in_a_pause_and_nothing_is_made_up_for_after_it():
    assert reminded("paused_with_an_end") == ["03-10 18:00", "03-31 18:00"]
    assert doses("paused_with_an_end")[-2:] == [("2026-03-10", "skipped"), ("2026-03-31", "done")]
    assert not record("paused_with_an_end")["tasks"]


def test_a_holiday_moves_a_call_back_and_a_weekly_dose_but_no_daily_one():
    name = "holiday_of_the_practice"
    assert record(name)["tasks"][0]["due_at"].startswith("2026-05-26T10:30")
    assert reminded(name) == ["05-26 18:00"]
    assert reminded(name, "Ben") == [f"05-{day} 18:00" for day in (22, 23, 24, 25, 26)]


def test_on_a_journey_the_wall_time_is_kept_where_she_is_whatever_the_clocks_do_at_home():
    assert reminded("travel_and_the_clocks") == ["03-03 18:00", "03-10 12:00", "03-17 12:00", "03-24 18:00"]
    assert events("travel_and_the_clocks", says="started at 6:02 PM")[0]["at"].startswith("2026-03-10T12:02")


def test_a_missed_dose_is_caught_up_once_inside_the_late_window_and_asks_no_nurse():
    assert doses("caught_up_in_the_late_window")[-2:] == [("2026-03-10", "done"), ("2026-03-17", "planned")]
    assert not events("caught_up_in_the_late_window", kind="task", to="Ruth")


def test_without_a_late_window_a_nurse_hears_of_a_dose_caught_up_and_her_word_moves_one():
    assert events("caught_up_without_a_window", kind="task", to="Ruth", says="missed dose taken late: Ana")
    assert [status for *_, status in played("caught_up_without_a_window").output] == [2, 0]
    assert reminded("caught_up_without_a_window", "Ben") == ["03-10 18:00", "03-12 18:00"]


def test_a_new_order_takes_over_on_its_date_and_a_lead_says_the_true_time():
    assert reminded("a_new_order_from_a_date") == ["03-10 17:00", "03-16 18:00"]
    assert events("a_new_order_from_a_date", says="your infusion is at 7:00 PM")
    assert events("a_new_order_from_a_date", says="How many mL went in, and where. For example: 20 mL")


def write():
    """Write every chat anew."""
    for file in FILES:
        file.with_suffix(".chat").write_text(play(script.load(file)).text, encoding="utf-8")
    print(f"{len(FILES)} chats written; read the difference before you commit it")


if __name__ == "__main__":
    sys.exit(write())
