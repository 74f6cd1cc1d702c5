"""A whole practice in one process on a pretended clock: web, worker, sender and the simulated carrier.

Rehearsals, the demo and tests play on it. Texts go through the real webhook; time moves from one due thing to the next,
so that nothing happens earlier or later than its time.
"""

from datetime import timedelta

from bot.clock import ManualClock
from bot.office import Office
from bot.sender import send_ready
from bot.simulated import SimulatedCarrier, WebhookFailed
from bot.web import create_app
from bot.worker import Worker

PUBLIC_URL = "http://127.0.0.1:8080"
NUMBER = "+13125550100"
SECRET = "rehearsal"
MINUTE = timedelta(minutes=1)
STUCK = 10_000  # due things at one moment; more than this is a loop


class Stage:
    """One practice being played. `now` is the pretended time; `texts` goes through the webhook."""

    def __init__(self, path, practice, start_at):
        self.clock = ManualClock(start_at)
        self.carrier = SimulatedCarrier(self.clock, NUMBER, SECRET, self._deliver, self._report, public_url=PUBLIC_URL)
        self.office = Office(path, practice, self.carrier, self.clock, "stage")
        self.app = create_app(self.office, PUBLIC_URL, in_background=False)
        self.worker = Worker(self.office)
        self.worker_down_until = None
        self.senders = {}  # carrier id of an inbound text to the name of who sent it

    @property
    def now(self):
        return self.clock.now()

    def _deliver(self, form, headers):
        self._post("/sms/inbound", form, headers)

    def _report(self, form, headers):
        self._post("/sms/status", form, headers)

    def _post(self, path, form, headers):
        reply = self.app.test_client().post(path, data=form, headers=headers)
        if reply.status_code >= 300:
            raise WebhookFailed(f"{path} answered {reply.status_code}: {reply.get_data(as_text=True).strip()}")

    def texts(self, number, body, media=0, name=None, deliver=True):
        """A phone texts us; what is due at this moment is done. The carrier's id of the text."""
        pictures = tuple(f"{PUBLIC_URL}/media/{n}" for n in range(media))
        text = self.carrier.phone_texts(number, body, pictures, deliver=False)
        self.senders[text.carrier_id] = name or number
        if deliver:
            self.carrier.deliver_again(text.carrier_id)
            self.settle()
        return text.carrier_id

    def deliver(self, carrier_id):
        """The carrier delivers a text that it holds, or delivers it again."""
        self.carrier.deliver_again(carrier_id)
        self.settle()

    def settle(self):
        """Do everything that is due now."""
        self.advance_to(self.now)

    def advance_to(self, at):
        """Move the clock to `at`, stopping at everything that falls due on the way."""
        for _ in range(STUCK):
            due = self.next_at()
            if due is None or due > at:
                break
            self.clock.move_to(max(due, self.now))
            before = (len(self.carrier.texts), due)
            self._do_due()
            if self.next_at() == due and (len(self.carrier.texts), due) == before:
                # nothing more can be done about it at this moment (a lease, a failure): look again a little later
                if self.now + timedelta(seconds=1) > at:
                    break
                self.clock.move(timedelta(seconds=1))
        if at > self.now:
            self.clock.move_to(at)
        self._do_due()

    def advance(self, **span):
        """Let so much time pass: `advance(hours=2)`."""
        self.advance_to(self.now + timedelta(**span))

    def worker_runs(self):
        """Is the worker up?"""
        return self.worker_down_until is None or self.now >= self.worker_down_until

    def _do_due(self):
        self.carrier.run_due(self.now)
        if self.worker_runs():
            self.worker.tick()
            self.carrier.run_due(self.now)

    def next_at(self):
        """When something is due next (the carrier's reports among it), or None."""
        moments = [self.carrier.next_due_at()]
        if self.worker_runs():
            moments.append(self.worker.next_at())
            if self.carrier.missed:
                moments.append((self.worker.listed_at or self.now) + MINUTE)
        else:
            moments.append(self.worker_down_until)
        found = [at for at in moments if at is not None]
        return min(found, default=None)

    def send_now(self):
        """Send whatever is ready (for tests of the sender alone)."""
        return send_ready(self.office)

    def close(self):
        """Close this thread's database."""
        self.office.close()
