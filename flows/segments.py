"""How a text is cut into SMS segments, counted exactly.

A text whose every character is in the GSM 7-bit default alphabet (3GPP TS 23.038, with its extension table)
travels in septets: 160 in a single segment, 153 in each of several. Any other character turns the *whole* text
into UTF-16 code units: 70 alone, 67 in each of several (the 6-octet concatenation header takes the rest).
An extension character (escape + code, two septets) and a surrogate pair (two units) are never cut in two, so
dividing the units by 153 or 67 is wrong when one straddles a boundary.

Nothing here replaces a character by a look-alike: "1½ mL" made into "11/2 mL" is a wrong dose.
"""

from dataclasses import dataclass

GSM_7 = "GSM-7"
UCS_2 = "UCS-2"

# Capital C-cedilla stands at 0x09, as in 3GPP TS 23.038 and carriers' tables. ESC (0x1B) only introduces an
# extension character and is none itself.
BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    "ÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION = frozenset("\f^{}\\[~]|€")

SINGLE_UNITS = {GSM_7: 160, UCS_2: 70}
JOINED_UNITS = {GSM_7: 153, UCS_2: 67}


@dataclass(frozen=True)
class Segments:
    """One text as segments.

    encoding: "GSM-7" or "UCS-2". units: septets (GSM-7) or UTF-16 code units (UCS-2) of the text itself, without
    padding. parts: characters (code points) in each segment; an empty text is one segment of none.
    """

    encoding: str
    units: int
    parts: tuple[int, ...]


def foreign(text: str) -> list[str]:
    """The characters that are not GSM-7, each once, in the order in which they first appear."""
    return [char for char in dict.fromkeys(text) if char not in BASIC and char not in EXTENSION]


def segments(text: str) -> Segments:
    """Encoding, units and characters per segment of `text`. Any string has an answer; length is not limited here."""
    if foreign(text):
        encoding, costs = UCS_2, [2 if char > "\uffff" else 1 for char in text]
    else:
        encoding, costs = GSM_7, [2 if char in EXTENSION else 1 for char in text]
    units = sum(costs)
    parts = (len(text),) if units <= SINGLE_UNITS[encoding] else _cut(costs, JOINED_UNITS[encoding])
    return Segments(encoding, units, parts)


def _cut(costs, room):
    parts, used, count = [], 0, 0
    for cost in costs:
        if used + cost > room:
            parts.append(count)
            used = count = 0
        used += cost
        count += 1
    return (*parts, count)
