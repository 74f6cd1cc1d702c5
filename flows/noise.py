"""What stands in a text and is nothing of a dose: dates, telephones, sizes, temperatures, pain from 0 to 10, questions."""

import re

NUMBER = r"\d+(?:\.\d+)?w?"
MEASURED = (r"temp\w* fever fiebre room cuarto channel apt bp pulse pulso glucose azucar sugar age edad day dia page chapter capitulo number "
            "numero weight weigh weighed peso pesa").split()
MEASURES = ("degrees grados mm g ga gauge calibre lbs? pounds kg kilos? libras cm inch inches pulgadas mg f percent % years? yrs? "
            "anos? yo months? meses "
            "weeks? semanas? days? dias? kids people pills? tablets? episodes? slices steps miles dollars nietos hijos tylenol "
            "advil").split()
WAS = r"(?: (?:is|was|OF|fue|es|:|el|en|AT|a|TO|level|score))*"
NOISE = tuple((re.compile(f"(?<= )(?:{pattern})(?= )"), left) for pattern, left in (
    (r"(\d+) / (?!\1 )\d+ / \d+|exp \S+(?: (?:/|TO) \d+)*|\d{1,2} / 20\d\d", "x"),  # dates
    (r"\d+w? (?:/|OF|over|sobre) (?:10|5)(?! (?:ML|VIAL|in|\d))|[1-9] / [1-3]?\d", "x"),  # pain 3/10, or a short date
    (r"(?:bp|BP|presion|pressure)(?: \S+){0,2} \d+ (?:/|over|sobre|con) \d+", "x"),
    (r"\d+ TO \d+ TO \S+|\d{3} (?:TO )?\d{4}", "x"),  # telephones
    (rf"(?:{'|'.join(MEASURED)}){WAS} {NUMBER}", "x"),
    (rf"(?:SORE|level|nivel){WAS} \d+w?(?= (?:AT|in|on|en|[|,]))", "SORE"),
    (r"ASKS [^|]*", "asks"),
    (rf"{NUMBER} (?:{'|'.join(MEASURES)})", "x"),
    (rf"{NUMBER}(?: ML)? every", "x"),
    (r"(?:dose|dosis|week|semana|day|infusion) \d+ (?:OF|/) \d+", "x"),
    (r"1w?(?: (?:in|en|on|into|for))? EACH", "EACH"),  # "one in each" needle
    (r"LOT \d :", "LOT"),
))
ASKING = re.compile(r" (?:verdad|asks|is it|how many|how much|cuant[oa]s?|am i|cual|when|cuando me) ")
QUESTION = re.compile(r" (?:what|how|when|que|cual|como|cuando) .*[?] [|] $| (?:q : |hi |hello |hola |hey )*(?:asks|"
                      r"how many) (?!.* (?:END|TOOK) )")


def without(line):
    """A line of plain words without its noise, and without the sentences that ask."""
    for pattern, left in NOISE:
        line = pattern.sub(left, line)
    sentences = re.split(r"(?<= [|]) ", line.strip())
    return " " + " ".join(part for part in sentences if not _asks(f" {part} ")) + " "


def _asks(sentence):
    """Is it a question, or a plan, and no report?"""
    return bool(sentence.endswith((" ? | ", " verdad | ")) and ASKING.search(sentence) or QUESTION.match(sentence))
