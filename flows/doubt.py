"""What a reading leaves unexplained: then what it read is asked back, not written down."""

import re

CLOCK = re.compile(r" t(?:\d{4}|[?])")
ASIDE = re.compile(r" (?:SORE|LOST|OTHERTIME|SAME|ASKS|WILL|ORDERED) ")  # a site of a complaint, of another day, of a plan
UNSURE = re.compile(r" (?:UNSURE|(?:i|we|yo) (?:think|thought|believe)|creo|crei|supongo|parece|me suena|adivino|quien sabe) ")
TOLD = {"started_local": r" (?:START|FROM) [^|,]*t\d", "ended_local": r" t\d", "minutes": r" s\d", "lots": r" L\d",
        "volume_ml": r" \d+(?:\.\d+)?w? ML ", "sites": r" (?:belly|thigh|arm|hip|flank|back|buttock)S? "}


def of_times(rest):
    """Is a clock time left on the line from which the start and the end were taken?"""
    return bool(CLOCK.search(rest))


def of_sites(places, words, order_sites):
    """Are there more sites than ordered, or others than ordered where the line speaks of more than this dose?"""
    many = len(places)
    return bool(many and order_sites and (many > order_sites or many != order_sites and ASIDE.search(words)))


def unsure(words):
    """The fields that a line tells in a part of a sentence that says it is not sure."""
    parts = [f" {part} " for part in re.split(r" (?:[|]|but|pero) ", words)]
    return [field for field, value in TOLD.items() for part in parts if UNSURE.search(part) and re.search(value, part)]
