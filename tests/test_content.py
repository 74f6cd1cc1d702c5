"""The packs: complete, short, safe to send, and signed or not."""

import re
from datetime import date

import pytest

from bot.cast import practice_of
from bot.script import parse
from flows import content
from flows.content import Entry, ContentError
from flows.phrases import counted_sites_words
from flows.segments import foreign, segments
from flows.words import KINDS, LANGS

PRACTICE = practice_of(parse("""
patients: [{name: Ana}]
nurses: [Ruth]
start: 2026-03-10T17:00
steps: [{after: 1m}]
"""))
LONGEST = {  # the longest value that each placeholder is filled with in use
    "name": "Maximiliano", "time": "12:59 PM", "minutes": "1440", "when": "tomorrow at 12:59 PM", "who": "Maximiliano",
    "day": "Wednesday", "case": "0000", "disposition": "EMERGENCY", "topic": "safety question in doubt", "volume": "1000",
    "sites": "12", "noted": "Noted: done 12:59 PM, 1000 mL, left belly, right belly. ", "hours": "48", "problem": "swelling, right thigh",
    "where": "Left upper belly, right upper belly: ", "each": "66.7", "again": " You told us of this before, so it is on the nurse's list too.",
    "ran": "It has run 180 min. ", "took": "It took 180 min. ", "usual": " (your last ones: about 180)", "call_at": "12:59 PM",
    "elapsed": "180", "part": "worker", "means": "Reminders and further pages may be late.", "usual_minutes": "180", "choices": "Maximiliano or Bartholomew", "cases": "0000, 1111, 2222", "words": "x" * 600, "most": "600",
    "places": "barriga izquierda (2), barriga derecha (2), muslo izquierdo (2), muslo derecho (2)", "items": "10 batteries left, 20 rolls of tape left",
    "told": "1000",
}
KEYWORDS = ("stop", "end", "cancel", "quit", "yes", "start", "help", "revoke", "unsubscribe", "optout", "stopall", "unstop", "info")
STAFF = ("page", "nurse.")  # entries that only staff read
ENTRIES = [(lang, key) for lang in LANGS for key in content.pack(lang)]


def filled(lang, key):
    return content.render(key, lang, PRACTICE, **LONGEST)


@pytest.mark.parametrize(("lang", "key"), ENTRIES)
def test_every_entry_fills_in_and_keeps_to_its_segments(lang, key):
    text = filled(lang, key)
    assert "{" not in text and "}" not in text
    assert len(segments(text).parts) <= content.pack(lang)[key].segments, f"{lang} {key}: {len(text)} characters"


@pytest.mark.parametrize(("lang", "key"), [(lang, key) for lang, key in ENTRIES if re.fullmatch(r"reminder(\.check)?(\.for)?", key)])
def test_every_reminder_has_room_for_the_sites_of_four_needles(lang, key):
    places = counted_sites_words(("left belly", "right belly", "left thigh", "right thigh"), lang)
    text = f"{filled(lang, key)} {content.render('advice.sites', lang, PRACTICE, places=places)}"
    assert len(segments(text).parts) <= content.pack(lang)[key].segments, len(text)


@pytest.mark.parametrize(("lang", "key"), ENTRIES)
def test_no_entry_leaves_the_gsm_alphabet(lang, key):
    assert foreign(filled(lang, key)) == [], "one such letter cuts the whole text into 70-character pieces"


def test_spanish_has_every_entry_that_a_patient_reads():
    wanted = {key for key in content.pack("en") if not key.startswith(STAFF)}
    assert wanted == set(content.pack("es"))


def test_both_languages_fill_in_the_same_placeholders():
    for key, entry in content.pack("es").items():
        assert content.placeholders(entry.text) == content.placeholders(content.pack("en")[key].text), key


@pytest.mark.parametrize("lang", LANGS)
@pytest.mark.parametrize("kind", KINDS)
def test_an_emergency_text_is_whole_short_and_has_the_number_first(lang, kind):
    text = filled(lang, f"emergency.{kind}")
    assert len(segments(text).parts) <= 2
    assert PRACTICE.emergency_number in text[:100]
    assert filled(lang, f"short.{kind}"), "a patient who writes again hears the short instruction"


@pytest.mark.parametrize(("lang", "word"), [("en", "epinephrine"), ("es", "epinefrina")])
def test_epinephrine_is_named_only_where_it_helps_and_only_if_prescribed(lang, word):
    named = {key for key, entry in content.pack(lang).items() if word in entry.text.lower()}
    assert named == {"emergency.allergic", "emergency.unknown", "short.allergic"}
    for key in named:
        assert re.search(r"prescribed to you|se la recetaron", content.pack(lang)[key].text), key


@pytest.mark.parametrize(("lang", "key"), ENTRIES)
def test_no_text_that_stops_the_infusion_carries_an_opt_out_line(lang, key):
    text = content.pack(lang)[key].text
    if re.search(r"\b([Ss]top|[Cc]lamp|[Pp]are|[Cc]ierre|parela)\b[^.]*\b(infusion|line|it|linea)", text):
        assert not re.search(r"\bSTOP\b", text), key


@pytest.mark.parametrize(("lang", "key"), ENTRIES)
def test_no_question_asks_for_a_word_that_the_carrier_takes_for_itself(lang, key):
    if key in ("opt_out", "opt_in", "help", "nurse.opt_out"):
        return  # these tell of the carrier's own words
    text = content.pack(lang)[key].text
    for asked in re.findall(r"\b(?:Text|Escriba):? ([^.]*)\.", text):
        answers = {answer.strip().lower() for answer in re.split(r",|\bor\b|\bo\b", asked)}
        assert not answers & set(KEYWORDS), f"{key} asks for {answers & set(KEYWORDS)}"


@pytest.mark.parametrize(("lang", "key"), ENTRIES)
def test_no_text_promises_that_a_nurse_will_answer_before_one_has_taken_it(lang, key):
    text = content.pack(lang)[key].text
    if key.startswith(("urgent.", "emergency.", "nobody.", "safety.", "silent.", "state.paged", "state.nobody", "picture.")):
        assert not re.search(r"nurse will (call|contact|answer)|enfermera (le va a|va a|se va a)", text), key


def test_a_text_holds_no_number_that_belongs_to_the_order():
    for lang, key in ENTRIES:
        text = content.pack(lang)[key].text
        assert not re.search(r"\d+\s*(mL|ml|g\b|mm\b|sites)", text), f"{lang} {key}: numbers of an order come by placeholder"


# --- signing ---------------------------------------------------------------------------------------------------------


def entry(**changes):
    text = "A small leak happens."
    whole = {"key": "advice.site_leak", "lang": "en", "text": text, "segments": 1, "reviewer": "A. Reviewer",
             "reviewed_on": date(2026, 3, 10), "review_due_on": date(2027, 3, 10), "hash": content.digest(text)}
    return Entry(**{**whole, **changes})


def test_an_entry_is_signed_only_by_reviewer_date_and_the_hash_of_this_very_text():
    today = date(2026, 6, 1)
    assert entry().standing(today) == "signed"
    assert entry(reviewer=None).standing(today) == "unsigned"
    assert entry(hash=None).standing(today) == "unsigned"
    assert entry(text="A small leak happens!").standing(today) == "edited"


def test_an_overdue_review_warns_and_still_sends_and_an_edited_text_does_not(monkeypatch):
    live = practice_with(unsigned_content=False)
    monkeypatch.setattr(content, "entry", lambda key, lang: entry())
    assert content.may_send("advice.site_leak", "en", live, date(2027, 3, 11))
    assert entry().standing(date(2027, 3, 11)) == "overdue"
    monkeypatch.setattr(content, "entry", lambda key, lang: entry(text="Changed."))
    assert not content.may_send("advice.site_leak", "en", live, date(2026, 6, 1))


def test_a_live_practice_sends_emergency_texts_unsigned_but_no_unsigned_advice():
    live = practice_with(unsigned_content=False)
    today = date(2026, 6, 1)
    assert content.may_send("emergency.allergic", "en", live, today)
    assert content.may_send("safety", "es", live, today)
    assert not content.may_send("advice.site_leak", "en", live, today)
    assert content.may_send("advice.site_leak", "en", practice_with(unsigned_content=True), today)


def practice_with(**changes):
    from dataclasses import replace

    return replace(PRACTICE, **changes)


@pytest.mark.parametrize(("row", "said"), [
    ({"text": "Hi", "segments": 1, "txt": "x"}, "unknown key txt"), ({"segments": 1}, "needs `text`"),
    ({"text": "Hi", "segments": "one"}, "needs `text`"),
])
def test_a_bad_entry_is_refused_with_file_key_and_mend(row, said):
    with pytest.raises(ContentError, match=re.escape(said)) as error:
        content.parse({"lang": "en", "entries": {"hello": row}}, "en.yaml")
    assert str(error.value).startswith("en.yaml: hello:")
