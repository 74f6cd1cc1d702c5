"""What a text denies, supposes, remembers or tells of others.

After NegEx (Chapman WW, Bridewell W, Hanbury P, Cooper GF, Buchanan BG. A simple algorithm for
identifying negated findings and diseases in discharge summaries. J Biomed Inform 2001;34(5):301-310)
and ConText (Harkema H, Dowling JN, Thornblade T, Chapman WW. J Biomed Inform 2009;42(5):839-851), cited
from memory: a cue has a scope that runs forward to the end of the clause or an ending word; pseudo cues
("not only") open no scope. Added for texting: a cue word "no" that is an answer, clauses without a comma
("no fever my chest hurts"), and a third verdict, `unsure`, which the reader turns into a question.
"""

from bisect import bisect_left
from functools import cached_property

from flows.pattern import GAP_WORDS

FAR = 6  # words between a cue and what it denies; NegEx used 5 (from memory), texts hold more small words

REACH = 24  # words before a finding in which a cue is looked for at all (a long list of denials)
CLEAR, UNSURE, DENIED = "clear", "unsure", "denied"


class Line:
    """One text made ready for reading: the words compared (`norms`), where each stands, and its cues.

    A place is an index into `norms`, which holds words, numbers, commas and ends of sentences; softer marks and
    emoji are left out, remembered in `breaks` (places before which the writer paused) and `colons`.
    """

    def __init__(self, text, found, book):
        self.text, self.found, self.book = text, found, book
        self.norms, self.token_at, self.breaks, self.colons = [], [], set(), set()
        lonely = _lonely(found)
        for index, token in enumerate(found):
            place = len(self.norms)
            if token.kind == "emoji":
                continue
            if token.kind == "soft":
                if token.norm in ":=":
                    self.colons.add(place)
                if token.norm in ":-\u2014~|" and text[token.start - 1:token.start].isspace():
                    self.breaks.add(place)
                    self.colons.add(place)
                continue
            if token.norm == "…" or index in lonely:
                self.breaks.add(place)
                continue
            mark = {"hard": token.norm if token.norm in "?" else ".", "comma": ","}.get(token.kind)
            self.norms.append(mark or token.norm)
            self.token_at.append(index)
        if self.norms and self.norms[-1] not in (".", "?"):
            self.norms.append(".")  # every text ends a sentence; the place shows the last token
            self.token_at.append(len(found) - 1)
        self.findings = []  # places of all matches of the table, filled by the reader
        self._gaps = {}
        self._sentences()
        self._cues()

    def _sentences(self):
        self.sentence, number = [], 0
        for word in self.norms:
            self.sentence.append(number)
            number += word in (".", "?")
        self.bounds = {}
        for place, number in enumerate(self.sentence):
            first, _ = self.bounds.get(number, (place, place))
            self.bounds[number] = (first, place + 1)

    def _cues(self):
        self.cues = {}
        self.blocked = self.turns = frozenset()
        for name, first, last in self.book.cues.find(self.norms, self.reach):
            self.cues.setdefault(name, []).append((first, last))
        for spans in self.cues.values():
            spans.sort()
        self._inside = {}
        self.pseudo = {p for first, last in self.cues.get("pseudo", ()) for p in range(first, last)}
        plain = self.book.sets["negative"]
        self.blocked = frozenset(
            p for p, word in enumerate(self.norms) if word in plain and p not in self.pseudo)
        # A gap stops at "but" and "except" as it does at "not".
        self.turns = frozenset(p for p, word in enumerate(self.norms) if word in self.book.sets["turns"])
        self._gaps = {}

    def reach(self, place):
        """Places that a gap can lead to from `place`."""
        if place not in self._gaps:
            reached, at, left = {place}, place, GAP_WORDS
            while at < len(self.norms) and self.norms[at] not in (".", "?") and not (
                    at in self.blocked or at in self.turns):
                left -= self.norms[at] != ","
                if left < 0:
                    break
                at += 1
                reached.add(at)
            self._gaps[place] = reached
        return self._gaps[place]

    def words(self, first, last):
        """The verbatim slice of the text for the places `first` up to, not including, `last`."""
        span = [self.found[self.token_at[p]] for p in range(first, last)]
        return self.text[min(t.start for t in span):max(t.end for t in span)]

    def inside(self, name, first, last):
        """Is any cue of this name wholly between the two places?"""
        key = (name, first, last)
        if key not in self._inside:
            self._inside[key] = any(b <= last for _, b in self.between(name, first, last))
        return self._inside[key]

    def between(self, name, first, last):
        """The cues of this name that begin at or after `first` and before `last`, in order."""
        spans = self.cues.get(name, ())
        return spans[bisect_left(spans, (first, -1)):bisect_left(spans, (last, -1))] if spans else ()

    @cached_property
    def negators(self):
        """(kind, first, last) of every cue that denies what follows it."""
        found = []
        for kind in ("noun", "verb"):
            for first, last in self.cues.get(kind, ()):
                if any(p in self.pseudo for p in range(first, last)):
                    continue
                word = self.norms[first]
                if word == "no" and last < len(self.norms) and self.norms[last] in self.book.sets["es_verbs"]:
                    kind_here = "es"
                else:
                    kind_here = kind
                found.append((kind_here, first, last))
        return sorted(found, key=lambda n: n[1:])


def _lonely(found):
    """Full stops between single words ("I. CANT. BREATHE.") are no ends of sentences."""
    marks = [i for i, t in enumerate(found) if t.kind == "hard" and t.norm in ".!"]
    lonely = set()
    hard = [-1] + [i for i, t in enumerate(found) if t.kind in ("hard", "comma")] + [len(found)]
    size = {i: sum(t.kind in ("word", "number") for t in found[a + 1:i]) for a, i in zip(hard, hard[1:])}
    following = dict(zip(hard, hard[1:]))
    for mark in marks:
        spelled = {t.start for t in found[max(0, mark - 3):mark] if t.kind == "word"}
        if spelled and (size[mark] <= 1 or _one_word(found, mark)) and (
                size[following[mark]] == 1 or _one_word(found, following[mark])):
            lonely.add(mark)
    return lonely


def _one_word(found, mark):
    """Is what stands before this mark one written word that was written out ("CANT" -> "can not")?"""
    at = mark - 1
    starts = set()
    while at >= 0 and found[at].kind not in ("hard", "comma"):
        starts.add(found[at].start)
        at -= 1
    return len(starts) == 1


def verdict(line, first, last):
    """Is what stands between the two places denied? `clear` (not denied), `unsure` or `denied`."""
    if any(p in line.blocked for p in range(first, last)):
        return _denied_denial(line, first)
    worst = CLEAR
    begin = bisect_left(line.negators, max(line.bounds[line.sentence[first]][0], first - REACH), key=lambda n: n[1])
    for kind, cue_first, cue_last in line.negators[begin:]:
        if cue_last > first:
            break
        found = _scope(line, kind, cue_first, cue_last, first, last)
        if found == DENIED:
            return DENIED
        worst = found if found != CLEAR else worst
    return DENIED if _answered_no(line, last) else worst


def _denied_denial(line, first):
    # "not that I cant breathe": the phrase has its own "not", and only these words take it back.
    before = line.norms[max(0, first - 3):first]
    return DENIED if "not" in before and before[-1] in ("that", "like", "because") else CLEAR


def _scope(line, kind, cue_first, cue_last, first, last):
    sets = line.book.sets
    between = line.norms[cue_last:first]
    if cue_last in line.breaks or (between and between[0] == ","):
        return CLEAR  # "no, chest hurts": an answer
    if line.inside("end", cue_last, first) or line.inside("end", cue_last, min(first + 1, len(line.norms))):
        return CLEAR
    commas = [i for i, word in enumerate(between) if word == "," or (cue_last + i) in line.breaks]
    if first in line.breaks:
        commas.append(len(between))
    verbs = sets["finite"]
    inner = line.norms[first:last]
    if kind == "noun" and line.norms[cue_first] not in ("ni", "tampoco") and any(word in verbs for word in inner):
        return CLEAR  # "no" does not deny a clause: "no fever chest hurts"
    thinks = any(word in sets["thinking"] for word in line.norms[max(0, cue_first - 2):first])
    if not thinks and _new_subject(between, sets["es_subjects" if kind == "es" else "subjects"]):
        return CLEAR
    if kind == "verb" and between and between[0] in sets["not_acts"] and not thinks:
        return CLEAR  # "did not take it, hives": an action is denied, not the hives
    if commas:
        return _listed(line, kind, cue_last, between, commas, last)
    if len(between) > FAR + 2 * (kind == "noun" or bool(between) and between[0] in sets["having"]):
        return UNSURE if kind == "noun" else CLEAR
    if kind == "noun" and between and not any(word in sets["or"] for word in between) and not _and(between, sets):
        if any(cue_last <= a and b <= first for a, b in line.findings):
            return UNSURE  # "no rash face swollen": the first finding is denied, the second may not be
    if kind == "noun" and _and(between, sets) and line.norms[cue_first] not in sets["clinical"]:
        return CLEAR if _verb_follows(line, last) else UNSURE
    return DENIED


def _new_subject(between, subjects):
    """A new speaker or owner begins a new clause ("no fever my chest hurts")."""
    for index, word in enumerate(between):
        if word in subjects and (index == 0 or between[index - 1] not in ("of", "in", "on", "that", "from",
                                                                                  "de", "en", "que", "to", "with")):
            return True
    return False


def _listed(line, kind, cue_last, between, commas, last):
    """What follows a comma is denied when the list is closed by "or" or "nor"; otherwise it is unsure."""
    sets = line.book.sets
    after_comma = between[commas[0]:]
    if any(word in sets["finite"] for word in after_comma) or _verb_follows(line, last):
        return CLEAR
    if kind == "verb" and between[0] not in sets["having"] and line.norms[cue_last - 1] == "not":
        return CLEAR  # "not done, chest pain"
    _, end = line.bounds[line.sentence[last - 1]]
    rest = line.norms[cue_last:end]
    if any(word in sets["or"] for word in rest):
        return DENIED
    return UNSURE


def _and(between, sets):
    return any(word in sets["and"] for word in between)


def _verb_follows(line, last):
    return last < len(line.norms) and line.norms[last] in line.book.sets["finite"]


def _answered_no(line, last):
    """ "hives: no", "hives? no.", "hives - none". """
    at, marked = last, False
    if at < len(line.norms) and line.norms[at] == "?":
        at, marked = at + 1, True
    if at >= len(line.norms) or line.norms[at] not in line.book.sets["answers_no"] or at in line.pseudo:
        return False
    marked = marked or at in line.colons
    following = line.norms[at + 1] if at + 1 < len(line.norms) and at + 1 not in line.breaks else "."
    return following in (".", "?", ",") or (marked and line.norms[at] in ("no", "none", "negative"))


def gone(line, first, last):
    """Is the finding said to be over ("hives are gone")? Looks in the same sentence, after the finding."""
    _, end = line.bounds[line.sentence[first]]
    plain = line.book.sets["negative"]
    return any(last <= a and b <= end and a - last <= 4 and "," not in line.norms[last:a]
               and not any(word in plain for word in line.norms[last:a])
               for a, b in line.between("gone", last, last + 5))


def _cue_before(line, name, first, far, last=None):
    """The nearest cue of this name before a finding in its sentence, not ended by "but" or a comma and a subject."""
    begin, _ = line.bounds[line.sentence[first]]
    for a, b in line.between(name, max(begin, first - far - 12), first + 1):
        if b <= first + 1 and first - b <= far and not line.inside("end", b, first) and not _restarts(line, b, first):
            return a, b
    return None


def _restarts(line, begin, first):
    """A comma and a subject begin a clause of its own ("how do I know, my throat is tight")."""
    subjects = line.book.sets["subjects"]
    return any(line.norms[p] == "," and p < first and line.norms[p + 1] in subjects for p in range(begin, first))


def standing(line, first, last, of_others=False):
    """`real`, `general` (a question about illness as such) or `doubtful` (supposed, long past, or about others)."""
    general = _cue_before(line, "general", first, 10)
    if general:
        # "how do I know if my throat is closing" speaks of somebody's throat.
        own = any(word in line.book.sets["owners"] for word in line.norms[general[1]:last])
        return "doubtful" if own else "general"
    if _cue_before(line, "unreal", first, 10):
        return "doubtful"
    begin, end = line.bounds[line.sentence[first]]
    past = line.between("past", begin, end)
    # "nothing like it since": the "since" belongs to the past, it does not bring the finding back.
    if past and not any(b <= end and not any(p <= a and b <= q for p, q in past)
                        for a, b in line.between("present", begin, end)):
        near = line.between("past", max(begin, first - REACH), min(end, last + REACH))
        if any(not _split(line, c, first, last) for c in near):
            return "doubtful"
    if line.inside("joke", begin, end):
        return "doubtful"  # asked about, not dismissed: people joke about true alarms too
    # A tale of the sentence before goes on ("watching my show. that guy had a stroke"), but not when the writer speaks:
    # "watching a show and my throat is closing" is no tale.
    speaker = line.book.sets["speaker"]
    own = any(word in speaker for word in line.norms[begin:first + 1])
    before, _ = (begin, end) if own else line.bounds.get(line.sentence[first] - 1, (begin, end))
    if any(not any(word in speaker for word in line.norms[b:last]) for _, b in line.between("tale", before, end)):
        return "doubtful"
    other = None if of_others else _cue_before(line, "others", first, 6)
    if other and not any(word in speaker for word in line.norms[other[1]:last]):
        return "doubtful"
    return "real"


def _split(line, cue, first, last):
    """Does "but", "and now" or a comma with a new subject part the time word from the finding?"""
    a, b = (cue[1], first) if cue[0] < first else (last, cue[0])
    return line.inside("end", a, b) or any(
        line.norms[p] == "," and p + 1 < len(line.norms) and line.norms[p + 1] in line.book.sets["subjects"]
        for p in range(a, b))
