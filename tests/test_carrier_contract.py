"""The contract of `bot/carrier.py`, run on every adapter, and what only the simulated carrier promises.

To add an adapter: write a rig with the attributes and methods of `InMemory` and add it to RIGS.
"""

import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone
from http.server import BaseHTTPRequestHandler, HTTPServer
from urllib.parse import parse_qs

import pytest

from bot.carrier import CarrierDown, CarrierRefused, CarrierUnsure, InboundText, Status
from bot.simulated import SIGNATURE_HEADER, HttpSimulated, SimulatedCarrier, deliver_over_http, serve_http, signature
from bot.twilio_carrier import TwilioCarrier
from tests.fake_exchange import Exchange, Picture

START = datetime(2026, 3, 10, 22, 0, tzinfo=timezone.utc)    # a Tuesday
OURS, ANA, BEN = "+15035550100", "+15035550111", "+15035550122"
PUBLIC = "https://clinic.example"
SECRET = "a secret of the tests"


class HandClock:
    def __init__(self, now=START):
        self.at = now

    def now(self):
        return self.at

    def moves(self, **span):
        self.at += timedelta(**span)
        return self.at


class InMemory:
    """A rig: `carrier` is the adapter under test; the rest makes the carrier behind it do things."""

    inbound_url, status_url = PUBLIC + "/sms/inbound", PUBLIC + "/sms/status"
    signature_header = SIGNATURE_HEADER
    inbound_fields = ("Id", "From", "To", "Body", "MediaCount")    # without one of these a form is bad
    status_fields = ("Id", "State")

    def __init__(self):
        self.clock = HandClock()
        self.webhooks, self.reports = [], []
        self.real = SimulatedCarrier(
            self.clock, OURS, SECRET, public_url=PUBLIC, pause=time.sleep,
            deliver=lambda form, headers: self.webhooks.append((form, headers)),
            report=lambda form, headers: self.reports.append((form, headers)))
        self.carrier = self.real

    def phone_texts(self, number, body, media=()):
        """A phone texts us; returns what the webhook got: (form, headers)."""
        self.real.phone_texts(number, body, media)
        return self.webhooks[-1]

    def reports_until(self, now):
        """Every status webhook up to this time: [(form, headers)]."""
        self.real.run_due(now)
        return self.reports

    def down(self):
        self.real.down(self.clock.now() + timedelta(minutes=10))

    def up(self):
        self.real.down(self.clock.now())

    def refuse(self, number):
        """Refuse texts to this number; returns the code."""
        self.real.refuse(number, "21610")
        return "21610"

    def lose_answer(self):
        self.real.lose_answer(1)

    def close(self):
        pass


class OverHttp(InMemory):
    def __init__(self):
        super().__init__()
        self.face = serve_http(self.real, 0)
        self.carrier = HttpSimulated(self.face.url, SECRET, OURS)

    def close(self):
        self.face.stop()


class Twilio(InMemory):
    """The Twilio adapter over HTTP to a fake of the carrier."""

    signature_header = "X-Twilio-Signature"
    inbound_fields = ("MessageSid", "From", "To", "Body", "NumMedia")
    status_fields = ("MessageSid", "MessageStatus")

    def __init__(self):
        self.clock = HandClock()
        self.webhooks, self.reports = [], []
        account_sid = "AC" + "0" * 32
        self.real = Exchange(self.clock, OURS, account_sid, (account_sid, "a login of the tests"), SECRET, PUBLIC,
                             deliver=lambda form, headers: self.webhooks.append((form, headers)),
                             report=lambda form, headers: self.reports.append((form, headers)))
        self.carrier = TwilioCarrier(account_sid, self.real.login, SECRET, PUBLIC, number=OURS, api_url=self.real.url)

    def phone_texts(self, number, body, media=()):
        self.real.phone_texts(number, body, [Picture() for _ in media])    # its addresses are the carrier's own
        return self.webhooks[-1]

    def down(self):
        self.real.down()

    def up(self):
        self.real.up()

    def refuse(self, number):
        self.real.refused[number] = "21610"
        return "21610"

    def lose_answer(self):
        self.real.lost = 1

    def close(self):
        self.real.down()


RIGS = {"in memory": InMemory, "over http": OverHttp, "twilio": Twilio}


@pytest.fixture(params=RIGS.values(), ids=RIGS.keys())
def rig(request):
    rig = request.param()
    yield rig
    rig.close()


class TestContract:
    def test_a_sent_text_is_found_by_its_number_and_time(self, rig):
        carrier_id = rig.carrier.send(ANA, "Time for your infusion. ¿Ahora? 1½ “ok” 😀\nyes", valid_for_s=900)
        rig.carrier.send(BEN, "another")
        found = rig.carrier.sent_since(ANA, START)
        assert [(t.carrier_id, t.to_number, t.body) for t in found] == [
            (carrier_id, ANA, "Time for your infusion. ¿Ahora? 1½ “ok” 😀\nyes")]
        assert found[0].sent_at == START and found[0].sent_at.utcoffset() == timedelta(0)

    def test_sent_since_counts_the_instant_itself_and_nothing_before_it(self, rig):
        rig.carrier.send(ANA, "first")
        rig.clock.moves(seconds=1)
        rig.carrier.send(ANA, "second")
        bodies = [[t.body for t in rig.carrier.sent_since(ANA, START + timedelta(microseconds=us))]
                  for us in (0, 1, 1_000_000, 1_000_001)]
        assert bodies == [["first", "second"], ["second"], ["second"], []]

    def test_each_send_has_an_id_of_its_own_even_for_the_same_text(self, rig):
        assert len({rig.carrier.send(ANA, "same") for _ in range(20)}) == 20

    def test_inbound_texts_come_oldest_first_from_the_instant_on(self, rig):
        pictures = {}
        for body in ("one", "two", "three"):
            form, _ = rig.phone_texts(ANA, body, media=("https://media.example/1.jpg",) if body == "two" else ())
            pictures[body] = rig.carrier.read_inbound(form).media
            rig.clock.moves(seconds=10)
        assert [len(addresses) for addresses in pictures.values()] == [0, 1, 0]
        assert [t.body for t in rig.carrier.inbound_since(START)] == ["one", "two", "three"]
        later = rig.carrier.inbound_since(START + timedelta(seconds=10))
        assert [(t.body, t.media, t.from_number, t.to_number) for t in later] == [
            ("two", pictures["two"], ANA, OURS), ("three", (), ANA, OURS)]
        assert later[0].sent_at == START + timedelta(seconds=10)
        assert rig.carrier.inbound_since(START + timedelta(seconds=20, microseconds=1)) == []

    def test_our_own_texts_are_not_inbound(self, rig):
        rig.carrier.send(ANA, "ours")
        assert rig.carrier.inbound_since(START) == []

    def test_a_refusal_carries_the_code_and_takes_nothing(self, rig):
        code = rig.refuse(ANA)
        with pytest.raises(CarrierRefused) as caught:
            rig.carrier.send(ANA, "hello")
        assert caught.value.code == code
        assert rig.carrier.sent_since(ANA, START) == []
        assert rig.carrier.send(BEN, "hello")

    def test_a_carrier_that_is_down_takes_nothing_and_works_again_later(self, rig):
        rig.down()
        for call in (lambda: rig.carrier.send(ANA, "hello"), lambda: rig.carrier.sent_since(ANA, START),
                     lambda: rig.carrier.inbound_since(START)):
            with pytest.raises(CarrierDown):
                call()
        rig.up()
        assert rig.carrier.sent_since(ANA, START) == []
        assert rig.carrier.send(ANA, "hello")

    def test_a_lost_answer_is_unsure_and_the_text_was_taken_exactly_once(self, rig):
        rig.lose_answer()
        with pytest.raises(CarrierUnsure):
            rig.carrier.send(ANA, "stop the infusion")
        assert [t.body for t in rig.carrier.sent_since(ANA, START)] == ["stop the infusion"]
        assert rig.carrier.send(ANA, "next")

    def test_status_reports_read_back_with_the_id_that_send_gave(self, rig):
        carrier_id = rig.carrier.send(ANA, "hello")
        reports = rig.reports_until(rig.clock.moves(minutes=1))
        assert [rig.carrier.read_status(form) for form, _ in reports] == [
            Status(carrier_id, "sent"), Status(carrier_id, "delivered")]
        assert all(rig.carrier.genuine(rig.status_url, form, headers) for form, headers in reports)

    def test_the_webhook_reads_back_as_the_text_of_the_phone(self, rig):
        form, headers = rig.phone_texts(ANA, "  1½ é ’ 😀\n", media=("https://m.example/a", "https://m.example/b"))
        text = rig.carrier.read_inbound(form)
        listed = rig.carrier.inbound_since(START)[0]
        assert (text.from_number, text.to_number, text.body) == (ANA, OURS, "  1½ é ’ 😀\n")
        assert len(set(text.media)) == 2
        assert (listed.carrier_id, listed.media) == (text.carrier_id, text.media)
        assert rig.carrier.genuine(rig.inbound_url, form, headers)

    def test_a_text_without_words_is_read(self, rig):
        form, headers = rig.phone_texts(ANA, "", media=("https://m.example/a",))
        assert rig.carrier.read_inbound(form).body == ""
        assert rig.carrier.genuine(rig.inbound_url, form, headers)

    def test_the_signature_header_is_found_in_any_case(self, rig):
        form, headers = rig.phone_texts(ANA, "done")
        assert rig.carrier.genuine(rig.inbound_url, form, {k.lower(): v for k, v in headers.items()})

    def test_a_missing_or_wrong_signature_is_not_genuine(self, rig):
        form, headers = rig.phone_texts(ANA, "done")
        good = headers[rig.signature_header]
        for given in ({}, {rig.signature_header: ""}, {rig.signature_header: ("A" if good[0] != "A" else "B") + good[1:]},
                      {rig.signature_header: "é\udcff"}, {rig.signature_header: None}, None):
            assert rig.carrier.genuine(rig.inbound_url, form, given) is False

    def test_a_request_for_another_url_is_not_genuine(self, rig):
        form, headers = rig.phone_texts(ANA, "done")
        for url in (rig.status_url, rig.inbound_url + "?x=1", rig.inbound_url.replace("https", "http"), "", None):
            assert rig.carrier.genuine(url, form, headers) is False

    @pytest.mark.parametrize("change", [
        lambda form: {**form, "Body": ["done!"]},
        lambda form: {**form, "Body": ["done", "done, and more"]},
        lambda form: {**form, "Unheard": ["of"]},
        lambda form: {**form, "Empty": [""]},
        lambda form: {name: values for name, values in form.items() if name != "To"},
        lambda form: {**form, "Body": "done"},
        lambda form: {**form, "Body": None},
        lambda form: {},
        lambda form: None,
    ])
    def test_a_changed_added_repeated_or_removed_field_is_not_genuine(self, rig, change):
        form, headers = rig.phone_texts(ANA, "done")
        assert rig.carrier.genuine(rig.inbound_url, change(form), headers) is False

    def test_a_form_without_a_needed_field_is_a_value_error_that_names_it(self, rig):
        inbound, _ = rig.phone_texts(ANA, "done", media=("https://m.example/a",))
        rig.carrier.send(ANA, "hello")
        status, _ = rig.reports_until(rig.clock.moves(minutes=1))[-1]
        for read, form, fields in ((rig.carrier.read_inbound, inbound, rig.inbound_fields),
                                   (rig.carrier.read_status, status, rig.status_fields)):
            for name in fields:
                with pytest.raises(ValueError, match=rf"\b{name}\b"):
                    read({key: values for key, values in form.items() if key != name})

    def test_fields_that_nobody_knows_yet_do_not_disturb_reading(self, rig):
        form, _ = rig.phone_texts(ANA, "done")
        assert rig.carrier.read_inbound({**form, "NewThing": ["x", "y"]}).body == "done"

    def test_fifty_parallel_sends_are_all_taken_once_with_ids_of_their_own(self, rig):
        with ThreadPoolExecutor(50) as pool:
            ids = list(pool.map(lambda n: rig.carrier.send(ANA, f"text {n}"), range(50)))
        sent = rig.carrier.sent_since(ANA, START)
        assert len(set(ids)) == 50 and {t.carrier_id for t in sent} == set(ids)
        assert sorted(t.body for t in sent) == sorted(f"text {n}" for n in range(50))


def test_the_simulated_carrier_keeps_the_addresses_of_pictures():
    rig = InMemory()
    form, _ = rig.phone_texts(ANA, "look", media=("https://m.example/a", "https://m.example/b"))
    assert rig.carrier.read_inbound(form).media == ("https://m.example/a", "https://m.example/b")


class TestSignatures:
    def test_repeated_empty_and_unknown_fields_are_part_of_the_signature(self):
        url, form = PUBLIC + "/sms/inbound", {"Body": ["b", "a", "a"], "Empty": [""], "Unknown": ["1"]}
        carrier = InMemory().carrier
        headers = {SIGNATURE_HEADER: signature(SECRET, url, form)}
        assert carrier.genuine(url, form, headers)
        assert carrier.genuine(url, dict(reversed(form.items())), headers)
        for other in ({**form, "Body": ["b", "a"]}, {**form, "Empty": ["", ""]}, {"Body": form["Body"]}):
            assert not carrier.genuine(url, other, headers)

    def test_two_forms_that_run_together_alike_have_different_signatures(self):
        for one, other in (({"A": ["B1"], "C": [""]}, {"A": ["B"], "1C": [""]}),
                           ({"A": ["1&B=2"]}, {"A": ["1"], "B": ["2"]})):
            assert signature(SECRET, PUBLIC, one) != signature(SECRET, PUBLIC, other)

    def test_another_secret_gives_another_signature(self):
        rig = InMemory()
        form, _ = rig.phone_texts(ANA, "done")
        forged = {SIGNATURE_HEADER: signature("guess", rig.inbound_url, form)}
        assert not rig.carrier.genuine(rig.inbound_url, form, forged)

    @pytest.mark.parametrize("name,values", [
        ("Id", ["SIM1"]), ("Id", ["SIM" + "0" * 32] * 2), ("From", [""]), ("From", ["Ana"]), ("To", []),
        ("MediaCount", ["-1"]), ("MediaCount", ["9" * 5000]), ("MediaCount", ["2"]), ("Body", "done"),
    ])
    def test_a_badly_formed_inbound_field_is_named(self, name, values):
        rig = InMemory()
        form, _ = rig.phone_texts(ANA, "done")
        with pytest.raises(ValueError, match=f"Media0|{name}" if values == ["2"] else name):
            rig.carrier.read_inbound({**form, name: values})

    def test_an_unknown_state_is_named(self):
        with pytest.raises(ValueError, match="State"):
            InMemory().carrier.read_status({"Id": ["SIM" + "0" * 32], "State": ["lost"], "Code": [""]})


class TestFailuresOnDemand:
    def states(self, rig, after_s):
        return [(rig.carrier.read_status(form).state, rig.carrier.read_status(form).code)
                for form, _ in rig.reports_until(START + timedelta(seconds=after_s))]

    def test_sent_is_reported_at_once_and_delivered_two_seconds_later(self):
        rig = InMemory()
        rig.carrier.send(ANA, "hello")
        assert rig.real.next_due_at() == START
        assert self.states(rig, 0) == [("sent", None)]
        assert rig.real.next_due_at() == START + timedelta(seconds=2)
        assert self.states(rig, 1.9) == [("sent", None)]
        assert self.states(rig, 2) == [("sent", None), ("delivered", None)]
        assert rig.real.next_due_at() is None

    def test_a_phone_out_of_reach_is_reported_undelivered_until_the_time_is_over(self):
        rig = InMemory()
        rig.real.undelivered(ANA, START + timedelta(hours=1))
        rig.carrier.send(ANA, "hello")
        assert self.states(rig, 60) == [("sent", None), ("undelivered", "30003")]
        rig.clock.moves(hours=1)
        rig.carrier.send(ANA, "again")
        assert self.states(rig, 4000)[-1] == ("delivered", None)

    def test_without_receipts_a_text_stays_at_sent(self):
        rig = InMemory()
        rig.real.no_receipt(ANA, START + timedelta(hours=1))
        rig.carrier.send(ANA, "hello")
        assert self.states(rig, 9999) == [("sent", None)] and rig.real.next_due_at() is None

    def test_a_text_that_is_delivered_too_late_to_be_valid_has_failed(self):
        rig = InMemory()
        rig.real.pause = None
        rig.real.slow(600)
        rig.carrier.send(ANA, "hello", valid_for_s=300)
        assert self.states(rig, 300) == [("sent", None), ("failed", "expired")]
        assert self.states(rig, 9999)[2:] == []

    def test_an_outage_ends_at_its_time(self):
        rig = InMemory()
        rig.real.down(START + timedelta(minutes=10))
        rig.clock.moves(minutes=10)
        assert rig.carrier.send(ANA, "hello")

    def test_a_text_that_the_web_process_missed_stays_in_the_carriers_list(self):
        rig = InMemory()
        rig.real.web_down(START + timedelta(minutes=10))
        text = rig.real.phone_texts(ANA, "my throat is tight")
        assert rig.webhooks == [] and rig.real.missed == [text.carrier_id]
        assert rig.carrier.inbound_since(START) == [text]

    def test_a_hook_that_fails_like_a_network_is_not_tried_again(self):
        rig = InMemory()
        calls = []

        def broken(form, headers):
            calls.append(form)
            raise ConnectionRefusedError
        rig.real.deliver = broken
        rig.real.phone_texts(ANA, "hello")
        rig.real.run_due(START + timedelta(days=1))
        assert len(calls) == 1 and len(rig.real.missed) == 1

    def test_a_mistake_inside_a_hook_is_not_hidden(self):
        rig = InMemory()
        rig.real.deliver = lambda form, headers: {}["nothing"]
        with pytest.raises(KeyError):
            rig.real.phone_texts(ANA, "hello")

    def test_the_same_text_can_be_delivered_again_and_two_in_the_other_order(self):
        rig = InMemory()
        first = rig.real.phone_texts(ANA, "first", deliver=False)
        second = rig.real.phone_texts(ANA, "second", deliver=False)
        assert rig.webhooks == []
        for text in (second, first, first):
            assert rig.real.deliver_again(text.carrier_id)
        assert [form["Body"] for form, _ in rig.webhooks] == [["second"], ["first"], ["first"]]
        assert rig.webhooks[1] == rig.webhooks[2]
        with pytest.raises(ValueError, match="SIM0"):
            rig.real.deliver_again("SIM0")

    def test_a_hook_may_send(self):
        rig = InMemory()
        rig.real.deliver = lambda form, headers: rig.carrier.send(form["From"][0], "heard you")
        rig.real.phone_texts(ANA, "hello")
        assert [t.body for t in rig.real.texts] == ["hello", "heard you"]
        assert isinstance(rig.real.texts[0], InboundText)

    def test_a_refused_number_is_taken_again_when_allowed(self):
        rig = InMemory()
        rig.real.refuse(ANA)
        with pytest.raises(CarrierRefused) as caught:
            rig.carrier.send(ANA, "hello")
        assert caught.value.code == "opted-out"
        rig.real.allow(ANA)
        assert rig.carrier.send(ANA, "hello")

    def test_opting_out_at_the_carrier_is_off_unless_asked_for(self):
        rig = InMemory()
        rig.real.phone_texts(ANA, "STOP")
        assert rig.carrier.send(ANA, "hello")

    def test_with_keyword_block_only_a_bare_stop_word_blocks_until_start(self):
        rig = InMemory()
        rig.real.keyword_block = True
        rig.real.phone_texts(ANA, "STOP it hurts")
        assert rig.carrier.send(ANA, "hello")
        rig.real.phone_texts(ANA, " Stop. ")
        with pytest.raises(CarrierRefused) as caught:
            rig.carrier.send(ANA, "hello")
        assert caught.value.code == "21610"
        rig.real.phone_texts(ANA, "start")
        assert rig.carrier.send(ANA, "hello")

    @pytest.mark.parametrize("number,body,code", [
        ("Ana", "hello", "21211"), (ANA, "", "21602"), (ANA, "a" * 1601, "21617")])
    def test_what_no_carrier_would_take_is_refused(self, number, body, code):
        with pytest.raises(CarrierRefused) as caught:
            InMemory().carrier.send(number, body)
        assert caught.value.code == code

    def test_a_text_of_1600_characters_is_taken(self):
        assert InMemory().carrier.send(ANA, "a" * 1600)

    def test_times_without_a_zone_are_refused(self):
        carrier = InMemory().real
        for call in (carrier.down, carrier.inbound_since, carrier.web_down):
            with pytest.raises(ValueError, match="aware"):
                call(datetime(2026, 3, 10, 17, 0))    # a Tuesday

    def test_losing_two_answers_loses_two_and_not_three(self):
        rig = InMemory()
        rig.real.lose_answer(2)
        for _ in range(2):
            with pytest.raises(CarrierUnsure):
                rig.carrier.send(ANA, "hello")
        assert rig.carrier.send(ANA, "hello")


class TestOverHttp:
    @pytest.fixture
    def rig(self):
        rig = OverHttp()
        yield rig
        rig.close()

    def test_nobody_at_the_port_is_down_and_not_unsure(self):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        with pytest.raises(CarrierDown):
            HttpSimulated(f"http://127.0.0.1:{port}", SECRET, OURS).send(ANA, "hello")

    def test_an_answer_later_than_the_time_out_is_unsure_and_the_text_was_taken(self, rig):
        rig.real.slow(1)
        hasty = HttpSimulated(rig.face.url, SECRET, OURS, timeout_s=0.1)
        with pytest.raises(CarrierUnsure):
            hasty.send(ANA, "hello")
        assert [t.body for t in rig.real.sent_since(ANA, START)] == ["hello"]

    def test_a_carrier_that_answers_nonsense_to_a_send_is_unsure_and_to_a_reading_is_down(self):
        class Nonsense(BaseHTTPRequestHandler):
            def do_POST(self):
                self.send_response(200)
                self.end_headers()
                self.wfile.write(b"<html>")

            def log_message(self, *_):
                pass
        server = HTTPServer(("127.0.0.1", 0), Nonsense)
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        try:
            carrier = HttpSimulated(f"http://127.0.0.1:{server.server_port}", SECRET, OURS)
            with pytest.raises(CarrierUnsure):
                carrier.send(ANA, "hello")
            with pytest.raises(CarrierDown):
                carrier.inbound_since(START)
        finally:
            server.shutdown()
            server.server_close()

    def test_a_request_that_is_our_own_mistake_is_a_value_error(self, rig):
        with pytest.raises(ValueError, match="valid_for_s"):
            rig.carrier.send(ANA, "hello", valid_for_s=0)

    @pytest.mark.parametrize("url", ["http://10.0.0.1:8080", "https://127.0.0.1:8080", "http://clinic.example",
                                     "http://127.0.0.1@clinic.example/", "127.0.0.1:8080", ""])
    def test_any_other_machine_is_refused(self, url):
        for make in (deliver_over_http, lambda url: HttpSimulated(url, SECRET, OURS)):
            with pytest.raises(ValueError, match="127.0.0.1 or localhost"):
                make(url)

    def test_a_webhook_over_http_arrives_signed_and_whole_and_a_failure_is_missed(self, rig):
        got, answers = [], [204, 503, 302]

        class Web(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                got.append((self.path, parse_qs(body, keep_blank_values=True), dict(self.headers)))
                self.send_response(answers[len(got) - 1])
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_):
                pass
        server = HTTPServer(("127.0.0.1", 0), Web)
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        rig.real.deliver = deliver_over_http(f"http://127.0.0.1:{server.server_port}/sms/inbound")
        try:
            texts = [rig.real.phone_texts(ANA, body) for body in ("1½ é ’ 😀 & = +", "", "moved")]
        finally:
            server.shutdown()
            server.server_close()
        gone = rig.real.phone_texts(ANA, "nobody there")
        path, form, headers = got[0]
        assert path == "/sms/inbound" and form["Body"] == ["1½ é ’ 😀 & = +"]
        assert rig.carrier.genuine(rig.inbound_url, form, headers)
        assert rig.carrier.genuine(rig.inbound_url, got[1][1], got[1][2])
        assert rig.real.missed == [text.carrier_id for text in (*texts[1:], gone)]
