"""The rows of flows/alarms.yaml and flows/sayings.yaml, loaded, checked and compiled.

The table is the reviewed part of the reader: an unsigned row still raises, a broken row stops the
load with the file, the row, the key and the mend.
"""

from dataclasses import dataclass, field
from pathlib import Path

import yaml

from flows import pattern, words
from flows.text import norm, tokens

HERE = Path(__file__).parent
ALARMS, SAYINGS = "alarms.yaml", "sayings.yaml"
_ROW_KEYS = {"id", "lang", "disposition", "kind", "topic", "detail", "weak", "stays", "of_others", "at_site", "both",
             "patterns", "unless", "needs", "source", "match", "not"}
_SAYING_KEYS = {"id", "lang", "act", "topic", "whole", "patterns", "unless", "match", "not"}
_CUES = ("noun", "verb", "pseudo", "end", "gone", "unreal", "general", "past", "present", "others", "joke", "tale", "site",
         "wide")
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class RuleError(ValueError):
    """A table that cannot be loaded: file, row, key and the mend."""

    def __init__(self, file, row, key, text):
        super().__init__(f"flows/{file}, row {row}, {key}: {text}")
        self.file, self.row, self.key = file, row, key


@dataclass(frozen=True)
class Rule:
    """One row of the alarm table.

    weak: the row only asks. stays: "better now" does not lower it. of_others: "my friend" does not either.
    at_site: topic the hit becomes when its sentence places it at the infusion site. both: two tuples of topics that
    must both be said (a combination row has no patterns). unless: idioms that cancel an overlapping hit. needs:
    phrases, one of which must be in the text.
    """

    id: str
    lang: str
    disposition: str
    topic: str
    kind: str | None = None
    detail: str | None = None
    weak: bool = False
    stays: bool = False
    of_others: bool = False
    at_site: str | None = None
    both: tuple = ()
    source: str = ""
    match: tuple[str, ...] = ()
    not_match: tuple[str, ...] = ()
    patterns: tuple = field(default=(), repr=False)
    unless: tuple = field(default=(), repr=False)
    needs: tuple = field(default=(), repr=False)

    @property
    def effective(self):
        """The disposition that a hit of this row gives."""
        return "ask" if self.weak else self.disposition


@dataclass(frozen=True)
class Saying:
    """One row of the sayings: what a text does. whole: only when it is the whole text, bar punctuation and case."""

    id: str
    lang: str
    act: str
    topic: str
    whole: bool = False
    match: tuple[str, ...] = ()
    not_match: tuple[str, ...] = ()
    patterns: tuple = field(default=(), repr=False)
    unless: tuple = field(default=(), repr=False)


@dataclass(frozen=True)
class Book:
    """Everything the reader knows: rows, sayings, cues, and the indexes that find them."""

    rules: tuple[Rule, ...]
    sayings: tuple[Saying, ...]
    forms: dict
    known: frozenset
    cues: pattern.Index
    idioms: pattern.Index
    alarms: pattern.Index
    acts: pattern.Index
    guards: pattern.Index
    needs: pattern.Index
    emoji: dict
    guess: dict
    sets: dict


def lines(value):
    """The phrases of a block, one a line; a line set further in goes on with the line before it."""
    found = []
    for line in (value or "").splitlines():
        if line[:1] == " " and found:
            found[-1] += line.strip() if found[-1].endswith("|") else " " + line.strip()
        elif line.strip():
            found.append(line.strip())
    return tuple(found)


def load(alarms=None, sayings=None):
    """The book. alarms, sayings: text of the two files; None reads the shipped ones. RuleError, see above."""
    alarm_file = _yaml(ALARMS, alarms)
    saying_file = _yaml(SAYINGS, sayings)
    forms = {norm_phrase(k): tuple(str(v).split()) for k, v in (saying_file.get("forms") or {}).items()}

    def write_out(word):
        # Cut as texts are cut, so that "10/10" or "o2" in a pattern meets the same tokens in a text.
        return tuple(t.norm for t in tokens(word, forms) if t.kind in ("word", "number")) or (norm(word),)

    lists = {}
    for file, content in ((SAYINGS, saying_file), (ALARMS, alarm_file)):
        for name, block in (content.get("lists") or {}).items():
            lists[name] = _patterns(file, "lists", name, block, lists, write_out)
    rules = _rules(alarm_file, lists, write_out)
    said = _sayings(saying_file, lists, write_out)
    cues, idioms, alarms_index, acts, guards, needs = (pattern.Index() for _ in range(6))
    cue_blocks = saying_file.get("cues") or {}
    everything = []
    for name in _CUES:
        if name not in cue_blocks:
            raise RuleError(SAYINGS, "cues", name, "the cue list is missing: add it, even if empty")
        for items in _patterns(SAYINGS, "cues", name, cue_blocks[name], lists, write_out):
            cues.add(items, name)
            everything.append(items)
    for items in _patterns(ALARMS, "idioms", "idioms", alarm_file.get("idioms"), lists, write_out):
        idioms.add(items, "idiom")
        everything.append(items)
    for row in rules:
        for key, index in (("patterns", alarms_index), ("unless", guards), ("needs", needs)):
            for items in getattr(row, key):
                index.add(items, row)
                everything.append(items)
    for row in said:
        for items in row.patterns:
            everything.append(items)
            acts.add(items, row)
        for items in row.unless:
            everything.append(items)
            guards.add(items, row)
    for name in sorted({row.id for row in rules} & {row.id for row in said}):
        raise RuleError(SAYINGS, name, "id", f"also the id of a row in {ALARMS}: give one of them another name")
    known = frozenset().union(*(pattern.all_words(items) for items in everything))
    sets = {name: frozenset((value or "").split()) for name, value in (saying_file.get("sets") or {}).items()}
    guess = {lang: frozenset((value or "").split()) for lang, value in (saying_file.get("guess") or {}).items()}
    return Book(rules, said, forms, known, cues, idioms, alarms_index, acts, guards,
                needs, saying_file.get("emoji") or {}, guess, sets)


def norm_phrase(phrase):
    """The key of a writing-out form: its words as compared, one space between."""
    return " ".join(norm(word) for word in str(phrase).split())


def _yaml(file, source):
    if source is None:
        source = (HERE / file).read_text(encoding="utf-8")
    try:
        content = yaml.load(source, Loader=_LOADER)
    except yaml.YAMLError as error:
        raise RuleError(file, "-", "YAML", f"{error}; mend the indentation or the quotes there") from error
    if not isinstance(content, dict):
        raise RuleError(file, "-", "YAML", "the file is not a table of keys; begin each key at the left edge")
    return content


def _patterns(file, row, key, block, lists, write_out):
    found = []
    for source in lines(block):
        try:
            found.append(pattern.parse(source, lists, write_out))
        except pattern.PatternError as error:
            raise RuleError(file, row, key, f"pattern {source!r}: {error}") from error
    return tuple(found)


def _rules(content, lists, write_out):
    found, seen = [], set()
    for number, row in enumerate(content.get("rows") or (), 1):
        name = row.get("id") if isinstance(row, dict) else None
        if not name:
            raise RuleError(ALARMS, f"number {number}", "id", "every row needs an id: add 'id: some-name'")
        _check_row(ALARMS, name, row, _ROW_KEYS, seen)
        _one_of(ALARMS, name, row, "disposition", words.DISPOSITIONS[1:])
        _one_of(ALARMS, name, row, "topic", words.TOPICS)
        if row["disposition"] == "emergency":
            _one_of(ALARMS, name, row, "kind", words.KINDS)
        elif row.get("kind"):
            raise RuleError(ALARMS, name, "kind", "only an emergency has a kind: remove it")
        if not row.get("source"):
            raise RuleError(ALARMS, name, "source", "name where the row comes from: 'guide' or a key of the sources")
        if bool(row.get("both")) == bool(row.get("patterns")):
            raise RuleError(ALARMS, name, "patterns", "a row has either 'patterns' or 'both': give one of them")
        if row.get("at_site") and row["at_site"] not in words.TOPICS:
            raise RuleError(ALARMS, name, "at_site", f"{row['at_site']!r} is no topic: use one of the topics")
        found.append(Rule(
            id=name, lang=row["lang"], disposition=row["disposition"], topic=row["topic"], kind=row.get("kind"),
            detail=row.get("detail"), weak=bool(row.get("weak")), stays=bool(row.get("stays")),
            of_others=bool(row.get("of_others")),
            at_site=row.get("at_site"), both=tuple(tuple(side.split()) for side in row.get("both") or ()),
            source=str(row["source"]), match=lines(row["match"]), not_match=lines(row["not"]),
            **{key: _patterns(ALARMS, name, key, row.get(key), lists, write_out)
               for key in ("patterns", "unless", "needs")}))
    return tuple(found)


def _sayings(content, lists, write_out):
    found, seen = [], set()
    for number, row in enumerate(content.get("sayings") or (), 1):
        name = row.get("id") if isinstance(row, dict) else None
        if not name:
            raise RuleError(SAYINGS, f"number {number}", "id", "every row needs an id: add 'id: some-name'")
        _check_row(SAYINGS, name, row, _SAYING_KEYS, seen)
        _one_of(SAYINGS, name, row, "act", words.ACTS)
        _one_of(SAYINGS, name, row, "topic", words.TOPICS)
        found.append(Saying(
            id=name, lang=row["lang"], act=row["act"], topic=row["topic"], whole=bool(row.get("whole")),
            match=lines(row["match"]), not_match=lines(row["not"]),
            patterns=_patterns(SAYINGS, name, "patterns", row.get("patterns"), lists, write_out),
            unless=_patterns(SAYINGS, name, "unless", row.get("unless"), lists, write_out)))
    return tuple(found)


def _check_row(file, name, row, keys, seen):
    if name in seen:
        raise RuleError(file, name, "id", "used twice: give the second row a name of its own")
    seen.add(name)
    for key in row:
        if key not in keys:
            raise RuleError(file, name, key, f"unknown key: use one of {', '.join(sorted(keys))}")
    _one_of(file, name, row, "lang", words.LANGS)
    for key, least in (("match", 3), ("not", 2)):
        if len(lines(row.get(key))) < least:
            raise RuleError(file, name, key, f"needs at least {least} examples, one a line: add some")


def _one_of(file, name, row, key, allowed):
    if row.get(key) not in allowed:
        raise RuleError(file, name, key, f"{row.get(key)!r} is not allowed: use one of {', '.join(allowed)}")


def text_tokens(book, text):
    """Tokens of a text with the book's forms and spellings."""
    return tokens(text, book.forms, book.known)
