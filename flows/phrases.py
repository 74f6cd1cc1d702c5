"""Times, days and topics in the words of a text."""

from collections import Counter

from flows.hours import local

DAYS = {
    "en": ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"),
    "es": ("lunes", "martes", "miercoles", "jueves", "viernes", "sabado", "domingo"),
}
TODAY = {"en": ("today", "tomorrow", "yesterday"), "es": ("hoy", "mañana", "ayer")}
AT = {"en": "at", "es": "a las"}
OR = {"en": "or", "es": "o"}
TOPICS = {"stop_word": "opted out, call", "dosing_error": "dose", "other": "unclear", "clot_limb": "limb", "gi": "stomach",
          "blood_before": "blood in the tubing", "blood_after": "bleeding at a site"}


def clock_words(at, zone):
    """The local wall time as people write it: "6:05 PM". `at` is aware; zone an IANA name."""
    here = local(at, zone)
    return f"{here.hour % 12 or 12}:{here.minute:02d} {'AM' if here.hour < 12 else 'PM'}"


def day_words(at, now, zone, lang):
    """ "today", "tomorrow", "yesterday", the name of a day of the coming week, else the date ("Mar 18", "18/3")."""
    ahead = (local(at, zone).date() - local(now, zone).date()).days
    if ahead in (0, 1, -1):
        return TODAY[lang][ahead]
    here = local(at, zone)
    if 0 < ahead < 7:
        return DAYS[lang][here.weekday()]
    return f"{here:%b} {here.day}" if lang == "en" else f"{here.day}/{here.month}"


def when_words(at, now, zone, lang):
    """ "today at 8:05 PM"."""
    return f"{day_words(at, now, zone, lang)} {AT[lang]} {clock_words(at, zone)}"


def topic_words(topic):
    """The kind of matter as a page says it: no story, no illness."""
    return TOPICS.get(topic, topic.replace("_", " "))


def number_words(value):
    """A volume without a needless ".0"."""
    return f"{value:g}"


REACTIONS_ES = {"swelling": "hinchazon", "redness": "rojo", "itch": "picor", "pain": "dolor", "leak": "goteo", "slow": "lento",
                "blood": "sangre"}
AREAS_ES = {"belly": "barriga", "thigh": "muslo", "arm": "brazo", "hip": "cadera", "flank": "costado", "back": "espalda",
            "buttock": "nalga", "side": "lado", "left": "izquierdo", "right": "derecho", "upper": "arriba", "lower": "abajo",
            "inner": "interior", "outer": "exterior"}



def sites_words(sites, lang):
    """Sites as a text confirms them: "left belly, right belly"; in Spanish the area first."""
    if lang == "en":
        return ", ".join(sites)
    return ", ".join(_site_es(site) for site in sites)


def counted_sites_words(sites, lang):
    """Sites to use, each once with its number: "left belly (2), right belly"."""
    return ", ".join(sites_words((site,), lang) + (f" ({number})" if number > 1 else "") for site, number in Counter(sites).items())


SUPPLIES = {  # one, several, low
    "en": {"dose": ("dose", "doses", "low on doses"), "needle": ("needle", "needles", "low on needles"),
           "tubing": ("tubing set", "tubing sets", "low on tubing"), "syringe": ("syringe", "syringes", "low on syringes"),
           "battery": ("battery", "batteries", "low on batteries"), "tape": ("roll of tape", "rolls of tape", "low on tape")},
    "es": {"dose": ("dosis", "dosis", "pocas dosis"), "needle": ("aguja", "agujas", "pocas agujas"),
           "tubing": ("tubo", "tubos", "pocos tubos"), "syringe": ("jeringa", "jeringas", "pocas jeringas"),
           "battery": ("pila", "pilas", "pocas pilas"), "tape": ("rollo de cinta", "rollos de cinta", "poca cinta")},
}


def supplies_words(counts, lang):
    """What is left, as a text confirms it: "2 doses left, low on tape". counts: {item: number, or None when not told}."""
    words, left = SUPPLIES[lang], {"en": "{} {} left", "es": "quedan {} {}"}[lang]
    return ", ".join(words[item][2] if number is None else left.format(number, words[item][number != 1]) for item, number in counts.items())


def _site_es(site):
    *before, area = site.split()
    word = AREAS_ES.get(area, area)
    sides = [AREAS_ES.get(each, each) for each in before]
    return " ".join([word] + [side[:-1] + "a" if word.endswith("a") and side.endswith("o") else side for side in sides])


def reaction_words(reaction, lang):
    """A reaction as a question names it: "swelling, left belly"."""
    kind = reaction.kind if lang == "en" else REACTIONS_ES.get(reaction.kind, reaction.kind)
    return f"{kind}, {sites_words(reaction.site.split(', '), lang)}" if reaction.site else kind
