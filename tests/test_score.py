"""The score of the reader on labelled lines: counting, intervals, misses, and errors that name the mend."""

import json
import subprocess
import sys
from datetime import date

import pytest

from bot import score
from flows.words import Because, Reading
from tests.test_architecture import ROOT


def line(text, level, **more):
    return json.dumps({"id": text, "lang": "en", "text": text, "level": level, "topic": "other", **more})


def as_written(text, lang=None, phase="unknown", asked=None):
    """A reader that reads a text as the word it begins with."""
    word = text.split()[0]
    kind = "unknown" if word == "emergency" else None
    reasons = () if word == "none" else (Because("a-rule", word),)
    return Reading(disposition=word, topic="other", kind=kind, because=reasons)


def found(*lines):
    return score.outcomes(lines, as_written)


def rate(outcomes, name):
    return next((r.hits, r.total) for r in score.rates(outcomes) if r.name == name)


# Wilson's interval by hand, z = 1.959964: 0 of 100 reaches to z*z / (100 + z*z) = 0.0370.
@pytest.mark.parametrize("hits,total,low,high", [(0, 100, 0.0, 0.0370), (97, 100, 0.9155, 0.9897),
                                                 (5, 10, 0.2366, 0.7634)])
def test_the_interval_is_wilsons(hits, total, low, high):
    assert score.wilson(hits, total) == pytest.approx((low, high), abs=0.0005)


def test_nothing_counted_says_nothing():
    assert score.wilson(0, 0) == (0.0, 1.0)


def test_alarms_read_too_low_are_counted_by_how_low():
    outcomes = found(line("emergency a", "EMERGENCY"), line("urgent b", "EMERGENCY"), line("nurse c", "EMERGENCY"),
                     line("ask d", "URGENT"), line("emergency e", "URGENT"), line("none f", "URGENT"))
    assert rate(outcomes, "emergency read as emergency") == (1, 3)
    assert rate(outcomes, "emergency read as calm") == (1, 3)
    assert rate(outcomes, "urgent read as urgent or above") == (1, 3)
    assert rate(outcomes, "alarm that neither pages nor asks") == (2, 6)
    assert rate(outcomes, "alarm that only asks") == (1, 6)


def test_a_level_that_the_label_also_accepts_is_no_miss():
    outcomes = found(line("urgent a", "EMERGENCY", also_ok=["URGENT"]), line("urgent b", "NURSE", also_ok=["URGENT"]))
    assert rate(outcomes, "emergency read as emergency") == (1, 1)
    assert rate(outcomes, "calm text that pages") == (0, 1)
    assert not any(score.missed(outcome) for outcome in outcomes)


def test_calm_texts_that_page_or_ask_are_counted_apart():
    outcomes = found(line("urgent a", "NONE"), line("ask b", "SELFCARE"), line("none c", "NONE"))
    assert rate(outcomes, "calm text that pages") == (1, 3)
    assert rate(outcomes, "calm text that asks") == (1, 3)
    assert [outcome.id for outcome in outcomes if score.missed(outcome)] == ["urgent a", "ask b"]


def test_the_report_shows_the_confusion_the_intervals_and_the_words_that_led_astray():
    text = score.report(found(line("urgent a", "NONE"), line("none b", "NONE"), line("urgent c", "URGENT", lang="es")))
    assert "label \\ read" in text and "95 % intervals" in text and "en: 2 lines" in text and "es: 1 lines" in text
    assert "a-rule: 'urgent'" in text and "MISSED" in text


@pytest.mark.parametrize("raw,said", [
    ("not json", "not JSON"), ('{"level": "NONE"}', "text: missing"), ('{"text": "a", "level": "ask"}', "no level"),
    ('{"text": "a", "level": "NONE", "topic": "x"}', "topic"), ('{"text": "a", "level": "NONE", "lang": "fr"}', "lang"),
    ('{"text": "a", "level": "NONE", "also_ok": "URGENT"}', "also_ok"), ('{"text": "a", "level": 3}', "no level"),
])
def test_a_bad_line_is_refused_with_file_line_and_mend(raw, said):
    with pytest.raises(score.ScoreError, match="here.jsonl:2: ") as error:
        score.outcomes([line("none a", "NONE"), raw], as_written, "here.jsonl")
    assert said in str(error.value) and "write" in str(error.value)


def test_an_empty_file_is_refused():
    with pytest.raises(score.ScoreError, match="no labelled line"):
        score.outcomes([], as_written)


def test_an_entry_of_the_file_of_scores_holds_date_commit_and_intervals_and_no_text():
    made = score.entry(found(line("urgent a", "NONE"), line("urgent c", "URGENT", lang="es")), "x.jsonl", date(2026, 3, 10),
                       "abc1234")
    assert made.startswith("2026-03-10  commit abc1234  x.jsonl  n = 2\n")  # a Tuesday
    assert "urgent read as urgent or above" in made and "1/1" in made and "es: 1 lines" in made
    assert "urgent a" not in made and made.endswith("\n\n")


def test_scores_are_added_to_what_the_file_holds(tmp_path):
    file, kept = tmp_path / "labelled.jsonl", tmp_path / "scores.txt"
    file.write_text(line("i cant breathe", "EMERGENCY", topic="breathing"))
    for _ in range(2):
        run = read_score(file, "--append", str(kept))
        assert run.returncode == 0, run.stderr
    assert kept.read_text().count("labelled.jsonl  n = 1") == 2 and run.stdout in kept.read_text()
    assert "cant breathe" not in kept.read_text()


def test_an_append_without_a_score_says_the_mend():
    run = subprocess.run([sys.executable, "-m", "bot.cli", "read", "--append", "x"], cwd=ROOT, capture_output=True,
                         text=True, timeout=60, check=False)
    assert run.returncode == 2 and "--score" in run.stderr and not (ROOT / "x").exists()


def read_score(path, *more):
    return subprocess.run([sys.executable, "-m", "bot.cli", "read", "--score", str(path), *more], cwd=ROOT,
                          capture_output=True, text=True, timeout=60, check=False)


def test_the_command_scores_a_file_and_refuses_a_missing_one(tmp_path):
    file = tmp_path / "labelled.jsonl"
    lines = line("i cant breathe", "EMERGENCY", topic="breathing"), line("all done", "NONE", topic="done")
    file.write_text("\n".join(lines))
    run = read_score(file)
    assert run.returncode == 0, run.stderr
    assert "emergency read as emergency" in run.stdout and "1/1" in run.stdout and "misses: 0" in run.stdout
    run = read_score(tmp_path / "none.jsonl")
    assert run.returncode == 2 and "cannot be read" in run.stderr and "Traceback" not in run.stderr


# The floor that the shipped reader holds on the development writers (tests/corpus/README.md; a little kind); it may rise,
# never fall. The project's own limits (bot/score.py) are higher: `ebbline read --score` says by how much
# they are missed.
FLOORS = {"en2": {"emergency read as emergency": 0.90, "urgent read as urgent or above": 0.87,
                  "calm text with its topic": 0.58},
          "es2": {"emergency read as emergency": 0.88, "urgent read as urgent or above": 0.85,
                  "calm text with its topic": 0.60}}
CEILINGS = {"emergency read as calm": 0.04, "alarm that neither pages nor asks": 0.05, "calm text that pages": 0.07,
            "calm text that asks": 0.09}


@pytest.mark.parametrize("name", FLOORS)
def test_the_reader_holds_its_floor_on_the_development_writers(name):
    from flows.reader import read

    with open(ROOT / "tests" / "corpus" / f"{name}.jsonl", encoding="utf-8") as lines:
        outcomes = score.outcomes(lines, read, name)
    shares = {each.name: each.share for each in score.rates(outcomes)}
    assert all(shares[key] >= floor for key, floor in FLOORS[name].items()), shares
    assert all(shares[key] <= ceiling for key, ceiling in CEILINGS.items()), shares
