"""The web process: the carrier's webhooks and the health page. Every text is committed before it is answered 200."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from bot import reception, sender
from bot.office import log, trace
from store import post, record
from store.database import DatabaseError, moment, reading

MOST_BYTES = 64 * 1024  # a text of 1,600 characters with every field the carrier sends fits many times
STALE_S = 120  # a part of the program that left no mark for so long does not run
NO_DATABASE = (sqlite3.Error, DatabaseError)
EMPTY = '<?xml version="1.0" encoding="UTF-8"?><Response />'


def create_app(office, public_url, in_background=True):
    """The Flask app of one practice.

    public_url: the configured address under which the carrier reaches us; signatures are checked against it and never
    against what the request says of itself. in_background: send safety texts in a thread after the answer; False (a
    rehearsal) sends them before it.
    """
    app = Flask("ebbline")
    app.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="safety") if in_background else None
    public_url = public_url.rstrip("/")

    def send_now(ids):
        if not ids:
            return
        if pool:
            pool.submit(_send_safety, office, ids)
        else:
            sender.send_ready(office, ids)

    def genuine():
        query = request.query_string.decode("latin-1")
        url = public_url + request.path + (f"?{query}" if query else "")
        return office.carrier.genuine(url, request.form.to_dict(flat=False), request.headers)

    def bad_form(error):
        log.error("%s: %s", request.path, str(error).partition(":")[0])  # what follows may be a number
        return Response(f"{error}\n", 400)

    def not_recorded(error):
        log.error("%s not recorded: %s", request.path, error)
        return Response("not recorded, please send again\n", 503)

    @app.post("/sms/inbound")
    def inbound():
        if not genuine():
            return Response("signature missing or wrong\n", 403)
        try:
            text = office.carrier.read_inbound(request.form.to_dict(flat=False))
        except ValueError as error:
            return bad_form(error)
        try:
            inbound_id = reception.receive(office, text)
        except NO_DATABASE as error:
            return not_recorded(error)
        if inbound_id is not None:
            send_now(reception.handle(office, inbound_id))
        return Response(EMPTY, 200, content_type="text/xml")

    @app.post("/sms/status")
    def status():
        if not genuine():
            return Response("signature missing or wrong\n", 403)
        try:
            report = office.carrier.read_status(request.form.to_dict(flat=False))
        except ValueError as error:
            return bad_form(error)
        try:
            send_now(sender.take_report(office, report))
        except NO_DATABASE as error:
            return not_recorded(error)
        return Response("", 204)

    @app.get("/healthz")
    def health():
        try:
            found = health_of(office)
        except NO_DATABASE as error:
            return {"ok": False, "error": str(error)}, 503
        return found, 200 if found["ok"] else 503

    @app.errorhandler(Exception)
    def unexpected(error):
        if isinstance(error, HTTPException):
            return error
        log.error("%s: %s", request.path, trace(error))
        return Response("not done\n", 500)

    return app


def _send_safety(office, ids):
    try:
        sender.send_ready(office, ids)
    except Exception as error:  # noqa: BLE001 - the row is written; the worker is the second chance
        log.error("safety texts left to the worker: %s", trace(error))


def health_of(office):
    """Ages in seconds of the last worker tick, the oldest unsent text and the oldest unhandled one; None when none."""
    now = office.clock.now()
    with reading(office.db()) as db:
        beat = record.beats(db).get("worker")
        unsent, unhandled, failed = post.oldest_unsent(db, now), post.oldest_unhandled(db), post.count_failed(db)

    def age(at):
        return None if at is None else round((now - at).total_seconds(), 1)

    worker_age, unsent_age, unhandled_age = age(moment(beat)), age(unsent), age(unhandled)
    ok = worker_age is not None and max(worker_age, unsent_age or 0, unhandled_age or 0) < STALE_S
    return {"ok": ok, "worker_age_s": worker_age, "oldest_unsent_s": unsent_age, "oldest_unhandled_s": unhandled_age,
            "unreadable": failed}
