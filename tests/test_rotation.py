"""Where infusions went in, and which sites are proposed next."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows import rotation
from flows.model import Infusion, Reaction, Text
from flows.rotation import Place, place, propose, room, table
from flows.segments import segments
from flows.tick import remind
from tests.test_content import PRACTICE
from tests.test_conversation import ORDER, patient_in, world

NOW = datetime(2026, 3, 10, 22, 0, tzinfo=UTC)  # a Tuesday
DAY = timedelta(days=1)
DUE = NOW + DAY / 24  # 18:00 in Chicago
BELLY, THIGHS = ("left belly", "right belly"), ("left thigh", "right thigh")


def dose(number, days_ago, sites, state="done", how=None):
    at = NOW - days_ago * DAY
    return Infusion(number, 1, date(2026, 3, 10) - days_ago * DAY, at, state, started_at=at, ended_at=at + DAY / 24, how=how, sites=sites)


def told(kind, site, days_ago, infusion_id=None, gone=False):
    at = NOW - days_ago * DAY
    return Reaction(kind, site, at, infusion_id, at if gone else None)


def proposed(count, *doses, reactions=(), rule="rotate", avoid_days=14, spacing_in=4, **more):
    return propose(count, (doses, reactions), rule, NOW, avoid_days, spacing_in, **more)


# --- rotate ----------------------------------------------------------------------------------------------------------


def test_the_longest_rested_sites_come_first():  # "Rotate sites for each administration" (XB-1, SEEN)
    assert proposed(2, dose(2, 7, BELLY), dose(1, 14, THIGHS)).sites == THIGHS
    assert proposed(2, dose(2, 7, THIGHS), dose(1, 14, BELLY)).sites == BELLY


def test_a_place_of_the_list_that_was_never_used_comes_only_before_those_of_the_newest_dose():
    assert proposed(2, dose(2, 7, BELLY), dose(1, 14, THIGHS), areas=("arm", "belly")).sites == THIGHS
    assert proposed(3, dose(2, 7, BELLY), dose(1, 14, ("left thigh",))).sites == ("left thigh", "right thigh", "left belly")


def test_at_the_same_rest_the_sides_are_balanced():
    assert proposed(2, dose(1, 7, ("left thigh",))).sites == BELLY
    assert proposed(3, dose(1, 7, BELLY + THIGHS), areas=("belly", "thigh")).sites == ("left belly", "right belly", "left thigh")


def test_more_sites_than_places_share_a_place_only_as_far_as_the_spacing_allows():
    six = proposed(6, dose(1, 7, BELLY))
    assert sorted(six.sites) == sorted(THIGHS * 2 + BELLY) and not six.why
    assert len(proposed(12, dose(1, 7, BELLY), spacing_in=2).sites) == 12
    nine = proposed(9, dose(1, 7, BELLY))
    assert len(nine.sites) == 8 and nine.why == "8 of 9 ordered sites can be proposed"


@pytest.mark.parametrize(("area", "spacing_in", "sites"), [("belly", 4, 2), ("belly", 2, 3), ("thigh", 5, 1), ("arm", 2, 1)])
def test_a_side_of_an_area_holds_so_many_sites_at_this_spacing(area, spacing_in, sites):  # spacing: clinical 15.2, SEEN
    assert room(area, spacing_in) == sites  # lengths: common practice, no source


def test_an_area_off_the_list_is_proposed_only_where_it_was_used_before():
    assert not {"arm", "hip"} & {site.split()[-1] for site in proposed(4, dose(1, 7, BELLY)).sites}
    assert proposed(1, dose(2, 7, BELLY), dose(1, 70, ("upper left arm",)), areas=("belly",)).sites == ("left arm",)
    assert "right arm" not in proposed(4, dose(1, 70, ("left arm",)), areas=("belly",)).sites
    assert "right hip" in proposed(2, dose(1, 7, BELLY), areas=("hip",)).sites


def test_an_area_used_without_its_side_is_proposed_as_it_was_told():
    assert proposed(1, dose(1, 70, ("back",)), dose(2, 7, BELLY), areas=("belly",)).sites == ("back",)
    assert proposed(1, dose(2, 7, ("left back",)), dose(1, 70, ("back",)), areas=()).sites == ("left back",)


def test_a_use_without_its_side_counts_for_both_sides():
    assert proposed(2, dose(2, 7, ("belly",)), dose(1, 14, THIGHS)).sites == THIGHS


def test_a_site_that_has_not_rested_is_not_proposed_and_what_is_missing_is_said():
    short = proposed(4, dose(1, 7, BELLY), rest_days=14, spacing_in=5)
    assert (short.sites, short.why) == (THIGHS, "2 of 4 ordered sites can be proposed")
    assert proposed(4, dose(1, 7, BELLY), rest_days=7).why == ""


def test_a_dose_that_was_skipped_or_missed_used_no_site():
    assert proposed(2, dose(3, 1, THIGHS, state="skipped"), dose(2, 7, BELLY), dose(1, 14, THIGHS)).sites == THIGHS
    assert proposed(2, dose(2, 1, THIGHS, state="stopped"), dose(1, 14, BELLY)).sites == BELLY


# --- trouble ---------------------------------------------------------------------------------------------------------


def test_a_site_with_recent_trouble_is_left_out_while_another_is_left():
    leak = [told("leak", "left thigh", 7, 1)]
    assert proposed(2, dose(2, 3, BELLY), dose(1, 7, THIGHS), reactions=leak).sites == ("right thigh", "left belly")
    assert "left thigh" in proposed(2, dose(1, 7, THIGHS), reactions=leak, areas=(), spacing_in=5).sites, "nothing else is left"
    assert proposed(2, dose(2, 3, BELLY), dose(1, 7, THIGHS), reactions=leak, avoid_days=5).sites == THIGHS


def test_an_inflamed_site_is_never_proposed_until_it_is_gone_or_long_past():  # "any areas of inflammation" (XB-1, SEEN)
    red = told("redness", "left thigh", 7, 1)
    short = proposed(2, dose(1, 7, THIGHS), reactions=[red], areas=(), spacing_in=5)
    assert (short.sites, short.why) == (("right thigh",), "1 of 2 ordered sites can be proposed")
    gone = told("redness", "left thigh", 7, 1, gone=True)
    assert set(proposed(2, dose(1, 7, THIGHS), reactions=[gone], areas=(), spacing_in=5).sites) == set(THIGHS)
    assert proposed(2, dose(1, 20, THIGHS), reactions=[told("redness", "left thigh", 20, 1)], areas=()).sites == THIGHS


@pytest.mark.parametrize(("site", "infusion_id", "places"), [
    ("left thigh", 1, [("thigh", "left")]), ("thigh", 1, [("thigh", "left"), ("thigh", "right")]), ("left side", 1, [("thigh", "left")]),
    (None, 1, [("thigh", "left"), ("thigh", "right")]), ("left belly, right belly", 1, [("belly", "left"), ("belly", "right")]),
    ("left side", None, [("", "left")]), ("thigh", 7, [("thigh", "")]), (None, None, []), ("foot", None, [("", "")]),
])
def test_what_a_complaint_leaves_open_the_sites_of_its_dose_settle(site, infusion_id, places):
    assert list(rotation.places_of(told("swelling", site, 1, infusion_id), [dose(1, 1, THIGHS)])) == places


def test_a_complaint_that_is_not_about_a_site_blames_none():
    assert rotation.places_of(told("headache", None, 1, 1), [dose(1, 1, THIGHS)]) == ()
    assert proposed(2, dose(2, 7, BELLY), dose(1, 14, THIGHS), reactions=[told("headache", None, 1, 2)]).sites == THIGHS


def test_a_side_without_its_area_blames_that_whole_side():
    assert proposed(2, dose(1, 7, BELLY), reactions=[told("swelling", "left side", 1)]).sites == ("right thigh", "right belly")


# --- in the reminder -------------------------------------------------------------------------------------------------


def reminder(sites=2, lang="en", history=(dose(2, 7, BELLY), dose(1, 14, THIGHS)), practice=(), **changes):
    """The reminder's body for a patient with this history, in a practice that names sites (and its other settings)."""
    ana = replace(patient_in("idle"), lang=lang, infusions=tuple(history), order=replace(ORDER, sites=sites, next_due_at=DUE), **changes)
    known = replace(world(ana), now=DUE, practice=replace(PRACTICE, **{"sites_in_reminder": True, "first_infusions": 0, **dict(practice)}))
    [text] = [each for each in remind(known, ana).effects if isinstance(each, Text) and each.kind == "reminder"]
    return text.body


def test_the_reminder_names_the_proposed_sites_where_the_practice_wants_it():
    assert reminder().endswith(" Sites to use: left thigh, right thigh.")
    assert reminder(lang="es").endswith(" Sitios para usar: muslo izquierdo, muslo derecho.")
    assert reminder(sites=5).endswith("Sites to use: left thigh (2), right thigh, left belly, right belly.")
    assert reminder(practice={"site_rule": "same"}).endswith("Sites to use: left belly, right belly.")


@pytest.mark.parametrize("asked", [
    {"practice": {"sites_in_reminder": False}}, {"wording": "discreet"}, {"sites": 9}, {"history": ()},
    {"practice": {"unsigned_content": False}}, {"practice": {"site_areas": ("belly", "thigh", "arm", "hip", "flank", "back")}, "sites": 12, "lang": "es"},
], ids=["not wanted", "discreet", "too few sites", "no record", "not signed", "no room in the text"])
def test_the_reminder_names_no_sites(asked):
    body = reminder(**asked)
    assert not re.search("Sites|Sitios", body) and len(segments(body).parts) <= 2


# --- the same sites --------------------------------------------------------------------------------------------------


def test_the_same_sites_are_those_of_the_last_dose_without_trouble_as_they_were_told():  # ASCIA (clinical 15.1, SEEN)
    upper = ("upper left belly", "right belly")
    assert proposed(2, dose(1, 7, upper), rule="same").sites == upper
    assert proposed(2, dose(2, 7, THIGHS), dose(1, 14, upper), rule="same", reactions=[told("leak", "left thigh", 7, 2)]).sites == upper
    assert proposed(2, dose(2, 7, THIGHS, how="unwell"), dose(1, 14, upper), rule="same").sites == upper
    assert proposed(2, dose(2, 7, THIGHS, state="stopped"), dose(1, 14, upper), rule="same").sites == upper


def test_of_the_same_sites_one_that_had_trouble_since_is_left_out_and_that_is_said():
    trouble = [told("swelling", "right belly", 7, 2)]
    short = proposed(2, dose(2, 7, ("right belly", "left thigh")), dose(1, 14, BELLY), rule="same", reactions=trouble)
    assert (short.sites, short.why) == (("left belly",), "1 of 2 ordered sites can be proposed")


def test_never_more_sites_than_ordered_and_fewer_are_said():
    assert proposed(1, dose(1, 7, BELLY), rule="same").sites == ("left belly",)
    assert proposed(3, dose(1, 7, BELLY), rule="same").why == "2 of 3 ordered sites can be proposed"


@pytest.mark.parametrize("rule", rotation.RULES)
def test_with_no_sites_on_record_nothing_is_proposed(rule):
    assert proposed(2, dose(1, 7, ()), rule=rule) == rotation.Proposal((), "no sites are on record")
    assert proposed(2, rule=rule).sites == ()


def test_when_every_dose_had_trouble_the_same_sites_are_not_guessed():
    leak = [told("leak", None, 7, 1)]
    assert proposed(2, dose(1, 7, BELLY), rule="same", reactions=leak).why == "no dose without trouble has its sites on record"


# --- the table -------------------------------------------------------------------------------------------------------


def test_the_table_counts_uses_and_troubles_of_each_side_of_an_area():
    leak = told("leak", "left belly", 7, 2)
    found = table([dose(2, 7, ("upper left belly", "right belly")), dose(1, 14, ("left belly", "thigh"))], [leak])
    assert [(str(row.place), row.doses, len(row.troubles)) for row in found] == [
        ("left belly", 2, 1), ("right belly", 1, 0), ("thigh", 1, 0)]
    assert found[0].last_used_at == NOW - 7 * DAY and found[0].troubles == (leak,)


def test_a_place_that_was_only_complained_of_is_in_the_table():
    assert [(str(row.place), row.doses, row.last_used_at) for row in table([], [told("itch", "left arm", 1)])] == [("left arm", 0, None)]


@pytest.mark.parametrize(("site", "named"), [
    ("upper right thigh", ("thigh", "right")), ("belly", ("belly", "")), ("left side", ("", "left")), ("foot", ("", "")), ("", ("", ""))])
def test_a_recorded_site_is_a_side_of_an_area(site, named):
    assert place(site) == Place(*named)


# --- whatever the record ---------------------------------------------------------------------------------------------

SITE = st.sampled_from([f"{level}{side}{area}" for level in ("", "upper ") for side in ("left ", "right ", "") for area in (*rotation.AREAS, "side")])
KIND = st.sampled_from(["leak", "swelling", "redness", "pain", "headache", "blood"])
DOSES = st.lists(st.tuples(st.integers(0, 60), st.lists(SITE, max_size=4), st.sampled_from(["done", "stopped", "skipped", "running"])),
                 max_size=8).map(lambda rows: [dose(n, *row) for n, row in enumerate(sorted(rows, key=lambda row: row[0]), start=1)])
REACTIONS = st.lists(st.builds(told, KIND, SITE | st.none(), st.integers(0, 60), st.integers(1, 8) | st.none(), st.booleans()), max_size=6)
ASKED = {"count": st.integers(1, 12), "doses": DOSES, "reactions": REACTIONS, "rule": st.sampled_from(rotation.RULES),
         "avoid_days": st.integers(0, 40), "spacing_in": st.sampled_from([2, 4]),
         "areas": st.sets(st.sampled_from(rotation.AREAS)).map(lambda found: tuple(sorted(found))), "rest_days": st.integers(0, 30)}


def call(count, doses, reactions, rule, avoid_days, spacing_in, areas, rest_days):
    return propose(count, (doses, reactions), rule, NOW, avoid_days, spacing_in, areas, rest_days)


@settings(max_examples=300, deadline=None)
@given(**ASKED)
def test_no_proposal_is_longer_than_ordered_and_a_shorter_one_says_so(**asked):
    found = call(**asked)
    assert len(found.sites) <= asked["count"] and bool(found.why) == (len(found.sites) < asked["count"])
    assert found == call(**asked)


@settings(max_examples=300, deadline=None)
@given(**ASKED)
def test_every_proposed_site_was_used_before_or_is_on_the_practices_list(**asked):
    used = {place(site) for each in asked["doses"] if each.state in rotation.USED for site in each.sites}
    for site in call(**asked).sites:
        where = place(site)
        assert where in used or (where.area in asked["areas"] and where.side and asked["rule"] == "rotate")


@settings(max_examples=300, deadline=None)
@given(**ASKED)
def test_no_troubled_site_is_proposed_while_another_has_room(**asked):
    found = call(**asked)
    late = [each for each in asked["reactions"] if NOW - each.told_at < asked["avoid_days"] * DAY]
    troubled = {where for each in late for where in rotation.places_of(each, asked["doses"])}
    chosen = [site for site in found.sites if rotation._touched(place(site), troubled)]
    if asked["rule"] == "same" or not chosen:
        return assert_none(chosen, asked["rule"])
    calm = {site: found.sites.count(site) for site in found.sites if site not in chosen}
    more = call(**{**asked, "count": 200})  # all the room there is
    for site in set(more.sites) - set(chosen):
        if not rotation._touched(place(site), troubled):
            assert calm.get(site) == more.sites.count(site), "it was filled before a troubled one was taken"


def assert_none(chosen, rule):
    assert rule != "same" or not chosen


@settings(max_examples=200, deadline=None)
@given(**ASKED)
def test_no_place_gets_more_sites_than_it_has_room_for(**asked):
    if asked["rule"] == "rotate":
        for site in call(**asked).sites:
            assert call(**asked).sites.count(site) <= room(place(site).area, asked["spacing_in"])
