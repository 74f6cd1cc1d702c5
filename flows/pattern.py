"""The phrase syntax of the rule table: parsed once, matched on tokens.

    chest pain            these words, in this order
    chest|breast pain     either word
    (short of|out of) breath     either phrase, in brackets
    really? bad           an optional word; (in my)? an optional phrase
    swell*                any word that begins so
    throat .. closing     a gap of 0 to 3 words (never over the end of a sentence, never over a "not")
    help me $             "$" is the end of the sentence, or a comma
    <breathe>             a word list of the table's head

A pattern is a sequence of items, matched as a set of places, so time grows with the length of the
text and never explodes. Matching follows the idea of Thompson's simulation (CACM 11(6), 1968).
"""

from typing import NamedTuple

GAP_WORDS = 3


class Item(NamedTuple):
    """One step: a word of `words`, one that begins with one of `prefixes`, or one of the phrases `phrases`."""

    words: frozenset
    prefixes: tuple
    phrases: tuple
    optional: bool
    gap: bool = False


GAP = Item(frozenset(), (), (), False, True)


class PatternError(ValueError):
    """A pattern that cannot be read; the message says what to mend."""


def parse(source, lists, write_out):
    """A pattern as a tuple of items.

    source: the pattern. lists: {name: tuple of parsed patterns}. write_out: word -> tuple of words
    (the same writing out as for texts). PatternError says what is wrong with it.
    """
    reader = _Parser(source.strip(), lists, write_out)
    items = reader.sequence(inside=False)
    if reader.at < len(reader.source):
        raise PatternError(f"unexpected {reader.source[reader.at]!r} at position {reader.at + 1}")
    if not items:
        raise PatternError("an empty pattern: write a word or remove it")
    if items[0].gap or items[-1].gap:
        raise PatternError("a gap '..' at the beginning or end means nothing: remove it")
    if all(item.optional or item.gap for item in items):
        raise PatternError("every word is optional: make one of them required")
    return items


class _Parser:
    def __init__(self, source, lists, write_out):
        self.source, self.lists, self.write_out, self.at = source, lists, write_out, 0

    def peek(self):
        return self.source[self.at] if self.at < len(self.source) else ""

    def sequence(self, inside):
        items = []
        while True:
            while self.peek() == " ":
                self.at += 1
            if not self.peek() or (inside and self.peek() in "|)"):
                return tuple(items)
            if self.peek() in "|)?":
                raise PatternError(f"unexpected {self.peek()!r} at position {self.at + 1}")
            items.extend(self.item(inside))

    def item(self, inside):
        atoms = [self.atom()]
        while not inside and self.peek() == "|":
            self.at += 1
            atoms.append(self.atom())
        if atoms == [GAP]:
            return [GAP]
        if GAP in atoms:
            raise PatternError("a gap '..' cannot be one side of '|'")
        optional = self.peek() == "?"
        self.at += optional
        phrases = [phrase for atom in atoms for phrase in atom]
        if len(phrases) == 1 and not optional:
            return list(phrases[0])
        return [_merge(phrases, optional)]

    def atom(self):
        """A list of phrases (tuples of items), or GAP."""
        if self.source.startswith("..", self.at):
            self.at += 2
            return GAP
        if self.peek() == "(":
            return self.group()
        if self.peek() == "<":
            end = self.source.find(">", self.at)
            name = self.source[self.at + 1:end]
            if end < 0 or name not in self.lists:
                raise PatternError(f"no word list named {name!r}: add it under 'lists' or correct the name")
            self.at = end + 1
            return list(self.lists[name])
        start = self.at
        while self.peek() and self.peek() not in " ()|?<>":
            self.at += 1
        word = self.source[start:self.at]
        if word == "$":
            return [(Item(frozenset((".", "?", ",")), (), (), False),)]
        if not word:
            raise PatternError(f"a word is missing at position {start + 1}")
        if word.endswith("*"):
            return [(Item(frozenset(), (word[:-1],), (), False),)]
        return [tuple(Item(frozenset((w,)), (), (), False) for w in self.write_out(word))]

    def group(self):
        self.at += 1
        phrases = []
        while True:
            phrase = self.sequence(inside=True)
            if not phrase:
                raise PatternError("an empty choice in brackets")
            phrases.append(phrase)
            mark = self.peek()
            self.at += 1
            if mark == ")":
                return phrases
            if mark != "|":
                raise PatternError("a bracket is not closed: add ')'")


def _merge(phrases, optional):
    words, prefixes, longer = set(), [], []
    for phrase in phrases:
        only = phrase[0]
        if len(phrase) == 1 and not only.optional and not only.phrases:
            words |= only.words
            prefixes.extend(only.prefixes)
        else:
            longer.append(phrase)
    return Item(frozenset(words), tuple(prefixes), tuple(longer), optional)


def firsts(items):
    """(words, prefixes) with which a match can begin."""
    words, prefixes = set(), set()
    for item in items:
        if item.gap:
            continue
        words |= item.words
        prefixes |= set(item.prefixes)
        for phrase in item.phrases:
            more, starts = firsts(phrase)
            words |= more
            prefixes |= starts
        if not item.optional:
            break
    return words, prefixes


def all_words(items):
    """Every whole word of a pattern."""
    found = set()
    for item in items:
        found |= item.words
        for phrase in item.phrases:
            found |= all_words(phrase)
    return found


def ends(items, norms, at, reach):
    """Places (after the last token) where a match that begins at `at` can end.

    norms: the words compared. reach: for every place, the places a gap can lead to.
    """
    places = {at}
    size = len(norms)
    for item in items:
        after = set()
        for place in places:
            if item.gap:
                after.update(reach(place))
                continue
            if item.optional:
                after.add(place)
            if place < size:
                word = norms[place]
                if word in item.words or (item.prefixes and word.startswith(item.prefixes)):
                    after.add(place + 1)
                for phrase in item.phrases:
                    after |= ends(phrase, norms, place, reach)
        if not after:
            return after
        places = after
    return places


class Index:
    """Many patterns, found by the words they can begin with."""

    def __init__(self):
        self.by_word, self.by_prefix, self.lengths = {}, {}, ()

    def add(self, items, owner):
        """File a parsed pattern; `owner` comes back with its matches."""
        words, prefixes = firsts(items)
        # The plain word that must follow the first, if there is one: most candidates fall by it at once.
        plain = len(items) > 1 and not any(item.optional or item.gap or item.phrases for item in items[:2])
        second = items[1] if plain else None
        for word in words:
            self.by_word.setdefault(word, []).append((items, owner, second))
        for prefix in prefixes:
            self.by_prefix.setdefault(prefix, []).append((items, owner, second))
        self.lengths = tuple(sorted({len(p) for p in self.by_prefix}))

    def find(self, norms, reach):
        """All matches as (owner, first, last): the longest for each pattern and beginning."""
        found = []
        for place, word in enumerate(norms):
            candidates = self.by_word.get(word, ())
            for length in self.lengths:
                if length > len(word):
                    break
                more = self.by_prefix.get(word[:length])
                if more:
                    candidates = [*candidates, *more]
            following = norms[place + 1] if place + 1 < len(norms) else ""
            for items, owner, second in candidates:
                if second and following not in second.words and not following.startswith(second.prefixes):
                    continue
                last = ends(items, norms, place, reach)
                if last:
                    end = max(last)
                    if end > place:
                        found.append((owner, place, end))
        return found
