"""What is asked before advice, what the record answers, and the numbers that the advice is filled with."""

from dataclasses import replace
from datetime import date, datetime, timedelta, timezone

import pytest
from hypothesis import given, strategies as st

from flows import advice, hours, picture
from flows.advice import Complaint, answers, complaint_of, missing, on_record, question, told
from flows.model import Infusion, Order, Patient, Reaction

NOW = datetime(2026, 3, 11, 0, 30, tzinfo=timezone.utc)  # Tuesday 2026-03-10, 18:30 in Chicago (daylight saving began on Sunday)
SMALL = Order(id=1, volume_ml=40, strength_g_per_ml=0.2, sites=2, rate_ml_per_h_per_site=20, every="week", weekdays=("Tue",),
              clock_local="18:00", starts_on=date(2026, 1, 6), needle_mm=6, gauge=26, profile="g20-a")  # a Tuesday
LARGE = replace(SMALL, volume_ml=90, sites=4, rate_ml_per_h_per_site=15)


def dose(weeks_ago, state="done", minutes=None, sites=("left belly", "right belly"), **more):
    due_at = NOW - timedelta(weeks=weeks_ago, minutes=30)
    ended = {"ended_at": due_at + timedelta(minutes=minutes or 60)} if state in ("done", "stopped") else {}
    return Infusion(10 - weeks_ago, 1, hours.local(due_at, "America/Chicago").date(), due_at, state, minutes=minutes, sites=sites, **{**ended, **more})


def patient(order=SMALL, infusions=(), troubles=(), **more):
    return Patient(id=1, name="Ana", initials="A.", lang="en", zone="America/Chicago", state="live", order=order, infusions=tuple(infusions),
                   troubles=tuple(troubles), **more)


def part(name, **known):
    return f"<{name} {' '.join(str(value) for value in known.values())}>"


RUNNING = dose(0, "running", started_at=NOW - timedelta(minutes=75), started_by="Ana", sites=())


# --- what a text tells --------------------------------------------------------------------------------------------------------------

TOLD = [
    ("site_leak", "left belly, just a few drops", {"site": "left belly", "amount": "drops"}),
    ("site_leak", "the right thigh one, soaked my shirt", {"site": "right thigh", "amount": "more"}),
    ("site_leak", "not much, left side", {"site": "left side", "amount": "drops"}),
    ("site_leak", "more than a few drops", {"amount": "more"}), ("site_leak", "quite a bit", {"amount": "more"}),
    ("site_leak", "its a puddle, not a little", {"amount": "more"}), ("site_leak", "a couple tablespoons", {"amount": "more"}),
    ("site_leak", "not just drops", {"amount": "more"}), ("site_leak", "mas que unas gotas", {"amount": "more"}),
    ("site_leak", "no son gotas es bastante", {"amount": "more"}), ("site_leak", "lot A12", {"amount": None}),
    ("site_leak", "about 8 ml on the left thigh", {"site": "left thigh", "amount": "more"}),
    ("site_leak", "maybe 1 ml", {"amount": "drops"}),
    ("site_leak", "unas gotitas en el muslo derecho", {"site": "right thigh", "amount": "drops"}),
    ("site_leak", "bastante, barriga izquierda", {"site": "left belly", "amount": "more"}),
    ("site_swelling", "right belly since last night", {"site": "right belly", "since": "since", "days": None}),
    ("site_swelling", "both thighs, 2 days now", {"site": "left thigh, right thigh", "since": "2 days", "days": 2}),
    ("site_pain", "for 3 days", {"since": "for 3", "days": 3}),
    ("site_itch", "desde ayer, brazo derecho", {"site": "right arm", "since": "desde"}),
    ("site_itch", "hace una semana", {"days": 7}),
]


@pytest.mark.parametrize(("topic", "text", "expected"), TOLD)
def test_the_facts_of_an_answer_are_heard(topic, text, expected):
    found = told(Complaint(topic, asked=advice.NEEDS[topic]), text, each_ml=20)
    assert {name: getattr(found, name) for name in expected} == expected


@pytest.mark.parametrize(("text", "choice", "where"), [
    ("1", 1, "before"), ("2", 2, "running"), ("3", 3, "out"), ("havent started the pump yet", None, "before"),
    ("it is running right now", None, "running"), ("already took it out", None, "out"), ("ya la saque", None, "out"),
    ("todavia no la he prendido", None, "before"), ("needle is not out, its still in", None, None),
    ("la aguja no esta afuera, sigue puesta", None, None),
])
def test_where_the_needle_is_can_be_told_by_number_or_in_words(text, choice, where):
    assert told(Complaint("blood_before", asked=("needle",)), text, choice=choice).needle == where


def test_words_that_answer_nothing_are_no_answer():
    waiting = Complaint("site_leak", asked=("site", "amount"))
    for text in ("ok", "what should i do", "hello?", "thanks"):
        assert not answers(waiting, text), text
    assert answers(waiting, "left belly") and answers(waiting, "drops")


@given(st.text(max_size=200), st.sampled_from(sorted(advice.NEEDS)), st.integers(0, 9) | st.none())
def test_no_text_breaks_it_and_nothing_told_before_is_lost(text, topic, choice):
    before = Complaint(topic, asked=advice.NEEDS[topic][:1], site="left belly", amount="drops", since="today", needle="out")
    after = told(before, text, 20, choice)
    assert all(getattr(after, name) is not None for name in ("site", "amount", "since", "needle"))
    assert complaint_of(after.written()) == after


# --- what is asked ------------------------------------------------------------------------------------------------------------------


def test_what_is_on_record_is_not_asked():
    """The site of a dose with one site, the since of a fresh dose, the start of a running one, where the needle is."""
    one = on_record(Complaint("site_swelling"), patient(), dose(0, minutes=20, sites=("left belly",)), "idle", NOW)
    assert (one.site, missing(one)) == ("left belly", ())
    assert missing(on_record(Complaint("site_swelling"), patient(), dose(0, minutes=20), "idle", NOW)) == ("site",)
    assert missing(on_record(Complaint("slow"), patient(), RUNNING, "running", NOW)) == ()
    assert missing(on_record(Complaint("slow"), patient(), dose(0, "planned"), "reminded", NOW)) == ("start",)
    assert missing(on_record(Complaint("blood_after"), patient(), dose(0, minutes=20), "idle", NOW)) == ()


def test_blood_while_a_dose_runs_is_known_from_the_record():
    assert on_record(Complaint("blood_before"), patient(), RUNNING, "running", NOW).needle == "running"
    assert on_record(Complaint("blood_before"), patient(), None, "reminded", NOW).needle == "before"
    assert missing(on_record(Complaint("blood_before"), patient(), dose(1), "idle", NOW)) == ("needle",)


def test_an_old_reaction_is_asked_since_when():
    assert missing(on_record(Complaint("site_pain"), patient(), dose(1), "idle", NOW)) == ("site", "since")


def test_at_most_two_questions_are_asked_and_the_second_only_where_it_changes_the_advice():
    for topic, needs in advice.NEEDS.items():
        complaint, questions = Complaint(topic), 0
        while missing(complaint):
            asked = missing(complaint) if missing(complaint) in advice.QUESTIONS else missing(complaint)[:1]
            assert question(asked)
            complaint, questions = replace(complaint, asked=complaint.asked + asked), questions + 1
        assert questions <= 2, topic
        assert questions == 2 or not {"amount", "needle"} & set(needs), topic


def test_every_question_has_its_entry():
    from flows.content import pack
    for lang in ("en", "es"):
        assert set(advice.QUESTIONS.values()) <= set(pack(lang))


# --- the numbers ----------------------------------------------------------------------------------------------------------------------


def test_the_numbers_are_those_of_the_order():
    small = advice.values(Complaint("slow"), patient(SMALL), RUNNING, NOW, part)
    large = advice.values(Complaint("slow"), patient(LARGE), RUNNING, NOW, part)
    assert (small["volume"], small["sites"], small["each"], small["rate"], small["minutes"]) == ("40", 2, "20", "20", 60)
    assert (large["volume"], large["sites"], large["each"], large["rate"], large["minutes"]) == ("90", 4, "22.5", "15", 90)
    assert small["ran"] == "<ran 75>"


def test_the_usual_time_is_the_median_of_the_last_doses_and_needs_two():
    assert advice.usual_minutes(patient(infusions=[dose(1, minutes=62)])) is None
    assert advice.usual_minutes(patient(infusions=[dose(1, minutes=62), dose(2, minutes=70), dose(3, minutes=200)])) == 70
    assert advice.usual_minutes(patient(infusions=[dose(w, minutes=60 + w) for w in range(1, 9)])) == 63  # of weeks 1 to 5


def test_a_dose_is_far_over_at_one_and_a_half_times_its_time():
    who = patient(infusions=[RUNNING])
    assert not advice.far_over(who, RUNNING, RUNNING.started_at + timedelta(minutes=90))
    assert advice.far_over(who, RUNNING, RUNNING.started_at + timedelta(minutes=91))
    slow = patient(infusions=[RUNNING, dose(1, minutes=100), dose(2, minutes=100)])  # usually 100 minutes
    assert not advice.far_over(slow, RUNNING, RUNNING.started_at + timedelta(minutes=149))


def test_a_number_answers_only_a_question_that_has_numbers():
    assert told(Complaint("site_leak", asked=("site", "amount")), "1", choice=1).amount is None
    assert told(Complaint("site_leak", asked=("site", "amount", "amount")), "1", choice=1).amount == "drops"


@pytest.mark.parametrize(("text", "start"), [
    ("6ish", ("at", "18:00")), ("around six", ("at", "18:00")), ("6:05pm", ("at", "18:05")), ("been 3 hours", ("ago", 180)),
    ("media hora", ("ago", 30)), ("a las seis y cuarto", ("at", "18:15")), ("dunno", None), ("right after dinner", None)])
def test_the_start_of_a_dose_is_heard_or_left_open(text, start):
    assert advice.started(text, "18:50") == start


def test_a_dose_is_waited_for_as_long_as_it_usually_takes_but_not_for_ever():
    assert advice.expected_minutes(patient(infusions=[dose(1, minutes=62), dose(2, minutes=66)])) == 60, "close to the order: the order"
    assert advice.expected_minutes(patient(infusions=[dose(1, minutes=100), dose(2, minutes=100)])) == 100
    assert advice.expected_minutes(patient(infusions=[dose(1, minutes=400), dose(2, minutes=400)])) == 120, "at most twice the order"
    other = [replace(dose(weeks, minutes=100), order_id=2) for weeks in (1, 2)]
    assert advice.expected_minutes(patient(infusions=other)) == 60, "doses of an earlier order say nothing of this one"


@pytest.mark.parametrize(("text", "topic"), [
    ("there is blood in the tubing", "blood_before"), ("salio sangre por la manguera", "blood_before"),
    ("the line is all red", "blood_before"), ("drop of blood when i took the needle out", "blood_after"),
    ("blood in the line when i pulled the needle out", "blood_after")])
def test_blood_in_the_tube_is_no_drop_at_the_end(text, topic):
    assert advice.topic_of_blood("blood_after", text) == topic


def test_blood_gets_three_different_answers():
    """Before the pump: a new set (ASCIA, HQ-2, seen). While it runs: the nurse (guide). After the needle: press (HQ-EU, seen)."""
    assert advice.entry(Complaint("blood_before", needle="before"), None) == "advice.blood_before"
    assert advice.entry(Complaint("blood_before", needle="out"), None) == "advice.blood_after"


def test_the_same_trouble_at_two_of_the_last_four_doses_is_a_pattern():
    doses = [dose(weeks, minutes=60) for weeks in (1, 2, 3, 4, 5)]
    leaks = [Reaction("leak", "left belly", NOW, each.id) for each in doses]
    assert advice.comes_again("leak", patient(infusions=doses, troubles=leaks[1:3]), None, NOW)
    assert not advice.comes_again("leak", patient(infusions=doses, troubles=leaks[1:2]), None, NOW)
    assert not advice.comes_again("leak", patient(infusions=doses, troubles=leaks[4:]), None, NOW)
    assert not advice.comes_again("swelling", patient(infusions=doses, troubles=leaks), None, NOW)
    assert not advice.comes_again("leak", patient(infusions=doses[:1], troubles=leaks), doses[0], NOW)


# --- the nurse's picture ----------------------------------------------------------------------------------------------------------------


def lines(who, topic=None, detail=None):
    return {line.label: line for line in picture.picture(who, NOW, topic, detail)}


def test_the_picture_has_the_sums_the_doses_and_the_options_with_their_numbers():
    doses = [dose(1, minutes=66), dose(2, minutes=62)]
    leaks = [Reaction("leak", "left belly", NOW, each.id) for each in doses]
    found = lines(patient(infusions=doses, troubles=leaks, born_on=date(1980, 5, 1), weight_kg=70), "site_leak")
    assert found["order"].text == "40 mL (8 g) over 2 sites, 20 mL each at 20 mL/h per site: 60 min, every week"
    assert found["usual time"].text.startswith("64 min")
    assert found["leak"].text == "told at 2 of the last 2 doses; more than once at left belly"
    assert found["more sites"].text.startswith("3 sites: 13.3 mL each instead of 20, 40 min")
    assert found["lower rate"].text == "15 mL/h per site: 80 min instead of 60"
    assert "9 mm instead of 6 mm; usual at 45 years: 9 to 12 mm" in found["longer needle"].text
    assert {label for label, line in found.items() if line.needs_order} == {"more sites", "lower rate", "longer needle"}


def test_pain_speaks_for_a_shorter_needle_and_a_leak_for_a_longer_one():
    who = patient(order=replace(SMALL, needle_mm=9))
    assert "6 mm instead of 9 mm" in lines(who, "needle_pain")["shorter needle"].text
    assert "12 mm instead of 9 mm" in lines(who, "site_leak")["longer needle"].text


def test_the_label_speaks_up_in_the_picture():
    found = lines(patient(order=replace(SMALL, rate_ml_per_h_per_site=40)))
    assert "the label's most is" in found["look"].text


def test_flow_is_only_ever_an_estimate():
    found = lines(patient(), "slow")
    assert found["wider needle"].text.startswith("ESTIMATE") and found["wider needle"].needs_order


def test_every_complaint_has_its_options():
    for topic, kind in picture.KINDS.items():
        assert set(picture.HINTS[kind]) <= set(picture.OPTIONS)
        assert len(lines(patient(), topic)) > len(lines(patient())), topic


def test_what_is_not_answered_is_shown_as_not_answered():
    found = lines(patient(infusions=[dose(1, sites=(), ended_at=None)]))
    assert "mL not answered, time not answered, sites not answered" in found["Tue 2026-03-03"].text


def test_without_an_order_the_picture_says_so():
    assert lines(patient(order=None))["order"].text == "none on record"


@pytest.mark.parametrize(("about", "topic"), [("site_leak", "site_leak"), ("repeated: leak", "site_leak"), ("a larger leak", "site_leak"),
                                              ("infusion far over its time", "slow"), ("schedule", None)])
def test_a_call_back_knows_what_its_picture_is_about(about, topic):
    assert picture.kind_of(about)[0] == topic


CHILD = {"born_on": date(2023, 1, 5), "weight_kg": 14}


def labels(who, *about):
    return [line.label for line in picture.picture(who, NOW, *about)]


def test_a_needle_beyond_the_usual_length_for_the_age_comes_last_and_says_so():
    """Children: with a 4 mm needle some reach muscle (clinical 6, seen)."""
    child = patient(**CHILD)
    assert labels(child, "site_leak")[-1] == "longer needle"
    assert "beyond the usual length at this age" in lines(child, "site_leak")["longer needle"].text
    assert "muscle" in lines(child, "site_leak")["longer needle"].text
    grown = patient(born_on=date(1980, 5, 1))
    assert labels(grown, "site_leak")[-1] != "longer needle"
    assert "beyond" not in lines(grown, "site_leak")["longer needle"].text
    short = lines(patient(born_on=date(1980, 5, 1), order=replace(SMALL, needle_mm=9)), "needle_pain")["shorter needle"].text
    assert "below the usual length at this age" in short


def recent(kind, hours_ago=1, **more):
    return Reaction(kind, None, NOW - timedelta(hours=hours_ago), 10, **more)


@pytest.mark.parametrize(("about", "topic", "detail"), [
    ("a problem that bothers much", None, None), ("a site reaction past 48 hours", None, None), ("dose stopped early", None, None),
    (None, "other", "safety_question_in_doubt"), (None, "other", "silent_while_infusing"), (None, "other", "silent_about_a_problem")])
def test_a_case_of_no_trouble_of_its_own_takes_the_newest_from_the_record(about, topic, detail):
    about = picture.kind_of(about, topic)
    found = labels(patient(troubles=[recent("leak")]), about[0], detail or about[1])
    assert "leak" in found and "tape" in found and "longer needle" in found
    assert "tape" not in labels(patient(), about[0], detail or about[1])


def test_the_options_of_several_open_troubles_stand_once_each():
    found = labels(patient(troubles=[recent("swelling"), recent("leak"), recent("itch", 90), recent("pain", gone_at=NOW)]), "site_leak")
    assert {"leak", "swelling", "places", "tape"} <= set(found)
    assert not {"itch", "pain", "dry priming"} & set(found)
    assert found.count("more sites") == found.count("lower rate") == 1


def test_a_reaction_of_days_ago_that_stays_is_what_a_case_past_48_hours_is_about():
    assert "dry priming" in labels(patient(troubles=[recent("itch", 72)]), "a site reaction past 48 hours")


def test_a_case_about_something_else_shows_no_options():
    assert "tape" not in labels(patient(troubles=[recent("leak")]), picture.kind_of("schedule")[0])


def test_the_infusion_number_goes_on_over_a_new_order():
    """9 doses with the order before: the row of the label for a first infusion (15 mL, HZ-1) does not hold any more."""
    doses = [replace(dose(weeks, minutes=60), order_id=9) for weeks in range(1, 10)]
    assert "over_profile_ml_per_site" in str(picture.picture(patient(), NOW))
    assert "over_profile_ml_per_site" not in str(picture.picture(patient(), NOW, given=9))
    guessed = picture.picture(patient(infusions=doses, first_order=False), NOW)
    assert "over_profile_ml_per_site" not in str(guessed)
    assert any(line.label == "assumed" and "infusion 10" in line.text for line in guessed)


def test_one_is_not_spoken_of_as_many():
    one = patient(order=replace(SMALL, sites=1, volume_ml=20), infusions=[replace(RUNNING, sites=())], troubles=[recent("leak")])
    text = str(picture.picture(one, NOW, "site_leak"))
    assert "over 1 site, 20 mL at" in text and "last 1 dose'" in text and "has run 75 min" in text and "every week" in text


def test_without_an_age_the_usual_needles_of_both_are_named():
    assert "age not on file, usual below 12 years: 6 mm, from then on: 9 to 12 mm" in lines(patient(), "site_leak")["longer needle"].text
