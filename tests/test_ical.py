"""Calendar files, read back by the icalendar library."""

from datetime import UTC, date, datetime, timedelta

import icalendar
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.ical import Event, calendar
from flows.model import Decision, HoldOrder
from store import people, record
from store.database import writing
from tests.processes import ZONE
from tests.test_agenda import DUE, does, played  # noqa: F401

NOW = datetime(2026, 3, 10, 22, 55, tzinfo=UTC)  # a Tuesday


def events(text):
    return icalendar.Calendar.from_ical(text).walk("VEVENT")


def starts(text):
    return [event.decoded("DTSTART") for event in events(text)]


def test_the_feed_of_a_patient_holds_a_year_of_her_planned_times_in_utc(played):  # noqa: F811
    found = starts(does(played, "export ical Ana"))
    assert found[0] == DUE and len(found) == 53 and found[35] == datetime(2026, 11, 11, 0, tzinfo=UTC)  # Tuesday 18:00 CST


def test_a_move_a_skip_a_pause_and_a_journey_are_in_the_feed_as_they_are(played):  # noqa: F811
    does(played, "schedule skip Ana")
    does(played, "schedule move Ana --on 2026-03-17 --to 2026-03-18 --time 09:00")
    does(played, "schedule pause Ana --from 2026-03-20 --until 2026-03-30")
    does(played, "schedule travel Ana --zone Europe/Madrid --from 2026-03-31 --until 2026-04-02")
    assert starts(does(played, "export ical Ana"))[:3] == [
        datetime(2026, 3, 18, 14, tzinfo=UTC), datetime(2026, 3, 31, 16, tzinfo=UTC), datetime(2026, 4, 7, 23, tzinfo=UTC)]


def test_a_time_keeps_its_key_when_the_feed_is_read_again(played):  # noqa: F811
    before = {event["UID"] for event in events(does(played, "export ical Ana"))}
    played.advance(minutes=1)
    assert {event["UID"] for event in events(does(played, "export ical Ana"))} == before


def test_the_feeds_name_no_surname_no_drug_no_illness_and_no_infusion(played):  # noqa: F811
    with writing(played.office.db()) as db:
        zoe = people.add_patient(db, played.now, name="Zoe Marlowe", lang="en", zone=ZONE, number="+13125550119")
        people.add_order(db, played.now, zoe, volume_ml=40, strength_g_per_ml=0.2, sites=2, rate_ml_per_h_per_site=20, every="week",
                         weekdays=("Wed",), clock_local="18:00", starts_on=date(2026, 3, 11), next_due_at=DUE, product_name="Sample product")
    for text in (does(played, "export ical --all"), does(played, "export ical", "Zoe Marlowe")):
        assert not any(word in text for word in ("Marlowe", "Zoe", "Sample", "nfusion", "mL", "+1312"))
        assert {str(event["SUMMARY"]) for event in events(text)} <= {"Planned time", "Planned: A.", "Planned: B.", "Planned: Z.M."}
    assert len({event["UID"] for event in events(does(played, "export ical --all"))}) == len(events(does(played, "export ical --all")))


def test_while_an_order_is_on_hold_its_feed_is_empty(played):  # noqa: F811
    with writing(played.office.db()) as db:
        record.carry_out(db, Decision((HoldOrder(1, "a reaction"),)), played.now)
    assert events(does(played, "export ical Ana")) == []
    assert {str(event["SUMMARY"]) for event in events(does(played, "export ical --all"))} == {"Planned: B."}


def test_a_file_is_written_where_it_is_wanted(played, tmp_path):  # noqa: F811
    does(played, f"export ical --all --out {tmp_path / 'all.ics'}")
    assert len(events((tmp_path / "all.ics").read_bytes())) == 106


WORDS = st.text(st.characters(min_codepoint=32, exclude_categories=["Cs", "Cc", "Cn", "Zl", "Zp"]), min_size=1, max_size=200)


@settings(deadline=None)
@given(WORDS, st.lists(st.tuples(WORDS, st.integers(0, 10**8), st.floats(0, 900)), max_size=4))
def test_whatever_the_words_the_file_reads_back_and_no_line_is_longer_than_75_octets(title, made):
    wanted = [Event(f"{n}-x", NOW + timedelta(seconds=seconds), minutes, words) for n, (words, seconds, minutes) in enumerate(made)]
    text = calendar(title, wanted, NOW)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    found = events(text)
    assert [str(event["SUMMARY"]) for event in found] == [event.words for event in wanted]
    assert [event.decoded("DTSTART") for event in found] == [event.at for event in wanted]
    assert all(event.decoded("DTEND") > event.decoded("DTSTART") for event in found)
    assert all(not icalendar.Calendar.from_ical(text).errors and not event.errors for event in found)
