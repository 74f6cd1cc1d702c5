"""Lot numbers of vials, with the mL told for each."""

import re
from typing import NamedTuple

from flows.lexicon import Piece

SKIPPED = set(  # between the word and the number
    "# * , - . / 1w 2w : = ABOUT ALL AND AT BOTH OF TO VIAL a are as both del dice el en era eran es esta first "
    "follows for fue fueron hoy is la las lg los mi my no nos nr num number numbers numero numeros on other otro "
    "primero q que says second segundo siguientes son the this today usado usados used was were ".split())
NO_LOT = {"ML", "x", "MIN", "H", "VIAL", "SITE", "AM", "PM", "SEC", "mm", "g", "EACH", "%"}
MEASURE = re.compile(r"\d+x\d+\w*|x\d+(?:mls?|cc)|\d{1,3}(?:hrs?|mls?|cc|mins?|mm|ga?|[hmx]|h(?:rs?)?\d\d?(?:m|min)?|rd|th|st|nd)|\d\d?[ap]m?", re.IGNORECASE)
UNREADABLE = re.compile(r"smudge\w*|illegible|unreadable|can'?t read|can not read|cannot read|couldnt read|rubbed|blurr\w*|faded|"
                        r"borros\w*|no se ve|"
                        r"no se lee|no se alcanza|no alcanzo|ilegible|borr\w+|manchad\w+|worn|torn|se despego|scratched|wet and")


class Lot(NamedTuple):
    """A lot number as typed, and the mL told for it, or None."""

    lot: str
    ml: float | None = None


def taken_out(found):
    """(lots, pieces, doubtful): the lot numbers of a text's pieces, and the pieces with "L0", "L1" … in their place."""
    lots, out, place, asked = [], [], 0, False
    listing = False  # behind the word "lot", a list of numbers goes on
    while place < len(found):
        piece = found[place]
        typed, after = _whole(found, place)
        following = found[after].word if after < len(found) else ""
        if piece.word == "LOT" and typed.lower() != "lots of":
            listing, asked = True, True
            out.append(piece)
            place += 1
        elif piece.word in ("exp", "expires", "expiration", "vence", "caduca", "caducidad", "expira", "vencimiento"):
            while place + 1 < len(found) and re.fullmatch(r"\d+|/|TO|-|:|date|el|fecha|CODE|20\d\d", found[place + 1].word):
                place += 1
            place += 1
        elif _is_lot(typed, piece.word, following, listing, after - place):
            typed = typed.strip("-/.")
            if typed not in lots:
                lots.append(typed)
            out.append(Piece(f"L{lots.index(typed)}", typed, piece.at))
            place = after
        else:
            if listing and piece.word not in SKIPPED and not re.fullmatch(r"\d+(\.\d+)?w?|ML|[|]|\(|\)|\?|x|LEFTOVER|ABOUT|exp", piece.word):
                listing = False
            out.append(piece)
            place += 1
    return lots, out, asked


def _whole(found, place):
    """The piece at `place` with what is glued to it by letters, digits and hyphens, and the place behind."""
    typed, end = found[place].typed, place + 1
    if not typed or not (typed[-1].isalnum()):
        return typed, end
    while end < len(found) and found[end].at == found[end - 1].at + len(found[end - 1].typed) and found[end].typed and (
            found[end].typed == "-" or found[end].typed.isalnum()):
        typed += found[end].typed
        end += 1
    return typed, end


def _is_lot(typed, word, following, listing, glued):
    """Is it a lot number? Behind the word "lot" (`listing`) most codes and longer numbers are, elsewhere only a plain code."""
    if not re.search(r"\d", typed) or not re.fullmatch(r"[\w-]+", typed) or MEASURE.fullmatch(typed):
        return False
    plain = re.sub(r"[^\w]", "", typed)
    if not listing:
        return word == "CODE" and len(plain) >= 5 and len(re.findall(r"\d", plain)) >= 3 and any(map(str.isupper, typed)) and typed == typed.upper()
    if word == "CODE" or glued > 1 and re.search(r"[A-Z-]", typed) and re.search(r"[^\W\d]|\d-\d{3}", typed):
        return True
    number = re.fullmatch(r"\d{3,12}(?:-\d+)*|\d+-\d+[\w-]*", typed) and not re.fullmatch(r"\d+-\d", typed)
    ends = len(typed) > 3 or following in ("", ",", "|", "AND", "LOT", "/")
    return bool(number and ends and (following not in NO_LOT or "-" in typed))


def in_doubt(line):
    """Does a line with lots say that one of them is not sure, or was spelt out?"""
    return bool(re.search(r" L\d+ (?:[^ |]+ ){0,4}(?:OR|UNSURE|might|think|creo|maybe) (?:[^ |]+ ){0,3}L\d|(?:think|creo|maybe|"
                          r"might|OR) (?:[^ |]+ ){0,4}L\d+ (?:but|OR|pero|maybe|[?]|LOT)|"
                          r" L\d+ (?:[|?,] )*(?:[^ |]+ ){0,3}(?:letter|zero|letra|beats|thats|that s) | LOT (?:(?!L\d|s\d|"
                          r"t\d)[^ |]+ ){0,4}(?:letra|letter|think|might|UNSURE|(?:\dw? ){3,}|as in )", line))


def _unused(line):
    """The places of the lots that a sentence names as not used."""
    found = {int(place) for place in re.findall(r" (?:not|NOT|no|OTHERTIME)(?: LOT)? L(\d+)(?= )", line)}
    for part in re.split(r" [|] ", line):
        if re.search(r" (?:fridge|refri\w*|unused|not used|didnt use|cracked|crack|no use|no (?:lo|la|los|las) (?:uso|use)|"
                     r"OTHERTIME|next|sobro|llegaron|llego|recibi|arrived|delivered|received) ", f" {part} "):
            found |= {int(number) for number in re.findall(r" L(\d+)(?= )", f" {part} ")}
    return found


def amounts(line, lots):
    """(lots, mL): the lots that were used, each with its mL, and every mL that was told for one of them."""
    unused = _unused(line)
    pairs = _pairs(line, len(lots))
    sums = {place: sum(ml for other, ml in pairs if other == place) for place, _ in pairs}
    used = [Lot(lot, sums.get(place)) for place, lot in enumerate(lots) if place not in unused]
    return used, [ml for place, ml in pairs if place not in unused]


def _pairs(line, many):
    """[(place of a lot, mL)] as a line tells them: "L0 v20", "20 FROM L0", "L0 AND L1 , 20 EACH"."""
    places = [int(place) for place in re.findall(r" L(\d+)(?= )", line)]
    number = r"(?:v(\d+(?:\.\d+)?)|(\d+(?:\.\d+)?)w?(?! (?:ML|VIAL|x)))"
    every = re.search(rf" L\d+(?: (?:AND|,|/|L\d+|LOT|VIAL|BOTH|OF|[|]))* (?:AND |BOTH |OF |ALL )*{number}(?: ML)?(?: OF)? EACH", line)
    if every and many > 1 and not re.search(r"SITE|thigh|belly", line[every.start():every.end() + 12]):
        ml = next(float(group) for group in reversed(every.groups()) if group)
        return [(place, ml) for place in places]
    behind = re.findall(rf" L(\d+)(?: (?:,|:|=|-|TO|OF|had|with|con|was|x|AND|/|tenia|ABOUT|el))*? {number}(?= )", line)
    before = re.findall(rf" {number}(?: (?:ML|OF|FROM|LOT|in|,|:|VIAL|-|TO|=|#|the|el|la|del|es|era|number|\(|con|"
                        rf"with))*? L(\d+)(?= )", line)
    ahead = [(int(lot), float(a or b)) for lot, a, b in behind]
    back = [(int(lot), float(a or b)) for a, b, lot in before]
    for pairs, other in ((back, ahead), (ahead, back)):
        if len(pairs) != len(places) or not pairs:
            continue
        if len(other) == len(pairs) and _first(line) != ("amount" if pairs is back else "lot"):
            continue
        if len(places) == 1 and not re.search(r" (?:v\S+|\d+) (?:FROM|OF)(?: the)? (?:LOT )?L\d", line):
            continue
        return pairs
    return []


def _first(line):
    found = re.search(r" (L\d+|v\d\S*)(?= )", line)
    return "lot" if found and found[1].startswith("L") else "amount"
