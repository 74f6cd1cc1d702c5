"""The words that Ebbline sends, from the signed packs `flows/en.yaml` and `flows/es.yaml`.

A pack is data: one entry per message. An entry is signed when it carries a reviewer, a date and the hash of the very
text that was signed; a changed text is `edited` and counts as unsigned.
"""

import hashlib
import re
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import yaml

HERE = Path(__file__).parent
KEYS = {"text", "segments", "source", "reviewer", "reviewed_on", "review_due_on", "hash"}


class ContentError(Exception):
    """A pack that cannot be used: says the file, the entry, the key, and the mend."""


@dataclass(frozen=True)
class Entry:
    """One message of a pack. `segments`: the most SMS segments that it may take when filled in."""

    key: str
    lang: str
    text: str
    segments: int
    source: str | None = None
    reviewer: str | None = None
    reviewed_on: date | None = None
    review_due_on: date | None = None
    hash: str | None = None

    def standing(self, today):
        """`unsigned`, `edited` (since it was signed), `overdue` (signed, review due before `today`) or `signed`."""
        if not (self.reviewer and self.reviewed_on and self.hash):
            return "unsigned"
        if self.hash != digest(self.text):
            return "edited"
        return "overdue" if self.review_due_on and self.review_due_on < today else "signed"


def digest(text):
    """The hash that a signature stands on: SHA-256 of the text, first 16 hex digits."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def parse(raw, file):
    """Entries of one pack by key. ContentError for an unknown key, a missing text or a bad number."""
    entries = {}
    for key, row in raw["entries"].items():
        unknown = set(row) - KEYS
        if unknown:
            raise ContentError(f"{file}: {key}: unknown key {sorted(unknown)[0]}; known: {', '.join(sorted(KEYS))}")
        if not isinstance(row.get("text"), str) or not isinstance(row.get("segments"), int):
            raise ContentError(f"{file}: {key}: needs `text` (words) and `segments` (a whole number)")
        entries[key] = Entry(key=key, lang=raw["lang"], **row)
    return entries


@cache
def pack(lang):
    """The pack of one language, by entry key. English holds every key; another language those that patients read."""
    file = HERE / f"{lang}.yaml"
    return parse(yaml.safe_load(file.read_text(encoding="utf-8")), file.name)


def entry(key, lang):
    """The entry in this language, in English where the language has none (texts to nurses)."""
    return pack(lang).get(key) or pack("en")[key]


def placeholders(text):
    """Names of the {placeholders} in a text."""
    return set(re.findall(r"{(\w+)}", text))


def render(key, lang, practice, **values):
    """The text of an entry with the practice's numbers and the given values filled in. KeyError names a gap."""
    fixed = {
        "practice": practice.name,
        "emergency": practice.emergency_number,
        "crisis": practice.crisis_line,
        "number": spoken(practice.practice_number),
        "fallback": spoken(practice.fallback_number),
    }
    return entry(key, lang).text.format_map({**fixed, **values})


def may_send(key, lang, practice, today):
    """May this entry go to a patient? Advice only when signed, or where the practice runs a trial on the sample."""
    if not key.startswith("advice."):
        return True
    return practice.unsigned_content or entry(key, lang).standing(today) in ("signed", "overdue")


def spoken(number):
    """A North American number as people write it (+13125550100 as 312-555-0100); any other as it is."""
    match = re.fullmatch(r"\+1(\d{3})(\d{3})(\d{4})", number)
    return "-".join(match.groups()) if match else number
