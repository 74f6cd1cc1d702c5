"""What a text tells about a dose: only what is plainly said."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.log import Facts, facts, lots_answered, problem_sites


@pytest.mark.parametrize(("text", "told"), [
    ("done 2 sites belly 40ml 1h50 lot A123", {"volume_ml": 40.0, "sites": ("belly",), "minutes": 110, "lots": ("A123",)}),
    ("left and right belly, 40 ml", {"volume_ml": 40.0, "sites": ("left belly", "right belly")}),
    ("20 cc each, both thighs", {"volume_ml": 40.0, "sites": ("left thigh", "right thigh")}),
    ("20 cc each", {}),
    ("from 6:05 to 7:10pm", {"started_local": "18:05", "ended_local": "19:10"}),
    ("6-7pm r thigh l thigh", {"started_local": "18:00", "ended_local": "19:00", "sites": ("right thigh", "left thigh")}),
    ("listo 30 ml muslo izq y der", {"volume_ml": 30.0, "sites": ("left thigh", "right thigh")}),
    ("30,5 mL barriga izquierda", {"volume_ml": 30.5, "sites": ("left belly",)}),
    ("belly left and belly right", {"sites": ("left belly", "right belly")}),
    ("both thighs, left thigh and right thigh", {"sites": ("left thigh", "right thigh")}),
    ("took 65 min", {"minutes": 65}),
    ("lots B12 and C34", {"lots": ("B12", "C34")}),
    ("lote: 77-B", {"lots": ("77-B",)}),
    ("left side leaked", {"sites": ("left side",)}),
    ("40 ml or 35 ml", {}),
])
def test_facts_are_read_as_told(text, told):
    assert facts(text) == Facts(**told)


@pytest.mark.parametrize("text", ["", "I am all done", "going in 2 hours", "thanks!", "see you at 9", "lots of thanks", "40", "a las 9 termino"])
def test_what_is_not_a_fact_of_the_dose_is_not_read_as_one(text):
    assert not facts(text).any


@given(st.text(max_size=1600))
def test_no_text_raises(text):
    facts(text)


@given(st.floats(0.5, 999).map(lambda v: round(v, 1)))
def test_a_volume_comes_back_as_it_was_written(volume_ml):
    assert facts(f"it was {volume_ml} mL").volume_ml == volume_ml


@pytest.mark.parametrize(("text", "found"), [
    ("left belly is red and right thigh leaks", {"red": "left belly", "leaks": "right thigh"}),
    ("Done 40 ml left and right belly. Its red at left belly, leaking on right thigh",
     {"red": "left belly", "leaking": "right thigh"}),
    ("left belly red and itchy, pain right belly", {"red": "left belly", "itchy": "left belly", "pain": "right belly"}),
    ("swollen left belly 2 inches, and the right one leaked", {"swollen": "left belly", "leaked": "right belly"}),
    ("red and itchy on the left and right belly", {"red": "left belly, right belly", "itchy": "left belly, right belly"}),
    ("barriga izquierda roja y me pica el muslo derecho", {"roja": "left belly", "pica": "right thigh"}),
    ("leaking. left thigh", {"leaking": "left thigh"}),
    ("leaking a bit", {"leaking": ""}),
])
def test_each_problem_has_its_own_site(text, found):
    places = {problem: text.index(problem) for problem in found}
    assert {problem: ", ".join(sites) for problem, sites in problem_sites(text, places).items()} == found


def test_a_problem_in_an_empty_text_has_no_site():
    assert problem_sites("", {"leak": 0}) == {}


@pytest.mark.parametrize(("text", "lots"), [
    ("A12345", ("A12345",)), ("P10012345, P10012346", ("P10012345", "P10012346")), ("1234567 and 7654321", ("1234567", "7654321")),
    ("lot A1", ("A1",)), ("no idea", ()), ("2 boxes", ()), ("10:30", ()), ("40 mL", ()), ("they are AB-1234.", ("AB-1234",)),
    ("03/10/2026", ()),
])
def test_lot_numbers_that_were_asked_for_need_no_word_lot(text, lots):
    assert lots_answered(text) == lots
