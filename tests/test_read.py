"""`ebbline read` and `ebbline rehearse` from a shell: the fixed form, and errors that name the mend."""

import io
import json
import subprocess
import sys

import pytest

from bot.cli import read_lines
from flows.words import DISPOSITIONS, KINDS, TOPICS
from tests.test_architecture import ROOT

TEN = [
    ("starting now", "none"), ("all done, thanks", "none"), ("left side leaked a bit", "selfcare"),
    ("the site is a little red and itchy", "selfcare"), ("i need to change my rate", "nurse"), ("i feel weird", "ask"),
    ("hives all over my arms", "urgent"), ("i cant breathe", "emergency"), ("no puedo respirar", "emergency"),
    ("no hives, no fever, feeling great", "none"),
]


def read(*lines):
    out = io.StringIO()
    status = read_lines([line.encode() + b"\n" for line in lines], out)
    return status, [json.loads(line) for line in out.getvalue().splitlines()]


def test_ten_lines_come_back_in_the_fixed_form_and_order():
    status, found = read(*(json.dumps({"id": n, "text": text}) for n, (text, _) in enumerate(TEN)))
    assert status == 0
    assert [row["id"] for row in found] == list(range(10))
    assert [row["disposition"] for row in found] == [wanted for _, wanted in TEN]
    for row, (text, _) in zip(found, TEN, strict=True):
        assert row["disposition"] in DISPOSITIONS and row["topic"] in TOPICS
        assert ("kind" in row) == (row["disposition"] == "emergency")
        assert row.get("kind", "unknown") in KINDS
        assert all(set(each) == {"rule", "words"} and each["words"] in text for each in row["because"])
        assert (row["because"] == []) == (row["disposition"] == "none")


@pytest.mark.parametrize(("line", "line_id", "said"), [
    ("not json", None, "not JSON"), ("[1]", None, "not an object"), ('{"text": "hi"}', None, "id: missing"),
    ('{"id": 1}', 1, "text: missing"), ('{"id": 2, "text": 5}', 2, "text: missing or not words"),
    ('{"id": 3, "text": "hi", "lang": "fr"}', 3, "write en or es"),
    ('{"id": 4, "text": "hi", "phase": "soon"}', 4, "write one of running"),
    ('{"id": 5, "text": "hi", "asked": "nothing"}', 5, "no content key"),
    ('{"id": 6, "text": "hi", "txet": 1}', 6, "txet: unknown"),
])
def test_a_bad_line_is_answered_with_its_id_and_the_mend_and_the_run_goes_on(line, line_id, said):
    status, found = read(line, '{"id": "next", "text": "done"}')
    assert status == 1
    assert found[0]["id"] == line_id and said in found[0]["error"]
    assert found[1]["id"] == "next" and found[1]["disposition"] == "none"


def test_what_was_asked_changes_what_an_answer_means():
    _, found = read('{"id": 1, "text": "1", "asked": "safety"}', '{"id": 2, "text": "no", "asked": "safety"}',
                    '{"id": 3, "text": "1"}')
    assert [row["disposition"] for row in found] == ["urgent", "none", "none"]


def test_every_line_is_answered_before_the_next_is_read():
    with subprocess.Popen([sys.executable, "-m", "bot.cli", "read"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as run:
        for number in range(3):
            run.stdin.write(json.dumps({"id": number, "text": "done"}).encode() + b"\n")
            run.stdin.flush()
            assert json.loads(run.stdout.readline())["id"] == number
        run.stdin.close()
        assert run.wait(timeout=20) == 0


def ebbline(*words, **given):
    return subprocess.run([sys.executable, "-m", "bot.cli", *words], cwd=ROOT, capture_output=True, text=True, timeout=60,
                          check=False, **given)


def test_rehearse_prints_the_events_and_the_record_as_json():
    run = ebbline("rehearse", "tests/rehearsals/clean_day.yaml", "--json")
    assert run.returncode == 0, run.stderr
    found = json.loads(run.stdout)
    assert set(found[0]) == {"at", "from", "to", "kind", "text"}
    assert found[0]["at"].endswith("-05:00"), "times are local to the practice, with their offset"
    assert [event["at"] for event in found[:-1]] == sorted(event["at"] for event in found[:-1])
    assert set(found[-1]) == {"kind", "patients", "matters", "tasks"}
    assert set(found[-1]["patients"][0]) == {"name", "held", "infusions", "reactions"}


def test_a_bad_rehearsal_file_names_line_key_and_mend_and_plays_nothing(tmp_path):
    file = tmp_path / "bad.yaml"
    file.write_text("patients:\n  - {name: Ana}\nnurses: [Ruth]\nstart: 2026-03-10T17:00\nsteps:\n  - {after: 1m, form: Ana}\n")
    run = ebbline("rehearse", str(file), "--json")
    assert run.returncode == 2 and run.stdout == ""
    assert f"{file}:6: " in run.stderr and "form" in run.stderr and "from" in run.stderr


def test_a_command_of_ours_runs_on_the_rehearsals_database(tmp_path):
    file = tmp_path / "run.yaml"
    file.write_text("""patients:
  - {name: Ana, order: {volume_ml: 40, strength: 0.2, sites: 2, rate_ml_per_h_per_site: 20, day: Tue, time: "18:00"}}
nurses: [Ruth]
start: 2026-03-10T17:00
steps:
  - {after: 5m, run: "schedule skip Ana"}
  - {after: 1d}
""")
    run = ebbline("rehearse", str(file), "--json")
    assert run.returncode == 0, run.stderr
    found = json.loads(run.stdout)
    assert [event for event in found if event.get("kind") == "reminder"] == []
    assert found[-1]["patients"][0]["infusions"][0]["state"] == "skipped"


@pytest.mark.parametrize(("words", "said"), [
    (("patient", "list", "--db", "/nowhere/x.db"), "there is no such database"),
    (("rehearse", "/nowhere.yaml"), "cannot be read"),
    (("serve", "--settings", "/nowhere.toml"), "/nowhere.toml"),
    (("content", "show", "nothing"), "there is no entry"),
])
def test_a_mistake_at_the_shell_is_one_line_with_the_mend_and_status_2(words, said):
    run = ebbline(*words)
    assert run.returncode == 2
    assert said in run.stderr and "Traceback" not in run.stderr
