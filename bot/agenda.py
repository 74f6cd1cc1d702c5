"""Desk work on schedules and matters: what the shell and the console do, through the same decisions as texts."""

from datetime import timedelta

from flows import hours
from flows.model import Decision, Inbound, Order, PutInfusion, SetNextDue, SetTalk, Talk, Text
from flows.nurse import nurse_text
from flows.occasion import timing_of
from flows.picture import kind_of, picture
from flows.reader import read
from flows.schedule import next_occasion, occasions, parse_every
from store import people, record, story, world
from store.people import PeopleError
from store.world import patient as load_patient


def coming(db, practice, now, patient_id, most):
    """The next occasions of a patient as dicts: on, weekday, local wall time, state."""
    patient = load_patient(db, patient_id, now.date())
    if patient.order is None:
        raise PeopleError(f"{patient.name} has no order; add one first")
    timing, found, at = timing_of(patient.order, patient.zone), [], now - timedelta(hours=practice.window_hours)
    states = {infusion.due_on: infusion.state for infusion in patient.infusions}
    while len(found) < most and (occasion := next_occasion(timing, at)):
        at = occasion.at
        state = states.get(occasion.on, "planned")
        if occasion.at > now or state in ("planned", "running"):
            found.append({"on": occasion.on.isoformat(), "weekday": f"{occasion.on:%a}",
                          "local": f"{hours.local(occasion.at, patient.zone):%H:%M}",
                          "state": "on hold" if patient.order.held_at and state == "planned" else state})
    return found


def skip(db, practice, now, patient_id, on, why):
    """Skip one occasion (the next, or the one on this local date); its date. The caller's transaction.

    PeopleError when there is no occasion on that date, or the infusion has begun or ended.
    """
    known = world.for_patient(db, practice, now, patient_id)
    patient = known.patients[0]
    if patient.order is None:
        raise PeopleError(f"{patient.name} has no order; there is nothing to skip")
    timing = timing_of(patient.order, patient.zone)
    waiting = next((i for i in patient.infusions if i.state == "planned" and i.due_at <= now), None)
    if on:
        start = hours.at_wall(on, hours.parse_clock("00:00"), patient.zone)
        chosen = next((each for each in occasions(timing, start, start + timedelta(hours=26)) if each.on == on), None)
    elif waiting:
        chosen = type(next_occasion(timing, now - timedelta(days=400)) or waiting)(waiting.due_on, waiting.due_at)
    else:
        chosen = next_occasion(timing, now)
    if chosen is None:
        raise PeopleError(f"{patient.name} has no occasion{f' on {on}' if on else ''}; `ebbline schedule list {patient.name}` "
                          "shows them")
    there = next((infusion for infusion in patient.infusions if infusion.due_on == chosen.on), None)
    if there and there.state not in ("planned", "held"):
        raise PeopleError(f"the infusion of {chosen.on} is {there.state}; only one that has not begun can be skipped")
    effects = [PutInfusion(patient.order.id, chosen.on, chosen.at, {"state": "skipped", "why": why})]
    if patient.talk.state in ("reminded", "put_off") and waiting and waiting.due_on == chosen.on:
        effects.append(SetTalk(patient.id, Talk()))
    if patient.order.next_due_at == chosen.at:
        after = next_occasion(timing, chosen.at)
        effects.append(SetNextDue(patient.order.id, after.at if after else None))
    record.carry_out(db, Decision(tuple(effects)), now, who="coordinator")
    return chosen.on


def put_order(db, now, patient_id, *, every, day, clock_local, starts_on, product_name=None, product_code=None, **given):
    """Write a patient's order; the local date and time of its first occasion, as words. The caller's transaction.

    ScheduleError for a rhythm that makes no sense, PeopleError when nothing would ever be due.
    """
    patient = load_patient(db, patient_id, now.date())
    rhythm = parse_every(every, day)
    starts_on = starts_on or hours.local(now, patient.zone).date()
    if given.get("ends_on") and given["ends_on"] < starts_on:
        raise PeopleError(f"{patient.name}: the order ends on {given['ends_on']}, before it starts on {starts_on}; mend --ends or --starts")
    order = Order(id=0, every=every, weekdays=rhythm.weekdays, clock_local=clock_local, starts_on=starts_on, **given)
    coming = next_occasion(timing_of(order, patient.zone), now)
    if coming is None:
        raise PeopleError(f"{patient.name}: with this rhythm nothing is ever due; look at --every, --day and --starts")
    people.add_order(db, now, patient_id, every=every, weekdays=rhythm.weekdays, clock_local=clock_local, starts_on=starts_on,
                     next_due_at=coming.at, product_name=product_name, product_code=product_code, **given)
    return f"{coming.on:%A} {coming.on.isoformat()} {hours.local(coming.at, patient.zone):%H:%M}"


def picture_of(db, now, case):
    """The nurse's picture of an open matter or call-back, as `flows.picture.Line`s; () when it is about no patient we know."""
    found = story.about(db, case)
    if found is None or found["patient_id"] is None:
        return ()
    topic, detail = kind_of(found["about"], found["topic"])
    patient = load_patient(db, found["patient_id"], now.date())
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
