"""Case codes, and what a nurse's text asks for.

A code is three digits and a check digit (weights 1, 3, 7, 1 modulo 10), so any two codes differ in at least two digits:
one slip of the thumb never names another case.
"""

import re
from dataclasses import dataclass

COUNT = 1000
STEP, START = 387, 421  # a walk through all 1000 numbers (387 and 1000 share no factor), so codes look unordered


def code(number):
    """The code of the number-th case, 0 to 999 and then round again: a string of four digits."""
    a, b, c = (int(digit) for digit in f"{(number * STEP + START) % COUNT:03d}")
    return f"{a}{b}{c}{-(a + 3 * b + 7 * c) % 10}"


@dataclass(frozen=True)
class Wish:
    """What a nurse's text asks for.

    act: take, close, tell, note, release, more or unclear. case: the code named, or None. words: what follows the act,
    as typed. choice: 1 or 2 for an answer to our question back.
    """

    act: str
    case: str | None = None
    words: str = ""
    choice: int | None = None


TAKE = {
    "mine", "ok", "okay", "k", "got", "gotit", "taking", "take", "taken", "yes", "yep", "yeah", "ack", "acknowledged",
    "acknowledge", "me", "have", "received", "claim",
}
TAKE_PHRASES = ("on it", "got it", "i got", "i have", "ill take", "i will take", "its mine", "im on", "i am on", "calling")
CLOSE = {"close", "closed", "closing", "done", "resolved", "finished"}
TELL = {"tell", "say", "relay"}
NOTE = {"note", "called", "spoke", "noted"}
RELEASE = {"release", "released", "unhold", "resume"}
NOTE_PHRASES = ("i called", "i spoke", "i talked", "talked to", "she is", "he is", "shes", "hes", "patient is")
NOT = {"no", "not", "cant", "cannot", "dont", "who", "what", "why", "when", "which", "wrong"}
LEADING = {"case", "matter", "please", "pls", "hi", "ebbline", "page", "re"}


def wish(text):
    """Read a nurse's text. The act is the first word beside the code; "4821 ok", "OK 4821", "got it" all take."""
    found = re.search(r"(?<!\d)(\d{4})(?!\d)", text)
    case = found.group(1) if found else None
    rest = (text[: found.start()] + " " + text[found.end() :] if found else text).strip().lstrip(" \t\n:#,.-!")
    said = re.findall(r"[a-z]+", rest.lower().replace("'", "").replace("\u2019", ""))
    while said and said[0] in LEADING:
        said = said[1:]
        rest = re.sub(r"^\W*\w+\W*", "", rest, count=1)
    first = said[0] if said else ""
    after = re.sub(r"^\W*[\w'’]+[\s:,.\-!]*", "", rest, count=1)
    if re.fullmatch(r"\s*[12]\W*", text):
        return Wish("unclear", choice=int(text.strip()[0]), words=text)
    if first in TELL:
        return Wish("tell", case, after)
    if first in RELEASE:
        return Wish("release", case, after)
    if first in CLOSE and not rest.rstrip().endswith("?"):
        return Wish("close", case, after)
    if first in NOTE:
        return Wish("note", case, after if first in ("note", "noted") else rest)
    joined = " ".join(said)
    if "?" in text or first in NOT:
        return Wish("note" if case else "unclear", case, rest)
    if any(joined.startswith(phrase) for phrase in NOTE_PHRASES):
        return Wish("note", case, rest)
    if first in TAKE or any(joined.startswith(phrase) for phrase in TAKE_PHRASES):
        return Wish("take", case, after)
    if case and not said:
        return Wish("take", case)
    return Wish("note" if case else "unclear", case, rest)
