"""Desk work on schedules and matters: what the shell and the console do, through the same decisions as texts."""

from dataclasses import replace
from datetime import date, time, timedelta

from flows import hours
from flows.model import ClearTimers, Decision, DropChange, Inbound, MoveInfusion, Order, PutChange, PutInfusion, SetTalk, Talk, Text
from flows.nurse import nurse_text
from flows.occasion import next_due, timing_of
from flows.picture import kind_of, picture
from flows.reader import read
from flows.schedule import Change, changed, next_occasion, occasion_on, occasions, parse_every, zone_on
from flows.turn import WAITS
from store import calendar, people, record, story, world
from store.people import PeopleError
from store.world import patient as load_patient

TEN = 10  # occasions in a list or a preview
DAY = timedelta(days=1)


def with_order(db, patient_id, now):
    """The patient, who must have an order. PeopleError says the mend."""
    patient = load_patient(db, patient_id, now)
    if patient.order is None:
        raise PeopleError(f"{patient.name} has no order; add one first")
    return patient


def timings(patient):
    """The timing of the order that is current, then that of the one that takes over."""
    return [timing_of(patient, order) for order in (patient.order, patient.next_order) if order]


def ahead(patient, at):
    """(occasion, the zone of its wall time) of a patient's orders, those later than `at`, in order and without end."""
    for timing in timings(patient):
        after = at
        while occasion := next_occasion(timing, after):
            after = occasion.at
            yield occasion, zone_on(timing, occasion.on)


def coming(db, practice, now, patient_id, most=TEN):
    """The next occasions of a patient as dicts: on, weekday, local wall time, zone, state."""
    patient, found = with_order(db, patient_id, now), []
    states = {infusion.due_on: infusion.state for infusion in patient.infusions if not infusion.extra}
    for occasion, zone in ahead(patient, now - timedelta(hours=practice.window_hours)):
        state = states.get(occasion.on, "planned")
        if occasion.at > now or state in ("planned", "running"):
            found.append({"on": occasion.on.isoformat(), "weekday": f"{occasion.on:%a}",
                          "local": f"{hours.local(occasion.at, zone):%H:%M}", "zone": zone, "away": zone != patient.home_zone,
                          "state": "on hold" if patient.order.held_at and state == "planned" else state})
        if len(found) == most:
            break
    return found


# ---- changes to a schedule. Each is the caller's transaction, writes its audit, and answers with one line of words.


def skip(db, practice, now, patient_id, on, why):
    """Skip one occasion (the one that waits, else the next; or the one on this local date).

    PeopleError when there is no occasion on that date, or the infusion has begun or ended.
    """
    patient = with_order(db, patient_id, now)
    chosen = _chosen(patient, now, on)
    _not_begun(patient, chosen.on, "skipped", ("planned", "held"))
    _carry_out(db, practice, now, patient, [PutInfusion(patient.order.id, chosen.on, chosen.at, {"state": "skipped", "why": why}),
                                            *_quieten(patient, {chosen.on})])
    return f"skipped {_said(chosen.on)}"


def move(db, practice, now, patient_id, on, to_on, clock_local=None, *, nurse=None, yes=False):
    """Move one dose (the one that waits, else the next; or the one of date `on`) to another date or time.

    It stays between its neighbours, so that none is doubled. A dose that was missed may be caught up inside the practice's
    late window; later only by a nurse's word (`nurse`, her name). A time in quiet hours wants `yes`. PeopleError otherwise.
    """
    patient = with_order(db, patient_id, now)
    timing, chosen = timing_of(patient), _chosen(patient, now, on)
    to_on = to_on or chosen.on
    there = _not_begun(patient, chosen.on, "moved", ("planned", "held", "missed"))
    before = next((each for each in timing.of("move") if each.to_on == chosen.on), None)
    origin = before.from_on if before else chosen.on
    clock_local = clock_local or (before.clock_local if before else None)
    zone = zone_on(timing, to_on)
    to_at = hours.at_wall(to_on, hours.parse_clock(clock_local or timing.clock_local), zone)
    if to_at <= now:
        raise PeopleError(f"{_said(to_on)} {hours.local(to_at, zone):%H:%M} is past; name a later date or time")
    if any(pause.covers(to_on) for pause in timing.of("pause")):
        raise PeopleError(f"{patient.name} is paused on {_said(to_on)}; resume first, or name another date")
    if before and before.from_on == to_on and clock_local in (None, timing.clock_local):
        effects = [DropChange(before.id)]
    else:
        effects = [*([DropChange(before.id)] if before else []),
                   PutChange(patient.id, Change(kind="move", from_on=origin, to_on=to_on, clock_local=clock_local), nurse and f"by {nurse}'s word")]
    low, high = sorted((chosen.at, to_at))
    between = [each for each in occasions(timing, low - DAY, high + DAY)
               if each.on != chosen.on and (each.on == to_on or low <= each.at <= high)]
    given = [i.due_on for i in patient.infusions if i.due_on == to_on and i.state in ("running", "done", "stopped")]
    if patient.order.until_on and to_on > patient.order.until_on:
        raise PeopleError(f"a new order begins on {_said(patient.next_order.starts_on)}; move the dose to a date before it")
    if between or given:
        raise PeopleError(f"there is a dose on {_said(between[0].on if between else given[0])}: two doses are never put together or "
                          f"exchanged; name a date before it, or skip one")
    window = timedelta(hours=practice.late_window_hours)
    if there and there.state == "missed" and to_at - chosen.at > window and not nurse:
        raise PeopleError(f"the dose of {_said(chosen.on)} was missed, and {_said(to_on)} is later than the practice's late window "
                          f"({practice.late_window_hours} hours); ask a nurse, and give her name with --nurse")
    if nurse and nurse.casefold() not in {staff.name.casefold() for staff in world.staff(db) if staff.role != "coordinator"}:
        raise PeopleError(f"{nurse}: no nurse or manager is called so; `ebbline roster list` shows them")
    _ask_quiet(patient, practice, to_at, zone, yes)
    if there:
        effects.append(MoveInfusion(patient.order.id, chosen.on, to_on, to_at))
    _carry_out(db, practice, now, patient, [*effects, *_quieten(patient, {chosen.on})])
    return f"moved from {_said(chosen.on)} to {_said(to_on)} {hours.local(to_at, zone):%H:%M}"


def pause(db, practice, now, patient_id, from_on, until_on, why):
    """Nothing is due from a local date (default: today) to another (None: until resumed). PeopleError when it overlaps."""
    patient = with_order(db, patient_id, now)
    from_on = from_on or hours.local(now, patient.zone).date()
    wanted = Change(kind="pause", from_on=from_on, until_on=until_on)
    _spell(patient, wanted, hours.local(now, patient.zone).date())
    days = {i.due_on for i in patient.infusions if i.state in ("planned", "held") and wanted.covers(i.due_on)}
    lets = [PutInfusion(i.order_id, i.due_on, i.due_at, {"state": "skipped", "why": f"paused: {why}"}, i.extra)
            for i in patient.infusions if i.due_on in days and i.state in ("planned", "held")]
    _carry_out(db, practice, now, patient, [PutChange(patient.id, wanted, why), *lets, *_quieten(patient, days)])
    return f"paused from {_said(from_on)} {f'to {_said(until_on)}' if until_on else 'until resumed'}"


def resume(db, practice, now, patient_id, on=None):
    """End the pause that holds (or is to come) so that doses are due again from a local date (default: today) on. What
    was due before is not made up for. PeopleError when there is none."""
    patient = with_order(db, patient_id, now)
    today = hours.local(now, patient.zone).date()
    on = on or today
    if on < today:
        raise PeopleError(f"{on} is past; a pause can be ended from today ({_said(today)}) on")
    found = next((each for each in patient.changes if each.kind == "pause" and (each.until_on is None or each.until_on >= on)), None)
    if found is None:
        raise PeopleError(f"{patient.name} is not paused on {_said(on)}; `ebbline schedule changes {patient.name}` shows her pauses")
    timing = replace(timing_of(patient), changes=tuple(each for each in patient.changes if each is not found))
    due = occasion_on(timing, on)
    last = on if due and due.at <= now else on - DAY  # a dose whose hour has passed today is not due any more
    _carry_out(db, practice, now, patient, [DropChange(found.id, last if last >= found.from_on else None)])
    return f"resumed from {_said(on)}"


def travel(db, practice, now, patient_id, zone, from_on, until_on, *, yes=False):
    """The patient is in another zone from one local date to another: her doses keep their wall time there."""
    patient = with_order(db, patient_id, now)
    hours.zone_named(zone)
    wanted = Change(kind="travel", from_on=from_on, until_on=until_on, zone=zone)
    _spell(patient, wanted, hours.local(now, zone).date())
    there = changed(timing_of(patient), wanted)
    first = next((each for each in occasions(there, now, hours.at_wall(until_on, time(0), zone) + 2 * DAY) if wanted.covers(each.on)), None)
    if first:
        _ask_quiet(patient, practice, first.at, zone, yes)
    _carry_out(db, practice, now, patient, [PutChange(patient.id, wanted)])
    return f"in {zone} from {_said(from_on)} to {_said(until_on)}"


def holiday(db, practice, now, on, doses, why):
    """The practice is closed on a date: working hours have none, and doses of that day stay, or go to the next open day.

    The patients whose dose it is, as (name, where it goes); a dose before which another is due stays.
    """
    today = hours.local(now, practice.zone).date()
    if on < today:
        raise PeopleError(f"{on} is past; name a day to come")
    if on in calendar.holidays(db):
        raise PeopleError(f"{_said(on)} is a holiday already; `ebbline schedule changes` lists them")
    shut, found = Change(kind="holiday", from_on=on, doses=doses), []
    record.carry_out(db, Decision((PutChange(None, shut, why),)), now, who="coordinator")
    for patient_id in calendar.current_patients(db):  # read once, and planned anew only where something moves: others wait to write
        patient = load_patient(db, patient_id, now)
        after = timing_of(patient)  # as it is with the holiday
        before = replace(after, changes=tuple(change for change in after.changes if (change.kind, change.from_on) != ("holiday", on)))
        if due := occasion_on(before, on):
            stays = due in occasions(after, due.at, due.at + timedelta(seconds=1))
            found.append((patient.name, on if stays else next_occasion(after, due.at).on))
            if not stays:
                _replan(db, practice, now, patient)
    return found


def drop(db, practice, now, change_id):
    """Take a change back that has not begun to hold, or a holiday to come. PeopleError when there is none, or it is past."""
    row = next((row for row in calendar.change_rows(db, calendar.patient_of(db, change_id)) if row["id"] == change_id), None)
    if row is None:
        raise PeopleError(f"there is no change {change_id}; `ebbline schedule changes` lists them with their numbers")
    change, ids = calendar.change_of(row), [row["patient_id"]] if row["patient_id"] else calendar.current_patients(db)
    if min(change.from_on, change.to_on or change.from_on) < hours.local(now, practice.zone).date():
        raise PeopleError(f"change {change_id} has begun on {_said(change.from_on)}; write a new one, or resume")
    effects = [DropChange(change_id)]
    if change.kind == "move":
        patient = load_patient(db, row["patient_id"], now)
        back = occasion_on(replace(timing_of(patient), changes=tuple(each for each in patient.changes if each.id != change_id)), change.from_on)
        if back and any(i.due_on == change.to_on for i in patient.infusions):
            effects.append(MoveInfusion(patient.order.id, change.to_on, back.on, back.at))
    record.carry_out(db, Decision(tuple(effects)), now, who="coordinator")
    for patient_id in ids:
        _replan(db, practice, now, load_patient(db, patient_id, now))
    return f"change {change_id} ({change.kind}) taken back"


def put_times(db, practice, now, patient_id, given):
    """Set a patient's own times: {name of `store.calendar.TIMES`: what is stored, or None for the practice's}."""
    calendar.put_times(db, now, patient_id, given)
    _replan(db, practice, now, load_patient(db, patient_id, now))


def preview(db, practice, now, patient_id, most=TEN, **rhythm):
    """The next occasions that a rhythm would give this patient; nothing is kept. rhythm: as `put_order` takes it."""
    patient = load_patient(db, patient_id, now)
    order = _rhythm(patient, now, **rhythm)
    timing = timing_of(replace(patient, next_order=None), order)
    found, at = [], now
    while len(found) < most and (occasion := next_occasion(timing, at)):
        at, zone = occasion.at, zone_on(timing, occasion.on)
        quiet = hours.is_quiet(patient.practice(practice).quiet, at, zone)
        found.append({"on": occasion.on.isoformat(), "weekday": f"{occasion.on:%a}", "local": f"{hours.local(at, zone):%H:%M}", "zone": zone, "away": zone != patient.home_zone,
                      "state": "in quiet hours" if quiet else "planned"})
    return found


def _carry_out(db, practice, now, patient, effects):
    """Write the effects of desk work in the coordinator's name, then set what is due next by the schedule as it is now."""
    record.carry_out(db, Decision(tuple(effects)), now, who="coordinator")
    _replan(db, practice, now, load_patient(db, patient.id, now))


def _replan(db, practice, now, patient):
    """Set the next occasion anew. One that is due already and not dealt with is left to the worker."""
    order = patient.order
    if order is None or patient.state != "live":
        return
    waits = order.next_due_at is not None and order.next_due_at <= now
    if not (waits and occasions(timing_of(patient), order.next_due_at, order.next_due_at + timedelta(seconds=1))):
        record.carry_out(db, Decision((next_due(patient, patient.practice(practice), now),)), now, who="coordinator")


def _chosen(patient, now, on):
    """The occasion that is meant: of date `on`; else the dose that waits; else the next one. PeopleError without one."""
    timing = timing_of(patient)
    waiting = next((i for i in patient.infusions if i.state == "planned" and i.due_at <= now and not i.extra), None)
    if on:
        chosen = occasion_on(timing, on)
    elif waiting:
        chosen = occasion_on(timing, waiting.due_on)
    else:
        skipped = {i.due_on for i in patient.infusions if i.state not in ("planned", "held") and not i.extra}
        chosen = next((each for each, _ in ahead(replace(patient, next_order=None), now) if each.on not in skipped), None)
    if chosen is None:
        raise PeopleError(f"{patient.name} has no occasion{f' on {on}' if on else ''}; `ebbline schedule list {patient.name}` "
                          "shows them")
    return chosen


def _not_begun(patient, on, what, states):
    """The dose on record of this date, if there is one; PeopleError when it is too late to have it skipped or moved."""
    there = next((i for i in patient.infusions if i.due_on == on and i.order_id == patient.order.id and not i.extra), None)
    if there and there.state not in states:
        raise PeopleError(f"the infusion of {on} is {there.state}; only one that has not begun can be {what}")
    return there


def _quieten(patient, days):
    """What waits for an answer about the doses of these dates waits no longer."""
    if not any(i.state == "planned" and i.reminded_at and i.due_on in days for i in patient.infusions):
        return []
    idle = [SetTalk(patient.id, Talk())] if patient.talk.state in ("reminded", "put_off") else []
    return [ClearTimers(patient_id=patient.id, kinds=WAITS), *idle]


def _spell(patient, wanted, today):
    """A pause or journey must be the right way round, not past, and not overlap another of its kind."""
    if wanted.until_on and wanted.until_on < wanted.from_on:
        raise PeopleError(f"{wanted.kind}: it ends on {_said(wanted.until_on)}, before it begins on {_said(wanted.from_on)}; mend one")
    if (wanted.until_on or date.max) < today:
        raise PeopleError(f"{wanted.kind}: {_said(wanted.until_on)} is past; name a later last day")
    for other in patient.changes:
        if other.kind == wanted.kind and other.from_on <= (wanted.until_on or date.max) and wanted.from_on <= (other.until_on or date.max):
            until = f"to {_said(other.until_on)}" if other.until_on else "without an end"
            mend = f"`ebbline schedule resume {patient.name}` ends it" if wanted.kind == "pause" else f"`ebbline schedule drop {other.id}` takes it back"
            raise PeopleError(f"{wanted.kind}: there is one already from {_said(other.from_on)} {until}; {mend}")


def _ask_quiet(patient, practice, at, zone, yes):
    """A dose in quiet hours is reminded of in them: only by the patient's wish."""
    quiet = patient.practice(practice).quiet
    if not yes and hours.is_quiet(quiet, at, zone):
        raise PeopleError(f"{hours.local(at, zone):%H:%M} in {zone} lies in quiet hours ({quiet.text}), and the reminder would come then; "
                          f"name another time, or add --yes if {patient.name} wishes it so")


def _said(on):
    return f"{on:%A} {on.isoformat()}"


def _rhythm(patient, now, *, every, day, clock_local, starts_on, **given):
    """The `Order` of what was typed, not yet kept."""
    starts_on = starts_on or hours.local(now, patient.zone).date()
    rhythm = parse_every(every, day, starts_on)
    hours.parse_clock(clock_local)
    known = {"volume_ml": 1, "strength_g_per_ml": 1, "sites": 1, "rate_ml_per_h_per_site": 1, **given}
    return Order(id=0, every=rhythm.text, weekdays=rhythm.weekdays, clock_local=f"{hours.parse_clock(clock_local):%H:%M}", starts_on=starts_on, **known)


def put_order(db, practice, now, patient_id, *, every, day, clock_local, starts_on, yes=False, product_name=None, product_code=None, **given):
    """Write a patient's order; the local date and time of its first occasion, as words. The caller's transaction.

    One that starts later than today, while another order runs, takes over on that date. ScheduleError for a rhythm that
    makes no sense, PeopleError when nothing would ever be due, or a dose would lie in quiet hours without `yes`.
    """
    patient = load_patient(db, patient_id, now)
    order = _rhythm(patient, now, every=every, day=day, clock_local=clock_local, starts_on=starts_on, **given)
    if given.get("ends_on") and given["ends_on"] < order.starts_on:
        raise PeopleError(f"{patient.name}: the order ends on {given['ends_on']}, before it starts on {order.starts_on}; mend --ends or --starts")
    waits = patient.order is not None and order.starts_on > max(hours.local(now, patient.zone).date(), patient.order.starts_on)
    patient = replace(patient, order=order, next_order=None)
    start = hours.at_wall(order.starts_on, time(0), patient.home_zone)
    timing = timing_of(patient)
    first = next_occasion(timing, max(now, start - timedelta(seconds=1)))
    if first is None and not timing.of("pause"):
        raise PeopleError(f"{patient.name}: with this rhythm nothing is ever due; look at --every, --day and --starts")
    zone = first and zone_on(timing, first.on)
    if first:
        _ask_quiet(patient, practice, first.at, zone, yes)
    due = next_due(patient, patient.practice(practice), max(now, start - timedelta(seconds=1)))
    people.add_order(db, now, patient_id, every=order.every, weekdays=order.weekdays, clock_local=order.clock_local, starts_on=order.starts_on,
                     next_due_at=due.next_due_at, remind_at=due.remind_at, product_name=product_name, product_code=product_code,
                     takes_over_at=start if waits else None, **given)
    if first is None:
        return "when resumed: she is paused"
    return f"{_said(first.on)} {hours.local(first.at, zone):%H:%M}"


def picture_of(db, now, case):
    """The nurse's picture of an open matter or call-back, as `flows.picture.Line`s; () when it is about no patient we know."""
    found = story.about(db, case)
    if found is None or found["patient_id"] is None:
        return ()
    topic, detail = kind_of(found["about"], found["topic"])
    patient = load_patient(db, found["patient_id"], now)
    given = people.order_facts(db, patient.id)["given"] if patient.order else None
    return picture(patient, now, topic, found["detail"] or detail, given)


def say_as(db, practice, now, name, words):
    """Let a staff member do what a text of hers with these words would do; the answers she would have got.

    PeopleError when nobody is called so. The caller's transaction.
    """
    staff = next((person for person in world.staff(db) if person.name.casefold() == name.casefold()), None)
    if staff is None:
        known = ", ".join(person.name for person in world.staff(db))
        raise PeopleError(f"nobody on the staff is called {name!r}; known: {known or 'nobody'}")
    row = {"id": 0, "phone_id": staff.phone.id, "from_number": staff.phone.number, "body": words, "media": "[]",
           "received_at": now.isoformat(), "sent_at": None, "recovered": 0}
    known, _ = world.for_inbound(db, practice, now, row)
    inbound = Inbound(0, staff.phone, staff.phone.number, words, 0, now)
    effects = nurse_text(known, inbound, staff, read(words))
    answers = [effect for effect in effects if isinstance(effect, Text) and effect.number == staff.phone.number]
    record.carry_out(db, Decision(tuple(effect for effect in effects if effect not in answers)), now, who=staff.name)
    return [answer.body for answer in answers]
