"""mL that went in, by a line of plain words in which times, spans and lots are marked already.

`read` gives the total, what did not go in, and whether a careful nurse would ask back.
"""

import re
from typing import NamedTuple

from flows import amount
from flows.amount import LEAST, MOST, N, PLACE, V, VN, near, tied
from flows.lexicon import AREAS

BELIEVED = 300  # mL that we believe without an order
PLACES = {area + plural for area in AREAS for plural in ("", "S")} | {"left", "right", "SITE", "TIME", "BOTH"}
OPEN = PLACES | set(  # before a number without its unit that is the mL
    "| , END START got in put was did dose fueron entraron fue puse pusimos pasaron paso metimos meti ALL ABOUT infused volume vol "
    "volumen cantidad amount "
    "los the her his its it es is son eran dosis : = given gave dimos di con with TOOK todos infundi infusion aplique aplicamos "
    "entro entered only just "
    "ONLY went so que bueno then FROM si total TOTAL AND / whole says dice quantity pushed pumped ran today hoy otros treatment "
    "aplicaron me en UNSURE "
    "- HEDGE SAME finished yes".split())
SHUT = PLACES | set(  # and behind it
    "| , in into went TOTAL LOT en AND END ALL EACH repartido repartidos split upper lower inner outer my today hoy entraron "
    "pasaron OF total TOOK FROM AT "
    "START no bilat bilateral over between across among used LEFTOVER adentro por as como this per para : / - on to for delivered = "
    "luq llq rlq ruq going "
    "given infused completos completo OTHERTIME pero but".split())
OPEN_HIGH, SHUT_HIGH = set("got in put infused volume vol".split()), set("in went total TOTAL BOTH EACH".split())  # a number beyond the order too
SHUT_ORDERED = set("AND END AT START / - OF per no to for".split())  # behind no other number than the ordered one
NO_DOSE = re.compile(r" (?:temp\w*|thermometer|celsius|fahrenheit|fever|fiebre|calentura|grados|termometro|pulso|pulse) ")
DOSE = re.compile(r" (?:dose|dosis|in|entro|paso|puse|VIAL|infused|medicine|medicina|entraron|pump|got|infusion|went|LEFTOVER) ")


class Volume(NamedTuple):
    """mL that went in, mL that did not; None without a word of it. asked: a nurse would ask back. told: a total that
    the order cannot mean, when that is why."""

    ml: float | None = None
    not_given_ml: float | None = None
    asked: bool = False
    told: float | None = None


def read(line, order_ml=None, order_sites=None, count=None, named=0, lots=(), lot_ml=()):
    """The `Volume` of a line. count: sites that the text counts; named: sites that it names; lots, lot_ml: see `flows.lot.amounts`.

    Every way to the total that the text offers is taken: "35 of the 40", a total, so much for each site, vials, sums. They
    must agree; where they do not, or a number is left that none of them explains, it is asked.
    """
    line = amount.marked(line, order_ml)
    told = amount.told(line, order_ml, lots, lot_ml)
    multiplied = _multiplied(told.each, told.rest, count, named, order_ml, order_sites, lots)
    ways, contradicts = _ways(told, multiplied, lot_ml, order_ml)
    ml = order_ml if told.totals == [order_ml] else _agreed(ways, told.lost)
    asked = contradicts or bool(ways) and ml is None or _vague(line, told.rest, bool(ways)) or bool(told.each) and not ways
    if ml is not None and not asked and _unexplained(told.rest, {ml, ml + (told.lost or 0)}, order_ml):
        asked = True
    elif ml is not None and ml != order_ml and not asked:
        counted = [many for many in (count, order_sites) if many and "each" in ways]  # sites counted in two ways
        asked = (any(told.each[0] * many == order_ml for many in counted)
                 or set(ways) == {"packs"} and len(told.packs) == 1 and " one VIAL " in told.rest)
    if ml is None or asked:
        return Volume(None, told.lost, asked)
    if ml == told.lost:
        return Volume(None, told.lost)
    less = told.lost is None and "entered" not in ways and ml < (order_ml or 0) * 0.6 and re.search(r" (?:LEFTOVER|LOST) ", told.rest)
    little = order_ml and ml < order_ml * LEAST
    if less:
        return Volume(None, None, True)
    if ml <= 0 or little or ml > (order_ml * MOST if order_ml else BELIEVED):
        return Volume(None, told.lost, True, ml)
    return Volume(ml, told.lost)


def _ways(told, multiplied, lot_ml, order_ml):
    """({how: mL}, contradicts): every way to the total, and whether there are two of one kind."""
    bare = [] if told.plain or told.packs or told.each or told.sums or told.totals or told.entered else _bare(told.rest, order_ml)
    ways = {"part": told.part, "all but": told.all_but, "each": multiplied, "vials": sum(told.vials) or None, "sum": told.sums,
            "packs": sum(told.packs) if told.packs and not told.vials else None}
    for how, several in (("entered", told.entered), ("total", told.totals), ("bare", bare)):
        ways[how] = several[0] if len(set(several)) == 1 else None
    contradicts = any(len(set(several)) > 1 for several in (told.entered, told.totals, bare))
    plain = told.plain
    if told.sums is None and len(set(plain)) > 1:
        if tied(told.rest) == len(plain):
            whole = [ml for ml in plain if near(sum(plain) - ml, ml)]  # "15 left, 15 right, so 30"
            ways["sum"] = whole[0] if whole else sum(plain)
        else:
            known = [ml for ml in ways.values() if ml is not None]
            contradicts |= any(ml not in lot_ml and ml not in known for ml in plain) and not any(near(sum(plain), ml) for ml in known)
    elif told.sums is None and plain:
        ways["plain"] = plain[0]
    ways = {how: ml for how, ml in ways.items() if ml is not None}
    if len(ways) > 1 and ways.get("plain") in {*told.each, *lot_ml, *told.packs}:
        del ways["plain"]
    return ways, contradicts


def _vague(line, rest, found):
    """Does it say that the amount is not sure, or tell of a part without its number?"""
    vague = (rf" HEDGE {V}(?= )| UNSURE (?:[a-z]+ |, |[|] )*(?:{VN}|OR {VN})(?= )| {V}(?: in| [|]| ,)* (?:UNSURE|OR (?:less|more))(?= )|"
             rf" OR (?:ABOUT )?{V}(?= )| ASK ")
    return bool(re.search(rf" (?:{V}|so {N}) [?](?= )", line) or re.search(vague, rest)
                or (re.search(r" (?:double|doble|twice|dos veces) ", rest) if found else _partly(rest)))


def _agreed(ways, lost):
    """The mL that all ways come to, or None. What was lost or left may stand between two of them."""
    told = {how: round(ml, 2) for how, ml in ways.items() if ml is not None}
    for how in ("part", "entered", "all but"):  # what is said to have gone in
        if how in told and set(told.values()) <= {told[how], told[how] + (lost or 0)}:
            return told[how]
    values = set(told.values())
    if len(values) == 2 and lost and near(max(values) - lost, min(values)):
        return min(values)
    return values.pop() if len(values) == 1 else None


def _unexplained(line, known, order_ml):
    """Is a number left that could be mL as well, beside those known? The ordered total itself needs no such doubt."""
    if not order_ml:
        return False
    left = [float(number) for number in re.findall(rf"(?<= ){N}(?= )(?! (?:SITE|NEEDLE|x|VIAL|TIME|infusion))", line)]
    return any(order_ml * 0.2 <= number <= order_ml * 3 for number in left if number not in known or 2 * number == order_ml)


def _partly(line):
    """ "Most of it went in": a part, without its number."""
    return any(" PARTLY " in part and (len(part.split()) < 7 or DOSE.search(part)) for part in map(" {} ".format, re.split(r" [|] ", line)))


def _multiplied(each, line, count, named, order_ml, order_sites, lots):
    """What "20 each" comes to: for as many sites or vials as the text has, else as were ordered."""
    if len(each) != 1:
        return None
    if named > 1 and count and count != named and count % named == 0:
        named = count
    times = [int(number) for number in re.findall(rf" (?:{PLACE}|left|right) x (\d)w?(?= )", line)]
    if times and sum(times) != named:
        count, named = sum(times), 0
    vials = {int(number) for number in re.findall(r"(?<= )([1-9]|1[0-2])w? VIAL(?= (?:OF )?EACH)", line)}
    if vials:  # "4 syringes, 10 each"
        return each[0] * vials.pop() if len(vials) == 1 else None
    many = named if named > 1 else count or (len(lots) if len(lots) > 1 else None) or (order_sites if order_sites and order_sites > 1 else None)
    if count and each[0] * count == order_ml:
        return order_ml
    if named > 1 and count and named != count:
        return None
    return each[0] * many if many and many > 1 else None


def _bare(line, order_ml):
    """Numbers without a unit that can only be the mL: of the size of the order, and alone or beside a site, a time or "in"."""
    found = []
    if not order_ml or NO_DOSE.search(line):
        return found
    for match in re.finditer(rf"(?<= ){N}(?= )", line):
        before, after = (_kind(word) for word in (line[:match.start() - 1].rsplit(" ", 1)[-1], line[match.end():].split(" ", 2)[1]))
        ml, minutes = float(match[1]), line[:match.start()].endswith((" END in ", " TOOK in "))  # "done in 45"
        if before not in OPEN or after not in SHUT or minutes or not max(order_ml * 0.5, 3) <= ml <= order_ml * 12:
            continue
        if (ml == order_ml or after not in SHUT_ORDERED) and (ml <= order_ml * MOST or before in OPEN_HIGH or after in SHUT_HIGH):
            found.append(ml)
    return found


def _kind(word):
    """A word, or TIME for a marked time, span or lot."""
    return "TIME" if re.fullmatch(r"[sL]\d+|t\d\S*", word) else word
