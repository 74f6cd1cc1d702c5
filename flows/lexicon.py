"""A text in few plain words: one word for all the words of both languages that mean the same for a dose.

"40 cc en cada muslo" and "forty mls, each thigh" become " | 40 ML en EACH thigh | " and " | 40w ML , EACH thigh | ", so that what
reads a dose is written once. Capitals are our own words, small letters the patient's; "thighS" are more than one. Numbers are
digits; a trailing "w" tells that they were written as words. "|" ends a sentence, "," a part of one.
"""

import re
from pathlib import Path
from typing import NamedTuple

import yaml

from flows.text import norm

HERE = Path(__file__).parent

AREAS = {
    "belly": "belly tummy stomach abdomen abdominal abdo abd abs tum gut barriga panza abdomen vientre estomago tripa pancita barriguita "
             "panzita guata guatita bellies",
    "thigh": "thigh thighs leg legs muslo muslos pierna piernas piernita piernitas pernil",
    "arm": "arm arms tricep triceps brazo brazos bracito bracitos braso brasos",
    "hip": "hip hips cadera caderas",
    "flank": "flank flanks flanco flancos costado costados rollito rollitos rollo rollos lonja lonjas llantita llantitas michelin "
             "michelines "
             "lonjita lonjitas",
    "back": "espalda",
    "buttock": "buttock buttocks butt bum bottom backside rear nalga nalgas gluteo gluteos pompis pompi pompa pompas trasero "
               "cachete cachetes",
}
SINGLE = {"abs", "triceps", "pompis"}  # end in "s" and are one all the same
AREA_OF = {word: area + "S" * (word.endswith("s") and word not in SINGLE) for area, words in AREAS.items() for word in words.split()}
SIDE_OF = {word: side for side, words in {
    "left": "left lt lft izquierdo izquierda izquierdos izquierdas izq izqda izqdo izda",
    "right": "right rt rght derecho derecha derechos derechas der dcha dcho dch drcha",
}.items() for word in words.split()}
LEVEL_OF = {word: level for level, words in {
    "upper": "upper superior alta alto uq", "lower": "lower low inferior baja bajo lq",
    "inner": "inner interno interna interior", "outer": "outer externo externa exterior",
}.items() for word in words.split()}

NUMBERS = {word: value for value, words in enumerate(
    "zero|one|two dos|three tres|four cuatro|five cinco|six seis|seven siete|eight ocho|nine nueve|ten diez|eleven|twelve "
    "doce|thirteen trece|"
    "fourteen catorce|fifteen quince|sixteen dieciseis|seventeen diecisiete|eighteen dieciocho|nineteen diecinueve|twenty veinte|veintiuno "
    "veintiun|veintidos|veintitres|veinticuatro|veinticinco|veintiseis|veintisiete|veintiocho|veintinueve|thirty treinta".split("|")) for word in words.split()}
NUMBERS |= {"forty": 40, "fourty": 40, "cuarenta": 40, "fifty": 50, "cincuenta": 50, "sixty": 60, "sesenta": 60, "seventy": 70, "setenta": 70,
            "eighty": 80, "ochenta": 80, "ninety": 90, "noventa": 90, "cien": 100, "ciento": 100, "cero": 0, "hundred": 100}
SPANISH_TENS = {"veinte", "treinta", "cuarenta", "cincuenta", "sesenta", "setenta", "ochenta", "noventa"}
GLUED = set("ml mls cc h hr hrs m min mins am pm p a x mm g ga gauge cm kg lb lbs lbs th st nd rd ish mg f c o s hours hour minutes "
            "y and to l r".split())
_PIECE = re.compile(
    r"(?P<mixed>(?=[\w-]*\d)(?=[\w-]*[^\W\d_])[^\W_][\w-]*)|(?P<clock>\d{1,2}:\d{2}(?!\d))|(?P<number>\d+(?:[.,]\d{1,2}(?!\d))?)"
    r"|(?P<word>[^\W\d_]+(?:['\u2019][^\W\d_]+)*)|(?P<end>[.!?;\n\u2026])|(?P<mark>[^\s\w])")
_HALVES = re.compile(r"(?<![\w.,-])((?:0?\d|1\d|2[0-4])(?:[:.]\d{2})?)(?:\s?([ap])\.?\s?m\b\.?|(?<!1[3-9])(?<!2\d)([ap])\b)", re.IGNORECASE)
_HALF = {"a": "antemeridiem", "p": "postmeridiem"}
_AFTER_DIGIT = {"m": "MIN", "am": "antemeridiem", "pm": "postmeridiem", "a": "antemeridiem", "p": "postmeridiem"}
_PARTS = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+")
_TYPED = {"\u00bd": ".5", "\u2013": "-", "\u2014": ",", "\u2192": "-", ">": "-", "(": ",", ")": ",", "#": "#"}
_WRONGLY = {"jelly", "bully", "dummy", "mummy", "yummy", "gummy", "rummy", "belle", "tight", "eighth", "night", "might"}
_SPELT = ("thigh", "thighs", "belly", "tummy", "stomach", "abdomen", "muslo", "muslos", "barriga", "cadera", "pierna", "piernas", "izquierda",
          "izquierdo", "derecha", "derecho", "buttock", "milliliters", "minutes")


class Piece(NamedTuple):
    """One piece of a text: our word (or several, or none) for it, the piece as it was typed, and where it stood."""

    word: str
    typed: str
    at: int = 0


def _phrases():
    """{phrase as a tuple of pieces: our word for it} of flows/lexicon.yaml."""
    table = yaml.safe_load((HERE / "lexicon.yaml").read_text(encoding="utf-8"))
    return {tuple(map(norm, phrase.split())): "" if plain == "nothing" else plain
            for plain, phrases in table.items() for phrase in phrases.split("; ")}


PHRASES = _phrases()
LONGEST = max(map(len, PHRASES))


def pieces(text):
    """The pieces of a text in order, each with our word for it. Never raises on a string."""
    text = _HALVES.sub(lambda found: f"{found[1]} {_HALF[(found[2] or found[3]).lower()]} ", text)
    text = re.sub(r"(?m)(?:^|(?<=\s))\d\) (?=\S)|^\d\. (?=\S)", "\n", text)  # "1) left thigh 2) right thigh": the numbers of a list
    for typed, ours in _TYPED.items():
        text = text.replace(typed, ours)
    return _numbers(_plain([piece for found in _PIECE.finditer(text) for piece in _cut(found)]))


def line(found):
    """The words of pieces as one line, a blank before and after each: what the patterns read."""
    return " | " + " ".join(piece.word for piece in found if piece.word) + " | "


def sub(pattern, write, line):
    """A line with every match of a pattern of whole words written anew; `write` gets the groups."""
    return re.sub(rf"(?<= ){pattern}(?= )", lambda found: write(*found.groups()), line)


def _cut(found):
    kind, typed, at = found.lastgroup, found.group(), found.start()
    if kind == "mixed":
        return _mixed(typed, at)
    if kind == "number":
        return [Piece(_digits(typed), typed, at)]
    if kind == "end":
        return [Piece("? |" if typed == "?" else "|", typed, at)]
    return [Piece(norm(typed) if kind == "word" else typed, typed, at)]


def _digits(typed):
    """A number as we write it; one of seven digits or more is a code."""
    digits = typed.replace(",", ".")
    return "CODE" if len(digits) > 6 else f"{float(digits):g}" if "." in digits else digits


def _mixed(typed, at):
    """Letters and digits in one: "40ml", "1h50" and "6pm-7pm" come apart, "A123" and "AB-1234" are codes."""
    runs = [(found.group(), at + found.start()) for found in _PARTS.finditer(typed)]
    if re.fullmatch(r"[^\W\d_]{1,4}-\d{3,}[\w-]*", typed) and norm(runs[0][0]) not in KNOWN:
        return [Piece("CODE", typed, at)]
    for part in typed.split("-"):
        inside = [norm(run) for run in _PARTS.findall(part)]
        letters = [run for run in inside if not run[0].isdigit()]
        fine = all(run in GLUED or run in KNOWN for run in letters) and (
            len(inside) < 2 or inside[0][0].isdigit() or letters[0] in ("x", "l", "r") and len(part) < 6 or len(letters[0]) > 3)
        if re.fullmatch(r"(?:1[3-9]|[2-9]\d|\d{3,})[ap]", part, re.IGNORECASE) or not fine and any(run[0].isdigit() for run in inside):
            return [Piece("CODE", typed, at)]
    cut = []
    for place, (run, start) in enumerate(runs):
        if cut and start > cut[-1].at + len(cut[-1].typed):
            cut.append(Piece("-", "-", start - 1))
        after_digit = place and runs[place - 1][0][0].isdigit()
        if run[0].isdigit():
            cut.append(Piece(_digits(run), run, start))
        else:
            cut.append(Piece(_AFTER_DIGIT.get(norm(run), norm(run)) if after_digit else norm(run), run, start))
    if re.search(r"\dh\d\d?$", typed, re.IGNORECASE):
        cut.append(Piece("MIN", "", at + len(typed)))  # "1h50" is no "1 h" and "50"
    return cut


def _plain(found):
    """Our words for the patient's phrases, the longest first."""
    out, place = [], 0
    while place < len(found):
        for length in range(min(LONGEST, len(found) - place), 0, -1):
            phrase = tuple(piece.word for piece in found[place:place + length])
            if phrase in PHRASES:
                typed = " ".join(piece.typed for piece in found[place:place + length])
                out.append(Piece(PHRASES[phrase], typed, found[place].at))
                break
        else:
            length = 1
            out.append(found[place]._replace(word=_word(found[place].word)))
        place += length
    return out


def _word(word):
    if word in NUMBERS or len(word) < 5 or not word.isalpha():
        return AREA_OF.get(word) or SIDE_OF.get(word) or LEVEL_OF.get(word) or word
    return AREA_OF.get(word) or SIDE_OF.get(word) or LEVEL_OF.get(word) or _spelt(word)


def _spelt(word):
    """A word of the body, a side or a unit that is one slip away from what was typed; else the word itself."""
    if word in _WRONGLY:
        return word
    right = next((each for each in _SPELT if _one_slip(word, each)), None)
    return PHRASES.get((right,)) or AREA_OF.get(right) or SIDE_OF.get(right) or word if right else word


def _one_slip(first, second):
    """Is it one letter more, less, other or swapped?"""
    if abs(len(first) - len(second)) > 1 or first[0] != second[0]:
        return False
    same = next((place for place, pair in enumerate(zip(first, second)) if pair[0] != pair[1]), min(len(first), len(second)))
    rest, other = first[same:], second[same:]
    return rest[1:] == other[1:] or rest[1:] == other or rest == other[1:] or (rest[:2] == other[1::-1] and rest[2:] == other[2:])


def _numbers(found):
    """Number words as digits: "thirty eight", "treinta y ocho", "a hundred and ten"."""
    out, place = [], 0
    while place < len(found):
        word = found[place].word
        value = NUMBERS.get(word)
        if word == "once" and out and out[-1].word in ("AT", "la", "OF", "a", "TO", "FROM"):
            value = 11  # Spanish, where English says "once"
        if value is None:
            out.append(found[place])
            place += 1
            continue
        end = place + 1
        more = [piece.word for piece in found[end:end + 3]]
        if value == 100 and more[:1] == ["AND"] and NUMBERS.get(more[1] if len(more) > 1 else "", 0) >= 5:
            value, end = 100 + NUMBERS[more[1]], end + 2
        elif value == 100 and more and 5 <= NUMBERS.get(more[0], 0) < 100:
            value, end = 100 + NUMBERS[more[0]], end + 1
        elif value == 1 and more[:1] == ["hundred"]:
            place = end
            continue
        elif value >= 20 and value % 10 == 0 and value < 100:
            linked = more[:1] == ["AND"] and word in SPANISH_TENS or more[:1] == ["TO"] and found[end].typed == "-"
            joined = NUMBERS.get(more[linked] if len(more) > linked else "", 0)
            if 0 < joined < 10 and (linked or word not in SPANISH_TENS):
                value, end = value + joined, end + 1 + linked
        out.append(Piece(f"{value}w", " ".join(piece.typed for piece in found[place:end]), found[place].at))
        place = end
    return out


KNOWN = {phrase[0] for phrase in PHRASES if len(phrase) == 1} | set(AREA_OF) | set(SIDE_OF)
