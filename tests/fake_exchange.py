"""A fake of the carrier's REST API, for tests: its documented behaviour on a real HTTP server at 127.0.0.1.

It takes, lists and reports texts, serves pictures and signs its webhooks by the documented algorithm, written here anew
so that it does not agree with the package by being the package. What it demands of a request is `CREATE`, written down
from the documented facts (flags: SEEN in the carrier's documents, else from memory); what it cannot know, such as how
the carrier words an error, is kept to what the adapter must not depend on.
"""

import base64
import hashlib
import hmac
import json
import re
import socket
import threading
import time
from dataclasses import dataclass, field
from datetime import timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlencode, urlsplit

API = "https://api.twilio.com"
E164 = re.compile(r"\+[1-9]\d{1,14}")
SENDER = re.compile(r"\+[1-9]\d{1,14}|\d{5,6}")
SERVICE = re.compile(r"MG[0-9a-fA-F]{32}")  # SEEN: CreateMessageRequest
URL = re.compile(r"https?://[^\s/]+/\S*")
WHOLE = re.compile(r"\d{1,5}")


def one_of(form, name):
    return form.get(name, [""])[0]


# The documented contract of one new message: (code, field, what is right). The first row that is not right decides.
# Body at most 1,600 characters, ValidityPeriod 1..36000, the SID pattern, only To required by the description: SEEN.
# Codes: 21211, 21612: SEEN in lists; 21602, 21603, 21604, 21609, 21617, 21212 and 20001 for the rest: from memory.
CREATE = (
    ("20001", "(names)", lambda form: set(form) <= KNOWN),
    ("20001", "(repeated)", lambda form: all(len(values) == 1 for values in form.values())),
    ("21604", "To", lambda form: one_of(form, "To")),
    ("21211", "To", lambda form: E164.fullmatch(one_of(form, "To"))),
    ("21603", "From", lambda form: one_of(form, "From") or one_of(form, "MessagingServiceSid")),
    ("21212", "From", lambda form: "From" not in form or SENDER.fullmatch(one_of(form, "From"))),
    ("20001", "MessagingServiceSid",
     lambda form: "MessagingServiceSid" not in form or SERVICE.fullmatch(one_of(form, "MessagingServiceSid"))),
    ("21602", "Body", lambda form: one_of(form, "Body")),
    ("21617", "Body", lambda form: len(one_of(form, "Body")) <= 1600),
    ("20001", "ValidityPeriod", lambda form: "ValidityPeriod" not in form or (
        WHOLE.fullmatch(one_of(form, "ValidityPeriod")) and 1 <= int(one_of(form, "ValidityPeriod")) <= 36000)),
    ("21609", "StatusCallback",
     lambda form: "StatusCallback" not in form or URL.fullmatch(one_of(form, "StatusCallback"))),
    ("20001", "SmartEncoded", lambda form: one_of(form, "SmartEncoded") in ("", "true", "false")),
)
KNOWN = {"To", "From", "MessagingServiceSid", "Body", "ValidityPeriod", "StatusCallback", "SmartEncoded"}


def fault(form):
    """(code, field) of what is wrong in the form of a new message (name -> list of texts), or None."""
    return next(((code, name) for code, name, right in CREATE if not right(form)), None)


def signature(secret, url, form, hashed=hashlib.sha1):
    """Base64 HMAC of the URL and each name with each distinct value, both sorted, with nothing between (SEEN in the
    package's request_validator.py; also in the carrier's "Webhooks Security" page, from memory)."""
    signed = url + "".join(name + value for name in sorted(form) for value in sorted(set(form[name])))
    return base64.b64encode(hmac.new(secret.encode(), signed.encode(), hashed).digest()).decode()


@dataclass
class Text:
    """One message as the carrier keeps it."""

    sid: str
    direction: str
    from_number: str | None
    to_number: str
    body: str
    created_at: object
    sent_at: object = None
    status: str = "queued"
    valid_for_s: int = 36000
    pictures: list = field(default_factory=list)  # Media SIDs


@dataclass
class Picture:
    """What the store of pictures answers. length: Content-Length, or none. location: where the API sends on to."""

    data: bytes = b"\xff\xd8 a picture"
    kind: str = "image/jpeg"
    length: int | None = None
    location: str | None = None
    direct: bool = False  # served by the API itself, without sending on


class Lost(Exception):
    """The answer to this request gets lost."""


class Exchange:
    """The carrier. Times from `clock`, truncated to seconds, as the carrier tells them.

    login: (user, password) that it lets in. token: signs webhooks. deliver, report: hook(form, headers).
    """

    def __init__(self, clock, number, account_sid, login, token, public_url, deliver=None, report=None):
        self.clock, self.number, self.account_sid, self.login, self.token = clock, number, account_sid, login, token
        self.inbound_url, self.status_url = public_url + "/sms/inbound", public_url + "/sms/status"
        self.deliver, self.report = deliver or (lambda *_: None), report or (lambda *_: None)
        self.root = f"/2010-04-01/Accounts/{account_sid}"
        self.texts, self.pictures, self.requests = [], {}, []
        self.refused, self.unreachable = {}, set()  # number -> code; numbers
        self.canned = []  # answers (status, body, headers) to the next API requests, instead of the real ones
        self.lost, self.slow_s, self.most_a_page, self.endless = 0, 0, 1000, False
        self._lock, self._due, self._count, self._port, self._server = threading.Lock(), [], 0, 0, None
        self.up()

    # --- the server ---

    @property
    def url(self):
        return f"http://127.0.0.1:{self._port}"

    def up(self):
        """Listen (again), on the same port."""
        if self._server is None:
            self._server = Server(("127.0.0.1", self._port), handler(self))
            self._port = self._server.server_port
            threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def down(self):
        """Nobody listens: connections are refused."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def answer(self, method, target, form, headers):
        """(status, headers, body) of one request; raises Lost."""
        parts = urlsplit(target)
        with self._lock:
            self.requests.append((method, target, form, headers))
        if parts.path.startswith("/store/"):
            return self._store(parts.path)
        if self.canned:
            status, body, extra = self.canned.pop(0)
            return status, {"Content-Type": "application/json", **extra}, body.encode()
        basic = base64.b64encode(":".join(self.login).encode()).decode()
        if headers.get("Authorization") != f"Basic {basic}":
            return self._error(401, "20003")
        if parts.path == f"{self.root}/Messages.json":
            return self._create(form) if method == "POST" else self._list(parse_qs(parts.query, keep_blank_values=True))
        listed = re.fullmatch(rf"{self.root}/Messages/(\w+)/Media\.json", parts.path)
        if listed:
            text = next((text for text in self.texts if text.sid == listed[1]), None)
            return self._error(404, "20404") if text is None else self._media(text)
        return self._picture(parts.path.removeprefix(self.root))

    @staticmethod
    def _json(status, data):
        # no charset in the header and no ASCII escapes, so that a reader must know that JSON is UTF-8
        return status, {"Content-Type": "application/json"}, json.dumps(data, ensure_ascii=False).encode()

    def _error(self, status, code, about=""):
        return self._json(status, {"code": int(code), "message": f"The '{about}' is not right", "status": status,
                                   "more_info": f"https://www.twilio.com/docs/errors/{code}"})

    # --- messages ---

    def _create(self, form):
        wrong = fault(form)
        if wrong:
            return self._error(400, *wrong)
        to_number = one_of(form, "To")
        if to_number in self.refused:
            return self._error(400, self.refused[to_number], f"To' number '{to_number}")
        service = one_of(form, "MessagingServiceSid")
        with self._lock:
            self._count += 1
            now = self.clock.now().replace(microsecond=0)
            text = Text(f"SM{self._count:032x}", "outbound-api", None if service else one_of(form, "From"), to_number,
                        one_of(form, "Body"), now, status="accepted" if service else "queued",
                        valid_for_s=int(one_of(form, "ValidityPeriod") or 36000))
            self.texts.append(text)
            if "StatusCallback" in form:
                self._plan(text, one_of(form, "StatusCallback"), now)
            lost, self.lost = self.lost > 0, max(self.lost - 1, 0)
        time.sleep(self.slow_s)
        if lost:
            raise Lost
        return self._json(201, self._record(text))

    def _plan(self, text, url, now):
        last = ("undelivered", "30003") if text.to_number in self.unreachable else ("delivered", None)
        for after_s, (status, code) in ((0, ("sent", None)), (2, last)):
            self._due.append((now + timedelta(seconds=after_s), text, url, status, code))

    def run_due(self, now):
        """Push every status report that is due at `now` to the report hook, oldest first."""
        with self._lock:
            due = sorted((each for each in self._due if each[0] <= now), key=lambda each: each[0])
            self._due = [each for each in self._due if each[0] > now]
        for at, text, url, status, code in due:
            text.status, text.sent_at = status, text.sent_at or at
            form = {"MessageSid": [text.sid], "SmsSid": [text.sid], "MessageStatus": [status], "SmsStatus": [status],
                    "AccountSid": [self.account_sid], "From": [text.from_number or self.number],
                    "To": [text.to_number], "ApiVersion": ["2010-04-01"]}
            if code:
                form["ErrorCode"] = [code]
            self.report(form, {"X-Twilio-Signature": signature(self.token, url, form)})

    def phone_texts(self, number, body, pictures=(), deliver=True):
        """A phone texts the practice, with these `Picture`s; the Text."""
        with self._lock:
            self._count += 1
            now = self.clock.now().replace(microsecond=0)
            sid = f"{'MM' if pictures else 'SM'}{self._count:032x}"
            text = Text(sid, "inbound", number, self.number, body, now, now, "received")
            for n, picture in enumerate(pictures):
                sid = f"ME{self._count:016x}{n:016x}"
                self.pictures[sid] = picture
                text.pictures.append(sid)
            self.texts.append(text)
        if deliver:
            self.deliver(*self.webhook(text))
        return text

    def webhook(self, text):
        """(form, headers) of the request that tells of an inbound text. Fields: SEEN names, from memory the rest."""
        form = {name: [text.sid] for name in ("MessageSid", "SmsSid", "SmsMessageSid")}
        form |= {"AccountSid": [self.account_sid], "From": [text.from_number], "To": [text.to_number],
                 "Body": [text.body], "NumMedia": [str(len(text.pictures))], "NumSegments": ["1"],
                 "SmsStatus": ["received"], "ApiVersion": ["2010-04-01"]}
        form |= {name: [""] for name in ("FromCity", "FromState", "FromZip", "ToCity", "ToState", "ToZip")}
        for n, sid in enumerate(text.pictures):
            form[f"MediaUrl{n}"] = [self.media_url(text, sid)]
            form[f"MediaContentType{n}"] = [self.pictures[sid].kind]
        return form, {"X-Twilio-Signature": signature(self.token, self.inbound_url, form)}

    def media_url(self, text, sid):
        return f"{API}{self.root}/Messages/{text.sid}/Media/{sid}"

    # --- listing ---

    def _list(self, query):
        asked = {name: values[0] for name, values in query.items()}
        after = asked.get("DateSent>")
        found = [text for text in self.texts
                 if asked.get("To", text.to_number) == text.to_number
                 and asked.get("From", text.from_number) == text.from_number
                 # a text that is not sent yet has no date, and so no place in a list by date
                 and (after is None or text.sent_at is not None and text.sent_at.date().isoformat() >= after)]
        found.sort(key=lambda text: (text.created_at, text.sid), reverse=True)
        size = min(int(asked.get("PageSize", 50)), self.most_a_page)
        number = int(asked.get("Page", 0))
        rows = found[number * size:(number + 1) * size]
        following = None
        if self.endless or found[(number + 1) * size:]:
            following = f"{self.root}/Messages.json?" + urlencode({**asked, "Page": number + 1, "PageToken": "PASM"})
        uri = f"{self.root}/Messages.json"
        return self._json(200, {
            "messages": [self._record(text) for text in rows], "page": number, "page_size": size,
            "start": number * size, "end": number * size + len(rows), "uri": uri, "first_page_uri": uri,
            "previous_page_uri": None, "next_page_uri": following})

    def _record(self, text):
        def when(at):
            return at and format_datetime(at)
        return {
            "sid": text.sid, "account_sid": self.account_sid, "api_version": "2010-04-01", "body": text.body,
            "date_created": when(text.created_at), "date_updated": when(text.created_at),
            "date_sent": when(text.sent_at),
            "direction": text.direction, "error_code": None, "error_message": None, "from": text.from_number,
            "to": text.to_number, "messaging_service_sid": None, "num_media": str(len(text.pictures)),
            "num_segments": "1", "price": None, "price_unit": "USD", "status": text.status,
            "uri": f"{self.root}/Messages/{text.sid}.json", "subresource_uris": {}}

    # --- pictures ---

    def _media(self, text):
        uri = f"{self.root}/Messages/{text.sid}/Media"
        return self._json(200, {
            "media_list": [{"sid": sid, "account_sid": self.account_sid, "parent_sid": text.sid,
                            "content_type": self.pictures[sid].kind, "date_created": None, "date_updated": None,
                            "uri": f"{uri}/{sid}.json"} for sid in text.pictures],
            "page": 0, "page_size": 50, "start": 0, "end": len(text.pictures), "uri": uri + ".json",
            "first_page_uri": uri + ".json", "previous_page_uri": None, "next_page_uri": None})

    def _picture(self, path):
        found = re.fullmatch(r"/Messages/\w+/Media/(ME\w+)", path)
        if not found or found[1] not in self.pictures:
            return self._error(404, "20404")
        picture = self.pictures[found[1]]
        if picture.direct:
            return self._store(f"/store/{found[1]}")
        return 307, {"Location": picture.location or f"{self.url}/store/{found[1]}"}, b""

    def _store(self, path):
        picture = self.pictures[path.removeprefix("/store/")]
        length = {} if picture.length is None else {"Content-Length": str(picture.length)}
        named = {"Content-Type": picture.kind, "Content-Disposition": 'inline; filename="../../me.jpg"'}
        return 200, named | length, picture.data


class Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128  # the usual 5 would reset some of fifty connections at once


def handler(exchange):
    class Handler(BaseHTTPRequestHandler):
        def handle_any(self):
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
            try:
                status, headers, data = exchange.answer(
                    self.command, self.path, parse_qs(body, keep_blank_values=True), dict(self.headers))
            except Lost:
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()  # without a length the end of the connection ends the body
            try:
                self.wfile.write(data)
            except OSError:
                pass  # the client has seen enough

        do_GET = do_POST = handle_any

        def log_message(self, *_):
            """Say nothing."""

    return Handler
