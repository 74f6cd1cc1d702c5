"""Enrolling and changing the people of a practice: phones, patients, caregivers, orders, staff, shifts, history."""

import json
import re
from datetime import date

from store.database import one, rows, stamp


class PeopleError(ValueError):
    """A record that cannot be made: says what is wrong, where, and the mend."""


def put_phone(db, number, now, consent_by="coordinator"):
    """The id of the phone with this E.164 number, made with consent recorded when it is new."""
    if not re.fullmatch(r"\+[1-9]\d{1,14}", number):
        raise PeopleError(f"{number!r} is no telephone number; write it as + country code and digits, like +13125550123")
    row = one(db, "SELECT id FROM phone WHERE number = ?", number)
    if row:
        return row["id"]
    return db["phone"].insert({
        "number": number, "consent_at": stamp(now), "consent_wording": "sample-1", "consent_channel": "paper",
        "consent_by": consent_by, "text_risk_told_at": stamp(now)}).last_pk


def initials_of(name):
    """Initials for a page: the first letter of each word, at most three."""
    return "".join(word[0].upper() + "." for word in name.split()[:2])


def add_patient(db, now, *, name, lang, zone, number, born_on=None, weight_kg=None, epinephrine=False, state="live"):
    """A new patient with her own phone; the patient's id. PeopleError when the phone is a staff phone."""
    patient_id = db["patient"].insert({
        "name": name, "initials": initials_of(name), "lang": lang, "zone": zone, "state": state,
        "born_on": born_on and born_on.isoformat(), "weight_kg": weight_kg, "epinephrine": int(epinephrine),
        "created_at": stamp(now)}).last_pk
    add_speaker(db, now, patient_id, name, "patient", number)
    _audit(db, now, "patient added", f"patient/{patient_id}")
    return patient_id


def add_speaker(db, now, patient_id, name, role, number):
    """Let a phone speak for a patient. PeopleError when it is a staff phone: a nurse's words are read otherwise."""
    phone_id = put_phone(db, number, now)
    if one(db, "SELECT 1 FROM staff WHERE phone_id = ?", phone_id):
        raise PeopleError(f"{number} is the phone of a nurse or coordinator; give {name} another number")
    db["speaker"].insert({"patient_id": patient_id, "phone_id": phone_id, "name": name, "role": role})


def add_order(db, now, patient_id, *, volume_ml, strength_g_per_ml, sites, rate_ml_per_h_per_site, every, weekdays, clock_local,
              starts_on, next_due_at, remind_at=None, ends_on=None, gap_limit_days=None, needle_mm=None, gauge=None, product_name=None,
              product_code=None, profile=None, takes_over_at=None):
    """The patient's current order; an earlier one ends, but a hold on it goes on. takes_over_at: it waits until then, in
    place of any that waited. The order's id."""
    held = one(db, "SELECT held_at, held_why, held_case FROM infusion_order WHERE patient_id = ? AND current = 1", patient_id)
    db.conn.execute("UPDATE infusion_order SET takes_over_at = NULL WHERE patient_id = ?", [patient_id])
    if takes_over_at is None:
        db.conn.execute("UPDATE infusion_order SET current = 0 WHERE patient_id = ?", [patient_id])
    else:
        held = None  # it comes with the taking over
    order_id = db["infusion_order"].insert({
        "patient_id": patient_id, "product_name": product_name, "product_code": product_code, "profile": profile,
        "strength_g_per_ml": float(strength_g_per_ml), "volume_ml": float(volume_ml), "sites": sites,
        "rate_ml_per_h_per_site": float(rate_ml_per_h_per_site), "needle_mm": needle_mm and float(needle_mm), "gauge": gauge,
        "every": every, "weekdays": ",".join(weekdays), "clock_local": clock_local, "starts_on": starts_on.isoformat(), "takes_over_at": stamp(takes_over_at), "current": int(takes_over_at is None),
        "ends_on": ends_on and ends_on.isoformat(), "gap_limit_days": gap_limit_days, "next_due_at": stamp(next_due_at), "remind_at": stamp(remind_at or next_due_at),
        "created_at": stamp(now), **(held or {})}).last_pk
    _audit(db, now, "order added", f"order/{order_id}")
    return order_id


def order_facts(db, patient_id):
    """What the sums of a patient's current order need: the order's row, born_on (a date), weight_kg, zone, and `given`, how many doses
    of it, and of earlier orders with the same profile or product, were done or stopped. PeopleError when there is no order."""
    row = one(db, """SELECT infusion_order.*, patient.name, patient.born_on, patient.weight_kg, patient.zone,
                            (SELECT count(*) FROM infusion JOIN infusion_order AS its ON its.id = infusion.order_id
                             WHERE its.patient_id = patient.id AND infusion.state IN ('done', 'stopped')
                             AND (its.id = infusion_order.id OR its.profile = infusion_order.profile
                                  OR lower(its.product_name) = lower(infusion_order.product_name))) AS given
                     FROM patient JOIN infusion_order ON infusion_order.patient_id = patient.id AND infusion_order.current = 1
                     WHERE patient.id = ?""", patient_id)
    if row is None:
        raise PeopleError("this patient has no order; `ebbline patient order` writes one down")
    return {**row, "born_on": row["born_on"] and date.fromisoformat(row["born_on"])}


def zone_of(db, patient_id):
    """The IANA zone that a patient lives in."""
    return one(db, "SELECT zone FROM patient WHERE id = ?", patient_id)["zone"]


def zone_of_most(db):
    """The IANA zone that most patients live in; "UTC" while there are none."""
    row = one(db, "SELECT zone FROM patient GROUP BY zone ORDER BY count(*) DESC, zone LIMIT 1")
    return row["zone"] if row else "UTC"


def add_past(db, patient_id, order_id, *, due_on, due_at, ended_at, volume_ml=None, minutes=None, sites=(), problems=(), lots=()):
    """One earlier, finished infusion. problems: (kind, site or None). The infusion's id."""
    infusion_id = db["infusion"].insert({
        "order_id": order_id, "patient_id": patient_id, "due_on": due_on.isoformat(), "due_at": stamp(due_at), "state": "done",
        "ended_at": stamp(ended_at), "volume_ml": volume_ml and float(volume_ml), "minutes": minutes}).last_pk
    for site in sites:
        db["infusion_site"].insert({"infusion_id": infusion_id, "site": site})
    for lot in lots:
        db["infusion_lot"].insert({"infusion_id": infusion_id, "lot": lot})
    for kind, site in problems:
        db["reaction"].insert({"patient_id": patient_id, "infusion_id": infusion_id, "kind": kind, "site": site,
                               "words": "(from the record)", "told_at": stamp(ended_at)})
    return infusion_id


def add_staff(db, now, *, name, role, number):
    """A nurse, manager or coordinator; her id. PeopleError when the phone is a patient's."""
    phone_id = put_phone(db, number, now)
    if one(db, "SELECT 1 FROM speaker WHERE phone_id = ?", phone_id):
        raise PeopleError(f"{number} is a patient's or caregiver's phone; give {name} another number")
    staff_id = db["staff"].insert({"name": name, "role": role, "phone_id": phone_id}).last_pk
    _audit(db, now, "staff added", f"staff/{staff_id}")
    return staff_id


def add_shift(db, now, staff_id, rung, starts_at, ends_at=None):
    """Put one person on one rung of the ladder (1 is paged first) from `starts_at` on."""
    db["shift"].insert({"staff_id": staff_id, "rung": rung, "starts_at": stamp(starts_at), "ends_at": stamp(ends_at)})
    _audit(db, now, "shift added", f"staff/{staff_id}")


def set_wording(db, now, patient_id, wording):
    """How texts speak to a patient: `open`, or `discreet` (no word of an infusion in a reminder)."""
    if wording not in ("open", "discreet"):
        raise PeopleError(f"wording {wording!r}: write open or discreet")
    db.conn.execute("UPDATE patient SET wording = ? WHERE id = ?", [wording, patient_id])
    _audit(db, now, "wording set", f"patient/{patient_id}", wording=wording)


def patient_named(db, name):
    """The id of the patient with this name, however it is capitalised. PeopleError when there is none, or several."""
    found = rows(db, "SELECT id FROM patient WHERE name = ? COLLATE NOCASE", name)
    if len(found) == 1:
        return found[0]["id"]
    names = ", ".join(row["name"] for row in rows(db, "SELECT name FROM patient ORDER BY name LIMIT 20"))
    wrong = "there is no patient" if not found else "there are several patients"
    raise PeopleError(f"{wrong} called {name!r}; known: {names or 'none'}")


def patients(db):
    """Every patient with the current order, by name: dicts for a list."""
    return rows(db, """SELECT patient.id, patient.name, patient.lang, patient.zone, patient.state, volume_ml, sites, every, weekdays,
                       clock_local, next_due_at, held_at, held_why FROM patient
                       LEFT JOIN infusion_order ON infusion_order.patient_id = patient.id AND current = 1
                       ORDER BY patient.name, patient.id""")


def shifts(db, now):
    """Shifts that cover now or are to come, by rung and start: dicts."""
    return rows(db, """SELECT shift.id, staff.name, staff.role, rung, starts_at, ends_at FROM shift
                       JOIN staff ON staff.id = staff_id WHERE ends_at IS NULL OR ends_at > ? ORDER BY rung, starts_at""", stamp(now))


def _audit(db, now, what, subject, **detail):
    db.conn.execute("INSERT INTO audit (at, who, what, subject, detail) VALUES (?, 'coordinator', ?, ?, ?)",
                    [stamp(now), what, subject, json.dumps(detail)])
