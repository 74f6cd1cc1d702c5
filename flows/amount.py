"""The amounts that a line of plain words tells, and as what: given of an order, lost, a total, for each site, of a vial."""

import re
from typing import NamedTuple

from flows.lexicon import sub

MOST = 1.1  # of the ordered volume: more is asked about
LEAST = 0.2  # of the ordered volume: less is asked about
N = r"(\d{1,4}(?:\.\d+)?)w?"
V = r"v(\d+(?:\.\d+)?)"
VN = rf"(?:{V}|{N})"
PLACE = r"(?:belly|thigh|arm|hip|flank|back|buttock)S?"
TIED = rf" (?:{PLACE}|left|right|1st|2nd|3rd|first|second|third|other|otro|otra|otros|primero|primera|segundo|segunda|VIAL|L\d+|SITE|side|lado|l|r) "


class Told(NamedTuple):
    """mL that a line tells, lists in the order told. rest: the line without those that have their place."""

    rest: str
    lost: float | None
    part: float | None
    all_but: float | None  # of the order
    entered: list
    totals: list
    packs: list
    each: list
    vials: list  # mL of the lots, when all of them have one
    plain: list
    sums: float | None


def told(line, order_ml, lots, lot_ml):
    """What amounts a marked line tells, and as what."""
    lost, line = _not_given(line)
    part, line = _part(line, order_ml)
    left, line = _take(line, rf"ALLBUT(?: (?:the|last|ABOUT|los|ultimos|like))* {VN}(?: OF (?:the|los|my) {VN})?(?! AND media)", "BUT")
    all_but = order_ml - left[0] if left and order_ml and " OF_ORDER " in line else None
    line = sub(rf"{V}(?: ,)? TO {V}|{N}(?: ,)? TO {V}|(?:FROM|OF) {N} AND {V}", lambda *_: "ASK", line)
    either = rf"(?<= ){VN}(?: [?] [|]| ,)? OR (?:[a-z]+ |ABOUT |[|] )?{VN}(?= )(?! MIN)"
    line = re.sub(either, lambda found: "ASK" if _can_be(found, order_ml) else "x", line)
    entered, line = _take(line, rf"(?:entered|entraron|entro|only got|got in)(?: TOTAL| ONLY| ABOUT| le| me| los)* {VN}"
                                r"(?! (?:EACH|in the|in my|en la|en el|SITE|AND))", "IN")
    totals, line = _total(line)
    packs, line = _packs(line)
    each, line = _each(line, order_ml)
    vials = [lot.ml for lot in lots] if lots and all(lot.ml for lot in lots) else []
    for ml in lot_ml if vials else ():  # what is told for lots is no amount of its own
        line = re.sub(rf" v?{ml:g}w?(?= )", " VIAL", line, count=1)
    plain = [float(ml) for ml in re.findall(rf" {V}(?= )", line)]
    sums, line = _sums(line, order_ml, bool(plain))
    return Told(line, left[0] if left else lost, part, all_but, entered, list(dict.fromkeys(totals)), packs, each, vials, plain, sums)


def marked(line, order_ml):
    """The line with every mL as one word, and without rates and what was ordered."""
    line = sub(rf"{N} ML(?: (?:PERH|/ H|/ MIN|EACH H|EACH MIN|x H|a H|por H))", lambda n: "RATE", line)
    line = sub(rf"(?:rate|speed|velocidad|flow|ritmo|flujo)(?: (?:OF|was|:|is|AT|set|TO|a|ABOUT|on|the|it|en|"
               rf"pump))* {N}(?: ML)?(?: an H)?", lambda n: "RATE", line)
    line = sub(rf"{N}(?: ML)? (?:PERH|/ H|an H(?! (?:AND|\d))|rate)", lambda n: "RATE" if float(n) != order_ml else f"v{n} s60", line)
    line = sub(rf"{N} ML", lambda n: f"v{n}", line)
    line = sub(rf"ML(?: :| =)? {N}(?! [/:])", lambda n: f"v{n}", line)
    line = sub(rf"ORDERED(?: (?:the|for|is|was|OF|ABOUT|it|be|normally|AT|mi|my|los|las|:|get))* {VN}", lambda *_: "ORDERED", line)
    line = sub(rf"(?:NOT|not|wasnt|no (?:fueron|eran|son|fue)|OTHERTIME|no(?= {V}| [\d.]+w? \|)) (?:the |los )?{VN}(?! (?:CORR|"
               rf"TOTAL))", lambda *_: "NOT", line)
    line = sub(rf"(?:have|has|tengo|tiene) {VN}(?= (?:AT|PM|to do|for))", lambda *_: "ORDERED", line)  # yet to come
    return sub(rf"{V} (?:every|EACH s\d+)", lambda _: "RATE", line)


def _number(*groups):
    return next(float(group) for group in groups if group is not None)


def _take(line, pattern, word):
    """(numbers, line) for every match of a pattern with one number; the matches give way to a word."""
    told = []

    def write(*groups):
        told.append(_number(*groups))
        return word + " OF_ORDER" * (len([group for group in groups if group]) > 1)

    return told, sub(pattern, write, line)


def _not_given(line):
    """mL left over, leaked or lost."""
    told = []
    rest_of = r"(?: (?:are|is|was|were|just|still|se|me|que|it|of|or|so|ABOUT|\?|the|OF|in|from|had|got|probably|have|on|mas|or so))*"
    for pattern in (
        rf"(?:the )?(?:other|last|rest|ultimos|otros|resto|final) (?:ABOUT |, )?{VN}(?: ,)?{rest_of} (?:LEFTOVER|LOST|left)(?: in| over)?",
        rf"(?:los )?(?:ABOUT )?{V}{rest_of} (?:LEFTOVER|LOST|wet|remaining)(?: in)?",
        rf"{V} left(?= (?:in|over|[|,]|AT|on|still|but|because|TO|so|AND LOST|OF|AND the|unused|I))",
        rf"(?:the |los )?{N}{rest_of} (?:LEFTOVER|LOST|left in|left over)(?= )", rf"{VN} (?:didnt|did not)(?= [|,])",
        rf"(?:LEFTOVER|LOST)(?: (?:ABOUT|un|unos|like|maybe|OR|a|los|ONLY|:|en|la|the|it|ALL|probably|de|i|had|TOTAL|in|syringe|"
        rf"VIAL|1w?|OF|jeringa|bolsa|otros|me|tubing|line))*"
        rf" {VN}(?= (?:[|,]|in|en|OF|on|adentro|AND|but|pero|LEFTOVER|so|AT|because|porque|?))".replace("|?)", "|[?])"),
        rf"(?:VIAL|pump|bag|bomba) (?:still )?(?:todavia |aun |le )*(?:had|has|tenia|tiene|LEFTOVER)(?: still| todavia| ABOUT)* {VN}",
        rf"left {V} (?:in|on)(?= )",
    ):
        found, line = _take(line, pattern, "GONE")
        told += found
    words = re.findall(r" LEFTOVER(?: ABOUT)? (?:un|uno|una) ML(?= )", line)
    told += [1.0] * len(words)
    told = set(told)
    whole = max(told, default=0)  # "10 left in one, 5 in the other, so 15"
    return (whole if near(2 * whole, sum(told)) else sum(told)) if told else None, line


def _part(line, order_ml):
    """ "35 of the 40": the first went in, the second was ordered."""
    part = []

    def write(*groups):
        link, *groups = groups[-3:-2] + groups[:-3] + groups[-2:]
        numbers = [float(group) for group in groups if group]
        if link == "/" and numbers[-1] != order_ml:
            return f"{numbers[0]:g} / {numbers[-1]:g}"
        if len(numbers) == 2 and max(numbers[1], (order_ml or 0)) * 0.2 <= numbers[0] <= numbers[1] and numbers[1] >= (order_ml or 0) * 0.5:
            part.append(numbers[0])
            return "PART"
        return "x " + " ".join(f"{number:g}" for number in numbers)

    the = "(?:(?:the|my|los|mis|las|ordered|ORDERED|her|his|TOTAL|la|total|OF|supposed) )"
    packed = re.search(r"VIAL OF|[1-6]w? OF (?:the |los )?v?\d+ (?:AND|VIAL)", line)
    line = sub(rf"(?<!ALLBUT )(?<!other )(?<!otros ){VN}(?: [a-z]+)?(?: (?:in|adentro))? (OF|OF OF|/|OF a|"
               rf"out OF) {the}{'+' if packed else '*'}{VN}(?! (?:VIAL|SITE|EACH))",
                write, line) if not packed else line
    return (part[-1] if part else None), line


def _packs(line):
    """Vials and syringes of a size: "2 vials of 20", "2x20", "two 10 ml syringes", "una de 50"."""
    packs = []

    def times(*groups):
        numbers = [float(group) for group in groups if group]
        packs.append(numbers[0] * numbers[1])
        return "VIAL"

    def one(*groups):
        packs.append(_number(*groups))
        return "VIAL"

    few = r"([1-9]|1[0-2])w?"
    line = sub(rf"{few} (?:big |little |small |grandes |chicos |more )?VIAL(?: (?:OF|x|AT|were|son|eran|cada|BOTH|"
               rf"ALL))* {VN}(?! (?:EACH|in|AND {V}))(?: VIAL)?", times, line)
    line = sub(rf"{few} x {VN}(?! SITE)", times, line)
    line = sub(rf"(?:the|my|el|la) {V} VIAL", lambda v: one(v) and "one VIAL", line)
    line = sub(rf"{few} {VN} VIAL", times, line)
    line = sub(rf"{V} x {few}(?! SITE)", lambda v, n: times(v, n), line)
    line = sub(rf"{V} VIAL x ?{few}", lambda v, n: times(v, n), line)
    if re.search(rf" VIAL OF {VN}| OF {VN} AND (?:uno|una|otro|otra|1w?|[2-9]w?)(?: VIAL)? OF ", line):
        line = sub(rf"{few}(?: VIAL)? OF {VN}", times, line)
        line = sub(rf"(?:a|un|uno|una|1w?|otro|otra|another|VIAL|grande|chico)(?: VIAL)?(?: es)? OF {VN}", one, line)
    return packs, line


def _each(line, order_ml):
    """mL told for each site."""
    told = []

    def write(*groups):
        ml = _number(*groups)
        if ml == order_ml:  # "her 15, one in each leg"
            return f"v{ml:g} EACH"
        told.append(ml)
        return "EACH"

    line = re.sub(r"(?<= )[1-4]w?(?: (?:in|on|en|SITE|NEEDLE))? (?=EACH )", "", line)  # "2 in each thigh" are needles

    line = sub(rf"{VN}(?: (?:ML|in|into|en|on|went|AT|to|OF|a|por|,|for|con))* (?:EACH|BOTH(?= (?:sides?|SITE|"
               rf"{PLACE}) EACH))(?: (?:SITE|1w|one|VIAL))?", write, line)
    line = sub(rf"EACH(?: (?:SITE|1w|one|side|lado|{PLACE}|got|had|:|with|le|con|took|was|de|OF|VIAL|puse|fueron|uno|una|is|=|"
               rf"ABOUT))* {VN}(?! (?:TOTAL|s\d|SITE|VIAL))", write, line)
    line = sub(rf"{V} x(?= \d\w? SITE)", write, line)
    line = sub(rf"{VN} (?:a|por) (?:SITE|{PLACE}|side|lado|sitio|piece)", write, line)
    return list(dict.fromkeys(told)), line


def _total(line):
    """mL told as the sum of all."""
    told = []
    for pattern in (
        rf"TOTAL(?: (?:OF|:|=|was|is|ABOUT|fue|fueron|so|that s|es|de|a|,|volume|went|in|ML|dose|son|given|"
        rf"infused))* {VN}(?! (?:MIN|H|SITE|s\d|/|VIAL|EACH))",
        rf"{VN} (?:in |a |ML )?TOTAL(?! s\d)", rf"= {VN}(?! TOTAL| = L| ,? ?L\d)", rf"{VN} (?:AND )?(?:in all|grand total|all up)",
        rf"(?:so|osea|o sea|making|makes|that s|comes TO|adds up TO|total|so that s|asi que) {V}(?= )",
        rf"(?:so|osea|o sea|asi que) {N}(?= [|,])",
    ):
        found, line = _take(line, pattern, "TOTALLED")
        told += found
    return told, line


def _sums(line, order_ml, has_plain):
    """ "20 + 20", "20 / 20", "left 22 right 20", "15 thigh, 15 belly": amounts that stand for a site or a vial each."""
    def sound(numbers):
        fits = has_plain or order_ml and order_ml * LEAST <= sum(numbers) <= order_ml * MOST
        return len(numbers) > 1 and all(number >= 2 for number in numbers) and fits

    for link in ("AND", "/"):
        found = re.search(rf"(?<! AT)(?<! las) {VN}(?: {link} {VN})+(?= )(?! (?:MIN|H|media|half|s\d))", line)
        if found:
            numbers = [float(number) for number in re.findall(r"[\d.]*\d", found[0])]
            more = re.search(rf" {V}(?= )", line.replace(found[0], " ", 1))
            if sound(numbers) and (link == "AND" or len(set(numbers)) == 1) and (not more or float(more[1]) == sum(numbers)):
                return sum(numbers), line.replace(found[0], " SUM", 1)
    where = rf"(?:(?:upper|lower|inner|outer) )?(?:(?:left|right|l|r)(?: {PLACE})?|{PLACE}(?: (?:left|right|l|r))?)"
    small = (r"(?: (?:in|en|into|on|the|la|el|mi|my|side|lado|OF|AND|,|:|=|[|]|was|got|went|ML|then|luego|AT|1w?|otros|other|otro|"
             r"leg|los|hand|cheek|of|-|TO|x|upper|lower|"
             r"inner|outer|se|tapo|cambie|aguja|puse|me|entraron|IN)){0,12}")
    options = []
    for pattern in (rf" {VN}{small} {where}(?= )", rf" {where}{small} {VN}(?! [/:])(?= )"):
        told = list(re.finditer(pattern, line))
        numbers = [_number(*found.groups()) for found in told]
        if sound(numbers):
            options.append((len(numbers), -told[0].start(), numbers, pattern))
    best = max(options, default=None)
    if best is None:
        return None, line
    numbers = best[2]
    whole = [ml for ml in numbers if len(numbers) > 2 and near(sum(numbers) - ml, ml)]
    return whole[0] if whole else sum(numbers), re.sub(best[3], " SUM", line)


def tied(line):
    """How many plain amounts stand beside a site, a vial or "the other" of their own."""
    parts = re.split(r" (?:[,|/]|AND|then|luego|TIME)(?= )", line)
    tied = sum(bool(re.search(rf" {V} ", part + " ") and re.search(TIED, part + " ")) for part in parts)
    amounts = len(re.findall(rf" {V}(?= )", line))
    if tied < amounts:
        ways = (rf" {V}(?: (?!v)\S+){{0,4}}? (?:{PLACE}|left|right|L\d+|VIAL|first|second|other|otro|otra)(?= )",
                rf" (?:{PLACE}|left|right|L\d+|first|second|other|otro|otra)(?: (?!v)\S+){{0,3}}? {V}(?= )")
        tied = max(tied, *(len(re.findall(way, line)) for way in ways))
    return tied


def _can_be(found, order_ml):
    """Are the numbers of "35 or 36" of the size of a dose?"""
    numbers = [float(group) for group in found.groups() if group]
    return found[1] or found[3] or order_ml and all(order_ml * LEAST <= number <= 2 * order_ml for number in numbers)


def near(one, other):
    return abs(one - other) < 0.06
