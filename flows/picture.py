"""What a nurse sees beside a matter or a call-back: the patient's order with its sums, the last doses, this trouble over time, and the
options she would weigh, each with the numbers behind it. None of it is ever told to a patient; what would change an order says so.

Needle lengths by age and what leak and pain say about a needle: common practice, no source (a needle that is too short leaks, one
that is too long hurts: clinical 5e, 6, nursing guide seen). The order and the prescriber decide.
"""

from dataclasses import dataclass

from flows import advice, bore, hours, phase, regimen
from flows.phrases import number_words

LATELY = 6  # doses that the picture shows
NEEDLES_MM = (4, 6, 9, 12, 14)  # common lengths, common practice, no source
USUAL_NEEDLE_MM = {"child": (6, 6), "adult": (9, 12)}  # common practice, no source
CHILD_YEARS = 12  # below this, the child's row; common practice, no source
HINTS = {  # trouble: what a nurse would weigh, in this order
    "leak": ("needle_longer", "more_sites", "slower", "tape", "technique"),
    "swelling": ("more_sites", "slower", "other_places"),
    "redness": ("slower", "dry_prime", "needle_longer", "tape", "other_places"),
    "itch": ("slower", "dry_prime", "tape", "other_places"),
    "pain": ("needle_shorter", "dry_prime", "slower", "other_places"),
    "slow": ("tubing", "more_sites", "pump"),
    "blood": ("other_places", "technique"),
}
KINDS = {"site_leak": "leak", "site_swelling": "swelling", "site_itch": "itch", "site_pain": "pain", "needle_pain": "pain", "slow": "slow",
         "blood_before": "blood", "blood_after": "blood"}


@dataclass(frozen=True)
class Line:
    """One line of the picture. needs_order: it would change the order, so the prescriber decides."""

    label: str
    text: str
    needs_order: bool = False


def picture(patient, now, topic=None, detail=None):
    """The lines for a nurse about one patient, as far as the record goes. topic, detail: of the matter or complaint, or None."""
    if patient.order is None:
        return (Line("order", "none on record"),)
    kind = "redness" if detail == "site_redness" else KINDS.get(topic)
    plan = _plan(patient, now)
    lines = [*_order(patient, plan, now), *_doses(patient), *_trouble(patient, kind)]
    return (*lines, *(line for hint in HINTS.get(kind, ()) for line in OPTIONS[hint](patient, plan, now)))


def kind_of(about, topic=None):
    """(topic, detail) of a call-back's `about` or a matter's topic, as `picture` takes them."""
    words = about or topic or ""
    if words in KINDS:
        return words, None
    found = next((topic for topic, kind in KINDS.items() if words in (f"repeated: {kind}", kind)), None)
    if words == "repeated: redness":
        return "site_itch", "site_redness"
    if words == "a larger leak":
        return "site_leak", None
    if words == "infusion far over its time":
        return "slow", None
    return found, None


def age_of(patient, now):
    """Completed years, or None."""
    return hours.years_between(patient.born_on, hours.local(now, patient.zone).date()) if patient.born_on else None


def _plan(patient, now, **changes):
    """The plan of the order, or of the order with `changes`."""
    order = patient.order
    given = sum(dose.state in ("done", "stopped") for dose in patient.infusions if dose.order_id == order.id)
    facts = {"volume_ml": order.volume_ml, "strength": order.strength_g_per_ml, "sites": order.sites,
             "rate_ml_per_h_per_site": order.rate_ml_per_h_per_site, "profile": order.profile, "infusion_number": given + 1,
             "age_years": age_of(patient, now), "weight_kg": patient.weight_kg}
    return regimen.plan(**{**facts, **changes})


def _number(value):
    return number_words(round(value, 1))


def _order(patient, plan, now):
    order = patient.order
    yield Line("order", f"{_number(plan.volume_ml)} mL ({_number(plan.dose_g)} g) over {plan.sites} sites, {_number(plan.ml_per_site)} mL each at "
                        f"{_number(order.rate_ml_per_h_per_site)} mL/h per site: {_number(plan.minutes)} min, {order.every}")
    if order.needle_mm or order.gauge:
        yield Line("needle", ", ".join(filter(None, (order.needle_mm and f"{_number(order.needle_mm)} mm", order.gauge and f"{order.gauge} gauge"))))
    for warned in plan.warnings:
        yield Line("look", f"{warned.text} [{warned.code}]")
    running = phase.running(patient)
    if running is not None and running.started_at is not None:
        yield Line("now", f"runs since {_number((now - running.started_at).total_seconds() / 60)} min")


def _doses(patient):
    usual = advice.usual_minutes(patient)
    if usual:
        yield Line("usual time", f"{usual} min (median of the last {advice.USUAL_DOSES} at most)")
    troubles = {}
    for reaction in patient.troubles:
        troubles.setdefault(reaction.infusion_id, []).append(f"{reaction.kind}{f' ({reaction.site})' if reaction.site else ''}")
    ended = [dose for dose in patient.infusions if dose.state in ("done", "stopped", "skipped", "missed")][:LATELY]
    for dose in ended:
        minutes = advice.minutes_of(dose)
        facts = [dose.state, "mL not answered" if dose.volume_ml is None else f"{_number(dose.volume_ml)} mL",
                 f"{minutes} min" if minutes else "time not answered", " + ".join(dose.sites) or "sites not answered"]
        text = ", ".join(facts if dose.state in ("done", "stopped") else facts[:1])
        told = "; ".join(dict.fromkeys(troubles.get(dose.id, ())))
        yield Line(f"{dose.due_on:%a} {dose.due_on.isoformat()}", f"{text}{': ' + told if told else ''}")


def _trouble(patient, kind):
    if kind is None:
        return
    ended = [dose for dose in patient.infusions if dose.state in ("done", "stopped", "running")][:LATELY]
    told = [reaction for reaction in patient.troubles if reaction.kind == kind]
    with_it = {reaction.infusion_id for reaction in told}
    count = sum(dose.id in with_it for dose in ended)
    places = [reaction.site for reaction in told if reaction.site and reaction.infusion_id in {dose.id for dose in ended}]
    same = sorted({place for place in places if places.count(place) > 1})
    yield Line(kind, f"told at {count} of the last {len(ended)} doses{'; more than once at ' + ', '.join(same) if same else ''}")


# --- options: what a nurse would weigh ---------------------------------------------------------------------------------------------


def _more_sites(patient, plan, now):
    if plan.sites >= regimen.MOST["sites"]:
        return
    more = _plan(patient, now, sites=plan.sites + 1)
    label = [warned.text for warned in more.warnings if warned.code == "over_profile_sites"]
    yield Line("more sites", f"{more.sites} sites: {_number(more.ml_per_site)} mL each instead of {_number(plan.ml_per_site)}, "
                             f"{_number(more.minutes)} min at the same rate per site{'; but ' + label[0] if label else ''}", needs_order=True)


def _slower(patient, plan, now):
    rate = patient.order.rate_ml_per_h_per_site * 0.75
    slow = _plan(patient, now, rate_ml_per_h_per_site=rate)
    yield Line("lower rate", f"{_number(rate)} mL/h per site: {_number(slow.minutes)} min instead of {_number(plan.minutes)}", needs_order=True)


def _needle(patient, now, longer):
    now_mm, age = patient.order.needle_mm, age_of(patient, now)
    usual = None if age is None else USUAL_NEEDLE_MM["child" if age < CHILD_YEARS else "adult"]
    beside = "" if usual is None else f"; usual at {age} years: {usual[0]}{f' to {usual[1]}' if usual[1] != usual[0] else ''} mm"
    if now_mm is None:
        yield Line("needle", f"length not on record: ask{beside} (common practice, no source)")
        return
    choices = [mm for mm in NEEDLES_MM if (mm > now_mm if longer else mm < now_mm)]
    if not choices:
        return
    other = choices[0] if longer else choices[-1]
    yield Line("longer needle" if longer else "shorter needle",
               f"{other} mm instead of {_number(now_mm)} mm{beside}; ask whether the weight has changed (common practice, no source)", needs_order=True)


def _tubing(patient, plan, now):
    gauge = patient.order.gauge
    wider = gauge and next((other for other in range(gauge - 1, min(bore.INNER_MM) - 1, -1) if bore.relative_flow(gauge, other) > 1.2), None)
    yield Line("tubing", "compare tubing and needle set with the order, and whether the product was cold (cold flows slower)")
    if wider:
        yield Line("wider needle", bore.estimate(gauge, wider)["text"], needs_order=True)


OPTIONS = {
    "more_sites": _more_sites,
    "slower": _slower,
    "needle_longer": lambda patient, plan, now: _needle(patient, now, longer=True),
    "needle_shorter": lambda patient, plan, now: _needle(patient, now, longer=False),
    "tubing": _tubing,
    "tape": lambda patient, plan, now: (Line("tape", "another tape: paper or for sensitive skin"),),
    "dry_prime": lambda patient, plan, now: (Line("dry priming", "no drop on the needle's tip before it goes in"),),
    "technique": lambda patient, plan, now: (Line("technique", "watch one infusion, on a visit or by video: depth, tape, place"),),
    "other_places": lambda patient, plan, now: (Line("places", "other places, at the order's spacing; leave out where it was"),),
    "pump": lambda patient, plan, now: (Line("pump", f"setting against the order ({_number(patient.order.rate_ml_per_h_per_site)} mL/h per site, "
                                                     f"{_number(plan.rate_ml_per_h)} in all), batteries, service date"),),
}
