"""What a reading leaves unexplained: then what it read is asked back, not written down."""

import re

CLOCK = re.compile(r" t(?:\d{4}|[?])")
ASIDE = re.compile(r" (?:SORE|LOST|OTHERTIME|SAME|ASKS|WILL|ORDERED) ")  # a site of a complaint, of another day, of a plan
UNSURE = re.compile(r" (?:UNSURE|(?:i|we|yo) (?:think|thought|believe)|creo|crei|supongo|parece|me suena|adivino|quien sabe) ")
TOLD = {"started_local": r" START .*\d| TO .*t\d", "ended_local": r" (?:END|TO) .*\d| t\d", "minutes": r" s\d", "lots": r" L\d",
        "volume_ml": r" \d+(?:\.\d+)?w? ML ", "sites": r" (?:belly|thigh|arm|hip|flank|back|buttock)S? "}


def of_times(rest):
    """Is a clock time left on the line from which the start and the end were taken?"""
    return bool(CLOCK.search(rest))


def of_sites(places, words, count, order_sites):
    """Are there more sites than the line counts or the order has, or others where the line speaks of more than this dose?"""
    many, most = len(places), count or order_sites
    return bool(many and most and (many > most or many != most and ASIDE.search(words)))


def unsure(words):
    """The fields that a line tells in a part of a sentence that says it is not sure, or just before such a part."""
    parts, before, found = re.split(r" ((?:[|,]|but|pero)) ", words), "", []
    for part, stop in zip(parts[::2], ["|", *parts[1::2]]):
        part = f" {part} "
        fields = [field for field, value in TOLD.items() if re.search(value, part)]
        if not fields and stop != "|":
            fields = [field for field, value in TOLD.items() if re.search(value, before)]
        if UNSURE.search(part):
            found += fields
        before = part
    return found
