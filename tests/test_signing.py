"""Signing a text: what is written, and what a later change breaks."""

from datetime import date

import pytest

from bot import signing
from flows import content

ON, DUE = date(2026, 3, 10), date(2027, 3, 10)  # Tuesday, Wednesday


@pytest.fixture
def pack(tmp_path):
    file = tmp_path / "en.yaml"
    file.write_text((content.HERE / "en.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    return file


def entries(file):
    import yaml

    return content.parse(yaml.safe_load(file.read_text(encoding="utf-8")), file.name)


def test_a_signature_makes_this_entry_signed_and_touches_nothing_else(pack):
    before = pack.read_text(encoding="utf-8").splitlines()
    text = signing.sign(pack, "advice.site_leak", "R. Example, RN", ON, DUE)
    entry = entries(pack)["advice.site_leak"]
    assert entry.text == text and entry.standing(ON) == "signed" and entry.standing(date(2027, 3, 11)) == "overdue"
    after = pack.read_text(encoding="utf-8").splitlines()
    assert [line for line in after if line not in before] == [
        "    reviewer: R. Example, RN", "    reviewed_on: 2026-03-10", "    review_due_on: 2027-03-10",
        f"    hash: {content.digest(text)}"]
    assert [line for line in before if line not in after] == [], "comments and texts stay"


def test_a_text_changed_after_signing_counts_as_unsigned(pack):
    signing.sign(pack, "advice.site_leak", "R. Example, RN", ON, DUE)
    pack.write_text(pack.read_text(encoding="utf-8").replace("A few drops can leak.", "Drops can leak."), encoding="utf-8")
    assert entries(pack)["advice.site_leak"].standing(ON) == "edited"


@pytest.mark.parametrize(("key", "by", "due", "said"), [
    ("advice.nothing", "R. Example", DUE, "there is no entry"), ("hello", " ", DUE, "needs the reviewer's name"),
    ("hello", "R. Example", ON, "is not after"),
])
def test_a_bad_signature_says_what_is_wrong_and_writes_nothing(pack, key, by, due, said):
    before = pack.read_bytes()
    with pytest.raises(content.ContentError, match=said):
        signing.sign(pack, key, by, ON, due)
    assert pack.read_bytes() == before


def test_a_review_is_due_a_year_later_also_from_a_leap_day():
    assert signing.years_later(date(2028, 2, 29)) == date(2029, 2, 28)
