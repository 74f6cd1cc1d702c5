"""Advice on a complication: what a nurse would ask first, and the numbers of the patient's own order for the fixed text.

At most two questions, none whose answer is on record. Nothing here proposes a change: what would need an order is the nurse's
(`flows.picture`).
"""

import json
import re
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from statistics import median

from flows import log
from flows.phrases import clock_words, number_words, sites_words

NEEDS = {  # complaint: what must be known before its advice, in the order asked
    "site_leak": ("site", "amount"), "site_swelling": ("site", "since"), "site_itch": ("site", "since"), "site_pain": ("site", "since"),
    "needle_pain": ("site",), "slow": ("start",), "blood_before": ("needle",), "blood_after": (),
}
QUESTIONS = {  # what is missing: the entry that asks for it
    ("site", "amount"): "detail.site_amount", ("site", "since"): "detail.site_since", ("site",): "detail.site", ("amount",): "detail.amount",
    ("since",): "detail.since", ("needle",): "detail.needle", ("start",): "detail.start",
}
CHOICES = {"amount": {1: "drops", 2: "more"}, "needle": {1: "before", 2: "running", 3: "out"}}
FRESH = timedelta(hours=24)       # a reaction at a dose that ended so lately began with it: its "since" is on record
LONG_DAYS = 2                     # a reaction older than this goes to a nurse (guide: past 48 h)
USUAL_DOSES, USUAL_LEAST = 5, 2   # the patient's usual time: the median of so many doses, from so many on
CALL_AFTER = 1.5                  # an infusion is stopped and called about after so many times its expected or usual time; design choice
CLEARLY_LONGER = 1.25             # a usual time this much over the order's is the one to wait for; design choice
MUCH = 0.1                        # a leak of this part of a site's mL is more than drops; design choice
AGAIN_OF, AGAIN = 4, 2            # the same trouble at so many of the last doses is a pattern (guide: "repeated leaks"); design choice
AGAIN_DAYS = 120                  # and older doses do not count

_NUMBER = r"\d{1,3}(?:[.,]\d)?"
_ML = re.compile(rf"({_NUMBER})\s*(?:mls?|cc)\b", re.IGNORECASE)
_NOT_MUCH = re.compile(r"\b(not|no|isn'?t|wasn'?t|nothing) (es |fue |era )?(too |very |that |a |muy |gran )?(much|lot|mucho|mucha|bad|big|bastante)\b|"
                       r"\bno more (leak\w*|comes?)\b", re.IGNORECASE)
_MORE = re.compile(r"\b(lots|(a|whole|what a) lot|alot|soak\w*|puddle\w*|pour\w*|most|half|all over|everywhere|stream\w*|drench\w*|gush\w*|much|more|tons?|plenty|"
                   r"quite a (bit|few|lot)|tablespoons?|cupfuls?|(a few|few|couple|several|some) (mls?|cc)|(not|isn'?t|more than) (just |only |a )?"
                   r"(few |couple |little |small )*(of )?(drops?|bit|little|small)|mucho|mucha|bastante|empap\w*|chorr\w*|mitad|casi todo|charco|mas|"
                   r"no (son|es|fueron|era) (solo )?(unas? |un )?(gota\w*|poco|poquito)|cucharad\w*)\b", re.IGNORECASE)
_DROPS = re.compile(r"\b(few|couple|tiny|little|small|bit|slight(?:ly)?|drops?|dribble|damp|spot|minor|barely|hardly|teaspoon|wet spot|moist|"
                    r"gotas?|gotitas?|poco|poquito|poquit\w*|leve|manchit\w*|humedo)\b", re.IGNORECASE)
_SINCE = re.compile(
    r"\b(since|(?:it |they )?(?:started|began)|for (?:the (?:last|past) |about |like |over |almost )*(?:\d+|an?|two|three|four|few|couple)|"
    r"(?:\d+|an?|one|two|three|four|few|couple(?: of)?|half an) ?(?:min\w*|hours?|hrs?|h|days?|weeks?)(?: ago)?|yesterday|last night|this (?:morning|"
    r"afternoon|evening)|today|tonight|just (?:now|started|noticed)|right (?:away|after)|now|desde|hace|ayer|anoche|esta manana|hoy|recien|"
    r"ahorita|ahora|enseguida|\d+ (?:minutos?|horas?|dias?|semanas?)|un(?:a|os|as)? (?:horas?|dias?|minutos?|semanas?|rato))\b", re.IGNORECASE)
_DAYS = re.compile(r"\b(\d{1,2}|two|three|four|five|six|seven|several|dos|tres|cuatro|cinco|seis|siete|varios) (?:days?|dias)\b|"
                   r"\b(?:a|one|two|\d|una?|dos) (weeks?|semanas?)\b", re.IGNORECASE)
_COUNT = {"two": 2, "dos": 2, "three": 3, "tres": 3, "four": 4, "cuatro": 4, "five": 5, "cinco": 5, "six": 6, "seis": 6, "seven": 7,
          "siete": 7, "several": 3, "varios": 3}
_STILL_IN = re.compile(r"\b(not (?:yet )?out|isn'?t out|still in|is in|its in|in still|no esta (?:afuera|fuera)|sigue (?:puesta|adentro|dentro)|"
                       r"todavia (?:puesta|adentro|dentro)|no la (?:he )?(?:saque|sacado|quite))\b", re.IGNORECASE)
_NEEDLE = (  # the first that fits
    ("before", re.compile(r"\b(not (?:yet )?(?:start\w*|running|on)|haven'?t start\w*|didn'?t start\w*|before (?:i )?start\w*|pump (?:is )?off|"
                          r"(?:no|aun no|todavia no) (?:he |la |lo )*(?:empez\w*|empec\w*|prend\w*)|antes de (?:empezar|prender|arrancar)|apagada)\b", re.IGNORECASE)),
    ("out", re.compile(r"\b(out|removed?|took it|pulled|finished|done|afuera|fuera|saque|quite|termin\w*)\b", re.IGNORECASE)),
    ("running", re.compile(r"\b(running|going|started|pump (?:is )?on|corriendo|andando|prendida|pasando|empec\w*|empez\w*)\b", re.IGNORECASE)),
)
SEVERE = re.compile(r"\b(very|really|so|extremely|super|severe\w*|unbearabl\w*|excruciat\w*|terribl\w*|horribl\w*|muy|demasiado|mucho)\b.{0,18}?\b(pain\w*|hurts?|"
                    r"sore|hot|hard|duele|doler|dolor\w*|adolorid\w*|caliente|duro)\b|\b(hurts?|duele) (a lot|so (bad|much)|mucho|bastante)\b|"
                    r"\bhard as a rock\b|\bsize of (an? )?(orange|fist|baseball|grapefruit)\b", re.IGNORECASE)
CHANGE = re.compile(r"\b(turn(ing)? (it|the pump|the rate|the speed) up|turn up|speed (it|this) up|increase|raise the|faster rate|(add|use) (another|one more|a|more) "
                    r"(site|needle)s?|(different|other|bigger|smaller|longer|shorter) needles?|subir(le)?|aumentar(le)?|acelerar(la)?|mas rapido|otra aguja)\b",
                    re.IGNORECASE)
IN_THE_TUBE = re.compile(r"\b(blood\w*|sangre)\b.{0,40}?\b(tub\w*|lines?|hoses?|linea|manguera\w*|tubit\w*)\b|"
                         r"\b(tub\w*|lines?|linea|manguera\w*)\b.{0,25}?\b(blood\w*|sangre|red|roj[oa])\b", re.IGNORECASE)
REMOVED = re.compile(r"\b(took|take|taking|taken|pull\w*|remov\w*|came|coming|saqu\w*|sac\w*|quit\w*|retir\w*)\b.{0,25}?\b(out|off|needles?|agujas?)\b|"
                     r"\b(al|cuando|despues de) (sac\w*|quit\w*|retir\w*|saqu\w*)\b", re.IGNORECASE)
MENDED = re.compile(r"\b(new (?:needle|set|site|one)|another (?:needle|set|site|place|one)|changed (?:it|the|sites?|needles?)|start(?:ed)? over|redid|"
                    r"swapped|replaced|threw (?:it|that)|(?:otra|nueva) (?:aguja|vez)|aguja nueva|cambie|de nuevo)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Complaint:
    """A complaint that waits for its advice. None: not told and not on record.

    topic and detail are the reader's; asked: what was asked for; site: as in the record ("left belly"); amount: "drops" or
    "more"; since: the words told; days: so many days, when told; needle: "before" the pump started, "running" or "out"; start: the
    start of the dose is on record or was told.
    """

    topic: str
    detail: str | None = None
    asked: tuple[str, ...] = ()
    site: str | None = None
    amount: str | None = None
    since: str | None = None
    days: int | None = None
    needle: str | None = None
    start: bool | None = None

    def written(self):
        """As the store keeps it."""
        return json.dumps({name: value for name, value in asdict(self).items() if value not in (None, ())})


def complaint_of(written):
    """The `Complaint` that was `written`, or None for nothing."""
    if not written:
        return None
    found = json.loads(written)
    return Complaint(**{**found, "asked": tuple(found.get("asked", ()))})


def topic_of_blood(topic, text):
    """Blood in the tube is a matter of where the dose stands, unless the text says that the needle was taken out."""
    if topic not in ("blood_before", "blood_after") or not IN_THE_TUBE.search(text):
        return topic
    return "blood_after" if REMOVED.search(text) and not MENDED.search(text) else "blood_before"


def not_started(text):
    """Does a text say that the pump has not been started?"""
    return bool(_NEEDLE[0][1].search(text))


ANSWER_WORDS = set("""since i it they we was were started start began put in the a an at on my about around just now this that last morning night evening afternoon today
yesterday tonight ago hour hours hr hrs min mins minute minutes day days week drops drop few couple little bit more some only maybe left right both side sides belly
tummy stomach thigh thighs leg legs arm arms hip hips flank and one two three upper lower inner outer desde hace que lo la el los las me empece empezo puse ayer anoche hoy hora
horas minutos dia dias gotas gotitas poco poquito unas una un mas barriga panza muslo muslos pierna piernas brazo brazos izquierda izquierdo derecha derecho lado y de
am pm noon""".split())


def only_answers(text):
    """Does an answer say nothing but places, times and amounts? Then a doubt of the reader is about nothing."""
    words = re.findall(r"[^\W_]+", text.lower())
    return bool(words) and all(word in ANSWER_WORDS or any(map(str.isdigit, word)) for word in words)


def told(complaint, text, each_ml=None, choice=None):
    """The complaint with what a text tells of it. each_ml: mL per site of the order, for a leak told in mL. choice: a numbered answer
    to what was asked last."""
    changes = {}
    named = log.sites(text)
    if named and "site" in NEEDS.get(complaint.topic, ()):
        changes["site"] = ", ".join(named)
    if complaint.topic == "site_leak":
        changes["amount"] = _amount(text, each_ml, complaint.asked)
    since = _SINCE.search(text)
    if since and "since" in NEEDS.get(complaint.topic, ()):
        changes["since"], changes["days"] = since[0], _days(text)
    if complaint.topic in ("blood_before", "blood_after") and complaint.asked:
        inside = bool(_STILL_IN.search(text))
        changes["needle"] = next((where for where, words in _NEEDLE if words.search(text) and not (inside and where == "out")), None)
    last = complaint.asked[-1:]
    if last and choice in CHOICES.get(last[0], ()) and complaint.asked[-2:] != ("site", "amount"):  # that question has no numbers
        changes[last[0]] = CHOICES[last[0]][choice]
    return replace(complaint, **{name: value for name, value in changes.items() if value is not None})


def _amount(text, each_ml, asked=()):
    """"drops", "more" or None. Any mL of an answer are what leaked; of a report only those told as lost."""
    found = _ML.search(text)
    lost = log.facts(text).not_given_ml if not asked else float(found[1].replace(",", ".")) if found else None
    if lost is not None and each_ml and lost >= each_ml * MUCH:
        return "more"
    if _NOT_MUCH.search(text):
        return "drops"
    if _MORE.search(text):  # in doubt it is more
        return "more"
    return "drops" if _DROPS.search(text) or lost is not None else None


def _days(text):
    found = _DAYS.search(text)
    if not found:
        return None
    return 7 if found[2] else _COUNT.get(found[1].lower()) or int(found[1])


def on_record(complaint, patient, infusion, state, now):
    """The complaint with what the record knows: the only site of a dose, a dose so fresh that the trouble began with it, a start, and
    where the needle is. state: of the conversation; infusion: the dose it is about, or None."""
    changes = {}
    running = infusion is not None and infusion.state == "running"
    known = infusion.sites if infusion is not None else ()
    if complaint.site is None and len(known) == 1:
        changes["site"] = known[0]
    if complaint.since is None and infusion is not None and (running or (infusion.ended_at and now - infusion.ended_at < FRESH)):
        changes["since"] = "with this dose"
    if complaint.start is None and infusion is not None and (infusion.started_at or infusion.state in ("done", "stopped")):
        changes["start"] = True
    if complaint.needle is None and complaint.topic.startswith("blood"):
        if running:
            changes["needle"] = "running"
        elif complaint.topic == "blood_before" and state in ("reminded", "put_off"):
            changes["needle"] = "before"
        elif complaint.topic == "blood_after":
            changes["needle"] = "out"  # blood at the skin, not in the tube (see `topic_of_blood`)
    return replace(complaint, **changes)


def missing(complaint):
    """The facts that are still to be asked, each once; () when two questions were asked or nothing is missing."""
    wanted = tuple(fact for fact in NEEDS.get(complaint.topic, ()) if getattr(complaint, fact) is None)
    if not complaint.asked:
        return wanted
    # a second question only for what changes the advice
    return tuple(fact for fact in wanted if fact in CHOICES and complaint.asked.count(fact) < 2)


def question(facts):
    """The entry that asks for these facts."""
    return QUESTIONS.get(facts) or QUESTIONS[facts[:1]]


def answers(complaint, text, choice=None):
    """Does a text tell anything that was asked for?"""
    return told(complaint, text, each_ml=100, choice=choice) != complaint or bool(
        "start" in complaint.asked and started(text, "23:59") is not None)


def started(text, now_local):
    """When a running dose started, as an answer tells it: ("at", "HH:MM") on a 24-hour clock, the latest past one at `now_local`; ("ago",
    minutes); or None."""
    ago = _RUNS.search(text)
    if ago:
        count = {"a": 1, "an": 1, "una": 1, "media": 0.5, "half an": 0.5}.get(ago[1].lower()) or float(ago[1])
        return "ago", round(count * (60 if ago[2].lower().startswith(("h", "hour")) else 1))
    clock = re.sub(r"(\d)\s*-?ish\b", r"\1", text, flags=re.IGNORECASE)
    clock = re.sub(r"\b(maybe|around|about|like|i think|roughly|como|mas o menos|creo que|tipo)\b", " ", clock, flags=re.IGNORECASE)
    found = log.facts(f"started at {clock.strip()}", None, now_local).started_local
    return ("at", found) if found else None


_RUNS = re.compile(r"\b(an?|una|half an|media|\d{1,3}(?:\.\d)?)\s*(hours?|hrs?|h|horas?|minutes?|mins?|min|minutos?)\b(?!\s*(?:left|more|to go))", re.IGNORECASE)


# --- the numbers of the text ---------------------------------------------------------------------------------------------------------


def usual_minutes(patient, but=None):
    """The patient's own usual minutes: the median of the last finished doses with a known time, or None for too few. but: a dose left out."""
    took = [minutes_of(dose) for dose in patient.infusions if dose.state == "done" and (but is None or dose.key != but.key)
            and (patient.order is None or dose.order_id == patient.order.id)]
    took = [minutes for minutes in took if minutes][:USUAL_DOSES]
    return round(median(took)) if len(took) >= USUAL_LEAST else None


def expected_minutes(patient):
    """How long a dose is waited for: the order's minutes, or the patient's own usual time where that is clearly longer, up to twice."""
    order, usual = patient.order.minutes, usual_minutes(patient) or 0
    return min(usual, 2 * order) if usual > CLEARLY_LONGER * order else order


def minutes_of(dose):
    """Minutes that a finished dose took: as told, else from its start and end, else None."""
    if dose.minutes:
        return dose.minutes
    if dose.started_at and dose.ended_at and dose.ended_at > dose.started_at:
        return round((dose.ended_at - dose.started_at).total_seconds() / 60)
    return None


def values(complaint, patient, infusion, now, part, again=False):
    """What the placeholders of an advice text are filled with, from the patient's order, record and clock.

    part: gives the words of a `part.…` entry with its values. again: the trouble has come before.
    """
    order = patient.order
    usual = usual_minutes(patient, infusion)
    expected = max(order.minutes, usual or 0)
    begun = infusion.started_at if infusion is not None and infusion.started_at else None
    took = infusion is not None and infusion.state != "running" and minutes_of(infusion)
    elapsed = took or (round((now - begun).total_seconds() / 60) if begun else None)
    return {
        "where": f"{sites_words(complaint.site.split(', '), patient.lang).capitalize()}: " if complaint.site else "",
        "volume": number_words(order.volume_ml), "sites": order.sites, "each": number_words(round(order.ml_per_site, 1)),
        "rate": number_words(order.rate_ml_per_h_per_site), "minutes": round(order.minutes),
        "usual": part("usual", usual_minutes=usual) if usual else "", "ran": part("ran", elapsed=elapsed) if elapsed and begun else "",
        "took": part("took", elapsed=elapsed) if elapsed else "", "again": part("again") if again else "",
        "call_at": clock_words((begun or now) + timedelta(minutes=expected * CALL_AFTER), patient.zone),
    }


def far_over(patient, infusion, now):
    """Has a running dose gone on for longer than `CALL_AFTER` times its expected or usual time?"""
    if infusion is None or infusion.state != "running" or infusion.started_at is None:
        return False
    expected = max(patient.order.minutes, usual_minutes(patient, infusion) or 0)
    return now - infusion.started_at > timedelta(minutes=expected * CALL_AFTER)


def entry(complaint, infusion, over=False):
    """The entry of the advice, for where the dose stands: while it runs or may run, or after it."""
    after = infusion is not None and infusion.state in ("done", "stopped")
    if complaint.topic == "slow":
        return "advice.slow.after" if after else "advice.slow.stop" if over else "advice.slow"
    if complaint.topic in ("blood_before", "blood_after"):
        return "advice.blood_after" if complaint.needle == "out" else "advice.blood_before"
    if complaint.topic in ("site_leak", "needle_pain") and after:
        return f"advice.{complaint.topic}.after"
    if complaint.topic == "needle_pain" and infusion is not None and infusion.state == "running":
        return "advice.needle_pain.running"
    return f"advice.{complaint.topic}" if complaint.topic in NEEDS else "advice.mild"


def comes_again(kind, patient, infusion, now):
    """Was the same trouble told of at `AGAIN` or more of the last `AGAIN_OF` other doses?"""
    ended = [dose for dose in patient.infusions if dose.state in ("done", "stopped") and (infusion is None or dose.key != infusion.key)
             and now - dose.due_at < timedelta(days=AGAIN_DAYS)][:AGAIN_OF]
    with_it = {reaction.infusion_id for reaction in patient.troubles if reaction.kind == kind}
    return sum(dose.id in with_it for dose in ended) >= AGAIN
