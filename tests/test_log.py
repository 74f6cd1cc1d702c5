"""What a text tells about a dose: only what is plainly said."""

import time
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.log import Facts, Lot, facts, lone_number, lots_answered, problem_sites, sites

ORDER = SimpleNamespace(volume_ml=40.0, sites=2)
BELLY, THIGHS = ("left belly", "right belly"), ("left thigh", "right thigh")


def told(text, now_local="20:15", order=ORDER):
    """The facts of a text, without what it does not say."""
    return {field: value for field, value in vars(facts(text, order, now_local)).items() if value != getattr(Facts(), field)}


def lots(*numbers):
    return tuple(Lot(*number) if isinstance(number, tuple) else Lot(number) for number in numbers)


@pytest.mark.parametrize(("text", "wanted"), [
    # several facts at once
    ("done 2 sites belly 40ml 1h50 lot A123", {"volume_ml": 40.0, "sites": ("belly",), "minutes": 110, "lots": lots("A123")}),
    ("DONE!! 40 BOTH THIGHS 6-7:10 LOT B7719", {"volume_ml": 40.0, "sites": THIGHS, "started_local": "18:00", "ended_local": "19:10",
                                                "lots": lots("B7719")}),
    ("listo 40 ml muslo izq y der, hora y media", {"volume_ml": 40.0, "sites": THIGHS, "minutes": 90}),
    ("Inicio: 18:05. Fin: 19:20. Vol: 40. Sitios: 2. Lote ZX-9021", {
        "volume_ml": 40.0, "site_count": 2, "started_local": "18:05", "ended_local": "19:20", "lots": lots("ZX-9021")}),
    # mL
    ("20 cc each, both thighs", {"volume_ml": 40.0, "sites": THIGHS}), ("20 each", {"volume_ml": 40.0}),
    ("20 de cada lado en la panza", {"volume_ml": 40.0, "sites": BELLY}),
    ("forty milliliters", {"volume_ml": 40.0}), ("treinta y ocho mililitros", {"volume_ml": 38.0}), ("30,5 mL", {"volume_ml": 30.5}),
    ("25 thigh, 15 belly", {"volume_ml": 40.0, "sites": ("thigh", "belly")}), ("20 + 20", {"volume_ml": 40.0}),
    ("2 vials of 20", {"volume_ml": 40.0}), ("4 jeringas de 10", {"volume_ml": 40.0}), ("38 ml in all", {"volume_ml": 38.0}),
    ("40 no wait 38 ml", {"volume_ml": 38.0}), ("400 ml, sorry, 40", {"volume_ml": 40.0}), ("it was 35 ml not 40", {"volume_ml": 35.0}),
    ("only got 35 of the 40 in", {"volume_ml": 35.0}), ("me puse 35 de los 40", {"volume_ml": 35.0}),
    ("5 ml left in the syringe", {"not_given_ml": 5.0}), ("37 ml, 3 ml leaked out", {"volume_ml": 37.0, "not_given_ml": 3.0}),
    ("all but 5 of the 40", {"volume_ml": 35.0, "not_given_ml": 5.0}), ("quedaron 4 ml en la jeringa", {"not_given_ml": 4.0}),
    ("all of it went in", {"whole": True}), ("toda la dosis", {"whole": True}), ("whole dose, 65 min", {"whole": True, "minutes": 65}),
    # sites
    ("left and right belly, 40 ml", {"volume_ml": 40.0, "sites": BELLY}), ("belly left and belly right", {"sites": BELLY}),
    ("one in each leg", {"sites": THIGHS}), ("love handles", {"sites": ("left flank", "right flank")}),
    ("rollito izquierdo", {"sites": ("left flank",)}), ("lower left tummy", {"sites": ("lower left belly",)}),
    ("back of right arm", {"sites": ("right arm",)}), ("panza de los dos lados", {"sites": BELLY}),
    ("both thighs, left thigh and right thigh", {"sites": THIGHS}), ("R thigh L thigh", {"sites": ("right thigh", "left thigh")}),
    ("muslo derecho arriba", {"sites": ("upper right thigh",)}), ("left theigh", {"sites": ("left thigh",)}),
    ("4 sites", {"site_count": 4}), ("same spots as last time", {"same": True}),
    # clock times, the latest past ones
    ("from 6:05 to 7:10pm", {"started_local": "18:05", "ended_local": "19:10"}),
    ("from 6 til ten to eight", {"started_local": "18:00", "ended_local": "19:50"}),
    ("started half six, finished quarter past seven", {"started_local": "18:30", "ended_local": "19:15"}),
    ("empece 6 y media termine ocho menos diez", {"started_local": "18:30", "ended_local": "19:50"}),
    ("1805 to 1920", {"started_local": "18:05", "ended_local": "19:20"}), ("6:05 start, 7:10 stop", {"started_local": "18:05", "ended_local": "19:10"}),
    ("termino a las 7:50", {"ended_local": "19:50"}), ("last night 9 to 10:30", {"started_local": "21:00", "ended_local": "22:30"}),
    # spans
    ("took 1:50", {"minutes": 110}), ("an hour and ten", {"minutes": 70}), ("hora y cuarto", {"minutes": 75}), ("110 min", {"minutes": 110}),
    ("two and a half hours", {"minutes": 150}), ("tres cuartos de hora", {"minutes": 45}), ("about 2 hrs or so", {"minutes": 120}),
    # lots
    ("lots B12 and C34", {"lots": lots("B12", "C34")}), ("lote: 77-B", {"lots": lots("77-B")}),
    ("lot A123 20 ml, lot B456 20 ml", {"volume_ml": 40.0, "lots": lots(("A123", 20.0), ("B456", 20.0))}),
    ("20 from lot A123 and 20 from lot B456", {"volume_ml": 40.0, "lots": lots(("A123", 20.0), ("B456", 20.0))}),
    ("lot 4471A exp 09/2027", {"lots": lots("4471A")}),
])
def test_facts_are_read_as_told(text, wanted):
    assert told(text) == wanted


@pytest.mark.parametrize(("text", "field"), [
    ("400 ml", "volume_ml"), ("4 ml", "volume_ml"), ("0 ml", "volume_ml"), ("40 ml?", "volume_ml"), ("35 or 40 ml", "volume_ml"), ("40 ml, 35 ml", "volume_ml"),
    ("entre 35 y 40 ml", "volume_ml"), ("most of it went in", "volume_ml"), ("30 total, 20 left thigh 20 right thigh", "volume_ml"),
    ("took 0 min", "minutes"), ("took 25 hours", "minutes"), ("took two or three hours", "minutes"), ("just under two hours", "minutes"),
    ("casi dos horas", "minutes"), ("started a little after 6", "started_local"), ("started 5:50 pm ended 5:20 pm", "ended_local"),
    ("lot A123 or A128, smudged", "lots"), ("left or right thigh", "sites"),
])
def test_what_a_nurse_would_ask_back_is_in_doubt_and_not_read(text, field):
    found = facts(text, ORDER, "20:15")
    assert field in found.doubtful and not getattr(found, field)


def test_times_and_span_that_contradict_are_all_in_doubt():
    assert set(facts("6 to 7, took 3 hours", ORDER, "20:15").doubtful) == {"started_local", "ended_local", "minutes"}


def test_the_volume_that_the_order_cannot_mean_is_kept_for_the_question():
    assert facts("400 ml", ORDER).unlikely_ml == 400.0 and facts("35 or 40 ml", ORDER).unlikely_ml is None


@pytest.mark.parametrize("text", [
    "", "I am all done", "going in 2 hours", "thanks!", "see you at 9", "lots of thanks", "started 20 min ago", "hace 20 minutos", "temp 99.1",
    "fiebre 38.5", "pain 3/10", "dolor 6/10", "9 mm needle, 24 gauge", "rate 20 ml/h", "20 ml per hour", "call me at 555 0142", "room 12", "I am 40",
    "tengo 40 años", "my 2 kids", "weighs 13 kg", "it will be done in 2 hours", "can I do 40 ml today?", "all good", "todo bien", "11/25/2026",
    "headache for 2 hours", "slept 8 hours", "not my thigh", "2 boxes and 6 needles came", "next one at 9",
])
def test_what_is_not_a_fact_of_the_dose_is_not_read_as_one(text):
    assert told(text) == {}


def test_without_an_order_a_number_without_its_unit_is_no_volume():
    assert facts("40 both thighs") == Facts(sites=THIGHS) and facts("40 both thighs", ORDER).volume_ml == 40.0
    assert facts("20 cc each") == Facts(doubtful=("volume_ml",)), "nobody knows for how many sites"


def test_an_hour_of_a_dose_is_the_latest_past_one():
    assert facts("6 to 7:10", ORDER, "09:30") == Facts(started_local="06:00", ended_local="07:10")
    assert facts("6 to 7:10", ORDER, "19:12") == Facts(started_local="18:00", ended_local="19:10")
    assert facts("11:20 to 12:35", ORDER, "00:50") == Facts(started_local="23:20", ended_local="00:35")


@given(st.text(max_size=1600))
def test_no_text_raises(text):
    facts(text, ORDER, "20:15")
    lots_answered(text), lone_number(text), sites(text)


WORDS = st.sampled_from("40 20 1h50 6:05 7 ml each thigh belly left right lot A123 to or and no wait started done from in of half 2 vials , . ? a y".split())


@given(st.lists(WORDS, max_size=60).map(" ".join))
def test_no_words_of_a_dose_raise_and_no_volume_beyond_the_order_is_read(text):
    found = facts(text, ORDER, "20:15")
    assert found.volume_ml is None or 0 < found.volume_ml <= 44
    assert not any(getattr(found, field) for field in found.doubtful)


@pytest.mark.parametrize("piece", ["40 ml ", "left ", "1 ", "20 and ", "lot A1 ", "A1-", "6-7:50 ", "40 no wait ", "20 each ", "at ", "(", "\n", "'", "1/", "x"])
def test_no_long_text_takes_long(piece):
    facts("warm")  # what is made once
    spent = []
    for _ in range(3):
        start = time.process_time()
        facts((piece * 1600)[:1600], ORDER, "20:15")
        spent.append(time.process_time() - start)
    assert min(spent) < 0.05


@given(st.floats(0.5, 299).map(lambda v: round(v, 1)))
def test_a_volume_comes_back_as_it_was_written(volume_ml):
    assert facts(f"it was {volume_ml} mL").volume_ml == volume_ml


@pytest.mark.parametrize(("text", "number"), [
    ("40", 40.0), ("forty", 40.0), ("40 thighs", 40.0), ("about 38", 38.0), ("treinta y ocho", 38.0), ("6 to 7:10", None), ("20 and 15", None),
    ("20 each", None), ("5 left over", None), ("no idea", None), ("more than 30", None),
])
def test_the_one_number_of_an_answer_is_found(text, number):
    assert lone_number(text) == number


@pytest.mark.parametrize(("text", "found"), [
    ("left belly is red and right thigh leaks", {"red": "left belly", "leaks": "right thigh"}),
    ("Done 40 ml left and right belly. Its red at left belly, leaking on right thigh",
     {"red": "left belly", "leaking": "right thigh"}),
    ("left belly red and itchy, pain right belly", {"red": "left belly", "itchy": "left belly", "pain": "right belly"}),
    ("swollen left belly 2 inches, and the right one leaked", {"swollen": "left belly", "leaked": "right belly"}),
    ("red and itchy on the left and right belly", {"red": "left belly, right belly", "itchy": "left belly, right belly"}),
    ("barriga izquierda roja y me pica el muslo derecho", {"roja": "left belly", "pica": "right thigh"}),
    ("leaking. left thigh", {"leaking": "left thigh"}),
    ("left side leaked", {"leaked": "left side"}),
    ("leaking a bit", {"leaking": ""}),
])
def test_each_problem_has_its_own_site(text, found):
    places = {problem: text.index(problem) for problem in found}
    assert {problem: ", ".join(sites) for problem, sites in problem_sites(text, places).items()} == found


def test_a_problem_in_an_empty_text_has_no_site():
    assert problem_sites("", {"leak": 0}) == {}


@pytest.mark.parametrize(("text", "numbers"), [
    ("A12345", ("A12345",)), ("P10012345, P10012346", ("P10012345", "P10012346")), ("1234567 and 7654321", ("1234567", "7654321")),
    ("lot A1", ("A1",)), ("no idea", ()), ("2 boxes", ()), ("10:30", ()), ("40 mL", ()), ("they are AB-1234.", ("AB-1234",)),
    ("03/10/2026", ()),
])
def test_lot_numbers_that_were_asked_for_need_no_word_lot(text, numbers):
    assert lots_answered(text) == lots(*numbers)


@pytest.mark.parametrize(("text", "field"), [
    ("Started 6:10, done 7:40. Alarm at 5:15", "started_local"), ("40 ml, 38 in the end", "volume_ml"), ("5 ml", "volume_ml"),
    ("i think it was 40 ml", "volume_ml"), ("creo que fueron 2 horas", "minutes"), ("belly, left thigh, right thigh", "sites"),
    ("left thigh 20 ml. last time right belly", "sites"), ("40 ml, belly, below the button", "sites"), ("upper and lower belly", "sites"),
    ("left thigh took 50 min and right thigh took 70", "minutes"), ("watched 2 episodes, 45 min each, done", "minutes"),
    ("cant do it tonight, 40 ml", "volume_ml"),
])
def test_a_value_beside_something_unexplained_is_asked_back(text, field):
    found = facts(text, ORDER, "20:15")
    assert (getattr(found, field), field in found.doubtful) == (getattr(Facts(), field), True)


@pytest.mark.parametrize(("text", "lots"), [
    ("lot AB-12/34", ("AB-12/34",)), ("lot# 12345/20", ("12345/20",)), ("done 40 ml, lot A1/B2", ("A1/B2",)), ("lote 7712/34", ("7712/34",))])
def test_a_lot_with_a_stroke_is_kept_whole_and_is_no_volume(text, lots):
    found = facts(text, SimpleNamespace(volume_ml=40, sites=2), "19:00")
    assert tuple(lot.lot for lot in found.lots) == lots
    assert found.volume_ml in (None, 40) and "volume_ml" not in found.doubtful
