"""How well the reader reads texts that people have labelled: `ebbline read --score FILE.jsonl`.

A labelled line is one JSON object: `text`, `level` (a disposition but `ask`, in any case), optionally `id`, `lang`
(en, es, mix), `also_ok` (levels that a careful nurse would accept too), `topic`, `phase` and `asked`. Intervals are
Wilson's at 95 % (Wilson EB. J Am Stat Assoc 1927;22:209-212, from memory): they stay honest near 0 and 1.
"""

import json
from collections import Counter
from dataclasses import dataclass

from flows.words import DISPOSITIONS, LANGS, PHASES, TOPICS, Reading, rank

Z = 1.959964  # the normal quantile of a two-sided 95 % interval
LEVELS = tuple(level for level in DISPOSITIONS if level != "ask")  # `ask` is never a label
CALM, ALARMING, PAGES = ("none", "selfcare", "nurse"), ("urgent", "emergency"), ("urgent", "emergency")


class ScoreError(ValueError):
    """A labelled file that cannot be scored: file, line, key and the mend."""


@dataclass(frozen=True)
class Outcome:
    """One labelled line and how it was read. accepted: the label's level and its `also_ok`."""

    id: object
    text: str
    lang: str | None
    level: str
    accepted: frozenset
    topic: str | None
    reading: Reading


@dataclass(frozen=True)
class Rate:
    """A share of lines, `hits` of `total`, with the limit it should keep (`at_least` or `at_most`, a fraction)."""

    name: str
    hits: int
    total: int
    at_least: float | None = None
    at_most: float | None = None

    @property
    def share(self):
        """The fraction, or None when there is no line to count."""
        return self.hits / self.total if self.total else None

    @property
    def kept(self):
        """Is the limit kept? True when there is nothing to count or no limit."""
        if self.share is None:
            return True
        return (self.at_least is None or self.share >= self.at_least) and (
            self.at_most is None or self.share <= self.at_most)


def wilson(hits, total):
    """(low, high) of Wilson's 95 % interval for `hits` of `total`, as fractions; (0, 1) when `total` is 0."""
    if not total:
        return 0.0, 1.0
    share, square = hits / total, Z * Z
    middle = (share + square / (2 * total)) / (1 + square / total)
    half = Z / (1 + square / total) * (share * (1 - share) / total + square / (4 * total * total)) ** 0.5
    return max(0.0, middle - half), min(1.0, middle + half)


def outcomes(lines, read, file="standard input"):
    """An Outcome for every labelled line. lines: strings, one JSON object each. ScoreError names line, key and mend."""
    found = []
    for number, raw in enumerate(lines, 1):
        if raw.strip():
            found.append(_outcome(raw, f"{file}:{number}", read))
    if not found:
        raise ScoreError(f"{file}: holds no labelled line; write one JSON object with text and level a line")
    return found


def _outcome(raw, place, read):
    try:
        given = json.loads(raw)
    except ValueError as error:
        raise ScoreError(f"{place}: not JSON ({error}); write one object a line") from error
    if not isinstance(given, dict) or not isinstance(given.get("text"), str):
        raise ScoreError(f'{place}: text: missing or not words; write {{"text": …, "level": …}}')
    level = _level(given.get("level"), f"{place}: level")
    also = given.get("also_ok") or []
    if not isinstance(also, list):
        raise ScoreError(f"{place}: also_ok: not a list; write [] or [\"NURSE\"]")
    lang, phase, topic = given.get("lang"), given.get("phase") or "unknown", given.get("topic")
    if lang not in (*LANGS, "mix", None):
        raise ScoreError(f"{place}: lang: {lang!r}; write en, es or mix, or leave it out")
    if phase not in PHASES:
        raise ScoreError(f"{place}: phase: {phase!r}; write one of {', '.join(PHASES)}")
    if topic not in (*TOPICS, None):
        raise ScoreError(f"{place}: topic: {topic!r}; write one of {', '.join(TOPICS)}")
    reading = read(given["text"], lang=lang if lang in LANGS else None, phase=phase, asked=given.get("asked"))
    return Outcome(given.get("id"), given["text"], lang, level,
                   frozenset((level, *(_level(each, f"{place}: also_ok") for each in also))), topic, reading)


def _level(given, place):
    level = given.lower() if isinstance(given, str) else given
    if level not in LEVELS:
        raise ScoreError(f"{place}: {given!r} is no level; write one of {', '.join(LEVELS)}")
    return level


def rates(found):
    """The rates that the reader is held to, over the outcomes. Limits: the project's own."""
    emergency = [o for o in found if o.level == "emergency"]
    urgent = [o for o in found if o.level == "urgent"]
    alarming, calm = emergency + urgent, [o for o in found if o.level in CALM]
    topical = [o for o in calm if o.topic]

    def share(name, of, test, **limits):
        return Rate(name, sum(map(test, of)), len(of), **limits)

    return [
        share("emergency read as emergency", emergency, lambda o: _reached(o, "emergency"), at_least=0.97),
        share("emergency read as calm", emergency, lambda o: _calm(o) and not _accepted(o), at_most=0.0),
        share("urgent read as urgent or above", urgent, lambda o: _reached(o, "urgent"), at_least=0.96),
        share("alarm that neither pages nor asks", alarming, lambda o: _calm(o) and not _accepted(o), at_most=0.005),
        share("alarm that only asks", alarming, lambda o: _level_read(o) == "ask", at_most=0.04),
        share("calm text that pages", calm, lambda o: _pages(o) and not _accepted(o), at_most=0.03),
        share("calm text that asks", calm, lambda o: _level_read(o) == "ask", at_most=0.06),
        share("calm text with its topic", topical, lambda o: o.reading.topic == o.topic, at_least=0.90),
        share("calm text at its level", calm, _accepted),
    ]


def _level_read(outcome):
    return outcome.reading.disposition


def _accepted(outcome):
    return _level_read(outcome) in outcome.accepted


def _reached(outcome, level):
    return rank(_level_read(outcome)) >= rank(level) or _accepted(outcome)


def _calm(outcome):
    return _level_read(outcome) in CALM


def _pages(outcome):
    return _level_read(outcome) in PAGES


def confusion(found):
    """{(label, disposition read): number of lines}."""
    return Counter((o.level, _level_read(o)) for o in found)


def missed(outcome):
    """Is this line worth a look: an alarm read too low, or a calm text that pages or asks?"""
    if _accepted(outcome):
        return False
    if outcome.level in ALARMING:
        return rank(_level_read(outcome)) < rank(outcome.level)
    return rank(_level_read(outcome)) >= rank("ask")


def report(found):
    """The whole report as text: confusion, rates with intervals (all, then each language), and every miss."""
    parts = [_table(found), rates_of("all", found)]
    spoken = [lang for lang in (*LANGS, "mix") if any(o.lang == lang for o in found)]
    if len(spoken) > 1:
        parts += [rates_of(lang, [o for o in found if o.lang == lang]) for lang in spoken]
    return "\n\n".join([*parts, _misses(found)]) + "\n"


def entry(found, name, on, commit):
    """One entry of a file of scores, as text: what was scored, when (a date), at which commit, and each rate.

    Rates of all lines, then of each language spoken, with their 95 % intervals; no text of the file is repeated.
    """
    parts = [f"{on.isoformat()}  commit {commit}  {name}  n = {len(found)}", rates_of("all", found)]
    spoken = [lang for lang in (*LANGS, "mix") if any(o.lang == lang for o in found)]
    if len(spoken) > 1:
        parts += [rates_of(lang, [o for o in found if o.lang == lang]) for lang in spoken]
    return "\n".join(parts) + "\n\n"


def _table(found):
    counts = confusion(found)
    rows = ["label \\ read  " + "".join(f"{level:>10}" for level in DISPOSITIONS)]
    for level in reversed(LEVELS):
        rows.append(f"{level:<14}" + "".join(f"{counts[level, read]:>10}" for read in DISPOSITIONS))
    return "\n".join(rows)


def rates_of(name, found):
    """The rates of these outcomes as text, with their intervals and limits."""
    rows = [f"{name}: {len(found)} lines (95 % intervals)"]
    for rate in rates(found):
        if rate.share is None:
            rows.append(f"  {rate.name:<36} no line")
            continue
        low, high = wilson(rate.hits, rate.total)
        limit = (f"at least {rate.at_least:.1%}" if rate.at_least is not None
                 else f"at most {rate.at_most:.1%}" if rate.at_most is not None else "")
        mark = "" if rate.kept else "  MISSED"
        counted = f"{rate.hits}/{rate.total}"
        rows.append(f"  {rate.name:<36} {counted:>9}  {rate.share:6.1%} ({low:.1%} to {high:.1%})  {limit}{mark}")
    return "\n".join(rows)


def _misses(found):
    rows = []
    for outcome in filter(missed, found):
        rows.append(f"{outcome.id}  {outcome.level}/{outcome.topic or '-'} read as "
                    f"{_level_read(outcome)}/{outcome.reading.topic}: {' '.join(outcome.text.split())}")
        rows += [f"    {each.rule}: {each.words!r}" for each in outcome.reading.because] or ["    no rule spoke"]
    return "\n".join([f"misses: {sum(map(missed, found))}", *rows])
