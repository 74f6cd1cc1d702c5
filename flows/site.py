"""Where on the body: the sites that a text names, and which of them a problem is at."""

import re

from flows.lexicon import AREAS, SIDE_OF, line, pieces
from flows.text import norm

LEVELS = {"upper", "lower", "inner", "outer"}
LOOSE = set("AT in en el la the AND , / | lado side my mi on otra otro other lower upper 1w SITE".split())  # before a side that is one
BETWEEN = set("OF the la el my mi lado side lados sides part parte hand on en in su his her los las le : - TO AT a cheek al mis".split())
LINKS = {"AND", "/", ",", "then", "luego"}
BEHIND = {"arriba": "upper", "abajo": "lower", "adentro": "inner", "dentro": "inner", "afuera": "outer", "fuera": "outer"}
SHORT = {"l": "left", "r": "right", "i": "left", "d": "right"}
CLAUSE_END = re.compile(r"[,;.!?\n]+|\b(?:and|but|also|plus|y|e|pero|tambien|también)\b", re.IGNORECASE)
USED = re.compile(r" (?:[v\d]\S*|ML|EACH|used|use|using|usamos|use|puse|pusimos|infused|went|did|hice) ")
DENIED = re.compile(r" (?:WILL|(?:no|not) (?:me )?(?:pude|could|work|can|se pudo|dejo|queria)|couldnt|didnt work|cant|pulled|hard to) ")
_PART = rf"(?:{'|'.join(AREAS)})S?"
_SIDED = rf"(?:{_PART}|left|right)"
NOT_THERE = re.compile(rf" (?:NAVEL|by my [a-z]+ scar)(?= )")
_LEVEL = f"(?:{'|'.join([*sorted(LEVELS), *BEHIND])})"
UNSURE = re.compile("|".join((  # a place that is asked back
    rf" {_SIDED}(?: upper| lower)?(?: [?] [|]| ,)?(?: {_SIDED})? OR (?:en |la |el |the |my |in )*{_SIDED} ", rf" {_PART} [?] ",
    rf" (?:above|below|under|near|beside|encima OF|debajo OF|cerca OF) (?:the |my |la |el |OF )*(?:{_SIDED} )?{_PART} ",
    " (?:upper|lower) (?:AND )?(?:inner|outer) ", rf" {_LEVEL} (?:AND|/|,|TO) (?:the |my |la |one |uno |una |1w )?{_LEVEL} (?!left|right|{_PART})",
    rf" (upper|lower|inner|outer) (?:AND|/) (?!\1)(?:upper|lower|inner|outer) ", " (?:inner|outer) (?:upper|lower) ", " lower back OF ", " left on BOTH ",
    rf" UNSURE (?:[^ |]+ ){{0,6}}(?:OR (?:[^ |]+ )?)?{_SIDED} ", " (?:no se|dont know) (?:what|como) (?:se|its) (?:llama|called) ")))
QUARTERS = ("upper left belly", "upper right belly", "lower left belly", "lower right belly")


def sites(text):
    """Sites that a text names, as "left belly" or "thigh". "both thighs" are two; "left and right belly" too. A side without
    any part of the body is "left side"."""
    return named(line(pieces(text)), sides_alone=True)


def told(words, order_sites=None):
    """(sites, doubtful): the sites that a line of plain words says the dose went into, without those of another day, of a
    reason, or denied. Those of a complaint count when only with them they are as many as ordered."""
    words = NOT_THERE.sub(" ", words)
    if UNSURE.search(words):
        return (), True
    calm, every = [], []
    for part in re.split(r" [|] ", f" {words} "):
        for piece in re.split(r" (?:,|but|pero|so|asi) ", f" {part} "):
            piece = re.sub(r" (?:because|porque|since|bc|cuz|cause|pq|xq|ya que)(?: \S+){1,6}", " ", f" {piece} ") + " "
            if re.search(r" (?:OTHERTIME|SAME|ORDERED|ASKS) ", piece):
                piece = re.split(r" (?:OTHERTIME|SAME|ORDERED|ASKS) ", piece)[0] + " "
            if DENIED.search(piece) and not USED.search(piece):
                continue
            every.append(piece)
            if not re.search(r" (?:SORE|LOST) ", piece) or USED.search(piece):
                calm.append(piece)
        every.append(" | ")
        calm.append(" | ")
    calm, every = (_of_each_side(named(" , ".join(parts), sides_alone=False), words) for parts in (calm, every))
    sides = set(re.findall(r" (left|right)(?= )(?! (?:[?|]|TIME|so|but|when|where))", words))
    sided = {word for site in calm for word in site.split()}
    if calm and not sides <= sided and not re.search(r" (?:SORE|LOST|OTHERTIME|SAME) ", words):
        return (), True  # a side that none of them has
    if calm != every and calm and len(calm) != order_sites:
        return (), True
    return calm, False


def _of_each_side(found, words):
    """One part of the body and "each side" are two sites."""
    if len(found) == 1 and not _sided(found[0]) and re.search(r" (?:EACH|BOTH) (?:side|sides|lados?) ", words):
        *level, area = found[0].split()
        return tuple(" ".join((*level, side, area)) for side in ("left", "right"))
    return found


def named(words, sides_alone):
    """The sites in a line of plain words, in the order told, each once."""
    words = [word for word in words.split() if not re.fullmatch(r"[vst]\d\S*|TIME|ABOUT|ML|(?!4)\d+(?:\.\d+)?w?|[1235]0w", word)]
    found, sides, levels, place, last, loose = [], [], [], 0, None, []
    while place < len(words):
        word = words[place]
        area, plural = (word[:-1], True) if word.endswith("S") and word[:-1] in AREAS else (word, False)
        if word == "|":
            sides, levels = [], []
        elif word == "CORR" and found:
            if _area_at(words, place + 1) is not None:
                found.pop()
        elif word in ("NOT", "not", "no", "without", "sin", "ni") and _area_at(words, place + 1) is not None:
            place = _area_at(words, place + 1)
        elif word in LEVELS:
            levels.append(word)
        elif word in ("arriba", "abajo") and last is None:
            levels.append(BEHIND[word])
        elif word == "BOTH":  # "both thighs"; but "both in the thigh" are needles or vials
            at = _area_at(words, place + 1)
            if at is not None and not {"in", "en", "on"} & set(words[place:at]):
                sides = ["left", "right"]
        elif word == "EACH" and _area_at(words, place + 1) is not None:
            sides = ["left", "right"]
        elif word in ("left", "right"):
            if _area_at(words, place + 1) is not None or _side_leads(words, place):
                sides.append(word)
            elif (last or sides_alone) and place and words[place - 1] in LOOSE and words[place + 1:place + 2] not in (["over"], ["in"], ["on"]):
                loose.append(word)
        elif word in ("l", "r") and last and words[place - 1] in ("the", "in", "AND") and _area_at(words, place + 1) is None:
            loose.append(SHORT[word])
        elif word in ("l", "r") and (_area_at(words, place + 1) is not None or (words[place + 1:place + 2] in (["/"], ["AND"]))):
            sides.append(SHORT[word])
        elif word in ("luq", "llq", "ruq", "rlq"):
            found.append(f"{'upper' if word[1] == 'u' else 'lower'} {'left' if word[0] == 'l' else 'right'} belly")
            if words[place + 1:place + 2] == ["belly"]:
                place += 1
        elif area in AREAS and not (area == "back" and words[place + 1:place + 2] in (["OF"], ["TO"], ["in"], ["home"], ["on"], ["AT"])):
            if word == "belly" and words[place + 1:place + 3] in (["4w", "corners"], ["4", "corners"]):
                found += QUARTERS
            place, sides, levels = _after(words, place, sides, levels)
            if plural and not sides and area not in ("belly", "back"):
                sides = ["left", "right"]
            level = f"{levels[0]} " if levels else ""
            each = [f"{one} " for one in levels] if len(levels) == len(sides) else [level] * len(sides)  # "upper left and lower right"
            new = [f"{one}{side + ' ' if side else ''}{area}" for one, side in dict.fromkeys(zip(each, sides))] or [f"{level}{area}"]
            found += new
            last = (area, level if sides else "")
            sides, levels = [], []
        place += 1
    if last is None and sides_alone and len(set(loose + sides)) == 1:
        found += [f"{side} side" for side in loose[:1] or sides[:1]]
    elif last is not None and loose:
        at = next(at for at in reversed(range(len(found))) if found[at].split()[-1] == last[0])
        new = [" ".join(filter(None, (last[1].strip(), side, last[0]))) for side in dict.fromkeys(loose)]
        found[at:at + 1] = new if not _sided(found[at]) else [found[at], *new]
    found = list(dict.fromkeys(found))
    return tuple(site for site in found if not any(_sided(other) and _within(site, other) for other in found))


def _within(site, other):
    """Is a site told more exactly by another, "thigh" by "left thigh"?"""
    return site.split()[-1] == other.split()[-1] and set(site.split()) < set(other.split())


def _sided(site):
    return "left" in site or "right" in site


def _side_leads(words, place):
    """Is it the first of two sides before an area: "left and right belly", "L/R thigh"?"""
    after = words[place + 1:place + 5]
    while after and (after[0] in ("AND", "/", ",", "the", "la", "el", "my") or after[0] in LEVELS):
        after = after[1:]
    return bool(after) and after[0] in ("left", "right", "r", "l") and _area_at(after, 1) is not None


def _area_at(words, place):
    """The place of an area that follows at once, past levels, sides and small words, or None."""
    for at in range(place, min(place + 5, len(words))):
        word = words[at]
        if word.removesuffix("S") in AREAS:
            return at
        if word not in LEVELS and word not in ("left", "right", "l", "r", "BOTH") and word not in BETWEEN and word != "SITE":
            return None
    return None


def _after(words, place, sides, levels):
    """Sides and levels that follow their area: "belly left", "muslo izq y der", "panza lado derecho", "belly both sides"."""
    at, had = place + 1, bool(sides)
    while at < len(words):
        look = at
        while look < len(words) and look - at < 4 and words[look] in BETWEEN | LINKS:
            look += 1
        if look >= len(words):
            break
        word = words[look]
        crossed = any(each in ("AND", "/", ",") for each in words[at:look])
        following = _area_at(words, look + 1)
        side = SHORT.get(word, word if word in ("left", "right") else None)
        if word in ("i", "d") and following is None and words[look + 1:look + 2] and words[look + 1] not in LINKS | set(SHORT) | {"|"}:
            side = None  # "muslo d", but not every "i" is a side
        if side and not had and not (crossed and following is not None):
            if following is not None and look == at and sides:
                break  # "belly left right thigh"
            sides = [*sides, side]
        elif word == "BOTH" and not had and not crossed and following is None:
            sides = ["left", "right"]
        elif word == "BOTH" and not had and following is None and words[look + 1:look + 2] in (["lados"], ["sides"], ["side"]):
            sides = ["left", "right"]
        elif word in LEVELS and not crossed and not levels and following is None:
            levels = [word]
        elif word in BEHIND and not levels and not crossed:
            levels = [BEHIND[word]]
        else:
            break
        at = look + 1
    return at - 1, sides, levels


def problem_sites(text, places):
    """Where each problem of a text is: {problem: sites}, for the problems and the offsets of their words in `places`.

    A problem has the sites of its own clause; else those told just before it ("my belly is red and itchy"); else the next
    ones ("red and itchy on my belly"). "the right one" is on the area told before.
    """
    groups = []  # [problems, start, end], in the order of the text; a clause without a problem goes with the one before
    for start, end in _clauses(text):
        told_here = [problem for problem, place in places.items() if start <= place < end]
        if groups and not told_here:
            groups[-1][2] = end
        else:
            groups.append([told_here, start, end])
    seen, area, found = [], "", {}
    for told_here, start, end in groups:
        own = sites(text[start:end])
        if area:
            own = tuple(re.sub(r"\bside$", area, site) for site in own)
        area = next((site.split()[-1] for site in own if not site.endswith("side")), area)
        seen.append((told_here, own))
    for place, (told_here, own) in enumerate(seen):
        before = next((there for _, there in reversed(seen[:place]) if there), ())
        after = next((there for _, there in seen[place + 1:] if there), ())
        found.update((problem, own or before or after) for problem in told_here)
    return found


def _clauses(text):
    """(start, end) of the clauses of a text: cut at stops and at "and", "but"; not in "left and right belly"."""
    start = 0
    for cut in CLAUSE_END.finditer(text):
        words = re.findall(r"[^\W\d_]+", text[start:cut.start()])
        if not words or norm(words[-1]) not in SIDE_OF:
            yield start, cut.end()
            start = cut.end()
    yield start, len(text)
