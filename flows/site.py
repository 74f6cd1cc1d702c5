"""Where on the body: the sites that a text names, and which of them a problem is at."""

import re

from flows.lexicon import AREAS, LEVEL_OF, SIDE_OF, line, pieces
from flows.text import norm

LEVELS = {"upper", "lower", "inner", "outer"}
LINKS = {"AND", "/", ",", "el", "la", "the", "my", "mi", "L", "OF", "su", "his", "her", "then", "on", "en", "in", "1w", "un", "una", "uno", "otro", "other",
         "otra", "lado", "side", "one", "SITE", "NEEDLE"}
BETWEEN = {"OF", "the", "la", "el", "my", "mi", "lado", "side", "sideS", "lados", "sides", "part", "parte", "hand", "on", "en", "in", "su", "his", "her", "del",
           "los", "las", "le", ":", "-", "TO", "AT", "a", "cheek", "al", "mis"}
SHORT = {"l": "left", "r": "right", "i": "left", "d": "right"}
CLAUSE_END = re.compile(r"[,;.!?\n]+|\b(?:and|but|also|plus|y|e|pero|tambien|también)\b", re.IGNORECASE)
USED = re.compile(r" (?:v\S+|ML|EACH|used|use|using|usamos|use|puse|pusimos|infused|went|did|hice) ")
QUARTERS = ("upper left belly", "upper right belly", "lower left belly", "lower right belly")


def sites(text):
    """Sites that a text names, as "left belly" or "thigh". "both thighs" are two; "left and right belly" too. A side without
    any part of the body is "left side"."""
    return named(line(pieces(text)), sides_alone=True)


def told(words):
    """The sites that a line of plain words says the dose went into: without those of another day, of a complaint, or denied."""
    kept = []
    for part in re.split(r" [|] ", f" {words} "):
        pieces_of_it = re.split(r" (?:,|but|pero|because|porque|since|so) ", f" {part} ")
        for piece in pieces_of_it:
            piece = f" {piece} "
            if re.search(r" (?:OTHERTIME|SAME|ORDERED) ", piece):
                piece = re.split(r" (?:OTHERTIME|SAME|ORDERED) ", piece)[0] + " "
            if re.search(r" (?:SORE|LOST) ", piece) and not USED.search(piece):
                continue
            kept.append(piece)
        kept.append(" | ")
    return named(" , ".join(kept), sides_alone=False)


def named(words, sides_alone):
    """The sites in a line of plain words, in the order told, each once."""
    words = [word for word in words.split() if not re.fullmatch(r"[vst]\d\S*|TIME|ABOUT", word)]
    found, sides, levels, place, last = [], [], [], 0, None
    while place < len(words):
        word = words[place]
        area, plural = (word[:-1], True) if word.endswith("S") and word[:-1] in AREAS else (word, False)
        if word == "|":
            sides, levels = _alone(found, sides, last, sides_alone), []
        elif word == "CORR" and found:
            found.pop()
        elif word in ("NOT", "not", "no", "without", "sin", "ni") and _area_at(words, place + 1) is not None:
            place = _area_at(words, place + 1)
        elif word in LEVELS:
            levels.append(word)
        elif word in ("arriba", "abajo") and last is None:
            levels.append({"arriba": "upper", "abajo": "lower"}[word])
        elif word == "BOTH" or (word == "EACH" and _area_at(words, place + 1) is not None):
            sides = ["left", "right"]
        elif word in ("bilat", "bilateral", "bilaterally", "bilaterales"):
            sides = ["left", "right"]
        elif word in ("left", "right"):
            sides.append(word)
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
            new = [f"{level}{side + ' ' if side else ''}{area}" for side in dict.fromkeys(sides)] or [f"{level}{area}"]
            found += new
            last = (area, level if sides else "")
            sides, levels = [], []
        place += 1
    _alone(found, sides, last, sides_alone)
    found = list(dict.fromkeys(found))
    return tuple(site for site in found if not any(
        site != other and site.split()[-1] == other.split()[-1] and set(site.split()) < set(other.split()) and _sided(other) for other in found))


def _sided(site):
    return "left" in site or "right" in site


def _alone(found, sides, last, sides_alone):
    """Sides that no area followed: "muslo izquierdo y derecho" means the area before; else they are sides."""
    if sides and last is not None and sides != ["left", "right"]:
        found += [f"{last[1]}{side} {last[0]}" for side in sides]
    elif sides and last is None and sides_alone and len(sides) == 1:
        found += [f"{side} side" for side in sides]
    return []


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
    first = words[place].removesuffix("S")
    while at < len(words):
        look = at
        while look < len(words) and look - at < 4 and words[look] in BETWEEN | ({"AND", "/", ","} if sides or True else set()):
            look += 1
        if look >= len(words):
            break
        word = words[look]
        crossed = any(each in ("AND", "/", ",") for each in words[at:look])
        following = _area_at(words, look + 1)
        opens = following is not None and not (word in ("left", "right") and _leads(words, look, following))
        side = SHORT.get(word) if word in ("l", "r", "i", "d") else word if word in ("left", "right") else None
        if word in ("l", "i", "d", "r") and words[look + 1:look + 2] and words[look + 1] not in (",", "|", "AND", "/", "l", "r", "i", "d") and following is None:
            side = None if word in ("i", "d") else side
        if side and not had and not (opens and crossed) and not (crossed and not sides and following is not None):
            if following is not None and not crossed and words[at:look] == [] and sides:
                break
            sides = [*sides, side]
        elif word == "BOTH" and not had and not crossed and following is None:
            sides = ["left", "right"]
        elif word == "BOTH" and not had and following is None and words[look + 1:look + 2] in (["lados"], ["sides"], ["side"]):
            sides = ["left", "right"]
        elif word == "EACH" and words[look + 1:look + 2] == ["SITE"] and not had and not crossed and words[look + 2:look + 3] != ["v"]:
            break
        elif word in LEVELS and not crossed and not levels and following is None:
            levels = [word]
        elif word in ("arriba", "abajo", "adentro", "afuera", "dentro", "fuera") and not levels and not crossed:
            levels = [{"ar": "upper", "ab": "lower", "ad": "inner", "de": "inner", "af": "outer", "fu": "outer"}[word[:2]]]
        else:
            break
        at = look + 1
    return at - 1, sides, levels


def _leads(words, look, following):
    return False


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
