"""A text that cannot be dealt with: an exception may delay a human, it never replaces one."""

import sqlite3

import pytest

from bot import reception
from flows.content import render
from store import post, story, world
from tests.processes import ANA, BEN, PRACTICE, RUTH, STRANGER, select, stage

WORDS = "purple elephants, 555 of them"


@pytest.fixture
def played(tmp_path):
    played = stage(tmp_path / "practice.db")
    yield played
    played.close()


def find(played, sql, *values):
    return select(played.office.db(), sql, *values)


class Broken(Exception):
    """An exception that cannot be made again without its words."""

    def __init__(self, words, more):
        super().__init__(words, more)


RAISES = {
    "a value error that quotes the text": lambda inbound: ValueError(inbound.body, inbound.from_number),
    "a key error": lambda inbound: KeyError(inbound.from_number),
    "an exception with two arguments": lambda inbound: Broken(inbound.body, inbound.from_number),
    "a database error that is not a lock": lambda inbound: sqlite3.IntegrityError(inbound.body + inbound.from_number),
}


@pytest.fixture(params=RAISES.values(), ids=RAISES)
def broken(request, monkeypatch):
    """Deciding raises on Ana's texts with WORDS in them."""
    decide = reception.decide

    def raises(known, inbound):
        if WORDS in inbound.body:
            raise request.param(inbound)
        return decide(known, inbound)
    monkeypatch.setattr(reception, "decide", raises)


def to(played, number):
    return [text.body for text in played.carrier.texts if text.to_number == number]


def test_a_text_that_raises_stays_on_the_list_pages_a_nurse_and_tells_the_sender(played, broken):
    played.texts(ANA, WORDS)
    row = find(played, "SELECT * FROM inbound")[0]
    assert row["handled_at"] is None and row["failed_at"] is not None
    assert [each["id"] for each in story.unreadable(played.office.db())] == [row["id"]]
    assert post.count_failed(played.office.db()) == 1
    assert to(played, ANA) == [render("unreadable", "en", PRACTICE)]
    pages = to(played, RUTH)
    assert len(pages) == 1 and pages[0].startswith("URGENT case") and "a message we could not read" in pages[0]


def test_what_was_written_before_it_raised_is_gone(played, monkeypatch):
    def half(db, decision, now, who="ebbline"):
        db.conn.execute("UPDATE phone SET stopped_why = 'half written'")
        raise ValueError("in the middle")
    monkeypatch.setattr(reception.record, "carry_out", half)
    played.carrier.phone_texts(ANA, "starting")
    monkeypatch.undo()
    assert find(played, "SELECT 1 FROM phone WHERE stopped_why IS NOT NULL") == []


def test_later_texts_go_on(played, broken):
    played.texts(ANA, WORDS)
    played.texts(BEN, "starting")
    played.texts(ANA, "my throat feels tight")
    found = find(played, "SELECT handled_at IS NOT NULL AS handled FROM inbound ORDER BY id")
    assert [row["handled"] for row in found] == [0, 1, 1]
    assert to(played, ANA)[-1].startswith("CALL 911 NOW")
    assert find(played, "SELECT state FROM infusion WHERE patient_id = 2") == [{"state": "running"}]


def test_several_unreadable_texts_of_one_phone_are_one_matter_and_each_gets_an_answer(played, broken):
    for _ in range(3):
        played.texts(ANA, WORDS)
    assert find(played, "SELECT count(*) AS n FROM matter") == [{"n": 1}]
    assert len(to(played, ANA)) == 3


def test_an_unreadable_text_is_not_tried_again_by_the_worker(played, broken):
    played.texts(ANA, WORDS)
    before = find(played, "SELECT count(*) AS n FROM matter_note")
    played.advance(seconds=30)
    assert find(played, "SELECT count(*) AS n FROM matter_note") == before


def test_a_nurse_and_a_stranger_who_cannot_be_read_are_given_to_a_human_too(played, broken):
    played.texts(RUTH, WORDS)
    played.texts(STRANGER, WORDS)
    matters = find(played, "SELECT from_number FROM matter ORDER BY id")
    assert [row["from_number"] for row in matters] == [RUTH, STRANGER]
    assert to(played, STRANGER) == [render("unreadable", "en", PRACTICE)]


def test_the_log_holds_the_place_but_neither_words_nor_numbers(played, broken, caplog):
    caplog.set_level("DEBUG")
    played.texts(ANA, WORDS)
    assert "could not be read" in caplog.text and "test_reception.py" in caplog.text
    for secret in ("purple", "555 of", ANA, ANA[1:], RUTH):
        assert secret not in caplog.text


def test_a_patient_whose_record_cannot_be_loaded_still_gets_a_human(played, monkeypatch):
    def damaged(*_):
        raise ValueError("a date that is none")
    monkeypatch.setattr(world, "patient", damaged)
    played.carrier.phone_texts(ANA, "my throat feels tight")
    assert to(played, ANA) == [render("unreadable", "en", PRACTICE)]
    assert "could not read" in to(played, RUTH)[0]


def test_when_even_the_page_cannot_be_written_the_text_waits_and_others_go_on(played, broken, monkeypatch):
    def also_broken(*_):
        raise ValueError("twice")
    with monkeypatch.context() as patch:
        patch.setattr(reception, "unreadable", also_broken)
        played.texts(ANA, WORDS)
        played.texts(BEN, "starting")
        played.advance(seconds=30)
        found = find(played, "SELECT handled_at, failed_at FROM inbound ORDER BY id")
        assert found[0] == {"handled_at": None, "failed_at": None} and found[1]["handled_at"]
    played.advance(seconds=5)
    assert find(played, "SELECT failed_at FROM inbound WHERE id = 1")[0]["failed_at"]
    assert to(played, ANA) == [render("unreadable", "en", PRACTICE)]


def test_a_locked_or_full_database_leaves_the_text_to_the_worker_without_a_page(played, monkeypatch):
    def full(*_):
        raise sqlite3.OperationalError("database or disk is full")
    with monkeypatch.context() as patch:
        patch.setattr(reception, "decide", full)
        played.carrier.phone_texts(ANA, "my throat feels tight")
    assert find(played, "SELECT handled_at, failed_at FROM inbound") == [{"handled_at": None, "failed_at": None}]
    assert find(played, "SELECT 1 FROM matter") == []
    played.advance(seconds=3)
    assert to(played, ANA)[0].startswith("CALL 911 NOW") and to(played, RUTH)[0].startswith("EMERGENCY")


def test_a_text_that_has_been_dealt_with_is_not_dealt_with_again(played):
    played.texts(ANA, "my throat feels tight")
    assert reception.handle(played.office, 1) == []
    assert reception.give_to_human(played.office, 1, "late") == []
    assert find(played, "SELECT count(*) AS n FROM matter") == [{"n": 1}]
