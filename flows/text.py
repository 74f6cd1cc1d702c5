"""A text cut into tokens that remember where they stood.

Every token keeps its offsets in the original text, so that a finding can always be shown in the
patient's own words. What is compared is `norm`: folded case, no accents, no apostrophes, long-drawn
letters shortened, texting forms written out ("cant" and "can't" become "can not").
"""

import re
import unicodedata
from functools import lru_cache
from typing import NamedTuple


class Token(NamedTuple):
    """One token. `start` and `end` are offsets in the original text; an expanded form shares its offsets.

    kind: `word`, `number`, `hard` (ends a sentence), `comma` (ends a part of one), `soft` (a mark without
    weight such as ":" or "-") or `emoji`.
    """

    norm: str
    start: int
    end: int
    kind: str


_APOSTROPHES = "'\u2019\u2018`\u00b4\u02bc\u2032"
_LETTER = r"[^\W\d_]"
_JOINERS = "\u200b\u200c\u200d\u2060\ufeff\u00ad\u0300-\u036f"
_PIECE = re.compile(
    rf"(?P<chunk>(?:{_LETTER}|\d)(?:{_LETTER}|[\d{_JOINERS}]|[{_APOSTROPHES}](?={_LETTER}))*"
    rf"(?:(?<=\d)[.,:]\d+{_LETTER}*)?)"
    r"|(?P<dots>\.{2,})|(?P<hard>[.!?;\n\r。！？])|(?P<comma>[,()\[\]…\u2014\u2013、，])"
    r"|(?P<soft>[:\-=/&+*\"“”«»<>|~¿¡°#@%$])"
    r"|(?P<emoji>[\U0001F000-\U0001FAFF\u2600-\u27BF\u2B00-\u2BFF\u231A-\u23FF])"
)
_INSIDE = re.compile(r"\d+(?:[.,:]\d+)?|[^\W\d_]+")
_DRAWN = re.compile(r"([^\W\d_])\1{2,}")
_FOLD = re.compile(rf"[{_APOSTROPHES}{_JOINERS}]")
_JOINED = re.compile(rf"({_LETTER}+)[{_APOSTROPHES}](ll|re|ve)", re.I)
_QUICK = re.compile(r"[a-z]+\Z")


@lru_cache(maxsize=4096)
def norm(word):
    """A word as it is compared: folded, without accents and apostrophes ("Mañana" -> "manana")."""
    if _QUICK.match(word):
        return word
    # A dotted capital I folds to two characters, hence decompose, fold, decompose again.
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", word).casefold())
    return _FOLD.sub("", "".join(c for c in folded if not unicodedata.combining(c)))


def _shorten(word, known):
    """Long-drawn letters ("helllp", "swellling"): the spelling with two letters if it is known, else with one."""
    if not _DRAWN.search(word):
        return word
    double = _DRAWN.sub(r"\1\1", word)
    return double if double in known else _DRAWN.sub(r"\1", word)


def tokens(text, forms=None, known=frozenset()):
    """The tokens of a text, in order.

    text: any string. forms: {written form: tuple of words it stands for}; a key may be two words ("can t").
    known: words whose double letters are right ("swelling"). Never raises on a string.
    """
    forms = forms or {}
    found = []
    for match in _PIECE.finditer(text):
        kind, start, end = match.lastgroup, match.start(), match.end()
        if kind == "chunk":
            found.extend(_words(match.group(), start, forms, known))
        elif kind == "dots":
            found.append(Token("…", start, end, "comma"))
        else:
            found.append(Token(match.group(), start, end, kind))
    return _pairs(found, forms)


def _words(chunk, start, forms, known):
    whole = _shorten(norm(chunk), known)
    end = start + len(chunk)
    joined = _JOINED.fullmatch(chunk)
    if joined and whole not in forms:
        # "I'll" is not "ill", "we're" is not "were".
        tail = {"ll": "will", "re": "are", "ve": "have"}[joined[2].casefold()]
        base = norm(joined[1])
        return [Token(word, start, end, "word") for word in (*forms.get(base, (base,)), tail)]
    if whole in forms:
        return [Token(word, start, end, "word") for word in forms[whole]]
    if whole.isalpha():
        return [Token(whole, start, end, "word")]
    pieces = []
    for match in _INSIDE.finditer(_keep_length(chunk)):
        piece = match.group()
        if piece[0].isdigit():
            pieces.append(Token(norm(piece).replace(",", "."), start + match.start(), start + match.end(), "number"))
        else:
            word = _shorten(norm(piece), known)
            for each in forms.get(word, (word,)):
                pieces.append(Token(each, start + match.start(), start + match.end(), "word"))
    return pieces


def _keep_length(chunk):
    # Apostrophes inside a mixed chunk become a letter-free gap without moving any offset.
    return _FOLD.sub(" ", chunk)


def _pairs(found, forms):
    """Write out forms of two words ("can t", "b 4")."""
    joined, index = [], 0
    while index < len(found):
        first = found[index]
        if first.kind == "word" and index + 1 < len(found) and found[index + 1].kind in ("word", "number"):
            second = found[index + 1]
            whole = forms.get(f"{first.norm} {second.norm}")
            if whole and second.start > first.start:
                joined.extend(Token(word, first.start, second.end, "word") for word in whole)
                index += 2
                continue
        joined.append(first)
        index += 1
    return joined


def words(text, found, first, last):
    """The verbatim slice of `text` from token `first` up to, not including, token `last` of `found`."""
    span = found[first:last]
    return text[min(t.start for t in span):max(t.end for t in span)] if span else ""
