"""Case codes, and the forms that a nurse's text may take."""

from itertools import combinations

import pytest

from flows.case import COUNT, code, wish


def test_any_two_codes_differ_in_two_digits_and_none_comes_twice():
    codes = [code(number) for number in range(COUNT)]
    assert len(set(codes)) == COUNT
    for one, other in combinations(codes[:400], 2):
        assert sum(a != b for a, b in zip(one, other, strict=True)) >= 2, (one, other)


def test_codes_begin_again_after_a_thousand():
    assert code(COUNT) == code(0) and all(len(code(n)) == 4 for n in range(50))


@pytest.mark.parametrize("text", [
    "4213 mine", "4213 ok", "ok 4213", "4213", "Mine 4213", "4213: mine", "case 4213 mine", "4213 got it", "4213 on it!",
    "4213 I'll take it", "4213, yes", "#4213 mine", "4213 Mine calling her now", "taking 4213",
])
def test_a_nurse_takes_a_case_in_many_forms(text):
    assert (wish(text).act, wish(text).case) == ("take", "4213")


@pytest.mark.parametrize("text", ["got it", "mine", "OK", "on it", "i have it", "ack", "I’ll take it"])
def test_a_nurse_takes_without_a_code(text):
    assert (wish(text).act, wish(text).case) == ("take", None)


@pytest.mark.parametrize(("text", "act", "words"), [
    ("4213 close seen at the ER, fine.", "close", "seen at the ER, fine."),
    ("close taken to hospital", "close", "taken to hospital"),
    ("4213 closed: spoke to her", "close", "spoke to her"),
    ("4213 tell I am calling you in 2 minutes.", "tell", "I am calling you in 2 minutes."),
    ("tell: please stop the pump. 911 if worse!", "tell", "please stop the pump. 911 if worse!"),
    ("4213 note she has epi at hand", "note", "she has epi at hand"),
    ("4213 called, no answer", "note", "called, no answer"),
    ("4213 release", "release", ""),
    ("release 4213 ok by dr", "release", "ok by dr"),
    ("4213 she is breathing better", "note", "she is breathing better"),
])
def test_what_follows_the_act_is_kept_as_typed(text, act, words):
    assert (wish(text).act, wish(text).words) == (act, words)


@pytest.mark.parametrize("text", ["hello", "who is it", "", "what happened?", "99", "42133 mine"])
def test_a_text_without_act_or_code_is_unclear(text):
    assert wish(text).act in ("unclear", "take") and wish(text).case is None
    assert wish("hello").act == "unclear"


def test_a_number_answers_our_question_back():
    assert wish("1").choice == 1 and wish("2.").choice == 2 and wish("3").choice is None
