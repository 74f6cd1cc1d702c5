"""The second reading: a small linear model over words and letters, beside the rule table and independent of it.

Trained offline by tests/train_reader.py on tests/corpus; the weights are data (flows/weights.bin: one line of JSON,
then signed bytes, packed). A text is cut into words; every word carries its letter groups (3 to 5 letters), itself, its pairs
with the one and the two words before; a denied word carries only a mark of its own. Each is hashed into a bucket (the
hashing trick, Weinberger K et al., ICML 2009, from memory). A stretch of words scores by the mean direction of its
features; the text scores by the whole and by its loudest stretch, so that one alarming clause in a long letter is
heard. A third head says what a calm text is about (`about`).

It never lowers anything: the reader joins it to the rules by the higher.
"""

import json
import re
import zlib
from array import array
from functools import lru_cache
from itertools import accumulate
from math import sqrt
from pathlib import Path
from typing import NamedTuple
from zlib import crc32

from flows.text import norm

HERE = Path(__file__).parent
FILE = "weights.bin"
# Buckets of the two alarm heads, and of the topic heads. Few features share a bucket: at 17 bits an eighth of the alarms
# that this reading hears alone was lost (measured by leaving out one writer at a time).
BITS, TOPIC_BITS = 20, 18
SHORTEST, LONGEST = 3, 5  # letters in a group
LETTER_SHARE = 0.7  # weight of the letter groups against the words; measured on the development writers
WINDOW, STEP = 14, 7  # words in a stretch, and between the beginnings of two
FIRST_WORDS = 120  # words of a text that tell what it is about
LOUDEST_SHARE = 0.2  # share of the loudest stretch in the score; measured by leaving out one writer at a time
DAMP = 100.0, 300.0  # added to the squared length of words, of letter groups: a text of two words is never sure
_DENIED = 6  # words that a denial reaches at most
_LISTED = 4  # words of a part after a comma that a denial before it still reaches ("no hives, fever or chills")
_PIECE = re.compile(r"\d+(?:[.,:]\d+)?|[^\W\d_]+(?:['’`´][^\W\d_]+)*|[.!?;,:\n]")
_NO = frozenset("no not never without sin ni nunca nor neither none zero dont didnt isnt doesnt hasnt havent wasnt "
                "arent werent aint negative denies denied tampoco nada ningun ninguna".split())
_AFTER_NO = frozenset("no nope none negative nada".split())
_WELL = frozenset("fine ok okay good normal clear great bien normales".split())  # "breathing? fine"
_TURN = frozenset("but except though although just only now pero aunque excepto solo ahora sino because since so then "
                  "my i she he her his its it the and y mi me se le "
                  "is are was feels feel keeps can could wont cant".split())
# Findings that people deny in a word ("no hives"); "no respira" is no denial.
_DENIABLE = frozenset("hives rash itching itch fever chills pain swelling redness leaks leak headache nausea vomiting "
                      "problems issues bleeding symptoms ronchas fiebre comezon dolor hinchazon mareo vomito sarpullido "
                      "problemas".split())
_MARKS = ".!?;:\n"


# Beginnings of words of the body, of illness and of the infusion. A text without one may be anybody's small talk: this
# reading then only asks. Measured on ordinary texts of strangers: pages fall to a third, alarms lose little.
_BODY = tuple("""
 breath brea wheez weez gasp lung airway inhal oxygen throat swallow tongue lips swell swoll swole puff hives rash
welt itch scratch blotch bump chest chst heart pulse palpit ribs jaw arms calf thigh ankle vein clot faint pass
blacked dizz woozy lighthead spinning wobbl collaps unconsc floor slump limp seiz convuls twitch jerk shak stroke
droop slur numb weak confus disorient muddl headache head neck fever temp chill shiver sweat urin peed pee piss
toilet bathroom diaper yellow jaund eyes skin pus ooz drain blood bleed bled vomit puk throw threw stomach belly
tummy nause pain hurt aching ache burn sore sting suicid kill die dying pills gun rope dose dosed infus needle pump
vial tube tubing site medicine meds inject overdos double syringe stuck poked prick measles chicken varicel expos
pregnan weight pounds epi nurse ambulance emerg swollen cough spit blue purple grey gray respir aire ahog aog asfix
pecho garganta tragar lengua labio boca cara hinch ronch comezon pica rasc sarpull corazon pulso brazo pierna
pantorr desmay marea caida cayo piso suelo convuls ataque tembl derrame cabeza cuello pescuezo nuca fiebre calentura
tempera termom thermom escalof tirit orin pipi bano amarill ojos piel sangr depon devolv arroj panza estomag barriga
dolor duele arde matar muer morir vivir pastill dosis aguja bomba frasco manguer sitio medicin inyec jering piquet
pincho sarampion libras epinef enferm ayuda tose toser
""".split())


# The narrower list: beginnings of words that tell of illness or of the infusion itself. How many a text holds decides how
# sure this reading must be to page alone; on ordinary texts of strangers that cut its pages to a third once more.
_TELLING = tuple("""
 breath brea wheez gasp lung airway throat swallow tongue lips swell swoll hives rash welt itch chest pulse palpit
faint passed dizz woozy lighthead collaps unconsc seiz convuls stroke droop slur confus numb headache fever temp chill
shiver urin pee jaund pus bleed vomit puk threw nausea suicid kill pills overdos infus needle pump vial site meds
medicine epi swollen cough blotch blister burn red aire asfix pecho garganta hinch ronch comezon corazon desmay mare
fiebre calentura escalof orin aguja bomba frasco sitio medicin morir matar vivir rojo respir lengua labio tragar cuello
nuca duele dolor dosis sangr inyec jering tembl amarill alive dying face heart blood dose stiff skin
""".split())


class Hunch(NamedTuple):
    """What the second reading makes of a text.

    alarm, emergency: scores (log-odds; the limits are in flows/reader.py). bodily: does it name the body, illness or
    the infusion? telling: how many of its words tell of illness or of the infusion itself. first, last: offsets of the
    loudest stretch in the text.
    """

    alarm: float
    emergency: float
    bodily: bool
    telling: int
    first: int
    last: int


QUIET = Hunch(-99.0, -99.0, False, 0, 0, 0)


class Model(NamedTuple):
    """The weights as loaded. buckets, topic_buckets: signed bytes, row by row; head: their scales, biases and names."""

    head: dict
    buckets: array  # rows of (idf, alarm, emergency)
    topic_buckets: array  # rows of (a weight for each name of head["names"])


_HOT = ("#f", "#38", "#100", "#low")  # numbers that read like a temperature out of range


def number(word):
    """What kind of number a word is, as a word of its own ("#f": reads like a fever)."""
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        return "#time"
    exact = "." in word or "," in word
    if 38 <= value < 43:
        return "#f" if exact else "#38"
    if 100.4 <= value < 108:
        return "#f" if exact else "#100"
    if exact and (30 <= value < 36 or 93 <= value < 96.8):
        return "#low"
    if exact and (36 <= value < 38 or 96.8 <= value < 100.4):
        return "#normal"
    if value <= 12:
        return "#" + word
    return "#tens" if value < 60 else "#hundred" if value < 110 else "#more" if value < 220 else "#large"


def words(text):
    """[(word or mark, offset of its beginning, of its end, is it denied?)] of a text."""
    found = [(number(m[0]) if m[0][0].isdigit() else norm(m[0]) or m[0], m.start(), m.end())
             for m in _PIECE.finditer(text)]
    denied = _denied([word for word, _, _ in found])
    return [(*piece, at in denied) for at, piece in enumerate(found)]


def _denied(said):
    """The places of the words that a denial reaches: forward to a turn, a mark, or the end of its list."""
    reached, left = set(), 0
    for at, word in enumerate(said):
        if word in _MARKS or word in _TURN and left < _DENIED:
            left = 0
        elif word == ",":
            following = next((n for n, each in enumerate(said[at + 1:at + 2 + _LISTED])
                              if each == "," or each in _MARKS), min(len(said) - at - 1, _LISTED + 1))
            left = _DENIED if left and following <= _LISTED else 0
        elif word in _NO or word in _WELL and at and said[at - 1] == "?":
            if word in _AFTER_NO | _WELL and at and (at + 1 == len(said) or said[at + 1] in ",.!;\n"):
                # "hives: no", "fever? nope"
                back = at - 1 if said[at - 1] not in "?:" else at - 2
                while back >= 0 and said[back] not in ",.!?;:\n" and at - back <= _LISTED + 1:
                    reached.add(back)
                    back -= 1
            left = _DENIED * (word in _NO)
        elif left:
            reached.add(at)
            left -= 1
    return reached


@lru_cache(maxsize=20000)
def letters(word):
    """The buckets of a word's letter groups."""
    if len(word) < 2 or word[0] == "#":
        return ()
    framed = f"<{word}>"
    return tuple(crc32(f"c:{framed[at:at + size]}".encode()) & ((1 << BITS) - 1)
                 for size in range(SHORTEST, LONGEST + 1) for at in range(len(framed) - size + 1))


def features(pieces):
    """For each word of `pieces`: (buckets of the word and its pairs, the word); and the stretches to score.

    Returns (rows, stretches, places): stretches are (first, last) into rows, places the offsets of each row.
    """
    rows, places, stretches = [], [], []
    one, two, begun = "<", "", 0
    for word, start, end, denied in pieces:
        if word in _MARKS:
            stretches += _stretches(begun, len(rows))
            begun = len(rows)
            continue
        if word == ",":
            continue
        said = [f"n:{word}"] if denied else [f"w:{word}", f"b:{one} {word}"]
        if two and not denied:
            said.append(f"s:{two} {word}")
        rows.append((tuple(crc32(each.encode()) & ((1 << BITS) - 1) for each in said), "" if denied else word))
        places.append((start, end))
        one, two = word, one
    return rows, stretches + _stretches(begun, len(rows)), places


def _stretches(begun, ended):
    if ended - begun <= WINDOW:
        return [(begun, ended)] if ended > begun else []
    return [(at, min(at + WINDOW, ended)) for at in range(begun, ended - WINDOW + STEP, STEP)]


@lru_cache(maxsize=1)
def model():
    """The shipped weights, loaded once. ValueError names the file and the mend when they are broken."""
    return unpack((HERE / FILE).read_bytes())


def unpack(raw):
    """The Model in the bytes of a weights file."""
    line, _, packed = raw.partition(b"\n")
    head = json.loads(line)
    sizes = 3 << BITS, len(head["names"]) << TOPIC_BITS
    try:
        body = zlib.decompress(packed)
    except zlib.error:
        body = b""
    if len(body) != sum(sizes):
        raise ValueError(f"flows/{FILE}: {len(body)} weights where {sum(sizes)} belong; train again "
                         "(python -m tests.train_reader)")
    return Model(head, array("b", body[:sizes[0]]), array("b", body[sizes[0]:]))


@lru_cache(maxsize=20000)
def _letter_sums(word):
    loaded = model()
    return _sums(loaded, letters(word))


def _sums(loaded, buckets):
    """(alarm, emergency, square of the length) of some buckets."""
    alarm = emergency = square = 0.0
    table, least = loaded.buckets, loaded.head["idf"]
    for bucket in buckets:
        at = 3 * bucket
        idf = table[at] * least
        alarm += idf * table[at + 1]
        emergency += idf * table[at + 2]
        square += idf * idf
    return alarm, emergency, square


def judge(text):
    """The second reading of a text: a Hunch. Pure; never raises on a string."""
    pieces = words(text)
    rows, stretches, places = features(pieces)
    telling = [word for word, _, _, denied in pieces if len(word) > 3 and not (denied and word in _DENIABLE)]
    if not rows or not telling and len(rows) < 6:
        return QUIET  # "no", "2", "yes ok", "no hives": too little to tell
    loaded = model()
    sums = [_sums(loaded, buckets) + _letter_sums(word) for buckets, word in rows]
    running = [list(accumulate(column, initial=0.0)) for column in zip(*sums)]
    whole = _score(loaded, running, 0, len(rows))
    scored = [(_score(loaded, running, first, last), first, last) for first, last in stretches] or [
        (whole, 0, len(rows))]
    loudest = max(scored)
    alarm = (1 - LOUDEST_SHARE) * whole[0] + LOUDEST_SHARE * loudest[0][0]
    emergency = (1 - LOUDEST_SHARE) * whole[1] + LOUDEST_SHARE * max(pair[1] for pair, _, _ in scored)
    bodily = any(word.startswith(_BODY) or word in _HOT for _, word in rows)
    telling = sum(word.startswith(_TELLING) or word in _HOT for _, word in rows)
    return Hunch(alarm, emergency, bodily, telling, places[loudest[1]][0], places[loudest[2] - 1][1])


def _score(loaded, running, first, last):
    alarm, emergency, square, letter_alarm, letter_emergency, letter_square = (c[last] - c[first] for c in running)
    length, letter_length = sqrt(square + DAMP[0]), sqrt(letter_square + DAMP[1]) / LETTER_SHARE
    head = loaded.head
    return (head["alarm"] * (alarm / length + letter_alarm / letter_length) + head["alarm_bias"],
            head["emergency"] * (emergency / length + letter_emergency / letter_length) + head["emergency_bias"])


@lru_cache(maxsize=20000)
def _letter_topics(word):
    loaded = model()
    return _topic_sums(loaded, letters(word))


def _topic_sums(loaded, buckets):
    """(sums for each topic, square of the length) of some buckets."""
    size, mask, least = len(loaded.head["names"]), (1 << TOPIC_BITS) - 1, loaded.head["idf"]
    sums, square = [0.0] * size, 0.0
    for bucket in buckets:
        idf = loaded.buckets[3 * bucket] * least
        square += idf * idf
        at = (bucket & mask) * size
        row = loaded.topic_buckets[at:at + size]
        if any(row):
            sums = [total + idf * each for total, each in zip(sums, row)]
    return sums, square


def about(text):
    """The likeliest of the guide's topics for a calm text; `chatter` for a text without words."""
    rows, _, _ = features(words(text))
    if not rows:
        return "chatter"
    loaded = model()
    head, rows = loaded.head, rows[:FIRST_WORDS]
    said, square = _topic_sums(loaded, [bucket for buckets, _ in rows for bucket in buckets])
    spelled = [_letter_topics(word) for _, word in rows]
    length = sqrt(square + DAMP[0])
    letter_length = sqrt(sum(each for _, each in spelled) + DAMP[1]) / LETTER_SHARE
    scores = [step * (one / length + sum(two) / letter_length) + bias for step, bias, one, *two in zip(
        head["topic"], head["topic_bias"], said, *(sums for sums, _ in spelled))]
    return head["names"][max(range(len(scores)), key=scores.__getitem__)]
