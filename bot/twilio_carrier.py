"""The real carrier: `bot/carrier.py` over the Twilio REST API. The only module that imports the `twilio` package.

What the carrier answers is decided in one place, `_Http`, by one table, `ANSWERS`. No error text and no log line here
holds a number, a body or a secret: the carrier's own messages repeat the number, so they are left out and the code is
kept.
"""

import base64
import http.client
import json
import logging
import os
import re
import secrets
import stat
import urllib.error
import urllib.request
from datetime import UTC, timedelta
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urljoin, urlsplit

from twilio.base.exceptions import TwilioException
from twilio.base.values import unset
from twilio.http.http_client import TwilioHttpClient
from twilio.request_validator import HMAC_SHA1, HMAC_SHA256, RequestValidator
from twilio.rest import Client
from werkzeug.datastructures import MultiDict

from bot.carrier import (
    CarrierDown, CarrierError, CarrierRefused, CarrierUnsure, InboundText, MediaRefused, SentText, Status,
)
from bot.office import log
from bot.settings import Problem, SettingsError

API = "https://api.twilio.com"
SIGNATURE_HEADER = "X-Twilio-Signature"
STATUS_PATH = "/sms/status"
SHORTEST_VALID_S, LONGEST_VALID_S = 1, 36_000  # ValidityPeriod as the carrier documents it
PAGE_SIZE = 1000  # the most that the carrier puts on one page
MOST_PAGES = 100
NEWEST = 50  # how many are looked at that have no date of sending yet
LOOPBACK = ("127.0.0.1", "localhost")

MESSAGE_SID = re.compile(r"(SM|MM)[0-9a-fA-F]{32}")
PHONE = re.compile(r"\+[1-9]\d{1,14}|\d{3,8}", re.ASCII)  # E.164, or a short code
MEDIA_COUNT = re.compile(r"\d{1,2}", re.ASCII)
CODE = re.compile(r"[0-9A-Za-z]{0,10}")

# The carrier's word for a status -> ours. Before `sent` the carrier only says again that it has the text. A text that
# arrived in part is no proof that it can be read, so it waits for proof like one that is merely sent.
STATES = {
    "accepted": "sent", "scheduled": "sent", "queued": "sent", "sending": "sent", "sent": "sent",
    "partially_delivered": "sent", "delivered": "delivered", "read": "delivered",
    "undelivered": "undelivered", "failed": "failed", "canceled": "failed",
}


class Answer(NamedTuple):
    """What a carrier's code means. outcome: what becomes of the text.

    "later": not taken, tried again. "setup": the same, and every text fails until a person mends something, so it is
    logged as an error. "refused": for good; people are told. "report": comes in a status report, not to a call; the
    text has not arrived.
    """

    means: str
    outcome: str
    person: str


CALL = "reach the person by telephone"
UNKNOWN_REFUSAL = Answer("a refusal that this table does not know", "refused", f"{CALL}, and look the code up")
UNKNOWN_REPORT = Answer("a failure that this table does not know", "report", f"{CALL}, and look the code up")

# The carrier itself advises against deciding much by code (its change log of 2024-07-10, a Wednesday), and splits codes
# now and then: hence few outcomes, and a safe one for every code that is not here. Meanings: the carrier's pages at
# /docs/api/errors/CODE where read, else third-party lists or memory; outcomes are ours.
ANSWERS = {
    "20003": Answer("the account SID and the token or key do not belong together", "setup",
                    "mend the carrier's keys of the settings and the variables that they name, and start again"),
    "20404": Answer("there is no such account", "setup", "mend carrier.account_sid"),
    "20429": Answer("too many requests at once; this one was not processed", "later", "nothing, unless it stays so"),
    "21211": Answer("the recipient's number is not valid", "refused", "mend the number on file"),
    "21212": Answer("the sender's number is not valid", "setup", "mend carrier.number"),
    "21408": Answer("the account may not send to that country", "refused", f"{CALL}; allow the country at the carrier"),
    "21602": Answer("the text is empty", "refused", f"{CALL}, and report it: a mistake of this program"),
    "21603": Answer("the sender is missing", "setup", "mend carrier.number or carrier.messaging_service_sid"),
    "21604": Answer("the recipient is missing", "refused", "mend the number on file"),
    "21606": Answer("the sender's number is not the account's or cannot text", "setup", "mend carrier.number"),
    "21608": Answer("a trial account texts only to numbers verified there", "refused", f"{CALL}; upgrade the account"),
    "21610": Answer("the recipient has opted out", "refused", f"{CALL}; only their own START lifts it"),
    "21611": Answer("the sender's queue is full", "later", "send less, or get more numbers, if it stays so"),
    "21612": Answer("no way from this sender to that number", "refused", CALL),
    "21614": Answer("the number is no mobile number", "refused", f"{CALL}; ask for a mobile number"),
    "21617": Answer("the text is longer than 1600 characters", "refused", f"{CALL}, and report it: a mistake here"),
    "21635": Answer("the number is a landline", "refused", f"{CALL}; ask for a mobile number"),
    "21703": Answer("the messaging service has no number", "setup", "give the messaging service a number"),
    "30001": Answer("the carrier's queue overflowed", "report", CALL),
    "30002": Answer("the account is suspended", "report", "settle it with the carrier at once; nothing leaves"),
    "30003": Answer("the phone is off or out of reach", "report", CALL),
    "30004": Answer("blocked by the recipient or the network", "report", f"{CALL}; ask whether they opted out"),
    "30005": Answer("the number is unknown or no longer in use", "report", f"{CALL}, and mend the number on file"),
    "30006": Answer("a landline, or a network that cannot be reached", "report", f"{CALL}; ask for a mobile number"),
    "30007": Answer("filtered as unwanted by the network", "report", f"{CALL}, and look the wording over"),
    "30008": Answer("an unknown failure", "report", CALL),
    "30022": Answer("more texts than the number's registration allows", "report", "send less, or register for more"),
    "30032": Answer("the toll-free number is not verified", "report", "verify the number; every text fails"),
    "30034": Answer("the number is not registered for texting", "report", "register the number; every text fails"),
    "30036": Answer("it could not be delivered while it was of use", "report", CALL),
}

MOST_MEDIA_BYTES = 5 * 1024 * 1024  # the carrier takes no message with more (its page on the Media resource)
CHUNK = 64 * 1024
MEDIA_SUFFIX = {  # what a patient may well send of a site or a label. A contact card or a page is never wanted
    "image/jpeg": ".jpg", "image/png": ".png", "image/gif": ".gif", "image/webp": ".webp", "image/heic": ".heic",
    "image/heif": ".heif", "video/3gpp": ".3gp", "video/mp4": ".mp4", "application/pdf": ".pdf",
}
# Where the carrier keeps pictures and sends us on to, without our credentials. Seen in public reports on GitHub
# (vita-min #563, openclaw #144098), not in the carrier's own documents.
MEDIA_STORE = re.compile(r"([a-z0-9-]+\.)+twiliocdn\.com|s3-external-1\.amazonaws\.com")
MOST_HOPS = 3


def meaning(code):
    """The `Answer` for a code of a refused call or a status report; a safe one for a code that nobody knows."""
    return ANSWERS.get(str(code)) or (UNKNOWN_REPORT if re.fullmatch(r"3\d{4}", str(code)) else UNKNOWN_REFUSAL)


def from_settings(found, environ):
    """The carrier that `Settings` describe, its secrets from the environment. SettingsError names what is unset."""
    given, problems = found.carrier, []

    def secret(key):
        name = getattr(given, key)
        value = environ.get(name, "").strip() if name else ""
        if name and not value:
            problems.append(Problem(str(found.file), f"carrier.{key}", f"the environment variable {name} is not set",
                                    f"set {name} for both processes, or name another variable here"))
        return value

    auth_token, shared_key = secret("auth_token_variable"), secret("shared_key_variable")
    api_key, api_secret = secret("api_key_variable"), secret("api_secret_variable")
    if problems:
        raise SettingsError(problems)
    return TwilioCarrier(
        given.account_sid, (api_key, api_secret) if api_key else (given.account_sid, auth_token),
        shared_key if given.signature == HMAC_SHA256 else auth_token, found.sending.public_url,
        number=given.number, messaging_service_sid=given.messaging_service_sid, algorithm=given.signature,
        timeout_s=given.timeout_s)


class _Http(TwilioHttpClient):
    """The package's HTTP client: with a time-out, without retries, silent, and with our errors for what goes wrong.

    `base` stands for the API's address: tests put a loopback server there. Any other address is an AssertionError.
    """

    def __init__(self, base, timeout_s):
        # no pool: a connection that the carrier closed meanwhile would make a text "unsure" that never left
        super().__init__(pool_connections=False, timeout=timeout_s)
        self._base = base
        logging.getLogger("urllib3").setLevel(logging.WARNING)  # at DEBUG it logs addresses with numbers in them

    def log_request(self, kwargs):
        """Say nothing: the package would log the numbers of a listing."""

    def log_response(self, status_code, response):
        """Say nothing."""

    def request(self, method, url, *args, **kwargs):
        """The answer if it is 2xx. Raises CarrierDown, CarrierUnsure (of a POST only) or CarrierRefused."""
        if not url.startswith(API + "/"):
            raise AssertionError(f"{urlsplit(url).hostname} is not the API of the carrier")
        taken = CarrierUnsure if method.upper() == "POST" else CarrierDown  # reading again does no harm
        try:
            answer = super().request(method, self._base + url.removeprefix(API), *args, **kwargs)
        except UnicodeError:
            raise CarrierRefused("the text cannot be written as UTF-8") from None
        except OSError as error:  # every exception of the HTTP library is one; its words hold the number
            kind = type(error).__name__
            if _never_left(error):
                raise CarrierDown(f"no connection to the carrier ({kind})") from None
            raise taken(f"the call to the carrier broke after it was made ({kind})") from None
        if not 200 <= answer.status_code < 300:
            raise _failure(answer.status_code, _code(answer.text), taken)
        return answer


# By name: the HTTP library comes with the package, and is not to be imported for itself.
NEVER_LEFT = {"ConnectTimeout", "ConnectTimeoutError", "NewConnectionError", "SSLCertVerificationError"}


def _never_left(error):
    """Did the call fail before a single byte of it was written?"""
    seen = []
    while error is not None and error not in seen:
        if NEVER_LEFT & {cls.__name__ for cls in type(error).__mro__}:
            return True
        seen.append(error)
        error = error.__cause__ or error.__context__
    return False


def _code(text):
    """The carrier's own code in the body of an error, or None."""
    try:
        code = json.loads(text)["code"]
    except (ValueError, KeyError, TypeError):
        return None
    return str(code) if re.fullmatch(r"\d{1,6}", str(code)) else None


def _failure(http_status, code, taken):
    """The exception for an answer that is not 2xx. taken: the class for "it may have been taken"."""
    answer = meaning(code)
    if http_status == 429 or answer.outcome == "later" and http_status < 500:
        return CarrierDown(f"the carrier says later: {ANSWERS[code].means if code in ANSWERS else 'HTTP 429'}", code)
    account = code is None or code.startswith("20") and code not in ANSWERS  # 20xxx: about the account, not the text
    if http_status == 401 or http_status in (403, 404) and account:
        code, answer = code or str(http_status), ANSWERS["20404" if http_status == 404 else "20003"]
    if answer.outcome == "setup" and http_status < 500:
        # the text stays in the outbox and leaves when this is mended; the health page turns red meanwhile
        log.error("the carrier takes no text (%s): %s; %s", code, answer.means, answer.person)
        return CarrierDown(f"{answer.means}; {answer.person}", code)
    if 400 <= http_status < 500 and http_status != 408:  # 408 is a time-out of some proxy on the way
        return CarrierRefused(f"{answer.means}; {answer.person}", code or str(http_status))
    return taken(f"the carrier answered {http_status}", code)


class TwilioCarrier:
    """The `Carrier` of one account. Safe to call from several threads.

    account_sid: whose texts these are. login: (user, password) for the API: account SID and auth token, or API key and
    its secret. signing_secret, algorithm: check webhooks: the auth token for HMAC_SHA1, a shared key for HMAC_SHA256;
    never chosen by the request. public_url: where the carrier reaches us. number or messaging_service_sid: the sender.
    timeout_s: of the connection and again of the answer. api_url: another address only on loopback, else ValueError.
    """

    def __init__(self, account_sid, login, signing_secret, public_url, *, number=None, messaging_service_sid=None,
                 algorithm=HMAC_SHA1, timeout_s=5, api_url=API):
        parts = urlsplit(api_url)
        if api_url != API and (parts.scheme, parts.hostname in LOOPBACK) != ("http", True):
            raise ValueError(f"api_url: {api_url}: texts go to {API}, or in a test to http://127.0.0.1:PORT")
        if (number is None) == (messaging_service_sid is None):
            raise ValueError("number, messaging_service_sid: texts come from one of the two; give exactly one")
        if not all((*login, signing_secret)):
            raise ValueError("login, signing_secret: an empty one would let anybody in; give all of them")
        self.account_sid, self.number, self.messaging_service_sid = account_sid, number, messaging_service_sid
        self.timeout_s = timeout_s
        self._login, self._base, self._algorithm = login, api_url.rstrip("/"), algorithm
        self._status_url = public_url.rstrip("/") + STATUS_PATH
        self._validator = RequestValidator(signing_secret)
        # the package reads region and edge from the environment, which would send texts to another host: pass our own
        self._client = Client(*login, account_sid, http_client=_Http(self._base, timeout_s), environment={"": ""})
        self._pictures = {}  # message SID -> addresses, of the last listing: the next one overlaps it by an hour

    def __repr__(self):
        return f"TwilioCarrier({self.account_sid})"

    # --- sending ---

    def send(self, to_number, body, valid_for_s=None):
        """As the protocol says. valid_for_s is brought into 1..36000, the carrier's own limits; None leaves it at the
        carrier's own 36000 s.

        SmartEncoded is off: it would turn 1½ into 11/2, and a changed text is not found again by `sent_since`.
        """
        valid = unset if valid_for_s is None else min(max(int(valid_for_s), SHORTEST_VALID_S), LONGEST_VALID_S)
        try:
            message = self._client.messages.create(
                to=to_number, body=body, from_=self.number or unset,
                messaging_service_sid=self.messaging_service_sid or unset, status_callback=self._status_url,
                validity_period=valid, smart_encoded=False)
            sid = message.sid
        except (TwilioException, ValueError, AttributeError, TypeError):
            sid = None  # taken, and then an answer that cannot be read
        if not isinstance(sid, str) or not MESSAGE_SID.fullmatch(sid):
            raise CarrierUnsure("the carrier's answer has no message SID")
        return sid

    # --- listing ---

    def sent_since(self, to_number, since):
        """As the protocol says, oldest first."""
        texts = [SentText(record.sid, record.to, record.body or "", at)
                 for record, at in self._listed(since, to=to_number, from_=self.number or unset)
                 if at is not None and at >= since and record.to == to_number
                 and str(record.direction).startswith("outbound")]
        return sorted(texts, key=lambda text: text.sent_at)

    def inbound_since(self, since):
        """As the protocol says. `sent_at` is when the carrier made the record. A picture whose address cannot be had
        leaves the address of the message's list of pictures, so that nobody takes the text for one without."""
        rows = [(record, at) for record, at in self._listed(since, to=self.number or unset)
                if record.direction == "inbound" and (at is None or at >= since)]
        rows.sort(key=lambda row: row[1] or since)
        pictures, self._pictures = self._pictures, {}
        texts = []
        for record, at in rows:
            if not (MESSAGE_SID.fullmatch(record.sid or "") and PHONE.fullmatch(record.from_ or "")):
                log.warning("%s on the carrier's list is no text from a phone", record.sid)
                continue
            media = ()
            if record.num_media not in (None, "0", 0):
                media = pictures.get(record.sid) or self._media_of(record.sid)
                self._pictures[record.sid] = media
            texts.append(InboundText(record.sid, record.from_, record.to, record.body or "", media, at))
        return texts

    def _listed(self, since, **chosen):
        """(record, when the carrier made it: aware UTC or None) of every message that may be of `since` or later.

        The carrier filters by the day, in GMT, on which it *sent* a text. One still in its queue has no such day, so
        the newest page without that filter is read as well.
        """
        if since.tzinfo is None:
            raise ValueError(f"since: {since} has no time zone; pass an aware time")
        day = (since.astimezone(UTC) - timedelta(days=1)).date().isoformat()  # a day of margin: the times decide
        records = [*self._page(page_size=NEWEST, **chosen),
                   *self._page(pages=MOST_PAGES, page_size=PAGE_SIZE, date_sent_after=day, **chosen)]
        # turned round: the carrier lists the newest first, and its times are whole seconds
        return [(record, record.date_created or record.date_sent)
                for record in reversed({record.sid: record for record in records}.values())]

    def _page(self, pages=None, **query):
        """The records of one page, or of all pages up to the bound `pages`; CarrierDown when there are more."""
        found = []
        try:
            page = self._client.messages.page(**query)
            found += page
            while pages and page.next_page_url:
                pages -= 1
                if not pages:
                    raise CarrierDown("the carrier's list does not end; part of it would pass for the whole")
                page = page.next_page()
                found += page
        except CarrierRefused as error:  # of a reading: nothing was to be taken
            raise CarrierDown(str(error), error.code) from None
        except (TwilioException, ValueError, AttributeError, KeyError, TypeError) as error:
            raise CarrierDown(f"the carrier's list cannot be read ({type(error).__name__})") from None
        return found

    def _media_of(self, sid):
        try:
            return tuple(API + media.uri.removesuffix(".json") for media in self._client.messages(sid).media.page(
                page_size=PAGE_SIZE))
        except (CarrierError, TwilioException, ValueError, AttributeError, KeyError, TypeError) as error:
            log.warning("pictures of %s not listed: %s", sid, type(error).__name__)
            return (f"{API}/2010-04-01/Accounts/{self.account_sid}/Messages/{sid}/Media",)

    # --- webhooks ---

    def genuine(self, url, form, headers):
        """As the protocol says; never raises. Only the configured algorithm and secret count, whatever the request
        says of its own signature."""
        try:
            given = [value for name, value in headers.items() if name.lower() == SIGNATURE_HEADER.lower()]
            if len(given) != 1 or not isinstance(given[0], str) or not all(map(_is_list, form.values())):
                return False
            return self._validator.validate(url, MultiDict(form), given[0], self._algorithm)
        except (AttributeError, TypeError, ValueError):
            return False  # not the shape of a request at all

    def read_inbound(self, form):
        """As the protocol says; `sent_at` None (the form carries no time). Fields that nobody knows are let be."""
        count = int(_one(form, "NumMedia", MEDIA_COUNT))
        return InboundText(
            carrier_id=_one(form, "MessageSid", MESSAGE_SID), from_number=_one(form, "From", PHONE),
            to_number=_one(form, "To", PHONE), body=_one(form, "Body"),
            media=tuple(_one(form, f"MediaUrl{n}") for n in range(count)))

    def read_status(self, form):
        """As the protocol says; a status before `sent` reads as `sent`: the carrier has the text."""
        state = _one(form, "MessageStatus")
        if state not in STATES:
            raise ValueError(f"form field MessageStatus: {state!r} is no status of a text; known: {', '.join(STATES)}")
        code = _one(form, "ErrorCode", CODE) if "ErrorCode" in form else ""
        return Status(_one(form, "MessageSid", MESSAGE_SID), STATES[state], code if code.strip("0") else None)

    # --- pictures ---

    def fetch_media(self, url, folder):
        """Fetch one picture of one of our messages into `folder` under a random name; its Path.

        Only from this account's own part of the API, where the credentials go, and from where the API sends on to,
        without them. The folder is made 0700, the file 0600. Raises MediaRefused (place, kind, size, gone),
        CarrierDown (try later), ValueError for a folder that others can read.
        """
        folder = _private(Path(folder))
        with self._media_response(url) as response:
            kind = response.headers.get_content_type()
            if kind not in MEDIA_SUFFIX:
                raise MediaRefused(f"{kind} is not fetched; taken are {', '.join(MEDIA_SUFFIX)}")
            length = response.headers.get("Content-Length", "")
            expected = int(length) if length.isascii() and length.isdigit() else None
            return _stored(response, expected, folder / (secrets.token_hex(16) + MEDIA_SUFFIX[kind]))

    def _media_response(self, url):
        own = re.compile(rf"/2010-04-01/Accounts/{self.account_sid}/Messages/(SM|MM)[0-9a-fA-F]{{32}}"
                         r"/Media/ME[0-9a-fA-F]{32}(\.[a-z0-9]{2,5})?")
        if not isinstance(url, str) or not url.startswith(API + "/") or not own.fullmatch(url.removeprefix(API)):
            raise MediaRefused("the address is not that of a picture of this account; only those are fetched")
        token = base64.b64encode(":".join(self._login).encode()).decode()
        url, headers = self._base + url.removeprefix(API), {"Authorization": f"Basic {token}"}
        for _ in range(MOST_HOPS + 1):
            response = self._get(url, headers)
            if response.status == 200:
                return response
            with response:
                location = response.headers.get("Location")
                url, headers = location and urljoin(url, location), {}
            if not self._is_store(url):
                where = urlsplit(url or "").hostname
                raise MediaRefused(f"the carrier sends on to {where}, which is no known store of pictures")
        raise MediaRefused("the carrier sends on and on")

    def _is_store(self, url):
        parts = urlsplit(url or "")
        if self._base != API:
            return bool(url) and url.startswith(self._base + "/")
        return parts.scheme == "https" and bool(MEDIA_STORE.fullmatch(parts.netloc))

    def _get(self, url, headers):
        """The response, 200 or a redirect."""
        try:
            response = _OPENER.open(urllib.request.Request(url, headers=headers), timeout=self.timeout_s)
            if response.status == 200:
                return response
            response.close()
            raise CarrierDown(f"the carrier answered {response.status} for a picture", str(response.status))
        except urllib.error.HTTPError as error:
            if error.code in (301, 302, 303, 307, 308):
                return error
            error.close()
            if error.code in (404, 410):
                raise MediaRefused("the carrier has the picture no more", str(error.code)) from None
            if error.code in (401, 403):
                log.error("the carrier gives no picture (%s): %s", error.code, ANSWERS["20003"].person)
            raise CarrierDown(f"the carrier answered {error.code} for a picture", str(error.code)) from None
        except (OSError, http.client.HTTPException) as error:
            raise CarrierDown(f"no picture from the carrier ({type(error).__name__})") from None


class _StandStill(urllib.request.HTTPRedirectHandler):
    """Follow nothing by itself: where a redirect leads is looked at first, and the credentials stay behind."""

    def redirect_request(self, *_):
        return None


_OPENER = urllib.request.build_opener(_StandStill)


def _private(folder):
    try:
        folder.mkdir(mode=0o700)
    except FileExistsError:
        pass  # perhaps made by somebody else: looked at like any other
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_mode & 0o077:
        raise ValueError(f"{folder}: pictures of patients need a folder that nobody else can read; chmod 700 {folder}")
    return folder


def _stored(response, expected, path):
    """Write what comes to `path`, at most MOST_MEDIA_BYTES; nothing is left behind when that fails."""
    def too_big():
        return MediaRefused(f"the picture has more than {MOST_MEDIA_BYTES} bytes")

    if expected is not None and expected > MOST_MEDIA_BYTES:
        raise too_big()
    size = 0
    try:
        with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            while chunk := _chunk(response):
                size += len(chunk)
                if size > MOST_MEDIA_BYTES:
                    raise too_big()
                file.write(chunk)
        if not size or expected not in (None, size):
            raise CarrierDown(f"the picture broke off after {size} bytes")
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return path


def _chunk(response):
    try:
        return response.read(CHUNK)
    except (OSError, http.client.HTTPException) as error:
        raise CarrierDown(f"the picture broke off ({type(error).__name__})") from None


def _is_list(values):
    return not isinstance(values, str) and len(values) > 0 and all(isinstance(value, str) for value in values)


def _one(form, name, pattern=None):
    """The single value of a form field; ValueError names a field that is missing, repeated or badly formed."""
    values = form.get(name) or []
    if not values or not _is_list(values) or len(values) != 1:
        raise ValueError(f"form field {name}: not there exactly once, as a list of one text; the carrier sends it so")
    if pattern and not pattern.fullmatch(values[0]):
        raise ValueError(f"form field {name}: {values[0]!r} is not what the carrier sends; expected {pattern.pattern}")
    return values[0]
