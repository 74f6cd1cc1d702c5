"""How texts are cut into segments. The check values were computed with three independent counters that agree on every
row: smsutil 1.1.3 (PyPI), split-sms 0.1.7 and sms-segments-calculator 1.3.0 (npm)."""

import pytest
import smsutil
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flows.segments import BASIC, EXTENSION, foreign, segments

ROWS = [  # text, encoding, units, characters per part
    ("", "GSM-7", 0, [0]),
    ("a" * 160, "GSM-7", 160, [160]),
    ("a" * 161, "GSM-7", 161, [153, 8]),
    ("a" * 306, "GSM-7", 306, [153, 153]),
    ("a" * 307, "GSM-7", 307, [153, 153, 1]),
    ("€" * 80, "GSM-7", 160, [80]),
    ("€" * 81, "GSM-7", 162, [76, 5]),
    ("a" * 158 + "€", "GSM-7", 160, [159]),
    ("a" * 159 + "€", "GSM-7", 161, [153, 7]),
    ("a" * 152 + "€" + "b" * 10, "GSM-7", 164, [152, 11]),
    ("a" * 152 + "€" + "b" * 152, "GSM-7", 306, [152, 152, 1]),  # 306 / 153 = 2 is the naive wrong answer
    ("\f", "GSM-7", 2, [1]),
    ("’" * 70, "UCS-2", 70, [70]),
    ("’" * 71, "UCS-2", 71, [67, 4]),
    ("😀" * 35, "UCS-2", 70, [35]),
    ("😀" * 36, "UCS-2", 72, [33, 3]),
    ("a" * 66 + "😀" + "a" * 10, "UCS-2", 78, [66, 11]),
    ("é" * 134 + "“", "UCS-2", 135, [67, 67, 1]),
    ("Ç", "GSM-7", 1, [1]),
    ("ç", "UCS-2", 1, [1]),
    ("`", "UCS-2", 1, [1]),
    ("\t", "UCS-2", 1, [1]),
]

CHARACTERS = sorted(BASIC | EXTENSION) + list("çáíóú’“”–…½°µ`\t\xa0漢😀🩸𝒳")


@pytest.mark.parametrize(("text", "encoding", "units", "parts"), ROWS)
def test_a_text_is_cut_as_three_published_counters_cut_it(text, encoding, units, parts):
    counted = segments(text)
    assert (counted.encoding, counted.units, list(counted.parts)) == (encoding, units, parts)


def test_the_default_alphabet_has_127_characters_and_ten_extensions():
    # 3GPP TS 23.038: 128 codes, one of which (0x1B) is the escape; 10 extension characters.
    assert (len(BASIC), len(EXTENSION), BASIC & EXTENSION) == (127, 10, frozenset())


def test_foreign_names_each_character_once_in_order_of_appearance():
    assert foreign("María’s 1½ mL, María") == ["í", "’", "½"]
    assert foreign("José Nuñez Renée Müller {1} 5€") == []


def test_a_bare_escape_character_is_foreign():
    assert foreign("\x1b") == ["\x1b"]


@pytest.mark.parametrize("name", ["María", "Zoë", "Ángel", "François", "Łukasz", "naïve", "98.6°F", "5 µg", "½"])
def test_one_foreign_character_turns_the_whole_text_into_utf_16(name):
    assert segments(f"Hello {name}").encoding == "UCS-2"


@settings(deadline=None, max_examples=300)
@given(st.text(st.sampled_from(CHARACTERS), max_size=400)
       | st.lists(st.sampled_from(["a", "€", "é", "[ok]", "1234567890" * 5]), max_size=60).map("".join)
       | st.lists(st.sampled_from(["a", "😀", "’", "1234567890" * 3]), max_size=60).map("".join))
def test_any_text_is_cut_as_smsutil_cuts_it(text):
    assume(text)  # smsutil alone calls an empty text UTF-16; both npm counters call it GSM-7, as we do
    theirs, ours = smsutil.split(text), segments(text)
    assert ours.encoding == {"gsm0338": "GSM-7", "utf_16_be": "UCS-2"}[theirs.encoding]
    assert list(ours.parts) == [part.length for part in theirs.parts]
    assert ours.units == theirs.total_bytes // (1 if ours.encoding == "GSM-7" else 2)


@settings(deadline=None)
@given(st.text(max_size=1600))
def test_no_character_is_lost_and_no_part_is_too_long(text):
    counted = segments(text)
    assert sum(counted.parts) == len(text)
    room = {"GSM-7": (160, 153), "UCS-2": (70, 67)}[counted.encoding][len(counted.parts) > 1]
    assert max(counted.parts) <= room
