"""What a text tells about a dose: mL, sites, times, minutes, lots. Only what is plainly said; nothing is guessed."""

import re
from dataclasses import dataclass

from flows.text import norm

AREAS = {
    "belly": "belly tummy stomach abdomen abdominal barriga panza abdomen vientre estomago",
    "thigh": "thigh thighs leg legs muslo muslos pierna piernas",
    "arm": "arm arms brazo brazos", "hip": "hip hips cadera caderas", "flank": "flank flanks costado",
    "back": "back espalda", "buttock": "buttock buttocks butt nalga nalgas",
}
AREA_OF = {word: area for area, words in AREAS.items() for word in words.split()}
SIDES = {"left": "left l lt izquierdo izquierda izq", "right": "right r rt derecho derecha der"}
SIDE_OF = {word: side for side, words in SIDES.items() for word in words.split()}
BOTH = {"both", "ambos", "ambas"}
BEFORE_BACK = {"my", "upper", "lower", "left", "right", "the", "her", "his"}  # "back home" is no site
LEVELS = {"upper": "upper", "lower": "lower", "inner": "inner", "outer": "outer"}
VOLUME = re.compile(r"(?<![\d.,:])(\d{1,4}(?:[.,]\d{1,2})?)\s*(?:mls?|cc|milli?lit\w*|mililitros?)\b", re.IGNORECASE)
LOT = re.compile(r"\b(?:lots?|lotes?|batch)\s*(?:no|num|number|#|nr)?[\s.:#]*((?:[a-z]*\d[\w-]*)(?:\s*(?:,|and|y|&|\+)\s*(?:[a-z]*\d[\w-]*))*)",
                 re.IGNORECASE)
BARE_LOT = re.compile(r"(?<![\w:.,/-])(?=[\w-]{4,})[a-z]{0,5}-?\d[\w-]*(?![\w:/])", re.IGNORECASE)
HOURS = re.compile(r"(?<![\d:])(\d{1,2})\s*(?:h|hrs?|hours?|horas?)\s*(?:and|y)?\s*(\d{1,2})?\s*(?:m|min\w*)?\b", re.IGNORECASE)
MINUTES = re.compile(r"(?<![\d:])(\d{1,3})\s*(?:m|mins?|minutes?|minutos?)\b(?!\s*(?:ago|left|more))", re.IGNORECASE)
HOURS_IN_WORDS = (  # the first that fits
    (re.compile(r"\bhalf an? hour\b|\bmedia hora\b", re.IGNORECASE), 30),
    (re.compile(r"\b(an|one|una) (hour|hora) (and a half|y media)\b|\bhora y media\b", re.IGNORECASE), 90),
    (re.compile(r"\b(two|dos) (hours?|horas?) (and a half|y media)\b", re.IGNORECASE), 150),
    (re.compile(r"\b(an|one|una) (hour|hora)\b", re.IGNORECASE), 60),
    (re.compile(r"\b(two|dos) (hours|horas)\b", re.IGNORECASE), 120),
    (re.compile(r"\b(three|tres) (hours|horas)\b", re.IGNORECASE), 180),
)
CLOCK = r"(\d{1,2})(?::(\d{2}))?\s*([ap])?\.?m?\.?"
STARTED_ENDED = re.compile(rf"\b(?:start\w*|began|empe\w*|comen\w*)\s+(?:at\s+|a\s+las?\s+)?{CLOCK}\W.*?\b(?:finish\w*|end\w*|done|stop\w*|"
                           rf"termin\w*|acab\w*)\s+(?:at\s+|a\s+las?\s+)?{CLOCK}(?![\w:])", re.IGNORECASE)
AGO = re.compile(r"\b(ago|left|more|hace|quedan?|falta)\b", re.IGNORECASE)
LASTED = re.compile(r"\b(took|lasted|ran|for|duro|tardo|fueron)\s+(me\s+)?(about\s+|like\s+|unos\s+|como\s+)?$", re.IGNORECASE)
# mL that did not go in, and "35 of 40 mL"
NOT_GIVEN = re.compile(r"\d{1,4}(?:[.,]\d{1,2})?\s*(?:mls?|cc)\s*(?:(?:are|is|was|were)\s+)?(?:left (?:in|over)|left\s*$|remain\w*|short|leaked|lost|spilled|"
                       r"wasted|quedaron|sobraron|se perdi\w*)|\b(?:left|but|except|menos|lost|leaked)\s+(?:about\s+)?\d{1,4}(?:[.,]\d{1,2})?\s*(?:mls?|cc)\b",
                       re.IGNORECASE)
PART = re.compile(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*(?:mls?\s*)?(?:of|out of|de)\s+(?:the\s+)?\d{1,4}\s*(?:mls?|cc)\b", re.IGNORECASE)
SPAN = re.compile(rf"\b(?:from|de|desde)?\s*(?:las?\s+)?{CLOCK}\s*(?:to|til+|until|-|a|hasta)\s*(?:las?\s+)?{CLOCK}(?![\w:])", re.IGNORECASE)
CLAUSE_END = re.compile(r"[,;.!?\n]+|\b(?:and|but|also|plus|y|e|pero|tambien|también)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Facts:
    """What one text says of a dose. None or () means that it does not say.

    volume_ml: mL. sites: "left belly", "thigh" (a side only when one is named), in the order told. started_local and
    ended_local: "HH:MM" as told, on a 24-hour clock when it is plain, else as written on a 12-hour one. minutes: how long
    it took. lots: lot numbers as typed.
    """

    volume_ml: float | None = None
    sites: tuple[str, ...] = ()
    started_local: str | None = None
    ended_local: str | None = None
    minutes: int | None = None
    lots: tuple[str, ...] = ()

    @property
    def any(self):
        """Does the text say anything of a dose?"""
        return self != Facts()


def facts(text):
    """The facts of a text. Never raises on a string. Two different volumes are no volume: it is asked back."""
    part = PART.search(text)
    given = NOT_GIVEN.sub(" ", PART.sub(r"\1 mL", text))
    told = [float(found.replace(",", ".")) for found in VOLUME.findall(given)]
    volumes = set(told)
    if len(told) > 1 and len(told) == len(sites(VOLUME.sub(" ", given))) and not part:
        volumes = {sum(told)}  # "20 mL left thigh and 20 mL right thigh"
    elif re.search(r"\b(each|apiece|per site|a site|cada|c/u|por sitio)\b", text, re.IGNORECASE):
        count = len(sites(VOLUME.sub(" ", text)))
        volumes = {volume * count for volume in volumes} if count > 1 else set()
    lots = tuple(lot for found in LOT.findall(text) for lot in re.split(r"\s*(?:,|&|\+|\band\b|\by\b)\s*", found) if lot)
    bare = LOT.sub(" ", VOLUME.sub(" ", text))
    span = SPAN.search(bare)
    started = ended = None
    apart = STARTED_ENDED.search(bare)
    if apart:
        started, ended = _clock(apart[1], apart[2], apart[3] or apart[6]), _clock(apart[4], apart[5], apart[6] or apart[3])
    elif span and int(span[1]) < 24 and int(span[4]) < 24:
        half = span[6] or span[3]
        started, ended = _clock(span[1], span[2], span[3] or half), _clock(span[4], span[5], half)
    return Facts(
        volume_ml=volumes.pop() if len(volumes) == 1 else None, sites=sites(bare), started_local=started, ended_local=ended,
        minutes=_minutes(bare), lots=lots,
    )


def lots_answered(text):
    """The lot numbers of an answer to the question for them, with or without the word "lot". Numbers of one to three
    characters are none."""
    return facts(text).lots or tuple(dict.fromkeys(BARE_LOT.findall(VOLUME.sub(" ", text))))


def _clock(hour, minute, half):
    hour = int(hour) % 12 + 12 * (half.lower() == "p") if half else int(hour)
    return f"{hour:02d}:{minute or '00'}"


def _minutes(text):
    """Minutes of "1h50", "2 hours", "65 min"; but "in 2 hours" is a time to come."""
    if re.search(r"\b(in|en)\s+(about\s+)?\d", text, re.IGNORECASE):
        return None
    hours = HOURS.search(text)
    if hours:
        return int(hours[1]) * 60 + int(hours[2] or 0)
    found, minutes = next(((found, minutes) for pattern, minutes in HOURS_IN_WORDS if (found := pattern.search(text))), (None, 0))
    if found:
        return minutes if LASTED.search(text[:found.start()]) or len(text.split()) <= 6 and not AGO.search(text) else None
    found = MINUTES.search(text)
    plain = found and (LASTED.search(text[:found.start()]) or len(text.split()) <= 3)
    return int(found[1]) if plain and int(found[1]) > 0 else None


def sites(text):
    """Sites that a text names, as "left belly" or "thigh". "both thighs" are two; "left and right belly" too."""
    text = re.sub(r"\b(all right|alright|right (now|away|after|before|then|on)|left over|leftover|(i|we|just) left|(\d|min\w*|ml|cc) left)\b|"
                  r"\b(not|no)\s+(the\s+|la\s+|el\s+)?\w+$|\bnot (the )?\w+", " ", text, flags=re.IGNORECASE)
    words = [norm(word) for word in re.findall(r"[^\W\d_]+", text)]
    found, sides, area, place = [], [], None, 0
    while place < len(words):
        word = words[place]
        if word in BOTH:
            sides = ["left", "right"]
        elif word in SIDE_OF and (len(word) > 1 or _area_near(words, place)):
            sides.append(SIDE_OF[word])
        elif word in AREA_OF and (word != "back" or words[max(place - 1, 0)] in BEFORE_BACK):
            area = AREA_OF[word]
            while not sides and place + 1 < len(words) and words[place + 1] in SIDE_OF:
                place += 1
                sides = [SIDE_OF[words[place]]]  # "belly left", "muslo izquierdo"
            level = next((LEVELS[w] for w in words[max(place - 2, 0):place] if w in LEVELS), "")
            found += [" ".join(filter(None, (level, side, area))) for side in sides or [""]]
            sides = []
        place += 1
    # "muslo izquierdo y derecho"; a side without any area is a side
    if area or sides != ["left", "right"] or not BOTH & set(words):  # "both done" names no site
        found += [f"{side} {area or 'side'}" for side in sides]
    # "both thighs, left and right thigh" names the thigh once more without a side
    return tuple(site for site in dict.fromkeys(found) if not any(site != other and other.endswith(f" {site}") for other in found))


def problem_sites(text, places):
    """Where each problem of a text is: {problem: sites}, for the problems and the offsets of their words in `places`.

    A problem has the sites of its own clause; else those told just before it ("my belly is red and itchy"); else the next
    ones ("red and itchy on my belly"). "the right one" is on the area told before.
    """
    groups = []  # [problems, start, end], in the order of the text; a clause without a problem goes with the one before
    for start, end in _clauses(text):
        told = [problem for problem, place in places.items() if start <= place < end]
        if groups and not told:
            groups[-1][2] = end
        else:
            groups.append([told, start, end])
    named, area, found = [], "", {}
    for told, start, end in groups:
        own = sites(text[start:end])
        if area:
            own = tuple(re.sub(r"\bside$", area, site) for site in own)
        area = next((site.split()[-1] for site in own if not site.endswith("side")), area)
        named.append((told, own))
    for place, (told, own) in enumerate(named):
        before = next((there for _, there in reversed(named[:place]) if there), ())
        after = next((there for _, there in named[place + 1:] if there), ())
        found.update((problem, own or before or after) for problem in told)
    return found


def _clauses(text):
    """(start, end) of the clauses of a text: cut at stops and at "and", "but"; not in "left and right belly"."""
    start = 0
    for cut in CLAUSE_END.finditer(text):
        words = re.findall(r"[^\W\d_]+", text[start:cut.start()])
        if not words or norm(words[-1]) not in SIDE_OF:
            yield start, cut.end()
            start = cut.end()
    yield start, len(text)


def _area_near(words, place):
    return any(word in AREA_OF for word in words[place + 1:place + 3])
