"""The Twilio adapter against a fake of the carrier on loopback. No other machine is ever contacted."""

import hashlib
import json
import logging
import socket
import ssl
import stat
import threading
from datetime import datetime, timedelta, timezone
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
import urllib3
from hypothesis import given, settings
from hypothesis import strategies as st
from twilio.twiml.messaging_response import MessagingResponse

from bot import process, twilio_carrier, web
from bot.carrier import CarrierDown, CarrierRefused, CarrierUnsure, InboundText, MediaRefused, Status
from bot.settings import SettingsError, load
from bot.twilio_carrier import ANSWERS, MOST_MEDIA_BYTES, TwilioCarrier, meaning
from tests.fake_exchange import CREATE, Exchange, Picture, Text, fault, signature
from tests.test_carrier_contract import ANA, BEN, OURS, PUBLIC, START, HandClock
from tests.test_settings import sample

ACCOUNT, SERVICE = "AC" + "0" * 32, "MG" + "a" * 32
LOGIN = (ACCOUNT, "a token of the tests")
PATH = f"/2010-04-01/Accounts/{ACCOUNT}/Messages.json"


@pytest.fixture
def exchange():
    exchange = Exchange(HandClock(), OURS, ACCOUNT, LOGIN, LOGIN[1], PUBLIC)
    yield exchange
    exchange.down()


@pytest.fixture(scope="module")
def shared():
    exchange = Exchange(HandClock(), OURS, ACCOUNT, LOGIN, LOGIN[1], PUBLIC)
    yield exchange
    exchange.down()


def adapter(exchange=None, **changes):
    """The adapter; without an exchange its API is a port at which nobody listens."""
    given = {"number": OURS, "api_url": exchange.url if exchange else f"http://127.0.0.1:{unused_port()}"} | changes
    return TwilioCarrier(ACCOUNT, LOGIN, given.pop("secret", LOGIN[1]), PUBLIC, **given)


@pytest.fixture
def carrier(exchange):
    return adapter(exchange)


def unused_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


ADAPTER = adapter()  # for what needs no call


def sent_form(exchange):
    """The form of the last new message."""
    return [form for method, _, form, _ in exchange.requests if method == "POST"][-1]


def queries(exchange):
    return [parse_qs(urlsplit(target).query) for method, target, _, _ in exchange.requests if method == "GET"]


# --- signatures ---

# The published example: the package's own tests/unit/test_request_validator.py, token 12345 (SEEN; the first also RAN).
CALL_URL = "https://mycompany.com/myapp.php?foo=1&bar=2"
CALL = {"CallSid": ["CA1234567890ABCDE"], "Digits": ["1234"], "From": ["+14158675309"], "To": ["+18005551212"],
        "Caller": ["+14158675309"]}
# Sources, messaging 2.2, "SMS example" (RAN, with another implementation).
SMS_URL = "https://clinic.example/sms/inbound"
SMS = {"MessageSid": ["SM" + "0" * 32], "SmsSid": ["SM" + "0" * 32], "AccountSid": [ACCOUNT], "From": ["+15555550123"],
       "To": ["+15555550100"], "Body": ["I feel dizzy ’ é"], "NumMedia": ["0"], "NumSegments": ["1"],
       "SmsStatus": ["received"], "ApiVersion": ["2010-04-01"]}
WORKED = {
    "as published": (CALL_URL, CALL, "RSOYDt4T1cUTdK1PDd93/VVr8B8="),
    "signed with port 443": (CALL_URL, CALL, "kvajT1Ptam85bY51eRf/AJRuM3w="),
    "port 443 on our side only": (CALL_URL.replace(".com", ".com:443"), CALL, "RSOYDt4T1cUTdK1PDd93/VVr8B8="),
    "http signed with port 80": (CALL_URL.replace("https", "http"), CALL, "0ZXoZLH/DfblKGATFgpif+LLRf4="),
    "http port 1234": (CALL_URL.replace("https", "http").replace(".com", ".com:1234"), CALL,
                       "Zmvh+3yNM1Phv2jhDCwEM3q5ebU="),
    "repeated fields": (CALL_URL, {"Sid": ["CA123"], "SidAccount": ["AC123"], "Digits": ["5678", "1234", "1234"]},
                        "IK+Dwps556ElfBT0I3Rgjkr1wJU="),
    "a text": (SMS_URL, SMS, "DyEEcNk2enbuddp4BPGuyyjkvV8="),
    "a text without words": (SMS_URL, {**SMS, "Body": [""]}, "2O1xRh8pc5MKaEVsrgtr5cCpjzY="),
}


@pytest.mark.parametrize(("url", "form", "given"), WORKED.values(), ids=WORKED)
def test_the_published_and_worked_signatures_are_genuine(url, form, given):
    assert adapter(secret="12345").genuine(url, form, {"X-Twilio-Signature": given})


@pytest.mark.parametrize(("url", "form", "given"), WORKED.values(), ids=WORKED)
def test_none_of_them_is_genuine_with_another_token_or_another_url(url, form, given):
    assert not adapter(secret="12346").genuine(url, form, {"X-Twilio-Signature": given})
    assert not adapter(secret="12345").genuine(url + "x", form, {"X-Twilio-Signature": given})


def test_empty_repeated_and_unknown_fields_are_part_of_the_signature():
    form = {**SMS, "Empty": [""], "Said": ["b", "a", "b"], "NotHeardOfYet": ["x"]}
    headers = {"x-twilio-signature": signature("12345", SMS_URL, form)}
    carrier = adapter(secret="12345")
    assert carrier.genuine(SMS_URL, form, headers)
    assert carrier.genuine(SMS_URL, dict(reversed(form.items())), headers)
    for name in ("Empty", "Said", "NotHeardOfYet"):
        assert not carrier.genuine(SMS_URL, {key: form[key] for key in form if key != name}, headers)


def test_the_request_does_not_choose_how_its_signature_is_checked():
    # with the header the package would be told to take SHA-256 (sources, messaging 2.2: pick it from configuration)
    header = {"X-Twilio-Webhooks-Signature-Settings": "key=k1,algorithm=HMAC_SHA256"}
    long = {"X-Twilio-Signature": signature("12345", SMS_URL, SMS, hashlib.sha256), **header}
    short = {"X-Twilio-Signature": signature("12345", SMS_URL, SMS)}
    by_token, by_key = adapter(secret="12345"), adapter(secret="12345", algorithm="HMAC_SHA256")
    assert not by_token.genuine(SMS_URL, SMS, long) and by_token.genuine(SMS_URL, SMS, {**short, **header})
    assert by_key.genuine(SMS_URL, SMS, long) and not by_key.genuine(SMS_URL, SMS, short)


def test_two_signature_headers_are_one_too_many():
    class Headers:
        def items(self):
            good = signature("12345", SMS_URL, SMS)
            return [("X-Twilio-Signature", good), ("x-twilio-signature", good)]
    assert not adapter(secret="12345").genuine(SMS_URL, SMS, Headers())


JUNK = st.none() | st.text(max_size=20) | st.lists(st.text(max_size=5) | st.none(), max_size=3) | st.integers()


@given(url=JUNK | st.sampled_from([SMS_URL, "https://a:b", "https://[::1", "//x:99999999"]),
       form=JUNK | st.dictionaries(st.text(max_size=5) | st.integers(), JUNK, max_size=3),
       headers=JUNK | st.dictionaries(st.sampled_from(["X-Twilio-Signature", "Other"]), JUNK))
def test_junk_is_not_genuine_and_never_raises(url, form, headers):
    assert ADAPTER.genuine(url, form, headers) is False


def test_the_web_process_lets_a_signed_text_in_by_the_public_url_and_no_other(exchange, carrier):
    asked = []
    app = web.create_app(type("Office", (), {"carrier": carrier})(), PUBLIC + "/")
    web_genuine, carrier.genuine = carrier.genuine, lambda *given: asked.append(given) or web_genuine(*given)
    form, headers = exchange.webhook(Text("SM" + "1" * 32, "inbound", ANA, OURS, "done ½ +&=", START))
    form["MessageSid"] = ["bad"]  # so that the request ends at 400, past the signature and before any database
    headers = {"X-Twilio-Signature": signature(LOGIN[1], PUBLIC + "/sms/inbound", form)}
    client = app.test_client()
    assert client.post("/sms/inbound", data=form, headers=headers, base_url="http://127.0.0.1:8000").status_code == 400
    assert asked[0][0] == PUBLIC + "/sms/inbound"
    assert client.post("/sms/inbound", data=form, headers={}).status_code == 403
    assert client.post("/sms/inbound?x=1", data=form, headers=headers).status_code == 403


def test_the_empty_reply_is_the_one_that_the_package_makes():
    assert web.EMPTY == str(MessagingResponse())


# --- sending ---

def test_what_is_sent_is_the_documented_form_and_no_more(exchange, carrier):
    carrier.send(ANA, "1½ é ’ 😀\nyes", valid_for_s=900)
    assert sent_form(exchange) == {"To": [ANA], "From": [OURS], "Body": ["1½ é ’ 😀\nyes"], "ValidityPeriod": ["900"],
                                   "StatusCallback": [PUBLIC + "/sms/status"], "SmartEncoded": ["false"]}
    adapter(exchange, number=None, messaging_service_sid=SERVICE).send(ANA, "hello")
    assert sent_form(exchange) == {"To": [ANA], "MessagingServiceSid": [SERVICE], "Body": ["hello"],
                                   "StatusCallback": [PUBLIC + "/sms/status"], "SmartEncoded": ["false"]}


# CreateMessage, ValidityPeriod: "Accepted values are integers from `1` to `36000`" (SEEN, the carrier's description)
@pytest.mark.parametrize(("asked", "given"), [
    (-5, "1"), (0, "1"), (0.9, "1"), (1, "1"), (36000, "36000"), (36001, "36000")])
def test_a_validity_outside_the_carriers_limits_is_brought_into_them(exchange, carrier, asked, given):
    carrier.send(ANA, "hello", asked)
    assert sent_form(exchange)["ValidityPeriod"] == [given]


@settings(deadline=None)
@given(body=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=1600),
       valid=st.none() | st.integers(-10**6, 10**6), service=st.booleans())
def test_any_text_leaves_as_a_form_without_fault(shared, body, valid, service):
    sender = {"number": None, "messaging_service_sid": SERVICE} if service else {}
    shared.requests.clear()
    adapter(shared, **sender).send(ANA, body, valid)
    assert fault(sent_form(shared)) is None and sent_form(shared)["Body"] == [body]


@pytest.mark.parametrize(("change", "found"), [
    ({"To": None}, ("21604", "To")), ({"To": "15035550111"}, ("21211", "To")), ({"From": None}, ("21603", "From")),
    ({"From": "clinic"}, ("21212", "From")), ({"MessagingServiceSid": "MG123"}, ("20001", "MessagingServiceSid")),
    ({"Body": None}, ("21602", "Body")), ({"Body": "a" * 1600}, None), ({"Body": "a" * 1601}, ("21617", "Body")),
    ({"ValidityPeriod": "0"}, ("20001", "ValidityPeriod")), ({"ValidityPeriod": "36001"}, ("20001", "ValidityPeriod")),
    ({"ValidityPeriod": "36000"}, None), ({"ValidityPeriod": "9.5"}, ("20001", "ValidityPeriod")),
    ({"StatusCallback": "sms/status"}, ("21609", "StatusCallback")), ({"Validity": "9"}, ("20001", "(names)")),
])
def test_the_written_down_contract_finds_each_fault(change, found):
    form = {"To": ANA, "From": OURS, "Body": "hello"} | change
    assert fault({name: [value] for name, value in form.items() if value is not None}) == found
    assert fault({"To": [ANA, BEN], "From": [OURS], "Body": ["hello"]}) == ("20001", "(repeated)")


def test_every_row_of_the_contract_can_fail():
    assert len({(code, name) for code, name, _ in CREATE}) == len(CREATE)


def test_a_body_over_the_limit_or_a_bad_number_is_refused_with_the_carriers_code(carrier):
    for number, body, code in ((ANA, "a" * 1601, "21617"), (ANA, "", "21602"), ("Ana", "hello", "21211")):
        with pytest.raises(CarrierRefused) as caught:
            carrier.send(number, body)
        assert caught.value.code == code


def test_a_text_that_is_no_unicode_is_refused_and_nothing_is_sent(exchange, carrier):
    with pytest.raises(CarrierRefused, match="UTF-8"):
        carrier.send(ANA, "\ud800")
    assert exchange.requests == []


def error(status, code=None, **headers):
    return status, "" if code is None else f'{{"code": {code}, "message": "To {ANA} no", "status": {status}}}', headers


# (what the carrier answers) -> (what it is for us, the code). 429: "never processed and is always safe to retry" (SEEN,
# /docs/api/errors/20429). The rest: sources, messaging 2.4, flags there; a safe default for what it does not list.
OUTCOMES = [
    (error(400, 21610), CarrierRefused, "21610"), (error(400, 21211), CarrierRefused, "21211"),
    (error(400, 21614), CarrierRefused, "21614"), (error(400, 21408), CarrierRefused, "21408"),
    (error(400, 99999), CarrierRefused, "99999"), (error(422), CarrierRefused, "422"),
    (error(403, 63038), CarrierRefused, "63038"),
    (error(429, 20429), CarrierDown, "20429"), (error(429), CarrierDown, None),
    (error(429, 21610), CarrierDown, "21610"), (error(400, 21611), CarrierDown, "21611"),
    (error(401, 20003), CarrierDown, "20003"), (error(401), CarrierDown, "401"), (error(403), CarrierDown, "403"),
    (error(403, 20005), CarrierDown, "20005"), (error(404, 20404), CarrierDown, "20404"),
    (error(404), CarrierDown, "404"),
    (error(400, 21606), CarrierDown, "21606"), (error(400, 21212), CarrierDown, "21212"),
    (error(408), CarrierUnsure, None), (error(500, 20500), CarrierUnsure, "20500"), (error(502), CarrierUnsure, None),
    (error(503, 20503), CarrierUnsure, "20503"), (error(503, 20429), CarrierUnsure, "20429"),
    (error(301, Location="http://127.0.0.1:1/"), CarrierUnsure, None),
    ((201, "<html>", {}), CarrierUnsure, None), ((201, "[]", {}), CarrierUnsure, None),
    ((201, "{}", {}), CarrierUnsure, None),
    ((201, '{"sid": "XX1"}', {}), CarrierUnsure, None), ((200, "", {}), CarrierUnsure, None),
    ((400, "[]", {}), CarrierRefused, "400"), ((400, '{"code": "<b>"}', {}), CarrierRefused, "400"),
]


@pytest.mark.parametrize(("answer", "kind", "code"), OUTCOMES, ids=[f"{a[0]} {c} {a[1][:9]}" for a, _, c in OUTCOMES])
def test_each_answer_is_taken_refused_or_unsure_with_its_code(exchange, carrier, caplog, answer, kind, code):
    exchange.canned = [answer]
    with pytest.raises(kind) as caught:
        carrier.send(ANA, "are you well?")
    assert type(caught.value) is kind and caught.value.code == code
    assert sum(method == "POST" for method, *_ in exchange.requests) == 1  # no retry inside
    for leak in (ANA, ANA[2:], "are you well", LOGIN[1]):
        assert leak not in str(caught.value) and leak not in caplog.text


@pytest.mark.parametrize("answer", [error(401, 20003), error(403), error(404, 20404), error(400, 21606)])
def test_a_fault_of_the_settings_keeps_the_text_and_is_logged_as_an_error(exchange, carrier, caplog, answer):
    exchange.canned = [answer]
    with pytest.raises(CarrierDown):
        carrier.send(ANA, "hello")
    [record] = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert "mend" in record.getMessage() and LOGIN[1] not in record.getMessage()
    assert carrier.send(ANA, "hello")


def test_a_wrong_token_is_down_and_not_refused(exchange, caplog):
    with pytest.raises(CarrierDown) as caught:
        TwilioCarrier(ACCOUNT, (ACCOUNT, "outdated"), "x", PUBLIC, number=OURS, api_url=exchange.url).send(ANA, "hello")
    assert caught.value.code == "20003" and "outdated" not in caplog.text + str(caught.value)


def test_nobody_at_the_port_is_down():
    with pytest.raises(CarrierDown, match="no connection"):
        adapter().send(ANA, "hello")


@pytest.mark.parametrize("cause", [
    requests.ConnectTimeout(), urllib3.exceptions.NewConnectionError(None, "refused"),
    urllib3.exceptions.NameResolutionError("api", None, socket.gaierror()), ssl.SSLCertVerificationError("self-signed"),
], ids=lambda cause: type(cause).__name__)
def test_a_name_that_is_not_found_or_a_connection_that_never_came_is_down(carrier, monkeypatch, cause):
    # raised as the HTTP library nests them: the cause inside, its own error around it

    def send(*_, **__):
        try:
            raise urllib3.exceptions.MaxRetryError(None, "/", cause) from cause
        except urllib3.exceptions.MaxRetryError as error:
            raise requests.ConnectionError(f"number {ANA}") from error
    monkeypatch.setattr(requests.Session, "send", send)
    with pytest.raises(CarrierDown) as caught:
        carrier.send(ANA, "hello")
    assert ANA not in str(caught.value) and caught.value.__suppress_context__


def test_an_answer_later_than_the_time_out_is_unsure_and_the_text_was_taken_once(exchange):
    exchange.slow_s = 0.5
    with pytest.raises(CarrierUnsure, match="ReadTimeout"):
        adapter(exchange, timeout_s=0.1).send(ANA, "hello")
    exchange.slow_s = 0
    assert [text.body for text in adapter(exchange).sent_since(ANA, START)] == ["hello"]


def test_a_server_that_hangs_up_on_the_request_is_unsure():
    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=lambda: server.accept()[0].close(), daemon=True).start()
        with pytest.raises(CarrierUnsure):
            adapter(api_url=f"http://127.0.0.1:{server.getsockname()[1]}").send(ANA, "hello")


def test_nothing_is_logged_about_a_call_at_any_level(exchange, carrier, caplog):
    caplog.set_level(logging.DEBUG)
    carrier.send(ANA, "are you well?")
    exchange.phone_texts(ANA, "I am")
    carrier.sent_since(ANA, START)
    carrier.inbound_since(START)
    for leak in (ANA, ANA[1:], "well", LOGIN[1], "I am"):
        assert leak not in caplog.text


def test_the_secrets_stand_in_no_repr(carrier):
    assert LOGIN[1] not in repr(carrier)


@pytest.mark.parametrize("api_url", ["http://api.twilio.com", "https://127.0.0.1:1", "http://10.0.0.1:1", "",
                                     "http://127.0.0.1@api.example", "https://api.twilio.com.example"])
def test_texts_go_to_the_carrier_or_in_a_test_to_loopback_and_nowhere_else(api_url):
    with pytest.raises(ValueError, match="api_url"):
        adapter(api_url=api_url)


@pytest.mark.parametrize("variable", ["TWILIO_EDGE", "TWILIO_REGION"])
def test_the_packages_own_variables_do_not_send_texts_elsewhere(exchange, monkeypatch, variable):
    monkeypatch.setenv(variable, "sydney")
    assert adapter(exchange).send(ANA, "hello")


def test_another_address_than_the_api_is_refused_before_anything_is_sent(carrier):
    with pytest.raises(AssertionError, match="lookups.example"):
        carrier._client.request("GET", "https://lookups.example/v2/PhoneNumbers")


@pytest.mark.parametrize("change", [{"number": None}, {"messaging_service_sid": SERVICE}, {"secret": ""}])
def test_a_sender_and_secrets_are_needed(change):
    with pytest.raises(ValueError, match="give"):
        adapter(**change)


# --- the table of codes ---

# sources, messaging 2.4
LISTED = """21211 21212 21606 21603 21408 21608 21610 21611 21612 21614 21617 21635 20003 20429
            30001 30002 30003 30004 30005 30006 30007 30008 30022 30032 30034 30036""".split()


def test_every_code_has_a_meaning_an_outcome_and_something_for_a_person_to_do():
    assert set(LISTED) <= set(ANSWERS)
    for code, answer in ANSWERS.items():
        assert answer.means and answer.person and answer.outcome in ("later", "setup", "refused", "report")
        assert (answer.outcome == "report") == code.startswith("3")


@pytest.mark.parametrize(("code", "outcome"), [
    ("99999", "refused"), (None, "refused"), ("", "refused"), (30099, "report"), ("30099", "report"),
    (21610, "refused"), ("3", "refused")])
def test_a_code_that_nobody_knows_has_a_safe_outcome_and_a_human(code, outcome):
    assert meaning(code).outcome == outcome and "telephone" in meaning(code).person


# --- listing ---

def test_a_text_still_in_the_carriers_queue_is_found_before_it_has_a_date_of_sending(exchange, carrier):
    sid = carrier.send(ANA, "hello")
    assert exchange.texts[0].sent_at is None
    assert [text.carrier_id for text in carrier.sent_since(ANA, START)] == [sid]
    exchange.run_due(START + timedelta(minutes=1))
    assert exchange.texts[0].sent_at and [text.carrier_id for text in carrier.sent_since(ANA, START)] == [sid]


def test_sent_since_asks_for_our_sender_and_that_number_and_leaves_others_out(exchange, carrier):
    carrier.send(ANA, "one")
    carrier.send(BEN, "two")
    exchange.texts.append(Text("SM" + "f" * 32, "outbound-reply", OURS, ANA, "by the carrier", START, START))
    exchange.texts.append(Text("SM" + "e" * 32, "inbound", OURS, ANA, "not ours", START, START))
    assert [text.body for text in carrier.sent_since(ANA, START)] == ["one", "by the carrier"]
    assert all(query["To"] == [ANA] and query["From"] == [OURS] for query in queries(exchange))


def test_with_a_messaging_service_texts_are_found_whatever_number_they_left_by(exchange):
    carrier = adapter(exchange, number=None, messaging_service_sid=SERVICE)
    carrier.send(ANA, "hello")
    assert exchange.texts[0].status == "accepted"
    exchange.texts[0].from_number = BEN
    assert [text.body for text in carrier.sent_since(ANA, START)] == ["hello"]
    assert all("From" not in query for query in queries(exchange))
    exchange.phone_texts(ANA, "hello yourself")
    assert [text.body for text in carrier.inbound_since(START)] == ["hello yourself"]
    assert "To" not in queries(exchange)[-1]


def test_a_text_to_another_number_of_the_account_is_not_read_as_one_to_the_practice(exchange, carrier):
    exchange.phone_texts(ANA, "to us")
    exchange.texts.append(Text("SM" + "f" * 32, "inbound", ANA, BEN, "to another line", START, START))
    assert [text.body for text in carrier.inbound_since(START)] == ["to us"]


def test_the_day_is_asked_for_in_gmt_and_the_time_is_looked_at_here(exchange, carrier):
    west = timezone(timedelta(hours=-10))
    late = datetime(2026, 3, 10, 14, 30, tzinfo=west)  # Tuesday there, Wednesday 2026-03-11 00:30 in GMT
    for minutes in (149, 150, 151):
        exchange.clock.at = START + timedelta(minutes=minutes)
        exchange.phone_texts(ANA, str(minutes))
    assert [text.body for text in carrier.inbound_since(late)] == ["150", "151"]
    assert queries(exchange)[-1]["DateSent>"] == ["2026-03-10"]  # Tuesday, a day before Wednesday the 11th


def test_every_page_is_read_and_the_order_holds(exchange, carrier):
    exchange.most_a_page = 7
    for n in range(50):
        exchange.phone_texts(ANA, str(n))
        if n % 2:
            exchange.clock.moves(seconds=1)
    assert [text.body for text in carrier.inbound_since(START)] == [str(n) for n in range(50)]
    assert sum("PageToken" in query for query in queries(exchange)) == 7


def test_a_list_without_end_is_down_and_not_half_a_list(exchange, carrier, monkeypatch):
    monkeypatch.setattr(twilio_carrier, "MOST_PAGES", 5)
    exchange.endless = True
    for read in (lambda: carrier.inbound_since(START), lambda: carrier.sent_since(ANA, START)):
        exchange.requests.clear()
        with pytest.raises(CarrierDown, match="does not end"):
            read()
        assert len(exchange.requests) <= 6


@pytest.mark.parametrize("answer", [answer for answer, *_ in OUTCOMES if answer[0] >= 400] + [
    (200, "<html>", {}), (200, "[]", {}), (200, "{}", {}), (200, '{"messages": [1]}', {}), (204, "", {}),
    (200, '{"messages": null}', {})])
def test_a_list_that_cannot_be_read_is_down_whatever_the_answer(exchange, carrier, answer):
    for read in (lambda: carrier.inbound_since(START), lambda: carrier.sent_since(ANA, START)):
        exchange.canned = [answer]
        with pytest.raises(CarrierDown) as caught:
            read()
        assert ANA not in str(caught.value)


def test_a_page_that_fails_in_the_middle_gives_no_half_list(exchange, carrier):
    exchange.most_a_page = 2
    for n in range(5):
        exchange.phone_texts(ANA, str(n))
    first = exchange.answer

    def second_fails(method, target, form, headers):
        if "PageToken" in target:
            exchange.canned = [error(500)]
        return first(method, target, form, headers)
    exchange.answer = second_fails
    with pytest.raises(CarrierDown):
        carrier.inbound_since(START)


def test_a_time_without_a_zone_is_refused(carrier):
    for read in (carrier.inbound_since, lambda since: carrier.sent_since(ANA, since)):
        with pytest.raises(ValueError, match="aware"):
            read(datetime(2026, 3, 10, 17, 0))  # a Tuesday


def test_one_line_that_is_no_text_from_a_phone_does_not_hold_up_the_others(exchange, carrier, caplog):
    exchange.phone_texts(ANA, "one")
    exchange.phone_texts("whatsapp:" + BEN, "another channel")
    exchange.phone_texts("24365", "a short code")
    assert [text.body for text in carrier.inbound_since(START)] == ["one", "a short code"]
    assert "no text from a phone" in caplog.text and BEN not in caplog.text


def test_a_text_that_the_carrier_gives_no_time_for_is_not_lost(exchange, carrier):
    sid = "SM" + "1" * 32
    record = {"sid": sid, "direction": "inbound", "from": ANA, "to": OURS, "body": "help me", "date_created": None}
    exchange.canned = [(200, json.dumps({"messages": [record]}), {})] * 2
    assert carrier.inbound_since(START) == [InboundText(sid, ANA, OURS, "help me")]


def test_the_pictures_of_a_text_are_asked_for_once_and_a_failure_still_shows_that_there_was_one(exchange, carrier):
    text = exchange.phone_texts(ANA, "", [Picture(), Picture()])
    addresses = carrier.inbound_since(START)[0].media
    assert addresses == tuple(exchange.media_url(text, sid) for sid in text.pictures)
    count = len(exchange.requests)
    assert carrier.inbound_since(START)[0].media == addresses and len(exchange.requests) == count + 2  # two lists
    first = exchange.answer
    exchange.answer = lambda method, target, *rest: (
        (500, {}, b"") if "/Media" in target else first(method, target, *rest))
    [found] = adapter(exchange).inbound_since(START)
    assert found.media == (f"https://api.twilio.com/2010-04-01/Accounts/{ACCOUNT}/Messages/{text.sid}/Media",)


# --- webhook forms ---

def test_a_text_with_pictures_and_fields_that_nobody_knows_is_read(exchange):
    text = exchange.phone_texts(ANA, "look", [Picture(), Picture()])
    form, _ = exchange.webhook(text)
    assert ADAPTER.read_inbound({**form, "NewThing": ["a", "b"]}) == InboundText(
        text.sid, ANA, OURS, "look", tuple(exchange.media_url(text, sid) for sid in text.pictures), None)


@pytest.mark.parametrize(("name", "values"), [
    ("MessageSid", ["SM1"]), ("MessageSid", ["SM" + "0" * 32] * 2), ("MessageSid", ["CA" + "0" * 32]),
    ("MessageSid", ["SM" + "g" * 32]), ("MessageSid", ["SM" + "0" * 32 + "\n"]), ("From", [""]), ("From", ["Ana"]),
    ("From", ["whatsapp:+15035550111"]), ("To", []), ("To", ["+"]), ("NumMedia", ["-1"]), ("NumMedia", ["9" * 5000]),
    ("NumMedia", ["١"]), ("NumMedia", ["1"]), ("Body", "done"), ("Body", None), ("Body", ["a", "b"]),
])
def test_a_bad_field_of_a_text_is_named(name, values):
    with pytest.raises(ValueError, match="MediaUrl0" if values == ["1"] else name):
        ADAPTER.read_inbound({**SMS, name: values})


def test_a_short_code_and_a_picture_message_are_texts_too():
    read = ADAPTER.read_inbound({**SMS, "From": ["24365"], "MessageSid": ["MM" + "aB" * 16]})
    assert (read.from_number, read.carrier_id) == ("24365", "MM" + "aB" * 16)


# MessageStatus as the carrier's description has it (SEEN, sources, messaging 2.3); what each is for us is our choice
@pytest.mark.parametrize(("status", "state"), [
    ("accepted", "sent"), ("scheduled", "sent"), ("queued", "sent"), ("sending", "sent"), ("sent", "sent"),
    ("partially_delivered", "sent"), ("delivered", "delivered"), ("read", "delivered"), ("undelivered", "undelivered"),
    ("failed", "failed"), ("canceled", "failed")])
def test_each_status_reads_as_one_of_our_four(status, state):
    sid = "SM" + "1" * 32
    assert ADAPTER.read_status({"MessageSid": [sid], "MessageStatus": [status]}) == Status(sid, state)


@pytest.mark.parametrize(("code", "read"), [("30003", "30003"), ("", None), ("0", None), ("99999", "99999")])
def test_the_code_of_a_failure_is_kept_also_one_that_nobody_knows(code, read):
    form = {"MessageSid": ["SM" + "1" * 32], "MessageStatus": ["failed"], "ErrorCode": [code], "RawDlrDoneDate": ["x"]}
    assert ADAPTER.read_status(form).code == read


@pytest.mark.parametrize(("name", "values"), [
    ("MessageSid", ["SM1"]), ("MessageStatus", ["lost"]), ("MessageStatus", ["received"]), ("MessageStatus", []),
    ("ErrorCode", ["30003", "30003"]), ("ErrorCode", ["<b>30003</b>"])])
def test_a_bad_field_of_a_report_is_named(name, values):
    with pytest.raises(ValueError, match=name):
        ADAPTER.read_status({"MessageSid": ["SM" + "1" * 32], "MessageStatus": ["failed"], name: values})


def test_an_undelivered_text_is_reported_with_its_code(exchange, carrier):
    exchange.unreachable.add(ANA)
    reports = []
    exchange.report = lambda form, headers: reports.append((form, headers))
    sid = carrier.send(ANA, "hello")
    exchange.run_due(START + timedelta(minutes=1))
    assert [carrier.read_status(form) for form, _ in reports] == [
        Status(sid, "sent"), Status(sid, "undelivered", "30003")]
    assert all(carrier.genuine(PUBLIC + "/sms/status", form, headers) for form, headers in reports)


# --- pictures ---

def picture(exchange, **changes):
    """The address of a picture that a phone has sent."""
    text = exchange.phone_texts(ANA, "", [Picture(**changes)])
    return exchange.media_url(text, text.pictures[0])


@pytest.mark.parametrize(("kind", "suffix"), [
    ("image/jpeg", ".jpg"), ("image/png", ".png"), ("image/gif", ".gif"), ("image/webp", ".webp"),
    ("image/heic", ".heic"), ("video/3gpp", ".3gp"), ("video/mp4", ".mp4"), ("application/pdf", ".pdf"),
    ("IMAGE/JPEG; charset=binary", ".jpg")])
def test_a_picture_is_stored_private_and_under_a_random_name(exchange, carrier, tmp_path, kind, suffix):
    folder = tmp_path / "media"
    url = picture(exchange, kind=kind)
    paths = [carrier.fetch_media(url, folder) for _ in range(2)]
    assert paths[0] != paths[1] and all(path.parent == folder and len(path.stem) == 32 for path in paths)
    assert all(path.suffix == suffix and path.read_bytes() == b"\xff\xd8 a picture" for path in paths)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in paths} == {0o600}


def test_the_credentials_go_to_the_api_and_do_not_follow_to_the_store(exchange, carrier, tmp_path):
    carrier.fetch_media(picture(exchange), tmp_path / "media")
    (_, api, _, first), (_, store, _, second) = exchange.requests[-2:]
    assert "/Media/" in api and first["Authorization"].startswith("Basic ")
    assert store.startswith("/store/") and "Authorization" not in second


def test_a_picture_that_the_api_serves_itself_is_taken(exchange, carrier, tmp_path):
    assert carrier.fetch_media(picture(exchange, direct=True), tmp_path / "media").exists()


@pytest.mark.parametrize("url", [
    "http://api.twilio.com{path}", "https://api.twilio.com.example{path}", "https://evil.example{path}",
    "https://api.twilio.com@evil.example{path}", "{path}", "https://api.twilio.com:8443{path}", "file:///etc/passwd", "", None,
    "https://api.twilio.com/2010-04-01/Accounts/AC" + "1" * 32 + "/Messages/MM" + "0" * 32 + "/Media/ME" + "0" * 32,
    f"https://api.twilio.com{PATH}", "https://api.twilio.com{path}?x=1", "https://api.twilio.com{path}/../../x",
    "https://api.twilio.com/2010-04-01/Accounts/" + ACCOUNT + "/Messages/MM" + "0" * 32 + "/Media"])
def test_no_other_address_is_ever_asked(exchange, carrier, tmp_path, url):
    path = picture(exchange).removeprefix("https://api.twilio.com")
    with pytest.raises(MediaRefused, match="not that of a picture of this account"):
        carrier.fetch_media(url and url.format(path=path), tmp_path / "media")
    assert exchange.requests == []


@pytest.mark.parametrize("location", ["https://evil.example/a.jpg", "http://127.0.0.1:1/store/x", "file:///etc/passwd",
                                      "//evil.example/a.jpg", " "])
def test_being_sent_on_to_a_stranger_is_refused(exchange, carrier, tmp_path, location):
    with pytest.raises(MediaRefused, match="sends on"):
        carrier.fetch_media(picture(exchange, location=location), tmp_path / "media")
    assert list((tmp_path / "media").iterdir()) == []


@pytest.mark.parametrize(("url", "good"), [
    ("https://mms.twiliocdn.com/a", True), ("https://media.twiliocdn.com/a?x=1", True),
    ("https://s3-external-1.amazonaws.com/a", True), ("http://mms.twiliocdn.com/a", False),
    ("https://twiliocdn.com.example/a", False), ("https://xtwiliocdn.com/a", False),
    ("https://u@mms.twiliocdn.com/a", False),
    ("https://mms.twiliocdn.com:8443/a", False), ("https://mms.twiliocdn.com@evil.example/", False),
    ("https://169.254.169.254/", False), ("https://api.twilio.com/a", False)])
def test_only_the_carriers_own_stores_may_be_sent_on_to(url, good):
    assert adapter(api_url=twilio_carrier.API)._is_store(url) is good


@pytest.mark.parametrize("kind", ["text/vcard", "text/x-vcard", "text/html", "image/svg+xml", "application/zip",
                                  "audio/amr", "application/octet-stream", ""])
def test_any_other_kind_is_refused_and_nothing_is_left(exchange, carrier, tmp_path, kind):
    with pytest.raises(MediaRefused, match="is not fetched; taken are image/jpeg"):
        carrier.fetch_media(picture(exchange, kind=kind), tmp_path / "media")
    assert list((tmp_path / "media").iterdir()) == []


@pytest.mark.parametrize("length", [None, MOST_MEDIA_BYTES + 1])
def test_one_byte_too_many_is_refused_whatever_length_was_told(exchange, carrier, tmp_path, length):
    big = picture(exchange, data=b"x" * (MOST_MEDIA_BYTES + 1), length=length)
    with pytest.raises(MediaRefused, match="more than 5242880 bytes"):
        carrier.fetch_media(big, tmp_path / "media")
    assert list((tmp_path / "media").iterdir()) == []


def test_a_picture_that_says_that_it_is_too_big_is_refused_before_it_is_read(exchange, carrier, tmp_path):
    with pytest.raises(MediaRefused, match="more than 5242880 bytes"):
        carrier.fetch_media(picture(exchange, length=MOST_MEDIA_BYTES + 1), tmp_path / "media")


def test_a_picture_of_exactly_the_limit_is_taken(exchange, carrier, tmp_path):
    found = carrier.fetch_media(picture(exchange, data=b"x" * MOST_MEDIA_BYTES), tmp_path / "media")
    assert found.stat().st_size == MOST_MEDIA_BYTES


@pytest.mark.parametrize("changes", [{"length": 99}, {"data": b""}, {"data": b"", "length": 0}])
def test_a_picture_that_breaks_off_is_tried_later_and_nothing_is_left(exchange, carrier, tmp_path, changes):
    with pytest.raises(CarrierDown, match="broke off"):
        carrier.fetch_media(picture(exchange, **changes), tmp_path / "media")
    assert list((tmp_path / "media").iterdir()) == []


@pytest.mark.parametrize(("status", "kind"), [
    (404, MediaRefused), (410, MediaRefused), (401, CarrierDown), (403, CarrierDown), (429, CarrierDown),
    (500, CarrierDown), (204, CarrierDown)])
def test_a_picture_that_is_gone_is_refused_and_other_trouble_tried_later(
        exchange, carrier, tmp_path, caplog, status, kind):
    url = picture(exchange)
    exchange.canned = [(status, "", {})]
    with pytest.raises(kind) as caught:
        carrier.fetch_media(url, tmp_path / "media")
    assert type(caught.value) is kind and caught.value.code == str(status)
    assert ("mend the carrier's keys" in caplog.text) == (status in (401, 403)) and LOGIN[1] not in caplog.text


def test_nobody_at_the_port_of_the_pictures_is_down(exchange, tmp_path):
    with pytest.raises(CarrierDown, match="no picture"):
        adapter().fetch_media(picture(exchange), tmp_path / "media")


def test_being_sent_on_for_ever_ends(exchange, carrier, tmp_path):
    url = picture(exchange)
    exchange.canned = [(307, "", {"Location": exchange.url + url.removeprefix("https://api.twilio.com")})] * 9
    with pytest.raises(MediaRefused, match="on and on"):
        carrier.fetch_media(url, tmp_path / "media")


def test_a_folder_that_others_can_read_or_that_is_a_link_or_a_file_is_refused(exchange, carrier, tmp_path):
    url = picture(exchange)
    (tmp_path / "open").mkdir(mode=0o755)
    (tmp_path / "mine").mkdir(mode=0o700)
    (tmp_path / "link").symlink_to(tmp_path / "mine")
    (tmp_path / "file").write_text("")
    for name in ("open", "link", "file"):
        with pytest.raises(ValueError, match="chmod 700"):
            carrier.fetch_media(url, tmp_path / name)
    assert exchange.requests == [] and carrier.fetch_media(url, tmp_path / "mine").exists()


# --- from the settings ---

def settings_file(tmp_path, **keys):
    keys = {"kind": "twilio", "account_sid": ACCOUNT, "number": OURS, "auth_token_variable": "OUR_TOKEN"} | keys
    carrier = "\n".join(f'{key} = "{value}"' for key, value in keys.items() if value is not None)
    path = tmp_path / "ebbline.toml"
    path.write_text(sample().partition("[carrier]")[0] + "[carrier]\n" + carrier, encoding="utf-8")
    return load(path)


def test_the_settings_and_the_environment_make_the_carrier(tmp_path, monkeypatch):
    monkeypatch.setenv("OUR_TOKEN", "12345")
    carrier = process.carrier_of(settings_file(tmp_path))
    assert isinstance(carrier, TwilioCarrier) and carrier.number == OURS and carrier.timeout_s == 5
    assert carrier._client.auth == (ACCOUNT, "12345") and carrier._client.http_client.timeout == 5
    assert carrier.genuine(SMS_URL, SMS, {"X-Twilio-Signature": signature("12345", SMS_URL, SMS)})


def test_an_api_key_logs_in_and_the_auth_token_still_checks_signatures(tmp_path):
    found = settings_file(tmp_path, api_key_variable="KEY", api_secret_variable="SECRET")
    carrier = twilio_carrier.from_settings(found, {"OUR_TOKEN": "12345", "KEY": "SK1", "SECRET": "s"})
    assert carrier._client.auth == ("SK1", "s") and carrier._client.account_sid == ACCOUNT
    assert carrier.genuine(SMS_URL, SMS, {"X-Twilio-Signature": signature("12345", SMS_URL, SMS)})


def test_a_shared_key_checks_signatures_and_no_auth_token_is_needed(tmp_path):
    found = settings_file(tmp_path, auth_token_variable=None, api_key_variable="KEY", api_secret_variable="SECRET",
                          signature="HMAC_SHA256", shared_key_variable="SHARED", number=None,
                          messaging_service_sid=SERVICE)
    carrier = twilio_carrier.from_settings(found, {"SHARED": "12345", "KEY": "SK1", "SECRET": "s"})
    assert carrier.genuine(SMS_URL, SMS, {"X-Twilio-Signature": signature("12345", SMS_URL, SMS, hashlib.sha256)})
    assert carrier.messaging_service_sid == SERVICE and carrier.number is None


def test_every_variable_that_is_not_set_is_named_with_the_mend_and_no_secret_is_shown(tmp_path):
    found = settings_file(tmp_path, api_key_variable="KEY", api_secret_variable="SECRET")
    with pytest.raises(SettingsError) as caught:
        twilio_carrier.from_settings(found, {"OUR_TOKEN": "  ", "KEY": "SKhush"})
    assert [problem.key for problem in caught.value.problems] == [
        "carrier.auth_token_variable", "carrier.api_secret_variable"]
    assert all("is not set" in problem.wrong and "set " in problem.mend for problem in caught.value.problems)
    assert "SKhush" not in str(caught.value)
