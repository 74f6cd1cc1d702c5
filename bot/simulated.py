"""A simulated telephone carrier: in memory for rehearsals and the demo, over loopback HTTP for real processes.

Its form fields are Id, From, To, Body, MediaCount, Media0 .. for a text and Id, State, Code for a status report. It
signs each webhook request in the header `X-Simulated-Signature`. Like a real carrier it does not try a failed webhook
again. It never waits by itself: its owner calls `run_due` when the time of a status report has come.
"""

import base64
import hashlib
import hmac
import http.client
import json
import logging
import re
import secrets
import socket
import threading
import uuid
from datetime import datetime, timedelta
from urllib.parse import urlencode, urlsplit

from flask import Flask, jsonify, request
from werkzeug.exceptions import HTTPException
from werkzeug.serving import WSGIRequestHandler, make_server

from bot.carrier import CarrierDown, CarrierRefused, CarrierUnsure, InboundText, SentText, Status

SIGNATURE_HEADER = "X-Simulated-Signature"
STATES = ("sent", "delivered", "undelivered", "failed")
LOOPBACK = ("127.0.0.1", "localhost")

# Carriers' documented keyword lists, seen in one carrier's own documents; the words of START are from memory.
STOP_WORDS = frozenset({"stop", "stopall", "unsubscribe", "cancel", "end", "quit", "revoke", "optout"})
START_WORDS = frozenset({"start", "unstop"})

# The same numbers that a real carrier uses, so that what follows a refusal is rehearsed with them.
BAD_NUMBER, EMPTY_BODY, OPTED_OUT, TOO_LONG, UNREACHABLE = "21211", "21602", "21610", "21617", "30003"
EXPIRED = "expired"
BODY_LIMIT = 1600               # characters; a carrier's own limit on one request
VALID_FOR_S = range(1, 36001)   # a carrier's own limits on the validity period, in seconds

NUMBER = re.compile(r"\+?[0-9]{3,15}")
TEXT_ID = re.compile(r"SIM[0-9a-f]{32}")
MEDIA_COUNT = re.compile(r"[0-9]{1,2}")


class WebhookFailed(OSError):
    """Our own web process did not answer a webhook with 2xx. The carrier does not try again."""


def signature(secret, url, form):
    """Base64 HMAC-SHA256 of the URL and every name/value pair in sorted order, empty and repeated ones included.

    The pairs are URL-encoded before they are joined, so that no two different forms give the same signed text.
    """
    pairs = sorted((name, value) for name, values in form.items() for value in _several(name, values))
    signed = url.encode("utf-8", "surrogatepass") + b"\n" + urlencode(pairs, errors="surrogatepass").encode()
    return base64.b64encode(hmac.new(secret.encode(), signed, hashlib.sha256).digest()).decode()


def _several(name, values):
    """The values of one field. A plain text is refused: it would be taken apart into its letters."""
    if isinstance(values, str) or not all(isinstance(value, str) for value in values):
        raise ValueError(f"form field {name}: {values!r} is not a list of texts; pass every field as a list")
    return values


def _one(form, name, pattern=None):
    """The single value of a form field; ValueError names the field if it is missing, repeated or badly formed."""
    values = _several(name, form.get(name) or [])
    if len(values) != 1:
        raise ValueError(f"form field {name}: given {len(values)} times; the carrier sends it once")
    if pattern and not pattern.fullmatch(values[0]):
        raise ValueError(f"form field {name}: {values[0]!r} is not what the carrier sends; expected {pattern.pattern}")
    return values[0]


PICTURE = base64.b64decode(  # one grey point, standing for any picture
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg==")


class _Webhook:
    """The half of the protocol that needs no call to the carrier: signatures, forms, a picture. Uses `self.secret`."""

    def fetch_media(self, url, folder):
        """Every picture is the same grey point, written under a random name into the private folder."""
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        file = folder / f"{secrets.token_hex(16)}.png"
        file.touch(mode=0o600)
        file.write_bytes(PICTURE)
        return file

    def genuine(self, url, form, headers):
        """True if the header carries our signature of this URL and form. False for anything else; never raises."""
        try:
            given = [value for name, value in headers.items() if name.lower() == SIGNATURE_HEADER.lower()]
            return len(given) == 1 and hmac.compare_digest(
                given[0].encode("utf-8", "surrogatepass"), signature(self.secret, url, form).encode())
        except (AttributeError, TypeError, ValueError):
            return False    # not the shape of a request at all: nobody that we know has sent it

    def read_inbound(self, form):
        """The text in a webhook form, `sent_at` None (the form carries no time). ValueError names the bad field."""
        return InboundText(
            carrier_id=_one(form, "Id", TEXT_ID), from_number=_one(form, "From", NUMBER),
            to_number=_one(form, "To", NUMBER), body=_one(form, "Body"),
            media=tuple(_one(form, f"Media{n}") for n in range(int(_one(form, "MediaCount", MEDIA_COUNT)))))

    def read_status(self, form):
        """The report in a status form; an empty `Code` is None. ValueError names the bad field."""
        return Status(carrier_id=_one(form, "Id", TEXT_ID), state=_one(form, "State", re.compile("|".join(STATES))),
                      code=_one(form, "Code") or None)


class SimulatedCarrier(_Webhook):
    """A carrier in memory, safe to call from several threads.

    clock: anything with `now()` (aware UTC). number: the practice's, such as "+15035550100". secret: signs webhooks.
    deliver, report: `hook(form, headers)` for an inbound text and a status report; an OSError from it means that our
        web process did not take it, and the id is added to `missed`. Hooks run outside the lock, so they may send.
    public_url: the address that signatures are made for; a text goes to /sms/inbound, a report to /sms/status.
    delay_s: seconds from `sent` to `delivered`. pause: `pause(seconds)` waits in a real process (`time.sleep`) when
        the carrier is `slow`; without it nothing waits.
    keyword_block: a text that is only STOP or the like makes later texts to that phone refused until START.

    Every failure "until" a time holds while `clock.now() < until`; a time that has passed ends it.
    """

    def __init__(self, clock, number, secret, deliver=None, report=None, *, public_url="http://127.0.0.1:8080",
                 delay_s=2, pause=None, keyword_block=False):
        self.clock, self.number, self.secret = clock, number, secret
        self.deliver, self.report = deliver, report
        self.inbound_url = public_url.rstrip("/") + "/sms/inbound"
        self.status_url = public_url.rstrip("/") + "/sms/status"
        self.delay_s, self.pause, self.keyword_block = delay_s, pause, keyword_block
        self.missed = []            # ids whose webhook was not taken, in order; a report's id may be here too
        self._lock = threading.Lock()
        self._texts = []            # InboundText and SentText in the order in which we took them
        self._reports = []          # [(due_at, order, Status)], unsorted
        self._refused = {}          # number -> code
        self._until = {}            # "carrier", "web", ("undelivered", number), ("no-receipt", number) -> time
        self._lost_answers = 0
        self._slow_s = 0
        self._order = 0             # keeps reports with the same due time in the order in which they were made

    # The protocol

    def send(self, to_number, body, valid_for_s=None):
        """Take one text of ours; return its id. Raises CarrierDown, CarrierUnsure (taken all the same), CarrierRefused.

        ValueError for `valid_for_s` outside 1..36000: that is a mistake of ours, which no carrier would mend.
        """
        if valid_for_s is not None and valid_for_s not in VALID_FOR_S:
            raise ValueError(f"valid_for_s: {valid_for_s!r} is not a whole number of seconds from 1 to 36000")
        with self._lock:
            now = self.clock.now()
            self._check_up(now)
            self._check_acceptable(to_number, body)
            text = SentText(f"SIM{uuid.uuid4().hex}", to_number, body, now)
            self._texts.append(text)
            self._plan_reports(text, now, valid_for_s)
            slow_s, unsure = self._slow_s, self._lost_answers > 0
            self._lost_answers -= unsure
        if slow_s and self.pause:
            self.pause(slow_s)
        if unsure:
            raise CarrierUnsure("the simulated carrier took the text and its answer was lost")
        return text.carrier_id

    def sent_since(self, to_number, since):
        """Texts of ours to this number taken at or after `since` (aware), oldest first. Raises CarrierDown."""
        return [text for text in self._since(since, SentText) if text.to_number == to_number]

    def inbound_since(self, since):
        """Texts from phones received at or after `since` (aware), oldest first, delivered to us or not. CarrierDown."""
        return self._since(since, InboundText)

    # The phones

    def phone_texts(self, from_number, body, media=(), deliver=True):
        """A phone texts us: record the text and, unless `deliver` is False, hand it to the webhook. Returns the text.

        With `deliver=False` the text waits: `deliver_again(text.carrier_id)` delivers it later, in any order.
        """
        with self._lock:
            text = InboundText(f"SIM{uuid.uuid4().hex}", from_number, self.number, body, tuple(media),
                               self.clock.now())
            self._texts.append(text)
            if self.keyword_block:
                self._read_keyword(from_number, body)
        if deliver:
            self._push_inbound(text)
        return text

    def deliver_again(self, carrier_id):
        """Deliver a text from a phone once more (or for the first time). True if our web process took it."""
        with self._lock:
            found = [text for text in self._texts if isinstance(text, InboundText) and text.carrier_id == carrier_id]
        if not found:
            raise ValueError(f"{carrier_id}: no phone has sent a text with this id; use one that phone_texts gave")
        return self._push_inbound(found[0])

    @property
    def texts(self):
        """Everything in and out so far, InboundText and SentText, in order of `sent_at`."""
        with self._lock:
            return sorted(self._texts, key=lambda text: text.sent_at)

    # The status reports

    def next_due_at(self):
        """When the earliest waiting status report is due (aware UTC), or None."""
        with self._lock:
            return min(self._reports)[0] if self._reports else None

    def run_due(self, now):
        """Push every status report that is due at `now` to the report hook, oldest first; return how many."""
        pushed = 0
        while True:
            with self._lock:
                due = min(self._reports, default=None, key=lambda waiting: waiting[:2])
                if due is None or due[0] > now:
                    return pushed
                self._reports.remove(due)
            status = due[2]
            form = {"Id": [status.carrier_id], "State": [status.state], "Code": [status.code or ""]}
            self._push(self.report, self.status_url, form)
            pushed += 1

    # Failures on demand

    def down(self, until):
        """Until then every call of ours raises CarrierDown. Texts from phones still arrive."""
        self._set_until("carrier", until)

    def web_down(self, until):
        """Until then no webhook reaches us; what was missed stays in `inbound_since`."""
        self._set_until("web", until)

    def undelivered(self, number, until):
        """Until then texts to this number are accepted and then reported `undelivered`, code 30003."""
        self._set_until(("undelivered", number), until)

    def no_receipt(self, number, until):
        """Until then texts to this number are accepted and reported `sent`, and nothing more is heard."""
        self._set_until(("no-receipt", number), until)

    def refuse(self, number, code="opted-out"):
        """Refuse every text to this number with this code until `allow`."""
        with self._lock:
            self._refused[number] = code

    def allow(self, number):
        """Take texts to this number again."""
        with self._lock:
            self._refused.pop(number, None)

    def slow(self, seconds):
        """From now on each `send` takes so long to answer (by `pause`) and is delivered so much later; 0 ends it."""
        with self._lock:
            self._slow_s = seconds

    def lose_answer(self, times=1):
        """Take the next `times` texts, and lose the answer: `send` raises CarrierUnsure."""
        with self._lock:
            self._lost_answers = times

    # Inside. The first four are called with the lock held.

    def _holds(self, what, now):
        return what in self._until and now < self._until[what]

    def _check_up(self, now):
        if self._holds("carrier", now):
            raise CarrierDown(f"the simulated carrier is down until {self._until['carrier'].isoformat()}")

    def _check_acceptable(self, to_number, body):
        if not NUMBER.fullmatch(to_number):
            raise CarrierRefused(f"{to_number!r} is not a phone number", BAD_NUMBER)
        if to_number in self._refused:
            raise CarrierRefused("this number refuses our texts", self._refused[to_number])
        if not body:
            raise CarrierRefused("the text is empty", EMPTY_BODY)
        if len(body) > BODY_LIMIT:
            raise CarrierRefused(f"the text has {len(body)} characters, over {BODY_LIMIT}", TOO_LONG)

    def _plan_reports(self, text, now, valid_for_s):
        delay_s = self.delay_s + self._slow_s
        last = Status(text.carrier_id, "delivered")
        if self._holds(("no-receipt", text.to_number), now):
            last = None
        elif self._holds(("undelivered", text.to_number), now):
            last = Status(text.carrier_id, "undelivered", UNREACHABLE)
        elif valid_for_s is not None and delay_s > valid_for_s:
            last, delay_s = Status(text.carrier_id, "failed", EXPIRED), valid_for_s
        for status, after_s in ((Status(text.carrier_id, "sent"), 0), (last, delay_s)):
            if status:
                self._order += 1
                self._reports.append((now + timedelta(seconds=after_s), self._order, status))

    def _read_keyword(self, number, body):
        word = body.strip().strip(".!").lower()
        if word in STOP_WORDS:
            self._refused[number] = OPTED_OUT
        elif word in START_WORDS and self._refused.get(number) == OPTED_OUT:
            del self._refused[number]

    def _set_until(self, what, until):
        if until.tzinfo is None:
            raise ValueError(f"until: {until} has no time zone; pass an aware time")
        with self._lock:
            self._until[what] = until

    def _since(self, since, kind):
        if since.tzinfo is None:
            raise ValueError(f"since: {since} has no time zone; pass an aware time")
        with self._lock:
            self._check_up(self.clock.now())
        return [text for text in self.texts if isinstance(text, kind) and text.sent_at >= since]

    def _push_inbound(self, text):
        form = {"Id": [text.carrier_id], "From": [text.from_number], "To": [text.to_number], "Body": [text.body],
                "MediaCount": [str(len(text.media))]}
        form.update({f"Media{n}": [address] for n, address in enumerate(text.media)})
        return self._push(self.deliver, self.inbound_url, form)

    def _push(self, hook, url, form):
        if hook is None:
            return False
        with self._lock:
            reachable = not self._holds("web", self.clock.now())
        if reachable:
            try:
                hook(form, {SIGNATURE_HEADER: signature(self.secret, url, form)})
                return True
            except OSError:
                pass    # no retry, as with a real carrier; `missed` tells
        with self._lock:
            self.missed.append(form["Id"][0])
        return False


# The HTTP face, for real processes on one machine


def _loopback(url):
    """(host, port, path) of an http URL on this machine. ValueError for anything else."""
    parts = urlsplit(url)
    if parts.scheme != "http" or parts.hostname not in LOOPBACK:
        raise ValueError(f"{url}: the simulated carrier speaks only http to 127.0.0.1 or localhost; "
                         "set the address to http://127.0.0.1:PORT")
    return parts.hostname, parts.port or 80, parts.path or "/"


def deliver_over_http(url, timeout_s=15):
    """A hook that POSTs the signed form to our web process at `url` (loopback only, else ValueError).

    It raises WebhookFailed, or another OSError, if no 2xx answer comes within `timeout_s` seconds; 15 s is what one
    carrier's own documents give a webhook. Redirects are not followed.
    """
    host, port, path = _loopback(url)

    def hook(form, headers):
        connection = http.client.HTTPConnection(host, port, timeout=timeout_s)
        try:
            connection.request("POST", path, urlencode(form, doseq=True),
                               {"Content-Type": "application/x-www-form-urlencoded", **headers})
            status = connection.getresponse().status
        except http.client.HTTPException as error:
            raise WebhookFailed(f"{url}: {error!r}") from error
        finally:
            connection.close()
        if not 200 <= status < 300:
            raise WebhookFailed(f"{url} answered {status}")

    return hook


class _Handler(WSGIRequestHandler):
    def log_request(self, code="-", size="-"):
        """Say nothing: a line for each request tells nobody anything here."""


class HttpFace(threading.Thread):
    """A simulated carrier behind HTTP on 127.0.0.1. `url` is its address; `stop()` ends it and frees the port."""

    def __init__(self, carrier, port):
        super().__init__(daemon=True, name="simulated-carrier")
        self._server = make_server("127.0.0.1", port, _app(carrier), threaded=True, request_handler=_Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}"

    def run(self):
        self._server.serve_forever(poll_interval=0.05)    # seconds that `stop` may have to wait

    def stop(self):
        self._server.shutdown()
        self._server.server_close()
        self.join()


def serve_http(carrier, port=0):
    """Serve a SimulatedCarrier on 127.0.0.1:`port` (0 picks a free one); return the running HttpFace.

    Requests and answers are JSON, all POST so that no number stands in a URL: /send {to, body, valid_for_s},
    /sent {to, since}, /inbound {since}, /phone {from, body, media}, /again {id}. A refusal is 409 {error, code}, an
    outage 503, a bad request 400. An answer that the carrier loses is a closed connection.
    """
    face = HttpFace(carrier, port)
    face.start()
    return face


def _app(carrier):
    app = Flask("simulated carrier")
    app.logger.setLevel(logging.ERROR)

    @app.post("/send")
    def send():
        asked = request.get_json()
        try:
            return jsonify(id=carrier.send(asked["to"], asked["body"], asked.get("valid_for_s")))
        except CarrierUnsure:
            # Cut the line instead of answering: this is the very thing that the caller must be able to survive.
            request.environ["werkzeug.socket"].shutdown(socket.SHUT_RDWR)
            return "", 500

    @app.post("/sent")
    def sent():
        asked = request.get_json()
        return jsonify([_as_json(text) for text in carrier.sent_since(asked["to"], _time(asked["since"]))])

    @app.post("/inbound")
    def inbound():
        return jsonify([_as_json(text) for text in carrier.inbound_since(_time(request.get_json()["since"]))])

    @app.post("/phone")
    def phone():
        asked = request.get_json()
        return jsonify(_as_json(carrier.phone_texts(asked["from"], asked["body"], asked.get("media", ()))))

    @app.post("/again")
    def again():
        return jsonify(taken=carrier.deliver_again(request.get_json()["id"]))

    @app.errorhandler(CarrierDown)
    def is_down(error):
        return jsonify(error=str(error), code=error.code), 503

    @app.errorhandler(CarrierRefused)
    def is_refused(error):
        return jsonify(error=str(error), code=error.code), 409

    @app.errorhandler(HTTPException)
    def is_no_request(error):
        return jsonify(error=error.description), error.code

    @app.errorhandler(KeyError)
    @app.errorhandler(TypeError)
    @app.errorhandler(ValueError)
    def is_bad(error):
        return jsonify(error=f"{type(error).__name__}: {error}"), 400

    return app


def _time(text):
    return datetime.fromisoformat(text)


def _as_json(text):
    return {**vars(text), "sent_at": text.sent_at.isoformat()}


class HttpSimulated(_Webhook):
    """The Carrier protocol through the HTTP face at `url` (loopback only, else ValueError).

    A connection that cannot be opened is CarrierDown: nothing was sent. Once the request is on its way, a time-out,
    a broken line or an answer that is none of the face's own is CarrierUnsure.
    """

    def __init__(self, url, secret, number, timeout_s=5):
        self._host, self._port, _ = _loopback(url)
        self.secret, self.number, self.timeout_s = secret, number, timeout_s

    def send(self, to_number, body, valid_for_s=None):
        """As the protocol says. ValueError if the carrier calls the request itself bad."""
        answer = self._post("/send", {"to": to_number, "body": body, "valid_for_s": valid_for_s})
        try:
            return answer["id"]
        except (KeyError, TypeError) as error:
            raise CarrierUnsure(f"the carrier's answer has no id: {answer!r}") from error

    def sent_since(self, to_number, since):
        """As the protocol says."""
        return [SentText(**text) for text in self._read("/sent", {"to": to_number, "since": since.isoformat()})]

    def inbound_since(self, since):
        """As the protocol says."""
        return [InboundText(**{**text, "media": tuple(text["media"])})
                for text in self._read("/inbound", {"since": since.isoformat()})]

    def _read(self, path, asked):
        """A list of texts. Reading changes nothing, so whatever goes wrong is CarrierDown: ask again later."""
        try:
            return [{**text, "sent_at": _time(text["sent_at"])} for text in self._post(path, asked)]
        except CarrierUnsure as error:
            raise CarrierDown(str(error)) from error

    def _post(self, path, asked):
        connection = http.client.HTTPConnection(self._host, self._port, timeout=self.timeout_s)
        try:
            try:
                connection.connect()
            except OSError as error:
                raise CarrierDown(f"no connection to the carrier: {error}") from error
            try:
                connection.request("POST", path, json.dumps(asked), {"Content-Type": "application/json"})
                response = connection.getresponse()
                status, answer = response.status, json.loads(response.read())
            except (OSError, http.client.HTTPException, ValueError) as error:
                raise CarrierUnsure(f"the call to the carrier broke after it was made: {error!r}") from error
        finally:
            connection.close()
        if status == 200:
            return answer
        if not isinstance(answer, dict) or "error" not in answer or status not in (400, 409, 503):
            raise CarrierUnsure(f"the carrier answered {status}")
        if status == 409:
            raise CarrierRefused(answer["error"], answer.get("code"))
        if status == 503:
            raise CarrierDown(answer["error"], answer.get("code"))
        raise ValueError(answer["error"])
