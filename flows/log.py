"""What a text tells about a dose: mL, sites, times, minutes, lots. Only what is plainly said; nothing is guessed.

A text becomes a line of plain words (`flows.lexicon`); lots (`flows.lot`), clock times and spans (`flows.span`), mL
(`flows.volume`) and sites (`flows.site`) are each found in that line and taken out of it.
"""

import re
from dataclasses import dataclass, replace

from flows import lot as lot_numbers
from flows import amount, doubt, noise, site, span, volume
from flows.lexicon import line, pieces
from flows.lot import Lot
from flows.site import problem_sites, sites  # noqa: F401  they are asked for here

BARE_LOT = re.compile(r"(?<![\w:.,/-])(?=[\w-]{4,})[a-z]{0,5}-?\d[\w-]*(?![\w:/])", re.IGNORECASE)
SUPPLY = re.compile(r" (?:need|order|delivery|box|boxes|cajas?|farmacia|pharmacy|refill|ship\w*|me LEFTOVER|supplies|mandar\w*|"
                    r"mande\w*|enviar\w*|"
                    r"VIAL left|running low) ")
COUNTED_AFTER = re.compile(r" SITE (?::|=) (\d\d?)w?(?= [|,])")
COUNTED = re.compile(r" (?:ALL )?(\d\d?)w? (?:(?:infusion|different|diferentes|distintos|separate|total|the|of|OF|my|ALL|TOTAL|x|"
                     r"good|usual) )?(?:SITE(?! [?])|NEEDLE(?! (?:sets?|[|] Ya|y la)))(?= )(?! (?:infection|ready|kit|left|changed|SORE|"
                     r"instead|a week|en la caja|in the box))")
RUNNING = re.compile(r" (?:still running|still dripping|still infusing|running slow|le LEFTOVER|todavia LEFTOVER|llevo|llevamos|"
                     r"lleva|going slow|not END|so slow today|still going|so far|halfway|half way|sigue corriendo|todavia corriendo|"
                     r"todavia pasando|voy|van como|va la|sigo conectad[oa]|van|"
                     r"running now|todavia le falta|infusing now|in progress|hasta ahora|TO go) ")


@dataclass(frozen=True)
class Facts:
    """What one text says of a dose. None, False or () means that it does not say.

    volume_ml: mL that went in. whole: the full dose went in, told without its number. not_given_ml: mL left over, leaked or
    lost. sites: "left belly", "lower right thigh" (a side only when one is named), in the order told. site_count: how many
    sites, when only that is told. started_local, ended_local: "HH:MM", see `flows.span.resolved`. minutes: how long it took.
    lots: see `Lot`. same: the sites of the time before. doubtful: the fields told that must be asked back; they are None here.
    unlikely_ml: a volume in doubt because the order cannot mean it.
    """

    volume_ml: float | None = None
    whole: bool = False
    not_given_ml: float | None = None
    sites: tuple[str, ...] = ()
    site_count: int | None = None
    started_local: str | None = None
    ended_local: str | None = None
    minutes: int | None = None
    lots: tuple[Lot, ...] = ()
    same: bool = False
    doubtful: tuple[str, ...] = ()
    unlikely_ml: float | None = None

    @property
    def any(self):
        """Does the text say anything of a dose?"""
        return replace(self, same=False, doubtful=tuple(field for field in self.doubtful if field != "sites")) != Facts()


SLASHED = re.compile(r"(\b(?:lot|lote|batch)\b[\s.:#]{0,3})([A-Za-z0-9-]{1,12})/([A-Za-z0-9-]{1,8})(?![\w/])", re.IGNORECASE)
FIELDS = ("volume_ml", "whole", "sites", "site_count", "started_local", "ended_local", "minutes", "lots")


def facts(text, order=None, now_local=None):
    """The facts of a text. Never raises on a string.

    order: anything with `volume_ml` and `sites`, to judge volumes by. now_local: the patient's wall clock "HH:MM"; times
    are the latest past ones then.
    """
    order_ml, order_sites = (order.volume_ml, order.sites) if order else (None, None)
    text, slashed = _whole_lots(text)
    found, named_lots, unread = _lots(text)
    words = _corrected(span.marked(noise.without(line(found))))
    doubtful = []
    started, ended, rest = span.clocks(words)
    started, ended, unsure = span.resolved(started, ended, now_local, words)
    doubtful += unsure
    if (started or ended) and doubt.of_times(rest):
        doubtful += ["started_local"] * bool(started) + ["ended_local"] * bool(ended)
        started = ended = None
    minutes, vague = span.minutes(rest)
    runs = bool(RUNNING.search(line(found)))
    if runs:
        minutes, vague = None, False
    if minutes is None and not started and not ended and re.search(r" [|,/] t0[1-3]\d\d [|,/]", rest):
        vague = True  # "1:50" alone may be either
    if started and ended and minutes and abs(_between(started, ended) - minutes) > 15:
        doubtful += ["started_local", "ended_local"]
        started, ended, minutes, vague = None, None, None, True
    doubtful += ["minutes"] * vague
    lots, lot_ml = lot_numbers.amounts(amount.marked(rest, order_ml), named_lots)
    places, unsure = site.told(rest, order_sites)
    count = None if SUPPLY.search(rest) else COUNTED.search(rest) or COUNTED_AFTER.search(rest)
    count = int(count[1]) if count and (1 < int(count[1]) < 13 or " 1 SITE " in rest) else None
    unsure = unsure or doubt.of_sites(places, words, count, order_sites)
    doubtful += ["sites"] * unsure
    read = volume.read(rest, order_ml, order_sites, count, len(places), lots, lot_ml)
    whole = read.ml is None and not read.asked and read.not_given_ml is None and _whole(rest)
    if runs and (read.ml or read.asked):
        read = read._replace(ml=None, asked=True)
    if read.asked:
        doubtful.append("volume_ml")
    if unread:
        doubtful.append("lots")
    if read.asked or read.ml and sum(lot.ml or 0 for lot in lots) != read.ml:
        lots = [Lot(lot.lot) for lot in lots]  # mL of the lots that do not come to the total
    found = Facts(
        volume_ml=read.ml, whole=whole, not_given_ml=read.not_given_ml, sites=() if unsure else places,
        site_count=None if places else count,
        started_local=started, ended_local=ended, minutes=minutes, lots=() if unread else tuple(lots), same=" SAME " in rest,
        doubtful=tuple(dict.fromkeys(doubtful)), unlikely_ml=read.told,
    )
    if slashed:
        found = replace(found, lots=tuple(lot._replace(lot=slashed.get(lot.lot, lot.lot)) for lot in found.lots))
    told = (read.ml or whole or read.not_given_ml, places or count, started or ended, minutes, lots)
    return _asked(found, FIELDS if doubt.of_all(words, sum(map(bool, told))) else doubt.unsure(words))


def _whole_lots(text):
    """The text with a hyphen for the stroke inside each lot number ("lot AB-12/34"), and {the number so: as typed}."""
    as_typed = {}

    def joined(match):
        as_typed[f"{match[2]}-{match[3]}"] = f"{match[2]}/{match[3]}"
        return f"{match[1]}{match[2]}-{match[3]}"
    return SLASHED.sub(joined, text), as_typed


def _asked(found, fields):
    """The facts with these fields, where they were told, in doubt."""
    none = Facts()
    fields = [field for field in fields if getattr(found, field) != getattr(none, field)]
    return replace(found, **{field: getattr(none, field) for field in fields}, doubtful=tuple(dict.fromkeys((*found.doubtful, *fields))))


def lots_answered(text):
    """The lots of an answer to the question for them, with or without the word "lot". Numbers of one to three characters
    are none."""
    told = facts(text).lots
    without = re.sub(r"\d+(?:[.,]\d+)?\s?(?:mls?|cc)\b", " ", text, flags=re.IGNORECASE)
    return told or tuple(Lot(number) for number in dict.fromkeys(BARE_LOT.findall(without)))


def lone_number(text):
    """The one number in an answer about mL ("40 thighs", "forty"), or None when there is none, several or one for each site."""
    found, *_ = _lots(text)
    words = span.clocks(_corrected(span.marked(noise.without(line(found)))))[2]
    numbers = re.findall(r" (\d{1,4}(?:\.\d+)?)w?(?: ML)?(?= )", words)
    if len(numbers) != 1 or re.search(r" (?:EACH|LEFTOVER|LOST|ALLBUT|NOT|OR|HEDGE) ", words):
        return None
    return float(numbers[0])


def _lots(text):
    found = pieces(text)
    lots, out, asked = lot_numbers.taken_out(found)
    unread = asked and (bool(lot_numbers.UNREADABLE.search(text.lower())) or lot_numbers.in_doubt(line(out)))
    return out, lots, unread


def _between(started, ended):
    return (span.minute_of(ended) - span.minute_of(started)) % 1440


VALUE = r"(?:t\d{4}[apx]?\??|s\d+\??|\d{1,4}(?:\.\d+)?w?(?: ML)?(?! (?:SITE|NEEDLE|VIAL)))"


def _corrected(words):
    """ "40 no wait 38": the later counts. A number that is taken back gives way to the one that follows it."""
    pattern = re.compile(rf" ({VALUE})((?: (?!CORR|t\d|s\d|\d)\S+| \d+w? (?:SITE|NEEDLE|VIAL)){{0,7}}? CORR(?: CORR)?(?: (?!t\d|s\d|"
                         rf"\d)\S+){{0,4}}?) ({VALUE})(?= )")
    words = re.sub(rf" (?:not|NOT)(?: the)? (?:s\d+|t\d{{4}}[apx]?)(?= )", " x", words)
    for _ in range(4):
        found = pattern.search(words)
        if not found:
            return words
        first, _, second = found.groups()
        if _kind(first) == _kind(second) or "number" in (_kind(first), _kind(second)):
            if _kind(second) == "number" and _kind(first) == "ML":
                second += " ML"
            elif _kind(second) == "number" and _kind(first) == "time" and float(second.rstrip("w")) < 25:
                second = span._t(second.rstrip("w"), 0)
            elif _kind(second) == "number" and _kind(first) == "span":
                second = f"s{float(second.rstrip('w')):.0f}"
            words = f"{words[:found.start()]} {second}{words[found.end():]}"
        else:
            words = words[:found.start(2)] + found[2].replace("CORR", "corr") + words[found.start(3) - 1:]
    return words


def _kind(value):
    return {"t": "time", "s": "span"}.get(value[0], "ML" if value.endswith("ML") else "number")


WENT_IN = (r"(?:\d+w? VIAL (?:went|are|entraron|done|empty|END)|went(?= (?:in|[|,]))|in|adentro|entro|paso|got|entraron|was|OF it|"
           r"the dose|the medicine|"
           r"la medicina|pasaron)")
DOSE = re.compile(r" (?:went|in|entro|paso|puse|got|put|dose|dosis|END|TOOK|s\d+|fue|entraron|infused|medicine|medicina|ALL|TIME) ")
NOT_WHOLE = re.compile(r" (?:PARTLY|ALLBUT|BUT|LEFTOVER|WILL) | (?:NOT|not|no|didnt|couldnt|nunca)(?: \S+){0,3} (?:WHOLE|ALL) ")
WHOLE = re.compile(rf" WHOLE | ALL {WENT_IN}(?= )(?! (?:good|fine|well|ok))| (?:entro|paso|se fue|went|got|fue|meti) ALL ")


def _whole(words):
    """Does it say that the full dose went in, without its number?"""
    parts = [f" {part} " for part in re.split(r" [|] ", words)]
    calm = [part for part in parts if not re.search(r" (?:SORE|LOST|gone|negro|gray|black|numb) ", part)]
    words = " | ".join(part for part in calm if len(part.split()) <= 6 or DOSE.search(part))
    return not NOT_WHOLE.search(words) and bool(WHOLE.search(words))
