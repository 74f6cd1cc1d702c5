"""Times that a text names: "in 2 hours", "at 9", "21:30", "mañana a las 8"."""

import re

from flows.words import When

_NUMBERS = {"a": 1, "an": 1, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
            "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "fifteen": 15, "twenty": 20, "thirty": 30, "forty": 40,
            "ninety": 90, "couple": 2, "un": 1, "una": 1, "dos": 2, "tres": 3, "cuatro": 4, "cinco": 5, "seis": 6,
            "siete": 7, "ocho": 8, "nueve": 9, "diez": 10, "once": 11, "doce": 12, "quince": 15, "veinte": 20,
            "treinta": 30, "media": 0.5, "half": 0.5}
_MINUTES = {"min", "mins", "minute", "minutes", "minuto", "minutos", "m"}
_HOURS = {"h", "hr", "hrs", "hour", "hours", "hora", "horas"}
_FILL = {"of", "more", "about", "like", "another", "an", "a", "unas", "unos", "como", "other"}
_BEFORE_SPAN = {"in", "en", "dentro", "after", "another", "for", "about", "like", "give", "me", "more", "left"}
_AT = {"at", "around", "by", "til", "till", "until", "las", "la", "@", "for"}
_PAST = {"ago", "hace", "pasada"}
_CLOCK = re.compile(r"(\d{1,2})[:.](\d{2})\Z")
_DAY = {"tomorrow": 1, "manana": 1, "tmrw": 1, "tonight": 0, "today": 0, "hoy": 0}


def when(norms):
    """The time that a list of words names, as a When, or None. Spans that lie in the past ("2 hours ago") give None."""
    days = _days(norms)
    for place in range(len(norms)):
        span = _span(norms, place)
        if span is not None:
            return When(minutes=span)
    for place in range(len(norms)):
        clock = _clock(norms, place)
        if clock:
            return When(clock=clock[0], in_days=days or 0, meridiem_known=clock[1])
    if "noon" in norms or "mediodia" in norms:
        return When(clock="12:00", in_days=days or 0)
    return When(in_days=days) if days else None


def _days(norms):
    for place, word in enumerate(norms):
        if word in _DAY:
            # "de la mañana", "por la mañana" and "esta mañana" are the morning.
            if word == "manana" and place and norms[place - 1] in ("la", "esta"):
                continue
            if norms[max(0, place - 2):place] in (["day", "after"], ["pasado"]) or (
                    place and norms[place - 1] in ("pasado", "after")):
                return 2
            return _DAY[word]
    for place, word in enumerate(norms):
        if word in ("in", "en") and norms[place + 2:place + 3] and norms[place + 2] in ("day", "days", "dia", "dias"):
            number = _number(norms[place + 1])
            if number:
                return int(number)
    return None


def _number(word):
    if word in _NUMBERS:
        return _NUMBERS[word]
    try:
        value = float(word)
    except ValueError:
        return None
    return value if 0 < value < 1000 else None


def _span(norms, place):
    value = _number(norms[place])
    if value is None:
        return None
    at = place + 1
    if norms[at:at + 3] == ["and", "a", "half"]:
        value, at = value + 0.5, at + 3
    while at < len(norms) and (norms[at] in _FILL or norms[at] == "couple"):
        if norms[at] == "couple":
            value = 2
        at += 1
    if at >= len(norms):
        return None
    unit = norms[at]
    written = norms[place][0].isdigit()
    if unit in _HOURS:
        minutes = value * 60
    elif unit in _MINUTES and (unit != "m" or written):
        minutes = value
    else:
        return None
    if norms[at + 1:at + 4] == ["and", "a", "half"] or norms[at + 1:at + 3] == ["y", "media"]:
        minutes += 30
    if any(word in _PAST for word in norms[max(0, place - 1):place] + norms[at + 1:at + 2]):
        return None
    if not written and place and norms[place - 1] not in _BEFORE_SPAN:
        return None
    return int(round(minutes)) if 0 < minutes <= 7 * 24 * 60 else None


def _clock(norms, place):
    word = norms[place]
    match = _CLOCK.match(word)
    at_word = place > 0 and norms[place - 1] in _AT
    if match and (":" in word or at_word):
        hour, minute = int(match[1]), int(match[2])
    elif word.isascii() and word.isdigit() and len(word) <= 2:
        hour, minute = int(word), 0
    elif place and word in _NUMBERS and norms[place - 1] in ("las", "la", "at") and _NUMBERS[word] >= 1:
        hour, minute = int(_NUMBERS[word]), 0
    else:
        return None
    if hour > 23 or minute > 59:
        return None
    half = _half(norms, place + 1)
    if half is None and not match and not at_word:
        return None
    if half is None and at_word and norms[place - 1] == "for" and not match:
        return None
    if half and 1 <= hour <= 12:
        return f"{hour % 12 + (12 if half == 'pm' else 0):02d}:{minute:02d}", True
    known = hour > 12 or hour == 0 or bool(match and len(match[1]) == 2 and match[1][0] == "0")
    if not known and place + 1 < len(norms) and norms[place + 1] in ("tonight", "oclock") and "tonight" in norms:
        return f"{hour % 12 + 12:02d}:{minute:02d}", True
    return f"{hour:02d}:{minute:02d}", known


def _half(norms, at):
    following = norms[at:at + 4]
    if following[:1] in (["oclock"], ["y"]):
        following = following[1:]
    if not following:
        return None
    if following[0] in ("am", "pm", "a", "p"):
        if following[0] in ("am", "pm"):
            return following[0]
        return {"a": "am", "p": "pm"}[following[0]] if following[1:2] == ["m"] else None
    joined = " ".join(following[:4])
    for half, phrases in (("pm", ("in the evening", "at night", "in the afternoon", "de la noche", "de la tarde",
                                  "tonight")),
                          ("am", ("in the morning", "de la manana"))):
        if joined.startswith(phrases):
            return half
    return None
