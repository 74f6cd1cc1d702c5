"""What the deciding part knows (`World`) and what it can ask for (`Effect`s in a `Decision`).

Everything here is frozen and free of I/O. `store` builds a `World` and carries a `Decision` out in one
transaction; nothing has changed until then. Ids are the store's row ids; a case code names a matter or a
task from outside and inside, so that a decision can open a matter and page about it in one breath.
"""

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from flows import regimen
from flows.hours import Hours, Quiet
from flows.schedule import Change
from flows.words import Reading


@dataclass(frozen=True)
class Practice:
    """The practice's own settings as the flows use them. Minutes and hours are whole numbers."""

    name: str
    emergency_number: str
    crisis_line: str
    practice_number: str
    fallback_number: str
    zone: str
    hours: Hours
    quiet: Quiet
    answer_within_minutes: dict
    ask_minutes: int
    silent_while_infusing_minutes: int
    call_back_hours: int
    delivery_wait_minutes: int
    second_reminder_minutes: int = 120
    coordinator_after_minutes: int = 240
    window_hours: int = 24
    grace_minutes: int = 10
    put_off_minutes: int = 120
    reminder_useful_minutes: int = 180
    unsigned_content: bool = False
    asks_lots: bool = False
    first_infusions: int = 2
    hold_lead_hours: int = 6
    gap_limit_days: int = 56
    site_rule: str = "rotate"  # or "same": see flows.rotation
    sites_in_reminder: bool = False
    site_areas: tuple[str, ...] = ("belly", "thigh")
    site_rest_days: int = 0
    site_avoid_days: int = 14
    site_spacing_in: float = 4
    refill_lead_days: int = 7
    late_window_hours: int = 0  # a missed dose may be caught up so long after its time; 0: a nurse is asked
    lead_minutes: int = 0  # so long before the dose goes its reminder
    follow_up_hours: tuple[int, ...] = (24, 48)  # after a reaction: is it gone?


@dataclass(frozen=True)
class Phone:
    """One telephone. `opted_out_at` stands until an opt-in; `stopped_why` once the number was found to be wrong."""

    id: int
    number: str
    opted_out_at: datetime | None = None
    stopped_why: str | None = None


@dataclass(frozen=True)
class Speaker:
    """A person who texts from `phone` for a patient: the patient (role `patient`) or a `caregiver`."""

    name: str
    role: str
    phone: Phone


@dataclass(frozen=True)
class Staff:
    """A nurse, manager or coordinator with the phone that reaches her."""

    id: int
    name: str
    role: str
    phone: Phone


@dataclass(frozen=True)
class Order:
    """The prescriber's instruction as given to us. mL, g/mL, mL/h per site, mm. `next_due_at` is the next occasion not
    yet dealt with. profile: key of the product profile it is looked at beside."""

    id: int
    volume_ml: float
    strength_g_per_ml: float
    sites: int
    rate_ml_per_h_per_site: float
    every: str
    weekdays: tuple[str, ...]
    clock_local: str
    starts_on: date
    ends_on: date | None = None
    next_due_at: datetime | None = None
    held_at: datetime | None = None
    held_why: str | None = None
    held_case: str | None = None
    gap_limit_days: int | None = None
    product: str | None = None
    profile: str | None = None
    until_on: date | None = None  # the day before the next order takes over
    needle_mm: float | None = None
    gauge: int | None = None

    @property
    def minutes(self):
        """Expected minutes of one infusion (`regimen.minutes`)."""
        return regimen.minutes(self.volume_ml, self.sites, self.rate_ml_per_h_per_site, self.profile, self.strength_g_per_ml)

    @property
    def ml_per_site(self):
        """mL at each site, when they share alike."""
        return self.volume_ml / self.sites


@dataclass(frozen=True)
class Infusion:
    """One dose. State: planned, running, done, stopped, skipped, missed or held. None means "not answered"."""

    id: int
    order_id: int
    due_on: date
    due_at: datetime
    state: str
    reminded_at: datetime | None = None
    started_at: datetime | None = None
    started_by: str | None = None
    ended_at: datetime | None = None
    volume_ml: float | None = None
    why: str | None = None
    extra: int = 0  # 0 is the occasion's own dose; further doses told of on that date count up
    minutes: int | None = None
    how: str | None = None  # how it went: fine, problem or unwell
    asked: tuple[str, ...] = ()  # questions of the check-in that were asked, each once
    sites: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()

    @property
    def key(self):
        """What names this dose in an effect: (order_id, due_on, extra)."""
        return self.order_id, self.due_on, self.extra


@dataclass(frozen=True)
class Talk:
    """Where a patient's conversation stands. `asked_phone_id` is the phone that the open question went to. about: the
    complaint that waits for its advice, as `flows.advice.Complaint.written`."""

    state: str = "idle"
    back_to: str = "idle"
    asked_phone_id: int | None = None
    infusion_id: int | None = None
    unclear: int = 0
    about: str = ""


@dataclass(frozen=True)
class Matter:
    """An open escalation. `raised_at` is when it was last opened or made worse: an acknowledgement before that no
    longer counts. `nobody_told_at`: the patient has heard that nobody has answered yet. `seen`: the kinds and topics
    that it has been raised for."""

    id: int
    case: str
    disposition: str
    topic: str
    kind: str | None
    opened_at: datetime
    raised_at: datetime
    patient_id: int | None = None
    phone_id: int | None = None
    acknowledged_at: datetime | None = None
    acknowledged_by: int | None = None
    nobody_told_at: datetime | None = None
    told_more_at: datetime | None = None
    from_number: str | None = None
    seen: tuple[str, ...] = ()
    closed_at: datetime | None = None
    detail: str | None = None

    @property
    def about(self):
        """What a page calls it: the detail where there is one, else the topic."""
        return self.detail or self.topic

    @property
    def taken(self):
        """A nurse has it, and nothing worse has come since."""
        return self.acknowledged_at is not None and self.acknowledged_at >= self.raised_at


@dataclass(frozen=True)
class Reaction:
    """A reaction told of: kind, site, when it was told, row id of its dose. `gone_at` None: not known to be gone."""

    kind: str
    site: str | None
    told_at: datetime
    infusion_id: int | None = None
    gone_at: datetime | None = None


@dataclass(frozen=True)
class Entry:
    """One line of a patient's supply ledger. kind: `delivery` (adds `amount`), `count` (so many are there; None: low, the
    number not told) or `refill` (a task was opened for it). `id` parts what was written at the same moment."""

    id: int
    item: str
    kind: str
    amount: int | None
    at: datetime


@dataclass(frozen=True)
class Use:
    """A dose that was begun at `at`, and what its order uses for one, {item: number}."""

    at: datetime
    needs: dict


@dataclass(frozen=True)
class Ledger:
    """What a stock is computed from (`flows.supply`). `needs`: what the current order uses for one infusion."""

    entries: tuple[Entry, ...] = ()
    uses: tuple[Use, ...] = ()
    needs: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Page:
    """One message to one nurse about one matter. `state` is that of its text: waiting, sent, delivered, failed."""

    id: int
    matter_id: int
    staff_id: int | None
    step: int
    made_at: datetime
    state: str
    sent_at: datetime | None = None


@dataclass(frozen=True)
class Task:
    """Something for a person to do by `due_at`. Owner is a group: `nurse` or `coordinator`."""

    id: int
    case: str
    owner: str
    about: str
    due_at: datetime
    patient_id: int | None = None
    overdue_told_at: datetime | None = None


@dataclass(frozen=True)
class Patient:
    """One patient with everything a decision may need. `infusions` newest first; `matters` and `tasks` open ones."""

    id: int
    name: str
    initials: str
    lang: str
    zone: str
    state: str
    epinephrine: bool = False
    wording: str = "open"
    other_lang: int = 0
    first_order: bool = True  # no earlier order of another product on record
    reactions: tuple = ()  # not known to be gone
    troubles: tuple = ()  # every reaction of late, gone or not, newest first
    supplies: Ledger = Ledger()
    born_on: date | None = None
    weight_kg: float | None = None
    speakers: tuple[Speaker, ...] = ()
    order: Order | None = None
    talk: Talk = Talk()
    infusions: tuple[Infusion, ...] = ()
    matters: tuple[Matter, ...] = ()
    tasks: tuple[Task, ...] = ()
    home_zone: str = ""  # `zone` is the one she is in just now; this is the one she lives in ("": the same)
    changes: tuple[Change, ...] = ()  # to her schedule, and the practice's holidays
    times: dict = field(default_factory=dict)  # her own times, by the fields of `Practice`
    next_order: "Order | None" = None  # the one that takes over on its first date

    def practice(self, practice):
        """The practice's settings as they are for this patient."""
        return replace(practice, **self.times)


@dataclass(frozen=True)
class World:
    """What one decision is taken on. `ladder`: the people to page, first rung first. `codes`: free case codes, in
    the order they are to be used. `pending`: the question a phone was asked that is not one patient's."""

    now: datetime
    practice: Practice
    ladder: tuple[Staff, ...]
    codes: tuple[str, ...]
    patients: tuple[Patient, ...] = ()
    staff: tuple[Staff, ...] = ()
    matters: tuple[Matter, ...] = ()
    tasks: tuple[Task, ...] = ()
    phone: "Phone | None" = None  # the phone that the text or time-out is about
    pending: "Pending | None" = None
    paged: dict = field(default_factory=dict)  # matter id to the Staff who were paged about it
    recent: tuple[str, ...] = ()  # what we sent to the phone lately, newest first
    wrote: dict = field(default_factory=dict)  # matter id to the phones (Phone) that wrote about it

    def patient(self, patient_id):
        """The patient with this id, or None."""
        return next((patient for patient in self.patients if patient.id == patient_id), None)


@dataclass(frozen=True)
class Pending:
    """A question to a phone about a text that could not be placed: `which` (patient?) or `nurse_self`."""

    asked: str
    inbound_id: int
    body: str
    asked_at: datetime


@dataclass(frozen=True)
class Inbound:
    """One received text, already recorded."""

    id: int
    phone: Phone | None
    from_number: str
    body: str
    media_count: int
    received_at: datetime
    recovered: bool = False
    ready: "Reading | None" = field(default=None, compare=False)


@dataclass(frozen=True)
class Timer:
    """A time-out that the worker finds due. `kind` says which question or wait it ends."""

    id: int
    kind: str
    due_at: datetime
    patient_id: int | None = None
    phone_id: int | None = None
    infusion_id: int | None = None
    data: str = ""


# --- effects ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Text:
    """A text to go out. `kind` as in the rehearsal's events. `safety` rows are sent by the web process at once.

    occasion: UNIQUE key `order/date/kind`: a second text with the same key is never written.
    timer: kind of the patient's time-out to bring forward if this text cannot be delivered.
    """

    number: str
    body: str
    kind: str
    entry: str
    patient_id: int | None = None
    case: str | None = None
    safety: bool = False
    not_before: datetime | None = None
    useless_after: datetime | None = None
    occasion: str | None = None
    timer: str | None = None


@dataclass(frozen=True)
class OpenMatter:
    case: str
    disposition: str
    topic: str
    kind: str | None
    patient_id: int | None
    phone_id: int | None
    from_number: str | None
    words: str
    detail: str | None = None


@dataclass(frozen=True)
class RaiseMatter:
    """What came is worse, or of another kind. Only when it is worse does it give the matter its name, and the ladder
    starts afresh (an acknowledgement before it no longer counts)."""

    case: str
    worse: bool
    disposition: str
    topic: str
    kind: str | None
    words: str
    detail: str | None = None


@dataclass(frozen=True)
class NoteMatter:
    """Words filed on a matter. `told`: the nurse was told by a text now."""

    case: str
    who: str
    words: str
    told: bool = False


@dataclass(frozen=True)
class TakeMatter:
    case: str
    staff_id: int


@dataclass(frozen=True)
class CloseMatter:
    case: str
    staff_id: int
    outcome: str


@dataclass(frozen=True)
class PlaceMatter:
    """It is clear now whom a matter is about."""

    case: str
    patient_id: int


@dataclass(frozen=True)
class DropTexts:
    """Texts of these entries to this number that have not left yet are not to leave any more."""

    number: str
    entries: tuple[str, ...]


@dataclass(frozen=True)
class NobodyTold:
    case: str


@dataclass(frozen=True)
class MakePage:
    """One page to one nurse (`staff_id` None: the practice's fallback number)."""

    case: str
    staff_id: int | None
    number: str
    step: int
    body: str


@dataclass(frozen=True)
class OpenTask:
    case: str
    owner: str
    about: str
    words: str
    due_at: datetime
    patient_id: int | None


@dataclass(frozen=True)
class EndTask:
    case: str
    staff_id: int | None
    outcome: str


@dataclass(frozen=True)
class TaskTold:
    case: str


@dataclass(frozen=True)
class SetTalk:
    patient_id: int
    talk: Talk


@dataclass(frozen=True)
class PutInfusion:
    """Create the infusion of (order, due_on, extra), or change the one that is there. `changes`: column to value."""

    order_id: int
    due_on: date
    due_at: datetime
    changes: dict
    extra: int = 0


@dataclass(frozen=True)
class AddReaction:
    """A reaction told of; `infusion` is the key of its dose (see `Infusion.key`), or None."""

    patient_id: int
    infusion: tuple | None
    kind: str
    site: str | None
    words: str


@dataclass(frozen=True)
class PutSites:
    """The sites of a dose, in place of what was there. `infusion`: the key of the dose."""

    infusion: tuple
    sites: tuple[str, ...]


@dataclass(frozen=True)
class PutLots:
    """The lots of a dose, each with its mL or None, in place of what was there."""

    infusion: tuple
    lots: tuple[tuple[str, float | None], ...]


@dataclass(frozen=True)
class MendReaction:
    """How much the newest open reactions of a patient bother (0 to 10), where the newest one is, or that they are gone."""

    patient_id: int
    bother: int | None = None
    gone: bool = False
    site: str | None = None
    words: str | None = None  # told later, added to the newest one's own
    since: datetime | None = None


@dataclass(frozen=True)
class PutSupply:
    """One line more in a patient's supply ledger: see `Entry`. who: by whose word."""

    patient_id: int
    item: str
    kind: str
    amount: int | None
    who: str


@dataclass(frozen=True)
class SetLang:
    """The language that a patient is texted in, and how many texts in a row were in the other one."""

    patient_id: int
    lang: str
    other_lang: int


@dataclass(frozen=True)
class EndPatient:
    """No longer served here: no reminder, no question. Every phone of hers that speaks for nobody else is stopped."""

    patient_id: int
    why: str


@dataclass(frozen=True)
class HoldOrder:
    """No reminder until a nurse releases it; `case` is the matter or task that it is held under."""

    order_id: int
    why: str
    case: str | None = None


@dataclass(frozen=True)
class ReleaseOrder:
    order_id: int
    staff_id: int


@dataclass(frozen=True)
class SetNextDue:
    """The next occasion of an order, and when its reminder is to go."""

    order_id: int
    next_due_at: datetime | None
    remind_at: datetime | None


@dataclass(frozen=True)
class PutChange:
    """One change more to a patient's schedule (None: the practice's)."""

    patient_id: int | None
    change: Change
    why: str | None = None


@dataclass(frozen=True)
class DropChange:
    """A change no longer holds; `until_on`: it holds to this date."""

    change_id: int
    until_on: date | None = None


@dataclass(frozen=True)
class MoveInfusion:
    """A dose that has not begun is due on another date or time; it waits for its reminder there."""

    order_id: int
    due_on: date
    to_on: date
    due_at: datetime


@dataclass(frozen=True)
class TakeOver:
    """The order that waits is the current one from now on; a hold goes with it."""

    patient_id: int
    order_id: int


@dataclass(frozen=True)
class SetLead:
    """The occasion at `next_due_at` has been looked at ahead of its time."""

    order_id: int
    next_due_at: datetime


@dataclass(frozen=True)
class SetTimer:
    """One time-out of this kind per patient (or per phone): a later one replaces it."""

    kind: str
    due_at: datetime
    patient_id: int | None = None
    phone_id: int | None = None
    infusion_id: int | None = None
    data: str = ""


@dataclass(frozen=True)
class ClearTimers:
    patient_id: int | None = None
    phone_id: int | None = None
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True)
class OptOut:
    phone_id: int


@dataclass(frozen=True)
class OptIn:
    phone_id: int


@dataclass(frozen=True)
class StopPhone:
    phone_id: int
    why: str


@dataclass(frozen=True)
class SetPending:
    """The open question of a phone that is not one patient's; `asked` None clears it."""

    phone_id: int
    asked: str | None
    inbound_id: int | None = None


@dataclass(frozen=True)
class Note:
    """A line for the audit alone. Never carries a text's body."""

    what: str
    subject: str
    detail: dict


@dataclass(frozen=True)
class Decision:
    """Effects in order. Nothing has happened yet."""

    effects: tuple = ()


def later(now, minutes):
    """`now` plus so many minutes."""
    return now + timedelta(minutes=minutes)
