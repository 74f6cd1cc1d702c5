"""What a nurse sees beside a matter or a call-back: the patient's order with its sums, the last doses, this trouble over time, and the
options she would weigh, each with the numbers behind it. None of it is ever told to a patient; what would change an order says so.

Needle lengths by age and what leak and pain say about a needle: common practice, no source (a needle that is too short leaks, one
that is too long hurts: clinical 5e, 6, nursing guide seen). The order and the prescriber decide.
"""

from dataclasses import dataclass
from datetime import timedelta

from flows import advice, bore, hours, phase, regimen
from flows.profile import counted, plain

LATELY = 6  # doses that the picture shows
NEEDLES_MM = (4, 6, 9, 12, 14)  # common lengths, common practice, no source
USUAL_NEEDLE_MM = {"child": (6, 6), "adult": (9, 12)}  # common practice, no source
BEYOND, BELOW = "beyond the usual length at this age", "below the usual length at this age"
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
OPEN_FOR = timedelta(hours=48)  # the troubles told of so lately are what a matter of no trouble of its own is about
FROM_RECORD = ("a problem that bothers much", "a site reaction past 48 hours", "dose stopped early", "less than ordered went in",
               "safety_question_in_doubt", "silent_while_infusing", "silent_about_a_problem")  # call-backs and details of matters


@dataclass(frozen=True)
class Line:
    """One line of the picture. needs_order: it would change the order, so the prescriber decides."""

    label: str
    text: str
    needs_order: bool = False


def picture(patient, now, topic=None, detail=None, given=None):
    """The lines for a nurse about one patient, as far as the record goes. topic, detail: of the matter or complaint, or None.
    given: doses done or stopped with the order's product, None when only the patient's own record of late is at hand."""
    if patient.order is None:
        return (Line("order", "none on record"),)
    kinds = _kinds(patient, now, topic, detail)
    assumed = () if given is not None or patient.first_order else (
        Line("assumed", f"infusion {_given(patient) + 1}: the doses of earlier orders are counted, as if of the same product"),)
    given = _given(patient) if given is None else given
    plan = _plan(patient, now, given)
    hints = dict.fromkeys(hint for kind in kinds for hint in HINTS[kind])
    options = dict.fromkeys(line for hint in hints for line in OPTIONS[hint](patient, plan, now, given))
    last = [line for line in options if BEYOND in line.text or BELOW in line.text]
    return (*_order(patient, plan, now), *assumed, *_doses(patient), *(line for kind in kinds for line in _trouble(patient, kind)),
            *(line for line in options if line not in last), *last)


def _kinds(patient, now, topic, detail):
    """What the options are for: the trouble of the matter, and every other one told of lately and not known to be gone."""
    own = "redness" if detail == "site_redness" else KINDS.get(topic)
    if own is None and topic not in FROM_RECORD and detail not in FROM_RECORD:
        return ()
    staying = [each for each in patient.troubles if each.gone_at is None and each.kind in HINTS]
    lately = [each.kind for each in staying if now - each.told_at <= OPEN_FOR]
    return tuple(dict.fromkeys([*([own] if own else []), *(lately or ([] if own else [each.kind for each in staying[:1]]))]))


def kind_of(about, topic=None):
    """(topic, detail) of a call-back's `about` or a matter's topic, as `picture` takes them."""
    words = about or topic or ""
    if words in KINDS or words in FROM_RECORD:
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


def _given(patient):
    """Doses done or stopped on record. Earlier orders are taken to be of the same product: whose they were is not at hand."""
    return sum(dose.state in ("done", "stopped") for dose in patient.infusions)


def _plan(patient, now, given, **changes):
    """The plan of the order, or of the order with `changes`. given: doses before this one."""
    order = patient.order
    facts = {"volume_ml": order.volume_ml, "strength": order.strength_g_per_ml, "sites": order.sites,
             "rate_ml_per_h_per_site": order.rate_ml_per_h_per_site, "profile": order.profile, "infusion_number": given + 1,
             "age_years": age_of(patient, now), "weight_kg": patient.weight_kg}
    return regimen.plan(**{**facts, **changes})


def _plain(value):
    """A figure to one decimal: what a pump or a syringe can be set to."""
    return plain(round(float(value), 1))


def _order(patient, plan, now):
    order = patient.order
    yield Line("order", f"{plain(plan.volume_ml)} mL ({_plain(plan.dose_g)} g) over {counted(plan.sites, 'site')}, "
                        f"{_plain(plan.ml_per_site)} mL {'each ' if plan.sites > 1 else ''}at {plain(order.rate_ml_per_h_per_site)} mL/h per site: {_plain(plan.minutes)} min, every {order.every}")
    if order.needle_mm or order.gauge:
        yield Line("needle", ", ".join(filter(None, (order.needle_mm and f"{_plain(order.needle_mm)} mm", order.gauge and f"{order.gauge} gauge"))))
    for warned in plan.warnings:
        yield Line("look", f"{warned.text} [{warned.code}]")
    running = phase.running(patient)
    if running is not None and running.started_at is not None:
        yield Line("now", f"has run {(now - running.started_at).total_seconds() / 60:.0f} min")


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
        facts = [dose.state, "mL not answered" if dose.volume_ml is None else f"{_plain(dose.volume_ml)} mL",
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
    yield Line(kind, f"told at {count} of the last {counted(len(ended), 'dose')}{'; more than once at ' + ', '.join(same) if same else ''}")


# --- options: what a nurse would weigh ---------------------------------------------------------------------------------------------


def _more_sites(patient, plan, now, given):
    if plan.sites >= regimen.MOST["sites"]:
        return
    more = _plan(patient, now, given, sites=plan.sites + 1)
    label = [warned.text for warned in more.warnings if warned.code == "over_profile_sites"]
    yield Line("more sites", f"{more.sites} sites: {_plain(more.ml_per_site)} mL each instead of {_plain(plan.ml_per_site)}, "
                             f"{_plain(more.minutes)} min at the same rate per site{'; but ' + label[0] if label else ''}", needs_order=True)


def _slower(patient, plan, now, given):
    rate = patient.order.rate_ml_per_h_per_site * 0.75
    slow = _plan(patient, now, given, rate_ml_per_h_per_site=rate)
    yield Line("lower rate", f"{_plain(rate)} mL/h per site: {_plain(slow.minutes)} min instead of {_plain(plan.minutes)}", needs_order=True)


def _needle(patient, now, longer):
    now_mm, age = patient.order.needle_mm, age_of(patient, now)
    usual = None if age is None else USUAL_NEEDLE_MM["child" if age < CHILD_YEARS else "adult"]
    beside = f"; usual at {counted(age, 'year')}: {_span(usual)}" if usual else (
        f"; age not on file, usual below {CHILD_YEARS} years: {_span(USUAL_NEEDLE_MM['child'])}, from then on: {_span(USUAL_NEEDLE_MM['adult'])}")
    if now_mm is None:
        yield Line("needle", f"length not on record: ask{beside} (common practice, no source)")
        return
    choices = [mm for mm in NEEDLES_MM if (mm > now_mm if longer else mm < now_mm)]
    if not choices:
        return
    other = choices[0] if longer else choices[-1]
    outside = "" if usual is None or usual[0] <= other <= usual[1] else f"; {BEYOND if other > usual[1] else BELOW}"
    if usual == USUAL_NEEDLE_MM["child"] and BEYOND in outside:
        outside += ", it may reach muscle (a 4 mm one does in some children)"  # clinical 6, seen
    yield Line("longer needle" if longer else "shorter needle",
               f"{other} mm instead of {_plain(now_mm)} mm{beside}{outside}; ask whether the weight has changed (common practice, no source)", needs_order=True)


def _span(mm):
    return f"{mm[0]} mm" if mm[0] == mm[1] else f"{mm[0]} to {mm[1]} mm"


def _tubing(patient, plan, now, given):
    gauge = patient.order.gauge
    wider = gauge and next((other for other in range(gauge - 1, min(bore.INNER_MM) - 1, -1) if bore.relative_flow(gauge, other) > 1.2), None)
    yield Line("tubing", "compare tubing and needle set with the order, and whether the product was cold (cold flows slower)")
    if wider:
        yield Line("wider needle", bore.estimate(gauge, wider)["text"], needs_order=True)


OPTIONS = {
    "more_sites": _more_sites,
    "slower": _slower,
    "needle_longer": lambda patient, plan, now, given: _needle(patient, now, longer=True),
    "needle_shorter": lambda patient, plan, now, given: _needle(patient, now, longer=False),
    "tubing": _tubing,
    "tape": lambda patient, plan, now, given: (Line("tape", "another tape: paper or for sensitive skin"),),
    "dry_prime": lambda patient, plan, now, given: (Line("dry priming", "no drop on the needle's tip before it goes in"),),
    "technique": lambda patient, plan, now, given: (Line("technique", "watch one infusion, on a visit or by video: depth, tape, place"),),
    "other_places": lambda patient, plan, now, given: (Line("places", "other places, at the order's spacing; leave out where it was"),),
    "pump": lambda patient, plan, now, given: (Line("pump", f"setting against the order ({_plain(patient.order.rate_ml_per_h_per_site)} mL/h per site, "
                                                     f"{_plain(plan.rate_ml_per_h)} in all), batteries, service date"),),
}
