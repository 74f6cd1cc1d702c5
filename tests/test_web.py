"""The webhooks: nothing unsigned is stored, nothing is answered 200 before it is committed."""

import sqlite3
import time
from contextlib import closing
from datetime import timedelta

import pytest

from bot.carrier import CarrierDown
from bot.office import Office
from bot.simulated import SIGNATURE_HEADER
from bot.stage import PUBLIC_URL
from bot.web import MOST_BYTES, create_app
from store.database import writing
from tests.processes import ANA, NUMBER, PRACTICE, START, inbound_form, select, signed, stage, wait_for

SECONDS_100 = timedelta(seconds=100)


@pytest.fixture
def played(tmp_path):
    played = stage(tmp_path / "practice.db")
    yield played
    played.close()


@pytest.fixture
def web(played):
    return played.app.test_client()


def find(played, sql, *values):
    return select(played.office.db(), sql, *values)


def stored(played):
    return find(played, "SELECT * FROM inbound")


def post(web, form, path="/sms/inbound", **changes):
    return web.post(path, data=form, headers=changes.pop("headers", None) or signed(path, form, **changes))


# --- signatures ------------------------------------------------------------------------------------------------------


def test_a_request_without_a_signature_is_403_and_nothing_is_stored(played, web):
    assert web.post("/sms/inbound", data=inbound_form("cant breathe")).status_code == 403
    assert stored(played) == []


@pytest.mark.parametrize("wrong", ["", "not base64", "AAAA"])
def test_a_wrong_signature_is_403_and_nothing_is_stored(played, web, wrong):
    assert post(web, inbound_form("done"), headers={SIGNATURE_HEADER: wrong}).status_code == 403
    assert post(web, inbound_form("done"), secret="another secret").status_code == 403
    assert stored(played) == []


def test_a_text_changed_after_signing_is_403_and_nothing_is_stored(played, web):
    headers = signed("/sms/inbound", inbound_form("i am fine"))
    assert post(web, inbound_form("cant breathe"), headers=headers).status_code == 403
    extra = {**inbound_form("i am fine"), "Media0": ["http://x"]}
    assert post(web, extra, headers=headers).status_code == 403
    assert stored(played) == []


def test_a_signature_of_another_address_is_403(played, web):
    form = inbound_form("done")
    assert post(web, form, headers=signed("/sms/status", form)).status_code == 403
    assert post(web, form, public_url="https://elsewhere.example").status_code == 403
    assert web.post("/sms/inbound?more=1", data=form, headers=signed("/sms/inbound", form)).status_code == 403


def test_the_address_is_the_configured_one_whatever_the_request_says_of_itself(played, web):
    form = inbound_form("done")
    reply = web.post("/sms/inbound", data=form, base_url="http://evil.example",
                     headers={**signed("/sms/inbound", form), "X-Forwarded-Host": "evil.example"})
    assert reply.status_code == 200 and len(stored(played)) == 1


# --- a good text -----------------------------------------------------------------------------------------------------


def test_a_good_text_is_200_with_an_empty_reply_and_its_row_is_committed(played, web):
    reply = post(web, inbound_form("starting"))
    assert (reply.status_code, reply.content_type) == (200, "text/xml")
    assert reply.get_data(as_text=True).endswith("<Response />")
    with closing(sqlite3.connect(played.office.path)) as other:  # another connection sees only what is committed
        found = other.execute("SELECT body, from_number, handled_at IS NOT NULL FROM inbound").fetchall()
    assert found == [("starting", ANA, 1)]


def test_a_repeat_is_200_and_nothing_more_happens(played, web):
    def state():
        tables = ("inbound", "outbox", "matter", "audit", "infusion", "timer")
        return [find(played, f"SELECT * FROM {table}") for table in tables]
    post(web, inbound_form("my throat feels tight"))
    before = state()
    assert [post(web, inbound_form("my throat feels tight")).status_code for _ in range(3)] == [200] * 3
    assert state() == before and len(before[0]) == 1


def test_the_same_words_as_a_new_text_are_another_text(played, web):
    for n in (1, 2):
        assert post(web, inbound_form("thanks", n=n)).status_code == 200
    assert len(stored(played)) == 2


@pytest.mark.parametrize("body", ["", " ", "👍", "\x00\x01", "é" * 1600, "'; DROP TABLE inbound; --", "a\r\nb"])
def test_a_text_of_any_characters_is_stored_as_it_came(played, web, body):
    assert post(web, inbound_form(body)).status_code == 200
    assert stored(played)[0]["body"] == body


# --- bad requests ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("field", ["Id", "From", "To", "Body", "MediaCount"])
def test_a_form_without_a_field_is_400_naming_it_and_nothing_is_stored(played, web, field, caplog):
    form = {name: value for name, value in inbound_form("hello there").items() if name != field}
    reply = post(web, form)
    assert reply.status_code == 400 and field in reply.get_data(as_text=True)
    assert stored(played) == []
    assert field in caplog.text


def test_the_log_of_a_bad_form_holds_no_number(played, web, caplog):
    reply = post(web, {**inbound_form("hello there"), "From": ["+1 312 555 0111"]})
    assert reply.status_code == 400
    assert "From" in caplog.text and "555" not in caplog.text and "hello" not in caplog.text


def test_a_body_too_large_is_413_and_nothing_is_stored(played, web):
    assert post(web, inbound_form("x" * MOST_BYTES)).status_code == 413
    assert stored(played) == []


def test_a_webhook_takes_no_get(web):
    assert web.get("/sms/inbound").status_code == 405


def test_an_unexpected_error_is_500_and_its_words_are_not_logged(played, web, monkeypatch, caplog):
    def broken(_, text):
        raise RuntimeError(text.from_number + text.body)
    monkeypatch.setattr("bot.reception.receive", broken)
    assert post(web, inbound_form("cant breathe")).status_code == 500
    assert "RuntimeError" in caplog.text and "breathe" not in caplog.text and ANA not in caplog.text


# --- a locked database -----------------------------------------------------------------------------------------------


@pytest.fixture
def hasty(played):
    """A web process that waits only 50 ms for another writer, and that other writer's connection."""
    office = Office(played.office.path, PRACTICE, played.carrier, played.clock, "hasty", busy_ms=50)
    other = sqlite3.connect(played.office.path, isolation_level=None)
    yield create_app(office, PUBLIC_URL, in_background=False).test_client(), other
    other.close()
    office.close()


def test_a_database_locked_beyond_the_busy_time_is_503_and_nothing_is_half_written(played, hasty):
    web, other = hasty
    other.execute("BEGIN IMMEDIATE")
    assert post(web, inbound_form("cant breathe")).status_code == 503
    other.rollback()
    assert stored(played) == [] and find(played, "SELECT 1 FROM outbox") == []
    assert post(web, inbound_form("cant breathe")).status_code == 200
    assert len(stored(played)) == 1


def test_a_lock_between_recording_and_deciding_leaves_the_text_for_the_worker(played, hasty, monkeypatch):
    web, other = hasty
    from bot import reception
    receive = reception.receive

    def receive_and_lock(*values, **more):
        found = receive(*values, **more)
        other.execute("BEGIN IMMEDIATE")
        return found
    monkeypatch.setattr(reception, "receive", receive_and_lock)
    assert post(web, inbound_form("cant breathe")).status_code == 200
    other.rollback()
    assert [row["handled_at"] for row in stored(played)] == [None]
    assert find(played, "SELECT 1 FROM outbox") == []
    played.advance(seconds=3)
    assert stored(played)[0]["handled_at"] and not stored(played)[0]["failed_at"]
    assert [text.to_number for text in played.carrier.texts][:1] == [ANA]


def test_a_report_that_cannot_be_recorded_is_503(hasty):
    web, other = hasty
    other.execute("BEGIN IMMEDIATE")
    form = {"Id": [f"SIM{1:032x}"], "State": ["delivered"], "Code": [""]}
    assert post(web, form, "/sms/status").status_code == 503
    other.rollback()


# --- safety texts leave with the web process -------------------------------------------------------------------------


def test_an_emergency_leaves_without_a_worker_after_the_answer(played, tmp_path):
    office = Office(played.office.path, PRACTICE, played.carrier, played.clock, "web")
    began = time.monotonic()
    assert post(create_app(office, PUBLIC_URL).test_client(), inbound_form("my throat feels tight")).status_code == 200
    wait_for(lambda: len(played.carrier.texts) == 2, 2, "the instruction and the page")
    assert time.monotonic() - began < 2
    assert "911" in played.carrier.texts[0].body and played.carrier.texts[0].to_number == ANA
    assert "EMERGENCY" in played.carrier.texts[1].body
    office.close()


def test_a_carrier_that_fails_changes_no_answer(played, web, monkeypatch):
    def down(*_):
        raise CarrierDown("down")
    monkeypatch.setattr(played.carrier, "send", down)
    assert post(web, inbound_form("my throat feels tight")).status_code == 200


# --- status reports --------------------------------------------------------------------------------------------------


def report(web, carrier_id, state, code=""):
    return post(web, {"Id": [carrier_id], "State": [state], "Code": [code]}, "/sms/status").status_code


@pytest.fixture
def sent_id(played, web):
    """The carrier's id of the answer to Ana's "starting", sent and not reported on."""
    played.carrier.no_receipt(ANA, START.replace(year=2027))
    post(web, inbound_form("starting"))
    played.send_now()
    return find(played, "SELECT carrier_id FROM outbox WHERE number = ?", ANA)[0]["carrier_id"]


def state_of(played, carrier_id):
    return find(played, "SELECT state FROM outbox WHERE carrier_id = ?", carrier_id)[0]["state"]


@pytest.mark.parametrize("reports, reached", [
    (["sent", "delivered"], "delivered"),
    (["delivered", "delivered", "delivered"], "delivered"),
    (["delivered", "sent"], "delivered"),
    (["delivered", "undelivered"], "delivered"),
    (["undelivered", "sent"], "failed"),
    (["failed", "failed"], "failed"),
    (["undelivered", "delivered"], "delivered"),
])
def test_reports_may_come_twice_late_and_in_any_order(played, web, sent_id, reports, reached):
    assert [report(web, sent_id, state, "30003" if "del" in state else "") for state in reports] == [204] * len(reports)
    assert state_of(played, sent_id) == reached


def test_a_text_that_failed_is_told_once_however_often_it_is_reported(played, web, sent_id):
    for _ in range(3):
        report(web, sent_id, "undelivered", "30003")
    assert [row["about"] for row in find(played, "SELECT about FROM task")] == ["text not delivered"]


def test_a_report_that_comes_before_the_create_call_returned_is_applied_then(played, web, monkeypatch):
    send = played.carrier.send

    def reported_first(*values):
        carrier_id = send(*values)
        assert report(web, carrier_id, "delivered") == 204
        assert report(web, carrier_id, "sent") == 204
        return carrier_id
    monkeypatch.setattr(played.carrier, "send", reported_first)
    post(web, inbound_form("my throat feels tight"))
    found = find(played, "SELECT state FROM outbox")
    assert [row["state"] for row in found] == ["delivered", "delivered"]
    assert find(played, "SELECT * FROM early_report") == []


def test_a_failure_reported_before_the_create_call_returned_makes_the_nurse_call(played, web, monkeypatch):
    send = played.carrier.send

    def lost_at_once(number, *more):
        carrier_id = send(number, *more)
        if number == ANA:
            report(web, carrier_id, "undelivered", "30003")
        return carrier_id
    monkeypatch.setattr(played.carrier, "send", lost_at_once)
    post(web, inbound_form("my throat feels tight"))
    pages = find(played, "SELECT entry FROM outbox WHERE kind = 'page'")
    assert [row["entry"] for row in pages] == ["page", "page.call"]
    assert "CALL" in played.carrier.texts[-1].body  # and it left without a worker


def test_an_instruction_reported_lost_makes_the_nurse_call_without_a_worker(played, web):
    post(web, inbound_form("my throat feels tight"))
    instruction = next(text for text in played.carrier.texts if text.to_number == ANA)
    before = len(played.carrier.texts)
    assert report(web, instruction.carrier_id, "undelivered", "30003") == 204
    assert len(played.carrier.texts) == before + 1 and "CALL" in played.carrier.texts[-1].body


def test_a_report_on_an_id_that_nobody_knows_is_kept(played, web):
    unknown = f"SIM{99:032x}"
    assert report(web, unknown, "undelivered", "30003") == 204
    assert [(row["carrier_id"], row["state"], row["code"]) for row in find(played, "SELECT * FROM early_report")] == [
        (unknown, "undelivered", "30003")]


def test_a_bad_report_is_400_naming_the_field(web):
    assert post(web, {"Id": [f"SIM{1:032x}"], "State": ["gone"], "Code": [""]}, "/sms/status").status_code == 400
    reply = post(web, {"Id": [f"SIM{1:032x}"], "Code": [""]}, "/sms/status")
    assert reply.status_code == 400 and "State" in reply.get_data(as_text=True)


def test_an_unsigned_report_is_403_and_changes_nothing(played, web, sent_id):
    form = {"Id": [sent_id], "State": ["delivered"], "Code": [""]}
    assert web.post("/sms/status", data=form).status_code == 403
    assert state_of(played, sent_id) == "sent"


# --- health ----------------------------------------------------------------------------------------------------------


def test_health_is_bad_until_the_worker_has_run_and_good_then(played, web):
    reply = web.get("/healthz")
    assert (reply.status_code, reply.json["worker_age_s"]) == (503, None)
    played.worker.tick()
    reply = web.get("/healthz")
    assert reply.status_code == 200
    assert reply.json == {
        "ok": True, "worker_age_s": 0.0, "oldest_unsent_s": None, "oldest_unhandled_s": None, "unreadable": 0}


def test_health_tells_how_old_everything_is_and_is_bad_when_it_is_too_old(played, web):
    played.worker.tick()
    post(web, inbound_form("starting"))
    with writing(played.office.db()) as db:
        db.conn.execute("UPDATE inbound SET handled_at = NULL")
    played.clock.move(SECONDS_100)
    reply = web.get("/healthz")
    assert reply.status_code == 200
    assert reply.json == {
        "ok": True, "worker_age_s": 100.0, "oldest_unsent_s": 100.0, "oldest_unhandled_s": 100.0, "unreadable": 0}
    played.clock.move(SECONDS_100)
    reply = web.get("/healthz")
    assert (reply.status_code, reply.json["ok"], reply.json["worker_age_s"]) == (503, False, 200.0)


def test_health_is_503_when_the_database_cannot_be_opened(played, tmp_path):
    office = Office(tmp_path / "other.db", PRACTICE, played.carrier, played.clock, "web")
    office.path = tmp_path / "gone" / "other.db"
    reply = create_app(office, PUBLIC_URL).test_client().get("/healthz")
    assert (reply.status_code, reply.json["ok"]) == (503, False)
    assert post(create_app(office, PUBLIC_URL).test_client(), inbound_form("done")).status_code == 503


def test_health_holds_no_number_and_no_words(played, web):
    post(web, inbound_form("my throat feels tight"))
    shown = web.get("/healthz").get_data(as_text=True)
    assert ANA not in shown and NUMBER not in shown and "throat" not in shown
