"""mL that went in, by a line of plain words in which times, spans and lots are marked already.

`read` gives the total, what did not go in, and whether a careful nurse would ask back.
"""

import re
from typing import NamedTuple

MOST = 1.1  # of the ordered volume: more is asked about
LEAST = 0.25  # of the ordered volume: less is asked about, unless the text says that it was a part
N = r"(\d{1,4}(?:\.\d+)?)w?"
V = r"v(\d+(?:\.\d+)?)"
VN = rf"(?:{V}|{N})"
OPEN = (r"(?:[|,]|END|START|TIME|got|in|put|was|did|dose|fueron|entraron|fue|puse|pusimos|pasaron|paso|metimos|meti|ALL|ABOUT|belly|belly[sS]|thighS?|armS?|hipS?|flankS?|"
        r"backS?|buttockS?|left|right|SITE|L\d+|s\d+|infused|volume|vol|volumen|cantidad|amount|los|the|her|his|its|it|es|is|son|eran|dosis|:|=|given|gave|dimos|di|"
        r"con|with|of|OF|TOOK|todos|infundi|infusion|aplique|aplicamos|entro|entered|BOTH|only|just|ONLY|went|so|que|bueno|then|FROM|si|"
        r"total|TOTAL|AND|/|quantity|pushed|pumped|ran|today|hoy|otros|treatment|aplicaron|mL|me|en|UNSURE|-|HEDGE|SAME|finished|did|yes)")
SHUT = (r"(?:[|,]|in|into|went|TOTAL|SITE|belly|thighS?|armS?|hipS?|flankS?|backS?|buttockS?|left|right|BOTH|TIME|s\d+|L\d+|LOT|en|AND|END|ALL|EACH|repartidos?|"
        r"split|upper|lower|inner|outer|my|today|hoy|entraron|pasaron|OF|total|TOOK|FROM|AT|START|no|bilat|bilateral|over|between|across|among|used|LEFTOVER|"
        r"adentro|por|as|como|this|per|para|:|/|-|on|to|for|delivered|t\d\S*|=|luq|llq|rlq|ruq|going|given|infused|completos|completo|OTHERTIME|pero|but)")
PLACE = r"(?:belly|thigh|arm|hip|flank|back|buttock)S?"
TIED = rf" (?:{PLACE}|left|right|1st|2nd|3rd|first|second|third|other|otro|otra|otros|primero|primera|segundo|segunda|VIAL|L\d+|SITE|side|lado|l|r) "


class Volume(NamedTuple):
    """mL that went in, mL that did not; None without a word of it. asked: a nurse would ask back."""

    ml: float | None = None
    not_given_ml: float | None = None
    asked: bool = False


def read(line, order_ml=None, order_sites=None, count=None, named=0, lots=()):
    """The `Volume` of a line. count: sites that the text counts; named: sites that it names; lots: see `flows.lot`."""
    lost, line = _not_given(_quiet(line, order_ml))
    allbut, line = _all_but(line)
    if allbut is not None:
        lost = allbut
    part, line = _part(line)
    line = _sub(rf"{V}(?: ,)? TO {V}|{N}(?: ,)? TO {V}|(?:FROM|OF) {N} AND {V}", lambda *_: "ASK", line)
    line = _sub(rf"{VN} (?:, |[?] [|] )?OR (?:[a-z]+ |ABOUT |[|] )?{VN}(?! MIN)", lambda *_: "ASK", line)
    packs, line = _packs(line)
    each, line = _each(line)
    total, line = _total(line)
    plain = [float(each) for each in re.findall(rf" {V}(?= )", line)]
    sums = _sums(line) if not plain or len(plain) > 1 or "AND" in line else None
    groups = _tied(line)
    bare = [] if plain or packs or each or sums else _bare(line, order_ml)
    asked = " ASK " in line or " PARTLY " in line and total is None and not plain or bool(re.search(rf" {V} [?](?= )", line))
    asked = asked or bool(re.search(rf" HEDGE {V}(?= )| UNSURE (?:[a-z]+ |, |[|] )*(?:{V}|OR {VN})(?= )| {V}(?: in)?(?: ,| [|])? (?:OR|UNSURE)(?= )", line))
    ways = []
    if part is not None:
        ways.append(part)
    if total is not None:
        ways.append(total)
    multiplied = _multiplied(each, line, count, named, order_sites, lots)
    if each and multiplied is None and total is None and part is None:
        asked = asked or not (plain or bare)
    ways += [multiplied] if multiplied is not None else []
    vials = [lot.ml for lot in lots]
    if vials and all(vials):
        ways.append(sum(vials))
    elif packs:
        ways.append(sum(packs))
    distinct = list(dict.fromkeys(plain))
    if total is not None or part is not None or multiplied is not None:
        rest = [ml for ml in distinct if ml not in ways and ml not in each and ml not in packs and ml not in vials]
        if rest and not any(_near(sum(plain), way) for way in ways) and not any(_near(sum(rest), way) for way in ways):
            asked = True
    elif len(plain) > 1 and groups == len(plain) and (named != 1 or len(distinct) > 1):
        ways.append(sum(plain))
    elif sums is not None and (not plain or len(plain) > 1):
        ways.append(sums)
    elif len(distinct) == 1:
        ways.append(distinct[0])
    elif len(distinct) > 1 and ways:
        rest = [ml for ml in distinct if ml not in ways and ml not in vials]
        asked = asked or bool(rest)
    elif len(distinct) > 1:
        whole = [ml for ml in distinct if _near(sum(plain) - ml, ml)]
        ways += whole[:1]
        asked = asked or not whole
    elif len(set(bare)) == 1:
        ways.append(bare[0])
    elif len(bare) > 1:
        asked = True
    ways = list(dict.fromkeys(round(way, 2) for way in ways))
    if len(ways) > 1 and lost is not None and _near(max(ways) - lost, min(ways)):
        ways = [min(ways)]
    if len(ways) != 1 or asked:
        return Volume(None, lost, asked or len(ways) > 1)
    ml = ways[0]
    little = order_ml and ml < order_ml * LEAST and lost is None and part is None and not re.search(r" (?:ONLY|LOST|LEFTOVER|stopped) ", line)
    if ml <= 0 or order_ml and ml > order_ml * MOST or little or not order_ml and ml > 300:
        return Volume(None, lost, True)
    return Volume(ml, lost, False)


def _near(one, other):
    return abs(one - other) < 0.06


def _sub(pattern, write, line):
    return re.sub(rf"(?<= ){pattern}(?= )", lambda found: write(*found.groups()), line)


def _quiet(line, order_ml):
    """The line with every mL as one word, and without rates and what was ordered."""
    line = _sub(rf"{N} ML(?: (?:PERH|/ H|/ MIN|EACH H|EACH MIN|x H|a H|por H))", lambda n: "RATE", line)
    line = _sub(rf"(?:rate|speed|velocidad|flow|ritmo|flujo)(?: (?:OF|was|:|is|AT|set|TO|a|ABOUT|on|the|it|en|pump))* {N}(?: ML)?(?: an H)?", lambda n: "RATE", line)
    line = _sub(rf"{N}(?: ML)? (?:PERH|/ H|an H(?! (?:AND|\d))|rate)", lambda n: "RATE" if float(n) != order_ml else f"v{n} s60", line)
    line = _sub(rf"{N} ML", lambda n: f"v{n}", line)
    line = _sub(rf"ML(?: :| =)? {N}(?! [/:])", lambda n: f"v{n}", line)
    line = _sub(rf"ORDERED(?: (?:the|for|is|was|OF|ABOUT|it|be|normally|AT|mi|my|los|las|:|get))* {VN}", lambda *_: "ORDERED", line)
    line = _sub(rf"(?:NOT|not|no(?= {V}| [\d.]+w? \|)) (?:the )?{VN}(?! (?:CORR|TOTAL))", lambda *_: "NOT", line)
    return _sub(rf"{V} (?:VIAL )?(?:AGO|EXP|fridge)", lambda _: "x", line)


def _number(*groups):
    return next(float(group) for group in groups if group is not None)


def _take(line, pattern, word):
    """(numbers, line) for every match of a pattern with one number; the matches give way to a word."""
    told = []

    def write(*groups):
        told.append(_number(*groups))
        return word

    return told, _sub(pattern, write, line)


def _not_given(line):
    """mL left over, leaked or lost."""
    told = []
    rest_of = r"(?: (?:are|is|was|were|just|still|se|me|que|it|of|or|so|ABOUT|\?|the|OF|in|from|had|got|probably|have|on|mas|or so))*"
    for pattern in (
        rf"(?:the )?(?:other|last|rest|ultimos|otros|resto|final) (?:ABOUT )?{VN}{rest_of} (?:LEFTOVER|LOST|left)(?: in| over)?",
        rf"(?:los )?(?:ABOUT )?{V}{rest_of} (?:LEFTOVER|LOST|wet|remaining)(?: in)?",
        rf"{V} left(?= (?:in|over|[|,]|AT|on|still|but|because|TO|so|AND LOST|OF|AND the|unused|I))",
        rf"{N} (?:LEFTOVER|LOST|left in|left over)(?= )",
        rf"(?:LEFTOVER|LOST)(?: (?:ABOUT|un|unos|like|maybe|OR|a|los|ONLY|:|en|la|the|it|ALL|probably|de|i|had|TOTAL|in|syringe|VIAL|1w?|OF|jeringa|bolsa|otros|me|tubing|line))*"
        rf" {VN}(?! (?:EACH|TOTAL|TO|OF the|s\d|[/]))",
        rf"(?:VIAL|pump|bag|bomba) (?:still )?(?:had|has|tenia|tiene|todavia tenia)(?: still| todavia| ABOUT)* {VN}",
        rf"left {V} (?:in|on)(?= )",
    ):
        found, line = _take(line, pattern, "GONE")
        told += found
    words = re.findall(r" LEFTOVER(?: ABOUT)? (?:un|uno|una) ML(?= )", line)
    told += [1.0] * len(words)
    return (sum(told) if told else None), line


def _all_but(line):
    found, line = _take(line, rf"ALLBUT(?: (?:the|last|ABOUT|los|ultimos|like))* {VN}(?! AND media)", "BUT")
    return (found[0] if found else None), line


def _part(line):
    """ "35 of the 40": the first went in, the second was ordered."""
    part = []

    def write(*groups):
        numbers = [float(group) for group in groups if group]
        if len(numbers) == 2 and numbers[0] <= numbers[1]:
            part.append(numbers[0])
            return "PART"
        return "x"

    line = _sub(rf"{VN}(?: [a-z]+)?(?: (?:in|adentro))? (?:OF|OF OF|/|OF a|out OF) (?:(?:the|my|los|mis|las|ordered|ORDERED|her|his|TOTAL|la|total|OF|supposed) )*{VN}"
                rf"(?! (?:VIAL|SITE|EACH))", write, line) if not re.search(r"VIAL OF|[1-6]w? OF v?\d+ (?:AND|VIAL)", line) else _sub(
        rf"{VN} OF (?:the|los|my|mis) {VN}", write, line)
    line = _sub(rf"BUT OF (?:the|los) {VN}", lambda *_: "BUT", line) if not part else line
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
    line = _sub(rf"{few} (?:big |little |small |grandes |chicos |more )?VIAL(?: (?:OF|,|x|AT|were|son|eran|cada|BOTH|ALL))* {VN}(?! (?:EACH|in|AND {V}))(?: VIAL)?", times, line)
    line = _sub(rf"{few} x {VN}(?! SITE)", times, line)
    line = _sub(rf"{few} {VN} VIAL", times, line)
    line = _sub(rf"{V} x {few}(?! SITE)", lambda v, n: times(v, n), line)
    line = _sub(rf"{V} VIAL x ?{few}", lambda v, n: times(v, n), line)
    if re.search(rf" VIAL OF {VN}| OF {VN} AND (?:uno|una|otro|otra|1w?|[2-9]w?)(?: VIAL)? OF ", line):
        line = _sub(rf"{few}(?: VIAL)? OF {VN}", times, line)
        line = _sub(rf"(?:a|un|uno|una|1w?|otro|otra|another|VIAL|grande|chico)(?: VIAL)?(?: es)? OF {VN}", one, line)
    return packs, line


def _each(line):
    """mL told for each site."""
    told = []

    def write(*groups):
        told.append(_number(*groups))
        return "EACH"

    line = _sub(rf"{VN}(?: (?:ML|in|into|en|on|went|AT|to|in the|a|por|,|for|con|mls))* (?:EACH|BOTH(?= (?:sides?|SITE|{PLACE}) EACH))(?: (?:SITE|1w|one|VIAL))?", write, line)
    line = _sub(rf"EACH(?: (?:SITE|1w|one|side|lado|{PLACE}|got|had|:|with|le|con|took|was|de|OF|VIAL|puse|fueron|uno|una|is|=|ABOUT))* {VN}(?! (?:TOTAL|s\d|SITE|VIAL))", write, line)
    line = _sub(rf"{V} x (?=\d\w? SITE)", write, line)
    line = _sub(rf"{VN} (?:a|por) (?:SITE|{PLACE}|side|lado|sitio|piece)", write, line)
    return list(dict.fromkeys(told)), line


def _total(line):
    told = []
    for pattern in (
        rf"TOTAL(?: (?:OF|:|=|was|is|ABOUT|fue|fueron|so|that s|es|de|a|,|volume|went|in|ML|dose|son|given|infused))* {VN}(?! (?:MIN|H|SITE|s\d|/|VIAL|LOT))",
        rf"{VN} (?:in |a )?TOTAL(?! s\d)", rf"= {VN}(?! LOT| TOTAL)", rf"{VN} (?:AND )?(?:in all|grand total)",
        rf"(?:so|osea|o sea|making|makes|that s|comes TO|adds up TO|total) {V}(?= )",
        rf"so {N}(?= [|,])",
    ):
        found, line = _take(line, pattern, "TOTALLED")
        told += found
    told = list(dict.fromkeys(told))
    return (told[0] if len(told) == 1 else None), line if len(told) < 2 else line + "ASK "


def _sums(line):
    """ "20 + 20", "20 and 20", "left 22 right 20", "10 10 10 10": amounts that stand for a site or a vial each."""
    found = re.search(rf" {VN}(?: AND {VN})+(?= )(?! (?:MIN|H|media|half|s\d))", line)
    if found:
        numbers = [float(number) for number in re.findall(r"[\d.]*\d", found[0])]
        if all(number >= 2 for number in numbers) and len(numbers) > 1:
            return sum(numbers)
    where = rf"(?:(?:upper|lower|inner|outer) )?(?:(?:left|right|l|r)(?: {PLACE})?|{PLACE}(?: (?:left|right|l|r))?)"
    small = r"(?: (?:in|en|into|on|the|la|el|mi|my|side|lado|OF|AND|,|:|=|[|]|was|got|went|ML|then|luego|AT|1w?|otros|other|otro|leg|los|hand|cheek|of|-|TO|-))*"
    for pattern in (rf" {VN}{small} {where}(?= )", rf" {where}{small} {VN}(?! [/:])(?= )"):
        told = re.findall(pattern, line)
        numbers = [_number(*(group or None for group in groups)) for groups in told]
        if len(numbers) > 1 and all(number >= 2 for number in numbers):
            return sum(numbers)
    return None


def _tied(line):
    """How many plain amounts stand beside a site, a vial or "the other" of their own."""
    parts = re.split(r" (?:[,|/]|AND|then|luego|TIME)(?= )", line)
    tied = sum(bool(re.search(rf" {V} ", part + " ") and re.search(TIED, part + " ")) for part in parts)
    amounts = len(re.findall(rf" {V}(?= )", line))
    if tied < amounts:
        ways = (rf" {V}(?: (?!v)\S+){{0,4}}? (?:{PLACE}|left|right|L\d+|VIAL|first|second|other|otro|otra)(?= )",
                rf" (?:{PLACE}|left|right|L\d+|first|second|other|otro|otra)(?: (?!v)\S+){{0,3}}? {V}(?= )")
        tied = max(tied, *(len(re.findall(way, line)) for way in ways))
    return tied


def _multiplied(each, line, count, named, order_sites, lots):
    """What "20 each" comes to: for as many sites or vials as the text has, else as were ordered."""
    if len(each) != 1:
        return None
    if named > 1 and count and count != named and count % named == 0:
        named = count
    many = named if named > 1 else count or (len(lots) if len(lots) > 1 else None) or (order_sites if order_sites and order_sites > 1 else None)
    if named > 1 and count and named != count:
        return None
    return each[0] * many if many and many > 1 else None


def _bare(line, order_ml):
    """Numbers without a unit that can only be the mL: of the size of the order, and alone or beside a site, a time or "in"."""
    if not order_ml:
        return []
    found = []
    for match in re.finditer(rf"(?<= {OPEN} ){N}(?= {SHUT} )" if False else rf"(?<= ){N}(?= )", line):
        before, after = line[:match.start()].rsplit(" ", 2)[-2], line[match.end():].split(" ", 2)[1]
        value = float(match[1])
        if re.fullmatch(OPEN, before) and re.fullmatch(SHUT, after) and value >= max(order_ml * 0.5, 3) and value <= order_ml * 12:
            if value != order_ml and after in ("AND", "END", "AT", "START", "/", "-", "OF", "per", "no", "to", "for"):
                continue
            if value > order_ml * MOST and not (before in ("got", "in", "put", "infused", "volume", "vol") or after in ("in", "went", "total", "TOTAL", "BOTH", "EACH")):
                continue
            found.append(value)
    return found
