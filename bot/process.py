"""The two processes of an installation: the web under waitress, and the worker."""

import logging
import os
import signal
import sys
import threading

from waitress.server import create_server

from bot import twilio_carrier, watch
from bot.carrier import CarrierError
from bot.cli import clock_of
from bot.office import Office, practice_of
from bot.simulated import HttpSimulated
from bot.web import MOST_BYTES, create_app
from bot.worker import Worker
from flows import content
from flows.reader import read
from flows.words import LANGS

THREADS = 8


def carrier_of(found):
    """The carrier that the settings name. CarrierError for a kind that has no adapter."""
    if found.carrier.kind == "simulated":
        return HttpSimulated(found.carrier.url, found.carrier.secret, found.carrier.number)
    if found.carrier.kind == "twilio":
        return twilio_carrier.from_settings(found, os.environ)
    raise CarrierError(f"carrier.kind {found.carrier.kind!r} has no adapter")


def office_of(desk, name):
    """The `Office` of one process, from the settings. The database is made or migrated, and the tables of words are
    read: the first text must not wait for that, and a broken table must show now."""
    found = desk.settings
    for lang in LANGS:
        content.pack(lang)
        read("", lang=lang)
    return Office(desk.path, practice_of(found), carrier_of(found), clock_of(found), name), found


def serve(desk, host, port):
    """Run the web process until SIGINT or SIGTERM; the exit status."""
    _log()
    _stop_on(_interrupt)
    try:
        return _serve(desk, host, port)
    except KeyboardInterrupt:
        return 0


def _serve(desk, host, port):
    office, found = office_of(desk, "web")
    app = create_app(office, found.sending.public_url)
    try:
        server = create_server(app, host=host, port=port, threads=THREADS, max_request_body_size=MOST_BYTES)
    except OSError as error:
        print(f"ebbline: {host}:{port} cannot be listened on ({error.strerror}); take another --port, "
              "or stop the other program", file=sys.stderr)
        return 1
    print(f"ebbline serve: listening on http://{host}:{port}", flush=True)
    end_watch = watch.start(office, "worker", own="web")
    try:
        server.run()  # an interrupt ends it, once the requests at hand are carried out
    finally:
        end_watch()
        server.close()
    return 0


def work(desk):
    """Run the worker process until SIGINT or SIGTERM; the exit status."""
    _log()
    stop = threading.Event()
    _stop_on(lambda *_: stop.set())
    office, _ = office_of(desk, f"worker-{threading.get_native_id()}")
    print("ebbline work: working", flush=True)
    end_watch = watch.start(office, "web")
    Worker(office).run(stop)
    end_watch()
    office.close()
    return 0


def _stop_on(handler):
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handler)


def _interrupt(*_):
    raise KeyboardInterrupt


def _log():
    # ids only: no body, no number is ever logged
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    for other in ("waitress", "transitions"):
        logging.getLogger(other).setLevel(logging.WARNING)
