"""What a text tells of supplies that run low: which items, and how many are left where that is plainly said.

A wrong count is worse than none: a box is no number of needles, a vial no number of doses, and what was, will be, might be
or is only asked about is nothing.
"""

import re

from flows.text import norm

NAMES = {
    "dose": "dose doses dosis", "needle": "needle needles aguja agujas", "tubing": "tubing tubings tubes tubos tubo",
    "syringe": "syringe syringes jeringa jeringas", "battery": "battery batteries pila pilas bateria baterias", "tape": "tape cinta",
}
MEDICINE = "medicine medication meds vial vials bottle bottles medicina medicamento frasco frascos"  # none of them: no dose
ITEM_OF = {word: item for item, words in NAMES.items() for word in words.split()} | {word: "dose" for word in MEDICINE.split()}
NUMBERS = {word: number for number, words in enumerate((
    "zero cero", "one un una uno", "two dos", "three tres", "four cuatro", "five cinco", "six seis", "seven siete", "eight ocho",
    "nine nueve", "ten diez")) for word in words.split()}
_ITEM = rf"(?:{'|'.join(ITEM_OF)})"
_SEVERAL = rf"(?P<items>{_ITEM}(?:(?: sets?)?(?: and| or| y| o| ni| e)?(?: the| las| la| los)? {_ITEM})*)\b"
_THE = r"(?: the| my| any| our| more| mas| la| las| los| el| mis)*"
_NUMBER = rf"(?<![\d.,:/-])(?P<number>\d{{1,3}}|{'|'.join(NUMBERS)})"
_PACKED = (r"(?: (?P<pack>box|boxes|packs?|packages?|bags?|cases?|cartons?|weeks?|days?|months?|cajas?|paquetes?|bolsas?|semanas?|dias?)(?: of| de)?)?"
           r"(?: rolls? of| rollos? de)?(?: more| full| good| new| clean)?")
_THING = rf"{_NUMBER}{_PACKED} (?P<item>{_ITEM})(?: sets?)?\b"
_NOT_A_SITE = (
    r"(?! (?:in(?! (?:the |my |our )?(?:fridge|refrigerator|box|house))|on(?! hand)|to|upper|lower|side|"
    r"belly|tummy|stomach|abdomen|thigh|leg|arm|hip|flank|butt\w*|and right)\b)")
NONE = (  # nothing is left
    re.compile(rf"\b(?:out of|no more|(?:have|has|had|got) no|do not have any|dont have any|sin|no (?:tengo|tenemos|hay)|no (?:me|nos) quedan?|"
               rf"se (?:me|nos) (?:acab|termin)\w+){_THE} {_SEVERAL}(?! (?:in|on|en)\b)"),
    re.compile(rf"\bno {_SEVERAL}(?: sets?)? left\b{_NOT_A_SITE}"),
)
COUNTED = (  # so many are left
    re.compile(rf"\b{_THING} (?:left|remaining)\b{_NOT_A_SITE}"),
    re.compile(rf"\b(?:(?:only|just) (?:have|has)|have only)(?: my last| the last)? {_THING}(?= (?:for|and|at|here|now|so)\b|$)"),
    re.compile(rf"\bdown to(?: my| the| our| his| her)?(?: last| only)* {_THING}"),
    re.compile(rf"\b(?:quedan?|solo (?:tengo|tenemos|hay))(?: solo| solamente| como)* {_THING}"),
)
LAST = re.compile(rf"\b(?:down to|only have|just have)(?: my| the| our) last (?P<item>{_ITEM})\b")
LOW = (  # some are left, the number is not told
    re.compile(rf"\b(?:low|short) (?:on|of){_THE} {_SEVERAL}"), re.compile(rf"\b(?:need|necesito|faltan?)(?: some| a few| mas| more)+ {_SEVERAL}"),
    re.compile(rf"\b(?:few|not many|not much|little|pocas?|pocos?|almost no|hardly any|casi no tengo|casi no hay)(?: more)? {_SEVERAL}"),
    re.compile(rf"\b(?!battery|bateria\b|pila\b){_SEVERAL}(?: sets?)?(?: is| are)?(?: running| getting| almost| nearly)* (?:low\b|(?:all )?out$)"),
)
NEARLY = re.compile(r"\b(almost|nearly|about|around|close|soon|gonna|going|running|getting|maybe|think|like|casi|quedando|por|pronto|creo|como)\b")
UNREAL = re.compile(r"\b(if|had|was|were|will|would|then|after|enough|until|not (?:low|out|running|short)|no longer|never|lost|used|si|habia|tenia|"
                    r"cuando|despues|when|once|before|antes|please no|want no|need no)\b")
APART = re.compile(r"\.(?!\d)|[;!\n]|\b(?:but|pero|because|porque)\b")
BEFORE_NUMBER = re.compile(r"(?:\b(?:or|(?<!down )to|o|a|than|of|for|de|para|not)|\d) $")


def told(text):
    """{item: how many are left} of what a text says runs low or is gone; None where the number is not plain. {} when it
    says nothing of that. Items are those of `flows.supply`. Never raises on a string."""
    found = {}
    for clause in APART.split(re.sub(r"([^.;!?\n]*)\?", " ", text)):  # a question tells nothing
        clause = re.sub(r"['\u2019](re|ll)\b", lambda short: {"re": " are", "ll": " will"}[short[1].lower()], clause, flags=re.IGNORECASE)
        words = " ".join(map(norm, re.findall(r"\d+(?:[.,:/-]\d+)?|[^\W\d_]+(?:['\u2019][^\W\d_]+)*", clause)))
        if not UNREAL.search(words):
            found.update(_told(words))
    return {item: found[item] for item in NAMES if item in found}


def _told(words):
    plain, found = not NEARLY.search(words), {}
    for pattern in LOW:
        for match in pattern.finditer(words):
            found.update(dict.fromkeys(_items(match["items"])))
    for pattern in NONE:
        for match in pattern.finditer(words):
            found.update(dict.fromkeys(_items(match["items"]), 0 if plain else None))
    for pattern in COUNTED:
        for match in pattern.finditer(words):
            sure = plain and not match["pack"] and match["item"] not in MEDICINE.split() and not BEFORE_NUMBER.search(words[:match.start("number")])
            number = match["number"]
            found[ITEM_OF[match["item"]]] = (int(number) if number.isdecimal() else NUMBERS[number]) if sure else None
    for match in LAST.finditer(words):
        found[ITEM_OF[match["item"]]] = 1 if plain and match["item"] not in MEDICINE.split() else None
    return found


def _items(words):
    return [ITEM_OF[word] for word in words.split() if word in ITEM_OF]
