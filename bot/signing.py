"""Signing an entry of a pack: reviewer, dates and the hash of the very text, written into the pack's own file."""

from datetime import date
from pathlib import Path

from ruamel.yaml import YAML

from flows import content


def sign(file, key, reviewer, on, due_on):
    """Sign one entry of a pack file; the text that was signed. Comments and every other entry stay as they are.

    ContentError when there is no such entry, no reviewer, or a review due before the signature.
    """
    if not reviewer.strip():
        raise content.ContentError(f"{file}: {key}: a signature needs the reviewer's name; give it with --by")
    if due_on <= on:
        raise content.ContentError(f"{file}: {key}: review due {due_on} is not after {on}; give a later --due")
    yaml = YAML()
    yaml.width = 10_000  # never fold a text anew
    yaml.preserve_quotes = True
    path = Path(file)
    tree = yaml.load(path.read_text(encoding="utf-8"))
    entry = tree["entries"].get(key)
    if entry is None:
        raise content.ContentError(f"{file}: there is no entry {key!r}; `ebbline content show` lists them")
    entry["reviewer"], entry["reviewed_on"], entry["review_due_on"] = reviewer.strip(), on, due_on
    entry["hash"] = content.digest(str(entry["text"]))
    half = path.with_suffix(".new")
    with half.open("w", encoding="utf-8") as out:
        yaml.dump(tree, out)
    half.replace(path)  # at once: a pack is never half-written
    content.pack.cache_clear()
    return str(entry["text"])


def years_later(on, years=1):
    """The same day so many years later (28 February for 29)."""
    return date(on.year + years, on.month, min(on.day, 28) if on.month == 2 else on.day)
