"""Body temperatures in a text, in Fahrenheit or Celsius, with or without a unit.

Fever is 38.0 C = 100.4 F (triage guide; CTCAE fever grade 1, SEEN in the sources, section 14); below 36.0 C = 96.8 F
is as serious, since immune deficiency hides fever (NHS Greater Glasgow and Clyde, SEEN, section 14). A number
from 43 to 93 beside a temperature word fits neither scale and is asked about (design choice, no source).
"""

FEVER_AT_C = 38.0
LOW_BELOW_C = 36.0
BODY_C = (30.0, 43.0)  # what can be a living body's temperature in Celsius
BODY_F = (93.0, 110.0)
LOWEST_F = 86.0  # with a unit or a plain word, down to here is a body too

_UNITS = {"f": "f", "fahrenheit": "f", "farenheit": "f", "fahr": "f", "c": "c", "celsius": "c", "centigrade": "c",
          "centigrados": "c", "celcius": "c"}
_DEGREES = {"degrees", "degree", "deg", "grados", "grado"}
_WORDS = {"temp", "temps", "temperature", "fever", "feverish", "fiebre", "temperatura", "calentura", "thermometer",
          "termometro", "tmp", "febrile", "fevers", "fevre", "temperture"}
_OTHER = {"ml", "mls", "cc", "min", "mins", "minutes", "minute", "hours", "hour", "hrs", "hr", "h", "lbs", "lb", "kg",
          "pounds", "bpm", "am", "pm", "percent", "mg", "mcg", "days", "day", "weeks", "week", "dollars", "bucks",
          "minutos", "horas", "hora", "dias", "oxygen", "over", "times", "gauge", "mm", "months", "years", "year",
          "por", "g", "grams", "units", "sites", "st", "th", "nd", "rd", "semanas", "miles", "people", "texts"}
_OTHER_BEFORE = {"rate", "pulse", "bp", "pressure", "sugar", "glucose", "oxygen", "weight", "weigh", "pulso", "presion",
                 "sats", "hr", "spo2", "age", "aged", "room", "lot", "lote", "flow", "at"}
_ROOM = {"room", "fridge", "refrigerator", "outside", "weather", "house", "ac", "heat", "oven", "bottle", "vial",
         "medicine", "meds", "storage", "nevera", "refrigerador", "cuarto"}
_UNDER = {"under", "below", "menos"}
_NOT_OVER = {"over", "above", "of", "past", "higher", "than", "went", "mas"}


def fahrenheit_to_celsius(value):
    """Degrees Fahrenheit in degrees Celsius."""
    return (value - 32) * 5 / 9


def temperatures(norms, with_degree=frozenset()):
    """Yield (first, last, finding) for every body temperature in a list of words.

    finding: `fever`, `normal`, `low` or `unclear`. first, last: places of the number and its unit.
    with_degree: places of the numbers that a degree sign follows.
    """
    alone = sum(word not in (".", ",", "?", "!") for word in norms)
    for place, word in enumerate(norms):
        if not word[0].isdigit() or ":" in word:
            continue
        try:
            value = float(word)
        except ValueError:
            continue
        last, unit, degrees = _unit(norms, place + 1, place in with_degree)
        finding = _judge(norms, place, last, value, unit, degrees, alone)
        if finding:
            yield place, last, finding


def _unit(norms, at, degrees):
    while at < len(norms) and norms[at] in _DEGREES:
        at, degrees = at + 1, True
    if at < len(norms) and norms[at] in _UNITS:
        return at + 1, _UNITS[norms[at]], degrees
    return at, None, degrees


def _judge(norms, place, last, value, unit, degrees, words):
    near = norms[max(0, place - 6):place] + norms[last:last + 4]
    spoken = any(word in _WORDS for word in near)
    if any(word in _ROOM for word in near):
        return None
    following = norms[last] if last < len(norms) else ""
    if not unit and not degrees and (following in _OTHER or _apart(norms, place)):
        return None
    alone = words <= 3
    exact = "." in norms[place]
    if not (unit or spoken or degrees or alone or exact and value >= 94):
        return None
    if not (unit or spoken or degrees) and not exact and not (words == 1 and value >= 100):
        return None
    before = norms[max(0, place - 3):place]
    if any(word in _UNDER for word in before) or ("not" in norms[max(0, place - 5):place]
                                                  or "no" in norms[max(0, place - 5):place]) and any(
            word in _NOT_OVER for word in before):
        return "normal"
    return _scale(value, unit, spoken or degrees)


def _apart(norms, place):
    return any(word in _OTHER_BEFORE for word in norms[max(0, place - 2):place]) and not any(
        word in _WORDS for word in norms[max(0, place - 4):place])


def _scale(value, unit, spoken):
    if unit == "c" or (unit is None and BODY_C[0] <= value < BODY_C[1]):
        if not BODY_C[0] <= value <= 45:
            return None
        celsius = value
    elif unit == "f" or BODY_F[0] <= value <= BODY_F[1]:
        if not LOWEST_F <= value <= 115:
            return "unclear" if unit and spoken and 43 <= value < LOWEST_F else None
        celsius = fahrenheit_to_celsius(value)
    else:
        return "unclear" if spoken and BODY_C[1] <= value <= BODY_F[0] else None
    # Rounded to 0.01 so that 100.4 F is 38.0 C exactly.
    celsius = round(celsius, 2)
    if celsius >= FEVER_AT_C:
        return "fever"
    return "low" if celsius < LOW_BELOW_C else "normal"
