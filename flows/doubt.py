"""What a reading leaves unexplained: then what it read is asked back, not written down."""

import re

from flows.span import BUSY

SIDE = re.compile(r" (left|right|BOTH(?! (?:VIAL|LOT|L\d|[|,]))|EACH side|l|r)(?= )")
FAILED = re.compile(r" (?:wouldnt|quit|clogged|clog|blocked|occlu\w*|kinked|fell out|tapo|tapada|pulled that|no quiso|no corria) ")
POSITION = re.compile(r" (?:tops?|low|high|below|above|beneath|under|near|ant|anterior|post|posterior|lat|lateral|medial|middle|debajo|"
                      r"encima|bajito|abajito|arribita|delante|frente|atras|medio) ")
NOT_YET = re.compile(r" (?:WILL|ORDERED|ASKS|asks|[?]|cant|reschedule|loaded|postpone|on it now|tomorrow|manana|luego) ")
STRANGE = re.compile(r" (?!(?:belly|thigh|arm|hip|flank|back|buttock|left|right|upper|lower|inner|outer|the|los|las|and|con|for|"
                     r"por) )[a-z]{3,}(?= )")
DONE = re.compile(r" (?:END|TOOK|WHOLE|went|got|entro|entraron|puse|did|infused|gave|fue|fueron|s\d+) ")
DOSE = re.compile(r" (?:START|END|infus\w*|dose|dosis|pump|bomba|ran|ML|SITE|NEEDLE) ")
CLOCK = re.compile(r" t(?:\d{4}|[?])")
ASIDE = re.compile(r" (?:SORE|LOST|OTHERTIME|SAME|ASKS|WILL|ORDERED) ")  # a site of a complaint, of another day, of a plan
UNSURE = re.compile(r" (?:UNSURE|(?:i|we|yo) (?:think|thought|believe)|creo|crei|supongo|parece|me suena|adivino|quien sabe|"
                    r"forgot|lost track|asleep|dormid[oa]|guess\w*|suppose|supposedly|hmm+|must|(?:didnt|didn t) (?:look|check|see|time|write)|"
                    r"olvid\w+|no (?:vi|me fije|mire|apunte|anote)|confus\w+) ")
TOLD = {"started_local": r" START .*\d| TO .*t\d", "ended_local": r" (?:END|TO) .*\d| t\d", "minutes": r" s\d", "lots": r" L\d",
        "volume_ml": r" \d+(?:\.\d+)?w? (?!SITE|NEEDLE|VIAL)", "sites": r" (?:belly|thigh|arm|hip|flank|back|buttock)S? "}


def of_times(rest):
    """Is a clock time left on the line from which the start and the end were taken, or were they of something else?"""
    parts = [f" {part} " for part in re.split(r" [|] ", rest)]
    return bool(CLOCK.search(rest)) or any(" TIME " in part and BUSY.search(part) and not DOSE.search(part) for part in parts)


def of_all(words, groups):
    """Is it no report: a plan or a question with no word of a dose that went in, or much talk with one fact (`groups`) in it?"""
    if DONE.search(words):
        return False
    return bool(NOT_YET.search(words)) or groups == 1 and len(STRANGE.findall(words)) > 4


def of_sites(places, words, count, order_sites):
    """Are there more sites than the line counts or the order has, others where it speaks of more than this dose, or a side
    or a place of one that none of the sites has?"""
    many, most = len(places), count or order_sites
    if not many:
        return False
    if most and (many > most or many != most and ASIDE.search(words)) or FAILED.search(words) or POSITION.search(words):
        return True
    told = {word for site in places for word in site.split()}
    sided = sum("left" in site or "right" in site for site in places)
    levels = set(re.findall(r" (upper|lower|inner|outer)(?= )", words))
    return not levels <= told or sided < many and bool(SIDE.search(words) and (sided == 0 or sum(2 if "BOTH" in side else 1 for side in SIDE.findall(words)) > sided))



def unsure(words):
    """The fields that a line tells in a part of a sentence that says it is not sure, or just before such a part."""
    parts, before, found = re.split(r" ((?:[|,]|but|pero)) ", words), "", []
    for part in parts[::2]:
        part = f" {part} "
        fields = [field for field, value in TOLD.items() if re.search(value, part)]
        if not fields:
            fields = [field for field, value in TOLD.items() if re.search(value, before)]
        if UNSURE.search(part):
            found += fields
        before = part
    return found
