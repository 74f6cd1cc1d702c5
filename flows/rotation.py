"""Where infusions went in, how those sites did, and which ones are proposed next. Pure.

A place is a side of an area: "left belly". Published advice conflicts, so the rule is the practice's own setting. US
labels: "Rotate sites for each administration", and avoid "bony prominences, visible blood vessels, scars, and any areas
of inflammation (irritation) or infection" (XB-1, SEEN). ASCIA: the same site each time (clinical 15.1, SEEN). Spacing
is 2 in, for one product 4 in (clinical 15.2, SEEN). Bones, vessels and scars are the patient's to see: no record has them.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

AREAS = ("belly", "thigh", "arm", "hip", "flank", "back", "buttock")
SIDES = ("left", "right")
RULES = ("rotate", "same")
# Inches along which several sites of one side may lie; an area that is not named holds one site a side. A narrow guess for
# an adult, the belly from 2 in beside the navel: common practice, no source.
LENGTH_IN = {"belly": 4, "thigh": 4}
INFLAMED = ("swelling", "redness", "itch", "pain", "infection signs")  # until it is known to be gone, no site is put there
LOCAL = (*INFLAMED, "leak", "blood")  # told without a site, it is about every site of its dose
USED = ("running", "done", "stopped")  # states of a dose whose needles went in
HALF_A_DAY = timedelta(hours=12)  # rest is counted to the nearest day: this week's dose may start a little earlier


class Place(NamedTuple):
    """A side of an area. "" is one that was not told: ("thigh", "") or, for "left side", ("", "left")."""

    area: str
    side: str

    def __str__(self):
        return " ".join(filter(None, (self.side, self.area or "side"))) if any(self) else "not known"


@dataclass(frozen=True)
class Record:
    """What is known of one place. doses: how many went in there; troubles: its reactions, newest first."""

    place: Place
    doses: int
    last_used_at: datetime | None
    troubles: tuple


@dataclass(frozen=True)
class Proposal:
    """The sites of the next dose, a place with room twice if need be. why: what is missing when it is not the ordered
    number; "" when it is."""

    sites: tuple[str, ...]
    why: str = ""


def table(infusions, reactions):
    """A `Record` for each place that was used or complained of, in the order of `AREAS`, left before right.

    infusions: newest first (`sites` of each, as recorded). reactions: newest first.
    """
    used = [(where, _at(each)) for each in _used(infusions) for where in {place(site) for site in each.sites}]
    told = [(where, each) for each in reactions for where in places_of(each, infusions)]
    found = sorted({where for where, _ in (*used, *told)}, key=_rank)
    return tuple(Record(
        where, sum(each == where for each, _ in used), max((at for each, at in used if each == where), default=None),
        tuple(dict.fromkeys(each for there, each in told if there == where))) for where in found)


def propose(order_sites, history, rule, now, avoid_days, spacing_in, areas=("belly", "thigh"), rest_days=0):
    """The `Proposal` for the next dose: at most `order_sites` sites, the same for the same record.

    history: (infusions newest first, reactions). A place that is inflamed, by what was told in the last `avoid_days` and
    is not known to be gone, is never proposed.

    rule "rotate": from the practice's `areas` and the places that were used before, those that have rested `rest_days`,
    the longest rested first, one of the list that was never used only before those of the newest dose; at the same rest
    the side with fewer sites; one to a place before a second one, as many as keep `spacing_in` apart (`room`). A place
    with other trouble in the last `avoid_days` comes after all others.
    rule "same": the sites of the newest dose that was done without trouble, minus those with trouble since.
    """
    infusions, reactions = history
    used = _used(infusions)
    if not used:
        return Proposal((), "no sites are on record")
    late = [each for each in reactions if now - each.told_at < timedelta(days=avoid_days)]
    troubled = {where for each in late for where in places_of(each, infusions)}
    inflamed = {where for each in late if each.kind in INFLAMED and each.gone_at is None for where in places_of(each, infusions)}
    if rule == "same":
        good = next((each for each in used if _went_well(each, reactions)), None)
        if good is None:
            return Proposal((), "no dose without trouble has its sites on record")
        sites = [site for site in good.sites if place(site).area and not _touched(place(site), troubled)]
    else:
        sites = list(map(str, _rotated(order_sites, used, troubled, inflamed, now, spacing_in, areas, rest_days)))
    sites = tuple(sites[:order_sites])
    short = len(sites) < order_sites
    return Proposal(sites, f"{len(sites)} of {order_sites} ordered sites can be proposed" if short else "")


def for_patient(patient, practice, now):
    """The `Proposal` for a patient's next dose by the practice's settings."""
    if patient.order is None:
        return Proposal((), "there is no order")
    return propose(patient.order.sites, (patient.infusions, patient.troubles), practice.site_rule, now, practice.site_avoid_days,
                   practice.site_spacing_in, practice.site_areas, practice.site_rest_days)


def place(site):
    """The `Place` of a recorded site: "upper right thigh" is ("thigh", "right")."""
    words = site.lower().split()
    return Place(next((word for word in words if word in AREAS), ""), next((word for word in words if word in SIDES), ""))


def places_of(reaction, infusions):
    """The places that a reaction is about. What it leaves open ("thigh", "left side", nothing) the sites of its dose
    settle, as far as they are known."""
    dose = next((each for each in infusions if each.id == reaction.infusion_id), None)
    sites = tuple(dict.fromkeys(map(place, dose.sites))) if dose and reaction.infusion_id is not None else ()
    if not reaction.site:
        return sites if reaction.kind in LOCAL else ()
    found = []
    for told in map(place, reaction.site.split(", ")):
        whole = told.area and told.side
        found += [told] if whole else [each for each in sites if _touches(told, each)] or [told]
    return tuple(dict.fromkeys(found))


def room(area, spacing_in):
    """How many sites one side of an area holds, `spacing_in` inches apart. One always fits."""
    return 1 + int(LENGTH_IN.get(area, 0) / spacing_in)


def _rotated(count, used, troubled, inflamed, now, spacing_in, areas, rest_days):
    last = {where: max((_at(each) for each in used if _touched(where, map(place, each.sites))), default=None)
            for where in _allowed(used, areas)}
    rest, never = timedelta(days=rest_days), max(map(_at, used)) - timedelta(microseconds=1)
    free = [where for where, at in last.items() if not _touched(where, inflamed) and (at is None or now - at + HALF_A_DAY >= rest)]
    chosen = []
    while len(chosen) < count:
        open_places = [where for where in free if chosen.count(where) < room(where.area, spacing_in)]
        if not open_places:
            break
        chosen.append(min(open_places, key=lambda where: (
            _touched(where, troubled), chosen.count(where), last[where] or never, sum(each.side == where.side for each in chosen), _rank(where))))
    return chosen


def _allowed(used, areas):
    """Both sides of the practice's areas, and what was used before: an area by itself only when it is known by no side."""
    before = {place(site) for each in used for site in each.sites}
    found = {Place(area, side) for area in areas for side in SIDES} | {each for each in before if each.area and each.side}
    sided = {each.area for each in found}
    return sorted(found | {each for each in before if each.area and each.area not in sided}, key=_rank)


def _went_well(dose, reactions):
    told = any(each.infusion_id == dose.id and (each.site or each.kind in LOCAL) for each in reactions)
    return dose.state == "done" and dose.how in (None, "fine") and not told


def _used(infusions):
    return [each for each in infusions if each.state in USED and each.sites]


def _at(dose):
    return dose.started_at or dose.ended_at or dose.due_at


def _touches(one, other):
    """May the two be the same place, as far as they were told?"""
    return all(not a or not b or a == b for a, b in zip(one, other, strict=True))


def _touched(where, others):
    return any(_touches(where, other) for other in others)


def _rank(where):
    return (AREAS.index(where.area) if where.area else len(AREAS), where.side)
