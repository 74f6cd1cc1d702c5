"""Desk work from a shell on a real database: enrolling, orders, staff, skipping, backup; and mistakes with the mend."""

import json
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from bot import cupboard, script
from bot.cli import cli, main
from bot.rehearse import play
from store.database import open_database, rows, writing


@pytest.fixture
def house(tmp_path, monkeypatch):
    """A sample installation with an empty database; `run(words)` gives the exit status and what was printed."""
    settings = tmp_path / "ebbline.toml"
    settings.write_text(CliRunner().invoke(cli, ["settings"]).output, encoding="utf-8")
    monkeypatch.setenv("EBBLINE_SETTINGS", str(settings))
    database = tmp_path / "ebbline.db"
    open_database(database, datetime(2026, 3, 10, tzinfo=UTC)).conn.close()

    def run(*words):
        monkeypatch.setattr("sys.argv", ["ebbline", *words])
        result = CliRunner().invoke(cli, list(words))
        return result.exit_code, result.output + (str(result.exception) if result.exception and result.exit_code else "")

    run.database = database
    return run


ORDER = ("--volume-ml", "40", "--strength", "0.2", "--sites", "2", "--rate-ml-per-h-per-site", "20", "--day", "Tue", "--time", "18:00")


def test_a_patient_with_caregiver_and_order_is_on_the_books_and_scheduled(house):
    assert house("patient", "add", "Ana", "--phone", "+13125550101")[0] == 0
    assert house("patient", "caregiver", "Ana", "Dana", "--phone", "+13125550107")[0] == 0
    status, said = house("patient", "order", "Ana", *ORDER)
    assert status == 0 and "Tuesday" in said and "18:00" in said
    found = json.loads(house("schedule", "list", "Ana", "--json")[1])
    assert len(found) == 10 and {row["weekday"] for row in found} == {"Tue"}


def test_a_skipped_occasion_is_skipped_and_audited(house):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    house("patient", "order", "Ana", *ORDER)
    assert "skipped" in house("schedule", "skip", "Ana", "--why", "away")[1]
    assert json.loads(house("schedule", "list", "Ana", "--json")[1])[0]["state"] == "skipped"
    db = open_database(house.database, datetime(2026, 3, 10, tzinfo=UTC))
    assert [row["who"] for row in rows(db, "SELECT who FROM audit WHERE what = 'infusion'")] == ["coordinator"]


def test_a_new_order_ends_the_one_before(house):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    house("patient", "order", "Ana", *ORDER)
    house("patient", "order", "Ana", "--volume-ml", "30", *ORDER[2:])
    listed = json.loads(house("patient", "list", "--json")[1])
    assert [row["volume_ml"] for row in listed] == [30.0]


def test_an_order_keeps_its_last_day_its_gap_limit_and_its_product_as_typed(house):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    assert house("patient", "order", "Ana", *ORDER, "--ends", "2027-01-31", "--gap-limit-days", "21", "--product", "Sample SC 20%",
                 "--product-code", "X-1")[0] == 0
    db = open_database(house.database, datetime(2026, 3, 10, tzinfo=UTC))
    found = rows(db, "SELECT ends_on, gap_limit_days, product_name, product_code FROM infusion_order")
    assert [tuple(row.values()) for row in found] == [("2027-01-31", 21, "Sample SC 20%", "X-1")]


def test_staff_stand_on_the_ladder_from_now_on(house):
    assert house("roster", "add", "Ruth", "--phone", "+13125550105", "--rung", "1")[0] == 0
    assert house("roster", "add", "Cora", "--phone", "+13125550106", "--role", "coordinator")[0] == 0
    assert [row["name"] for row in json.loads(house("roster", "list", "--json")[1])] == ["Ruth"]


@pytest.mark.parametrize(("words", "said"), [
    (("patient", "add", "Ben", "--phone", "12345"), "is no telephone number; write it as"),
    (("patient", "add", "Cem", "--phone", "+13125550103", "--zone", "Mars/Base"), "is not an IANA time zone"),
    (("patient", "order", "Nobody", *ORDER), "there is no patient called"),
    (("patient", "order", "Ana", *ORDER[:-2], "--time", "25:00"), "25:00"),
    (("patient", "order", "Ana", *ORDER, "--every", "2 fortnights"), "write day, week"),
    (("patient", "order", "Ana", "--strength", "20", *ORDER[:2], *ORDER[4:]), "--strength"),
    (("patient", "order", "Ana", *ORDER, "--starts", "2026-03-10", "--ends", "2026-03-09"), "before it starts on 2026-03-10; mend"),
    (("roster", "add", "Ruth", "--phone", "+13125550105"), "give --rung"),
    (("roster", "add", "Ruth", "--phone", "+13125550101", "--rung", "1"), "is a patient's or caregiver's phone"),
    (("schedule", "skip", "Ana", "--on", "2026-03-11"), "has no order"),
    (("escalation", "show", "0000"), "there is no case 0000"),
])
def test_a_mistake_says_what_is_wrong_and_the_mend_and_writes_nothing(house, words, said):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    before = house("patient", "list", "--json")[1] + house("roster", "list", "--json")[1]
    status, shown = house(*words)
    assert status != 0 and said in shown
    assert house("patient", "list", "--json")[1] + house("roster", "list", "--json")[1] == before


def test_a_discreet_patient_gets_reminders_without_a_word_of_an_infusion(house):
    from flows import content

    house("patient", "add", "Ana", "--phone", "+13125550101")
    assert house("patient", "wording", "Ana", "discreet")[0] == 0
    for lang in ("en", "es"):
        for key in ("reminder.discreet", "reminder.check.discreet", "reminder.second.discreet"):
            assert "infusi" not in content.pack(lang)[key].text.lower()


def test_a_backup_is_whole_and_never_overwrites(house, tmp_path):
    copy = tmp_path / "copy.db"
    assert house("backup", str(copy))[0] == 0
    assert house("backup", str(copy))[0] != 0


def test_doctor_says_what_to_mend(house):
    status, said = house("doctor")
    assert status == 1
    assert "MEND roster: nobody is on the roster" in said and "not signed" in said


def test_the_console_script_is_this_program():
    assert callable(main)


def test_an_order_is_written_down_and_what_its_label_has_against_it_is_said(house):
    house("patient", "add", "Ana", "--phone", "+13125550101", "--born", "1980-05-01", "--weight-kg", "70")
    status, said = house("patient", "order", "Ana", *ORDER, "--profile", "g20-a", "--needle-mm", "9", "--gauge", "26")
    assert status == 0, said
    assert "over_profile_ml_per_site" in said and "over_profile_rate" in said, "a first infusion of 20 mL and 20 mL/h a site"
    found = json.loads(house("order", "check", "--patient", "Ana", "--infusion-number", "9", "--json")[1])
    assert (found["sites"], found["minutes"], found["warnings"]) == (2, 60.0, [])
    assert house("order", "check", "--patient", "Nobody")[0] != 0


def test_every_rule_is_shown_with_its_examples_and_they_hold(house):
    status, said = house("content", "rules", "--json")
    rules = json.loads(said)
    assert status == 0 and len(rules) > 100
    assert all(len(row["match"]) >= 3 and len(row["not"]) >= 2 and row["broken"] == [] and row["source"] for row in rules)
    assert "says it:     coughing up blood" in house("content", "rules", "coughing-blood-en")[1]
    assert "there is no rule" in house("content", "rules", "no-such-rule")[1]


def put_doses(house, count):
    """Finished doses of the order that Ana has now."""
    from datetime import timedelta

    from store import people
    db = open_database(house.database, datetime(2026, 3, 10, tzinfo=UTC))
    order_id = rows(db, "SELECT id FROM infusion_order WHERE current = 1")[0]["id"]
    with writing(db):
        for weeks in range(count):
            at = datetime(2025, 10, 7, 23, tzinfo=UTC) + timedelta(weeks=weeks, days=order_id)
            people.add_past(db, 1, order_id, due_on=at.date(), due_at=at, ended_at=at, volume_ml=40)
    db.conn.close()


@pytest.mark.parametrize(("first", "second", "number"), [
    (("--profile", "g20-a"), ("--profile", "g20-a"), "10"), (("--product", "Sample SC"), ("--product", "sample sc"), "10"),
    (("--profile", "g20-a"), ("--profile", "g20-c"), "1"), ((), (), "1")])
def test_the_infusion_number_goes_on_with_the_same_profile_or_product(house, first, second, number):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    house("patient", "order", "Ana", *ORDER, *first)
    put_doses(house, 9)
    house("patient", "order", "Ana", "--volume-ml", "45", *ORDER[2:], *second)
    line = next(line for line in house("order", "check", "--patient", "Ana")[1].splitlines() if line.startswith("infusion"))
    assert line.split() == ["infusion", number]


CASE = """# A child's leak, then hives, as the nurse sees them.
patients:
  - name: Tim
    born: 2023-01-05
    weight_kg: 14
    needle_mm: 6
    epinephrine: true
    caregiver: Mara
    order: {volume_ml: 10, strength: 0.2, sites: 1, rate_ml_per_h_per_site: 10, every: week, day: Tue, time: "18:00", profile: g20-c}
    history: [{on: 2026-03-03, volume_ml: 10, minutes: 62, sites: [left thigh], lots: [AB1234567]}]
nurses: [Ruth]
start: 2026-03-10T17:00
steps:
  - {at: "18:04", from: Mara, text: "starting"}
  - {after: 20m, from: Mara, text: "leaking at the left thigh, soaked his pants"}
  - {after: 30m, from: Mara, text: "he has hives all over"}
  - {after: 2m, run: "escalation list"}
  - {after: 0m, run: "patient show Tim"}
"""


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    """What the commands of a rehearsal print, with its cases shown as well."""
    file = tmp_path_factory.mktemp("ward") / "child.yaml"
    file.write_text(CASE, encoding="utf-8")
    listed = play(script.load(file)).text
    cases = [line.split()[0] for line in listed.splitlines() if "call-back for the nurse" in line or "NOBODY HAS IT" in line]
    file.write_text(CASE + "".join(f'  - {{after: 0m, run: "escalation show {case}"}}\n' for case in cases), encoding="utf-8")
    return play(script.load(file)).text


def test_a_case_says_whom_to_call_and_about_whom(ward):
    assert ward.count("call            +13125550102 (Mara caregiver), +13125550101 (Tim patient)") == 1, "who wrote about it first"
    assert "patient         3 years, 14 kg, epinephrine prescribed, order ON HOLD: urgent: site_leak" in ward
    assert "18:54 Mara: he has hives all over" in ward


def test_a_dose_is_shown_in_local_time_with_what_is_known_of_it(ward):
    assert "due Tue 2026-03-03 18:00: done, ended Tue 2026-03-03 19:02, 10 mL, 62 min, left thigh, lot AB1234567" in ward
    assert "why: -" not in ward and "+00:00" not in ward


def test_topics_are_shown_in_words(house):
    house("patient", "add", "Ana", "--phone", "+13125550101")
    db = open_database(house.database, datetime(2026, 3, 10, tzinfo=UTC))
    at = "2026-03-10T23:00:00.000000+00:00"
    with writing(db):
        for case, detail in (("1111", None), ("2222", "silent_while_infusing")):
            db["matter"].insert({"case_code": case, "disposition": "urgent", "topic": "other", "detail": detail, "seen": "other", "patient_id": 1,
                                 "opened_at": at, "raised_at": at})
        db["task"].insert({"case_code": "3333", "owner": "nurse", "about": "site_swelling", "words": "swollen", "patient_id": 1,
                           "opened_at": at, "due_at": at})
    db.conn.close()
    listed = house("escalation", "list")[1]
    assert "1111 urgent unclear, Ana" in listed and "2222 urgent silent while infusing, Ana" in listed and "nurse: site swelling, Ana" in listed
    assert "2222 urgent silent while infusing: Ana" in house("escalation", "show", "2222")[1]
    shown = house("escalation", "show", "3333")[1]
    assert "call-back, site swelling: Ana" in shown and "age not on file, weight not on file, epinephrine not prescribed, order not held" in shown


def test_a_trouble_whose_side_was_not_told_stands_below_its_area():
    trouble = [{"kind": "leak", "told_on": "2026-03-03", "gone": False}]
    rows = [{"place": "left thigh", "doses": 2, "last_used_on": "2026-03-03", "troubles": []},
            {"place": "thigh", "doses": 0, "last_used_on": None, "troubles": trouble},
            {"place": "left arm", "doses": 1, "last_used_on": "2026-02-24", "troubles": []}]
    assert cupboard.place_lines(rows) == ["left thigh: 2 doses, last 2026-03-03", "  thigh, side not told: leak 2026-03-03",
                                          "left arm: 1 dose, last 2026-02-24"]
