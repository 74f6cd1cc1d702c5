"""The demo in a real headless browser: the guide and its four stories are followed as the page tells them, by keyboard.

EBBLINE_SHOTS=folder keeps pictures of every story's end at both widths, for people to look at.
"""

import os

import pytest

from tests import browser

ROUTINE = {"reminder", "question", "advice"}
WIDE = pytest.mark.parametrize("size", [browser.WIDE], ids=["wide"])
NARROW = pytest.mark.parametrize("size", [browser.NARROW], ids=["narrow"])
BOTH = pytest.mark.parametrize("size", [browser.WIDE, browser.NARROW], ids=["wide", "narrow"])


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
    """A fresh demo's page. After each test: a silent console, no other host asked, all fits and can be read."""
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


def after(texts, words):
    """The texts from the one with exactly these words on."""
    return texts[next(at for at, (_, _, body) in enumerate(texts) if body == words):]


@WIDE
def test_the_first_five_minutes_go_as_the_guide_says(page):
    assert page.clock() == "Tuesday 10 March 2026 17:55"
    page.follow("guide")
    page.shoot("guide")
    assert page.clock() == "Tuesday 10 March 2026 19:05"
    assert "Order on hold" not in page.words_in("day")
    assert page.words_in("matters") == "None."


@WIDE
def test_a_clean_week_ends_with_the_next_reminder_and_nothing_for_a_nurse(page):
    page.follow("clean-week")
    page.shoot("clean-week")
    assert page.clock() == "Tuesday 17 March 2026 18:00"
    sent = [kind for kind in kinds(page.texts("Ana")) if kind != "Ana"]
    assert sent == ["reminder", "notice", "question", "question", "notice", "question", "notice", "reminder"]
    assert page.words_in("matters") == "None."
    assert page.texts("Ruth") == []
    assert "Ana" not in page.words_in("tasks")


@WIDE
def test_a_leak_gets_advice_and_two_questions_and_is_on_record(page):
    page.follow("leak")
    page.shoot("leak")
    told = after(page.texts("Ana"), "done. right side leaked a bit")
    assert kinds(told) == ["Ana", "advice", "question", "Ana", "question", "Ana", "notice"]
    assert "2/10" in told[4][2]
    assert page.words_in("matters") == page.words_in("tasks") == "None."


@WIDE
def test_a_tight_throat_at_midnight_reaches_sam_and_stays_on_hold_until_released(page):
    page.follow("midnight")
    page.shoot("midnight")
    told = after(page.texts("Ana"), "my throat feels tight")
    assert told[0][1] == "00:00"
    assert kinds(told)[:3] == ["Ana", "emergency", "emergency"]  # the instruction, and that nobody has answered
    assert not set(kinds(told)) & ROUTINE
    assert [at for kind, at, _ in page.texts("Ruth") if kind == "page"] == ["00:00", "00:02"]
    assert [at for kind, at, _ in page.texts("Sam") if kind == "page"] == ["00:05"]
    assert page.texts("Mara") == []
    assert page.words_in("matters") == "None."
    assert "Order on hold" not in page.words_in("day")


@WIDE
def test_stop_while_infusing_is_honoured_and_a_nurse_calls(page):
    page.follow("stop")
    page.shoot("stop")
    texts = page.texts("Ana")
    silence = after(texts, "STOP")[:-len(after(texts, "START"))]
    assert kinds(silence) == ["Ana", "notice"]  # one answer, then nothing
    assert page.texts("Ruth")[0][2].startswith("URGENT")
    assert page.words_in("matters") == "None."


@NARROW
def test_on_a_phones_width_all_stories_can_be_played_one_after_another(page):
    for part in ("guide", "stop", "leak", "midnight", "clean-week"):
        page.follow(part)
        page.shoot(part)
        assert page.too_wide() == [], part
        assert page.faint() == [], part


@BOTH
def test_tab_reaches_every_control_in_the_pages_order_with_a_mark_on_it(page):
    page.open("leak")
    page.chip("Ana", "my throat feels tight")  # the nurses' phones have their likely texts now
    wanted, reached, unmarked = page.tab_round()
    assert len(wanted) > 60
    assert reached == wanted
    assert unmarked == []


@NARROW
def test_what_is_being_typed_survives_new_texts_and_enter_sends_it(page):
    box, = page.find("#words-Ana")
    box.send_keys("start")
    page.chip("Luz", "empiezo ahora")
    page.moves("+1 hour")
    assert box.get_property("value") == "start"
    page.writes("Ana", "ing now")
    assert [body for kind, _, body in page.texts("Ana") if kind == "Ana"] == ["starting now"]


@WIDE
def test_a_second_enter_does_not_send_the_answer_that_took_the_place_of_a_likely_text(page):
    page.moves("Next due thing")
    page.chip("Ana", "starting now")
    page.chip("Ana", "done")
    page.driver.switch_to.active_element.send_keys(browser.Keys.ENTER)
    page.moves("+10 min")
    assert [body for kind, _, body in page.texts("Ana") if kind == "Ana"] == ["starting now", "done"]


@WIDE
def test_the_judges_find_faint_text_what_sticks_out_other_hosts_and_errors(page):
    page.run("document.querySelector('h1').style.cssText = 'color: #999; min-width: 1600px'")
    (ratio, found), = page.faint()
    assert ratio < 3 and found == "Ebbline"
    assert any(told.startswith("the page") for told in page.too_wide())
    page.run("document.querySelector('h1').style.cssText = ''")
    page.run("fetch('http://127.0.0.2:9/').catch(() => {})")  # the page's own rules forbid it; the console says so
    page.until(page.complaints, "a word in the console")
    page.driver.get(page.address.replace("127.0.0.1", "localhost"))
    assert "localhost" in page.requests()
    page.driver.get(page.address)


@pytest.mark.parametrize("absent", ["chromium", "chromedriver"])
def test_a_missing_browser_is_told_with_its_mend(monkeypatch, absent):
    monkeypatch.setattr(browser.shutil, "which", lambda name: None if name == absent else f"/usr/bin/{name}")
    assert browser.missing() == (f"no {absent} here, so the demo is not tried in a real browser; "
                                 "run: apt-get install chromium chromium-driver")
