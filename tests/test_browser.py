"""The demo in a real headless browser: the guide and its four stories are followed as the page tells them, by keyboard.

EBBLINE_SHOTS=folder keeps a picture of every story's end at both widths.
"""

import os
import re

import pytest

from tests import browser

SIZES = pytest.mark.parametrize("size", [browser.WIDE, browser.NARROW], ids=["wide", "narrow"])
ROUTINE = ("reminder", "question", "advice")


@pytest.fixture(scope="module")
def driver():
    """One browser for all tests. Where there is none they are skipped; under CI=true that is a failure."""
    lacking = browser.missing()
    if lacking and os.environ.get("CI") == "true":
        pytest.fail(lacking)
    elif lacking:
        pytest.skip(lacking)
    made = browser.start()
    yield made
    made.quit()


@pytest.fixture
def page(driver, tmp_path, size):
    """A fresh demo's page. Whatever a test did: no word in the console, no other host asked, nothing sticks out or is faint."""
    with browser.demo_process(tmp_path) as address:
        shown = browser.Page(driver, address, size)
        yield shown
        assert shown.complaints() == []
        assert shown.requests() == {"127.0.0.1"}
        assert shown.too_wide() == []
        assert shown.faint() == []
        driver.get("about:blank")  # so that it does not ask a demo that is gone


def kinds(texts):
    return [kind for kind, _, _ in texts]


def words(texts):
    return " ".join(body for _, _, body in texts)


@SIZES
def test_the_first_five_minutes_go_as_the_guide_says(page):
    assert page.clock() == "Tuesday 10 March 2026, 17:55"
    page.follow("guide")
    page.shoot("guide")
    assert "Order on hold" not in page.words_in("day")
    assert page.words_in("matters") == "None."


@SIZES
def test_a_clean_week_ends_with_the_next_reminder_and_nothing_for_a_nurse(page):
    page.follow("clean-week")
    page.shoot("clean-week")
    assert page.clock() == "Tuesday 17 March 2026, 18:00"
    sent = [kind for kind in kinds(page.texts("Ana")) if kind != "Ana"]
    assert sent == ["reminder", "notice", "question", "question", "notice", "question", "notice", "reminder"]
    assert page.words_in("matters") == "None."
    assert page.texts("Ruth") == []
    assert "Ana" not in page.words_in("tasks")


@SIZES
def test_a_leak_gets_advice_and_three_questions_at_most_and_is_on_record(page):
    page.follow("leak")
    page.shoot("leak")
    texts = page.texts("Ana")
    assert kinds(texts)[-7:] == ["advice", "question", "Ana", "question", "Ana", "notice"][-7:] or kinds(texts)[-6:] == [
        "advice", "question", "Ana", "question", "Ana", "notice"]
    assert "2/10" in words(texts)
    assert page.words_in("matters") == page.words_in("tasks") == "None."


@SIZES
def test_a_tight_throat_at_midnight_reaches_sam_and_stays_on_hold_until_released(page):
    page.follow("midnight")
    page.shoot("midnight")
    texts = page.texts("Ana")
    alarm = next(at for at, (_, _, body) in enumerate(texts) if body == "my throat feels tight")
    assert texts[alarm][1] == "00:00"
    assert not set(kinds(texts[alarm:])) & set(ROUTINE)
    assert kinds(texts[alarm:])[:3] == ["Ana", "emergency", "emergency"]  # the instruction, and that nobody has answered
    assert [at for kind, at, _ in page.texts("Ruth") if kind == "page"] == ["00:00", "00:02"]
    assert [at for kind, at, _ in page.texts("Sam") if kind == "page"] == ["00:05"]
    assert page.texts("Mara") == []
    assert page.words_in("matters") == "None."
    assert "Order on hold" not in page.words_in("day")


@SIZES
def test_stop_while_infusing_is_honoured_and_a_nurse_calls(page):
    page.follow("stop")
    page.shoot("stop")
    texts = page.texts("Ana")
    stop, start = (next(at for at, each in enumerate(texts) if each[2] == word) for word in ("STOP", "START"))
    assert kinds(texts[stop:start]) == ["Ana", "notice"]  # one answer, then silence
    assert page.texts("Ruth")[0][2].startswith("URGENT")
    assert page.words_in("matters") == "None."


@SIZES
def test_tab_reaches_every_control_in_the_pages_order_with_a_mark_on_it(page):
    page.open("leak")
    page.moves("To the next due thing")
    wanted, reached, unmarked = page.tab_round()
    assert len(wanted) > 60
    assert reached == wanted
    assert unmarked == []


@pytest.mark.parametrize("size", [browser.NARROW], ids=["narrow"])
def test_what_is_being_typed_survives_new_texts_and_enter_sends_it(page):
    box, = page.find("#words-Ana")
    box.send_keys("start")
    page.chip("Luz", "empiezo ahora")
    page.moves("+1 hour")
    assert box.get_property("value") == "start"
    page.writes("Ana", "ing now")
    assert page.texts("Ana")[-2][2] == "starting now" or "starting now" in words(page.texts("Ana"))


@pytest.mark.parametrize("size", [browser.WIDE], ids=["wide"])
def test_the_judge_of_contrast_finds_faint_text(page):
    page.run("document.querySelector('h1').style.color = '#999'")
    (ratio, found), = page.faint()
    assert ratio < 3 and re.match("Ebbline", found)
    page.run("document.querySelector('h1').style.color = ''")


@pytest.mark.parametrize("size", [browser.NARROW], ids=["narrow"])
def test_the_judge_of_width_finds_what_sticks_out(page):
    page.run("document.querySelector('h1').style.width = '600px'")
    assert any(found.startswith("the page") for found in page.too_wide())
    page.run("document.querySelector('h1').style.width = ''")
