"""The packs read at or below grade 6 (AMA: sixth grade; clinical section 10)."""

import re

import pytest
import textstat

from flows import content

VALUES = {"emergency": "911", "crisis": "988", "number": "312-555-0197", "fallback": "312-555-0198", "name": "Ana",
          "time": "6:05 PM", "when": "today at 8:05 PM", "day": "Monday", "noted": "", "words": ""}
PATIENT = {lang: {key: re.sub(r"{(\w+)}", lambda m: VALUES.get(m[1], "ten"), entry.text)
                  for key, entry in content.pack(lang).items() if not key.startswith(("page", "nurse", "relay"))}
           for lang in ("en", "es")}


@pytest.fixture(autouse=True)
def english_again():
    yield
    textstat.set_lang("en")


def test_the_english_pack_reads_at_grade_6_or_lower_by_two_formulas():
    whole = " ".join(PATIENT["en"].values())
    assert textstat.flesch_kincaid_grade(whole) <= 6
    assert textstat.smog_index(whole) <= 6


@pytest.mark.parametrize("key", sorted(PATIENT["en"]))
def test_each_english_text_reads_at_grade_6_or_lower(key):
    assert textstat.flesch_kincaid_grade(PATIENT["en"][key]) <= 6


def test_the_spanish_pack_is_easy_by_two_spanish_formulas():
    textstat.set_lang("es")
    whole = " ".join(PATIENT["es"].values())
    assert textstat.crawford(whole) <= 6, "years of school (Crawford 1984, from memory)"
    assert textstat.szigriszt_pazos(whole) >= 66, "fairly easy or easier (INFLESZ scale, from memory)"


@pytest.mark.parametrize("key", sorted(PATIENT["es"]))
def test_each_spanish_text_asks_for_at_most_six_years_of_school(key):
    textstat.set_lang("es")
    assert textstat.crawford(PATIENT["es"][key]) <= 6


def test_the_grades_are_those_of_the_published_formula():
    """Flesch-Kincaid .39 x ASL + 11.8 x ASW - 15.59 (US VA; SEEN); 10 words, one sentence, 10 syllables: 0.11 (DERIVED)."""
    assert textstat.flesch_kincaid_grade("The cat sat on the mat and the dog ran.") == pytest.approx(0.11, abs=0.06)
