"""The rehearsal file: the example of the file form reads as written, and every mistake is named with its line."""

import re
from datetime import date, datetime, time, timedelta, timezone

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bot.script import (EVENTS, EXAMPLES, FILE, ORDER, PAST, PATIENT, PRACTICE, STEP, Happens, Past, Patient, Practice,
                        Problem, Runs, Script, ScriptError, Step, Texts, load, parse)

EXAMPLE = '''\
practice: {name: Tern Bay Home Infusion, zone: America/Chicago, emergency_number: "911",
           open: "Mon-Fri 08:00-17:00", quiet: "21:00-08:00", answer_within_minutes: {emergency: 5, urgent: 15},
           ask_minutes: 5, silent_while_infusing_minutes: 20}
patients:
  - {name: Ana, lang: en, order: {volume_ml: 40, strength: 0.2, sites: 2, rate_ml_per_h_per_site: 20, every: week, \
day: Tue, time: "18:00"}}
  # optional: zone, weight_kg, born, needle_mm, gauge, epinephrine: true
  # history: [{on: 2026-03-03, volume_ml: 40, minutes: 62, sites: [left belly, right belly], lots: [A1]}]
  # caregiver: Dana   a person with a phone of her own who texts for the patient
  # phone: shared-1   patients with the same label have one phone between them
nurses: [Ruth, Sam, Mara]      # in ladder order; the last is the manager
start: 2026-03-10T17:00        # local to the practice
steps:
  - {at: "18:05", from: Ana, text: "starting now"}          # next time the practice's clock shows 18:05
  - {after: 70m, from: Ana, text: "done. left side leaked a bit"}
  - {after: 2h}                                             # time passes
  - {after: 1m, from: Ruth, text: "..."}                    # a nurse texts
  - {after: 1m, from: Unknown, text: "..."}                 # a number that is on no file
  - {after: 1m, from: Ana, text: "", media: 1}              # a picture without words
  - {after: 0m, event: duplicate}                           # the carrier delivers the last text again
  - {after: 0m, event: swap}                                # the last two texts arrive in the other order
  - {after: 0m, event: carrier-down, for: 10m}
  - {after: 0m, event: undelivered, to: Ruth, for: 1h}      # also: no-receipt, opted-out (who), worker-down, web-down
  - {after: 5m, run: "schedule skip Ana"}                   # one of our own commands, on the rehearsal's database
'''

FULL = '''\
patients:
  - name: Ana
    lang: es
    zone: America/Phoenix
    weight_kg: 61.5
    born: 2011-07-09
    needle_mm: 9
    gauge: 26
    epinephrine: true
    phone: shared-1
    caregiver: [Dana, Eli]
    order: {dose_g: 8, strength: 0.2, sites: 2, rate_ml_per_h_per_site: 20, every: 10 days, time: 18:00,
            max_ml_per_site: 25, max_sites: 4, product: Some product, product_code: 0001-0002}
    history:
      - {on: 2026-03-03, volume_ml: 40, minutes: 62, sites: [left belly, right belly],
         problems: [{kind: leak, site: left belly}, {kind: slow}], lots: [A1]}
      - {on: 2026-02-24}
  - {name: Ben, phone: shared-1, caregiver: Dana, epinephrine: false}
nurses: [Ruth]
start: 2026-03-10 17:00
steps:
  - {at: 18:05, from: Dana, text: no}
  - {after: 1h30m, from: coordinator, text: 18:05}
  - {after: 90s, event: opted-out, who: Ben}
  - {after: 2d, event: web-down, for: 5m}
  - after: 0m
    from: Ana
    text: |
      two
      lines
'''


def step(written):
    """The example's people with one text and then this step."""
    return ("patients: [{name: Ana, caregiver: Dana}]\nnurses: [Ruth]\nstart: 2026-03-10T17:00\nsteps:\n"
            f"  - {{after: 1m, from: Ana, text: hello}}\n  - {written}\n")


def wrong(text, name="chat.yaml"):
    with pytest.raises(ScriptError) as caught:
        parse(text, name)
    return caught.value


class TestWhatIsRead:
    def test_the_example_of_the_file_form_reads_as_it_is_written(self):
        script = parse(EXAMPLE)
        assert script.practice == Practice(
            name="Tern Bay Home Infusion", zone="America/Chicago", emergency_number="911", open="Mon-Fri 08:00-17:00",
            quiet="21:00-08:00", answer_within_minutes={"emergency": 5, "urgent": 15}, ask_minutes=5,
            silent_while_infusing_minutes=20, call_back_hours=None, fallback=None, crisis_line=None)
        (ana,) = script.patients
        assert (ana.name, ana.lang, ana.zone, ana.caregivers, ana.phone, ana.history) == (
            "Ana", "en", "America/Chicago", (), None, ())
        order = ana.order
        assert (order.volume_ml, order.dose_g, order.strength, order.sites, order.rate_ml_per_h_per_site) == (
            40, None, 0.2, 2, 20)
        assert (order.every, order.day, order.time) == ("week", "Tue", time(18, 0))
        assert script.nurses == ("Ruth", "Sam", "Mara")
        assert script.start_local == datetime(2026, 3, 10, 17, 0)    # a Tuesday
        assert script.start_at == datetime(2026, 3, 10, 22, 0, tzinfo=timezone.utc)
        m, h = timedelta(minutes=1), timedelta(hours=1)
        assert script.steps == (
            Step(13, time(18, 5), None, Texts("Ana", "starting now")),
            Step(14, None, 70 * m, Texts("Ana", "done. left side leaked a bit")),
            Step(15, None, 2 * h),
            Step(16, None, m, Texts("Ruth", "...")),
            Step(17, None, m, Texts("Unknown", "...")),
            Step(18, None, m, Texts("Ana", "", 1)),
            Step(19, None, 0 * m, Happens("duplicate")),
            Step(20, None, 0 * m, Happens("swap")),
            Step(21, None, 0 * m, Happens("carrier-down", None, 10 * m)),
            Step(22, None, 0 * m, Happens("undelivered", "Ruth", h)),
            Step(23, None, 5 * m, Runs("schedule skip Ana", ("schedule", "skip", "Ana"))))

    def test_without_a_practice_the_examples_practice_holds(self):
        assert parse(EXAMPLE[EXAMPLE.index("patients:"):]).practice == parse(EXAMPLE).practice

    def test_one_answer_time_may_be_left_out(self):
        text = EXAMPLE.replace("{emergency: 5, urgent: 15}", "{urgent: 30}")
        assert parse(text).practice.answer_within_minutes == {"emergency": 5, "urgent": 30}

    def test_sites_and_supplies_of_a_practice_are_read_and_else_as_the_flows_have_them(self):
        text = swapped("ask_minutes: 5", "ask_minutes: 5, site_rule: same, sites_in_reminder: true, site_areas: [belly, arm], "
                       "site_rest_days: 0, site_avoid_days: 10, site_spacing_in: 2, refill_lead_days: 14")
        practice = parse(text).practice
        assert (practice.site_rule, practice.sites_in_reminder, practice.site_areas) == ("same", True, ("belly", "arm"))
        assert (practice.site_rest_days, practice.site_avoid_days, practice.site_spacing_in, practice.refill_lead_days) == (0, 10, 2, 14)
        assert parse(EXAMPLE).practice.site_rule is None

    def test_the_further_keys_of_a_practice_are_read(self):
        text = EXAMPLE.replace("ask_minutes: 5,", 'ask_minutes: 3, call_back_hours: 4, crisis_line: 988, '
                               'fallback: "+15035550199",')
        practice = parse(text).practice
        assert (practice.ask_minutes, practice.call_back_hours, practice.crisis_line, practice.fallback) == (
            3, 4, "988", "+15035550199")

    def test_every_optional_key_of_a_patient_is_read(self):
        ana, ben = parse(FULL).patients
        assert (ana.lang, ana.zone, ana.weight_kg, ana.born, ana.needle_mm, ana.gauge, ana.epinephrine) == (
            "es", "America/Phoenix", 61.5, date(2011, 7, 9), 9, 26, True)
        assert (ana.caregivers, ana.phone) == (("Dana", "Eli"), "shared-1")
        order = ana.order
        assert (order.dose_g, order.volume_ml, order.every, order.day) == (8, None, "10 days", None)
        assert (order.max_ml_per_site, order.max_sites, order.product, order.product_code) == (
            25, 4, "Some product", "0001-0002")
        assert ana.history == (
            Past(date(2026, 2, 24)),    # a Tuesday
            Past(date(2026, 3, 3), 40, 62, ("left belly", "right belly"),
                 (Problem("leak", "left belly"), Problem("slow")), ("A1",)))
        assert ben == Patient("Ben", "America/Chicago", epinephrine=False, caregivers=("Dana",), phone="shared-1")

    def test_unquoted_times_and_words_keep_their_written_text(self):
        script = parse(FULL)
        assert script.patients[0].order.time == time(18, 0)
        assert [s.does for s in script.steps] == [
            Texts("Dana", "no"), Texts("coordinator", "18:05"), Happens("opted-out", "Ben"),
            Happens("web-down", None, timedelta(minutes=5)), Texts("Ana", "two\nlines\n")]
        assert [s.at or s.after for s in script.steps] == [
            time(18, 5), timedelta(minutes=90), timedelta(seconds=90), timedelta(days=2), timedelta(0)]

    @pytest.mark.parametrize("written,seconds", [
        ("70m", 4200), ("2h", 7200), ("1h30m", 5400), ("90s", 90), ("2d", 172800), ("0m", 0), ("1d1h1m1s", 90061)])
    def test_spans(self, written, seconds):
        assert parse(step(f"{{after: {written}}}")).steps[1].after == timedelta(seconds=seconds)

    def test_every_event_can_be_written(self):
        for event, (to_somebody, lasting, texts) in EVENTS.items():
            written = f"{{after: 0m, event: {event}{', to: Ruth' * to_somebody}{', for: 1h' * lasting}}}"
            text = step("{after: 1m, from: Ana, text: again}") + f"  - {written}\n"
            assert parse(text).steps[2].does == Happens(
                event, "Ruth" if to_somebody else None, timedelta(hours=1) if lasting else None)

    def test_a_file_is_loaded_with_or_without_a_byte_order_mark(self, tmp_path):
        for encoding in ("utf-8", "utf-8-sig"):
            path = tmp_path / "chat.yaml"
            path.write_text(EXAMPLE, encoding)
            assert load(path) == parse(EXAMPLE)


class TestWhenAStepComes:
    CHICAGO = "America/Chicago"

    def at(self, wall, now, zone=CHICAGO):
        return Step(1, time.fromisoformat(wall), None).due_at(datetime.fromisoformat(now), zone).isoformat()

    def test_a_span_counts_real_time(self):
        due = Step(1, None, timedelta(days=1)).due_at(datetime(2026, 3, 7, 23, 0, tzinfo=timezone.utc), self.CHICAGO)
        assert due == datetime(2026, 3, 8, 23, 0, tzinfo=timezone.utc)    # Sunday: the clocks have changed between

    def test_a_wall_time_is_the_next_one(self):
        assert self.at("18:05", "2026-03-10T22:00+00:00") == "2026-03-10T23:05:00+00:00"    # Tuesday, same day
        assert self.at("16:59", "2026-03-10T22:00+00:00") == "2026-03-11T21:59:00+00:00"    # Wednesday

    def test_a_wall_time_that_the_clock_shows_already_is_now(self):
        assert self.at("17:00", "2026-03-10T22:00:20+00:00") == "2026-03-10T22:00:20+00:00"    # Tuesday

    def test_a_wall_time_in_the_gap_is_read_with_the_offset_before_it(self):
        # RFC 5545 3.3.5 (seen in the RFC): 02:30 becomes 03:30. Sunday 2026-03-08 in Chicago: 03:30 CDT = 08:30 UTC.
        assert self.at("02:30", "2026-03-08T06:00+00:00") == "2026-03-08T08:30:00+00:00"

    def test_of_two_equal_wall_times_the_first_still_ahead_counts(self):
        # Sunday 2026-11-01 in Chicago: 01:30 is 06:30 and again 07:30 UTC.
        assert self.at("01:30", "2026-11-01T05:00+00:00") == "2026-11-01T06:30:00+00:00"
        assert self.at("01:30", "2026-11-01T06:45+00:00") == "2026-11-01T07:30:00+00:00"
        assert self.at("01:30", "2026-11-01T07:31+00:00") == "2026-11-02T07:30:00+00:00"


def swapped(old, new, text=EXAMPLE):
    assert old in text
    return text.replace(old, new, 1)


MISTAKES = [
    # (the file, line, key, what the error says, what its mend says)
    ("", 1, "file", "is empty", "patients"),
    ("# only a comment\n", 1, "file", "is empty", "patients"),
    ("- a\n- b\n", 1, "file", "not a mapping", "patients"),
    ("hello\n", 1, "file", "not a mapping", "patients"),
    ("practice: {}\npatients: []\n", 1, "nurses", "is missing", "nurses: [Ruth]"),
    (swapped("start: 2026-03-10T17:00        # local to the practice\n", ""), 1, "start", "is missing", "2026-03-10"),
    (swapped("\n  - {after: 2h}", "\n\t- {after: 2h}"), 15, "file", "tab", "spaces"),
    (swapped("{after: 2h}", "{after:\t2h}"), 15, "file", r"\t", "spaces"),
    (swapped("{after: 2h}", "{after: 2h"), 16, "file", "expected", "YAML"),
    (swapped("{after: 2h}", "{after: \x00}"), 15, "file", "U+0000", "take it out"),
    ('a: "\\UFFFFFFFF"\n', 1, "file", "bad escape", "character"),
    ("[" * 5000, 1, "file", "nested too deeply", "form"),
    (EXAMPLE + "---\na: b\n", 24, "file", "another document", "YAML"),
    (EXAMPLE + "nurses: [Zoe]\n", 24, "nurses", "stands twice (first in line 10)", "keep one"),
    (swapped("lang: en,", "lang: en, lang: es,"), 5, "patients.lang", "stands twice", "keep one"),
    (EXAMPLE + "stepps: []\n", 24, "stepps", "unknown key 'stepps'", "did you mean 'steps'?"),
    (swapped("zone: America", "zones: America"), 1, "practice.zones", "unknown key", "did you mean 'zone'?"),
    (swapped("strength", "strenght"), 5, "patients.order.strenght", "unknown key", "did you mean 'strength'?"),
    (swapped("{after: 2h}", "{aftr: 2h}"), 15, "steps.aftr", "unknown key", "did you mean 'after'?"),
    (swapped("{after: 2h}", "{<<: 2h}"), 15, "steps.<<", "unknown key", "known here"),
    (swapped("{after: 2h}", "{? [a] : 2h}"), 15, "steps.?", "unknown key", "known here"),
    (swapped("{after: 2h}", "{after: !!int 2h}"), 15, "steps.after", "YAML tag", "take the tag out"),
    (swapped("{after: 2h}", "{after: }"), 15, "steps.after", "has no value", "leave the key out"),
    (swapped("{after: 2h}", "after"), 15, "steps", "not a mapping", "at, after"),
    (swapped("{after: 2h}", "{after: [2h]}"), 15, "steps.after", "is a sequence", "one value"),
    (swapped("zone: America/Chicago", "zone: America/Chigaco"), 1, "practice.zone", "no time zone", "America/Chicago"),
    (swapped("zone: America/Chicago", "zone: CDT"), 1, "practice.zone", "no time zone", "IANA"),
    (swapped('"911"', '"call us"'), 1, "practice.emergency_number", "no telephone number", "911"),
    (swapped('"Mon-Fri 08:00-17:00"', "always"), 2, "practice.open", "no list of working hours", "Mon-Fri"),
    (swapped('"21:00-08:00"', '"21:00-21:00"'), 2, "practice.quiet", "no quiet hours", "21:00-08:00"),
    (swapped("{emergency: 5,", "{emergency: soon,"), 2, "practice.answer_within_minutes.emergency", "'soon'", "digits"),
    (swapped("{emergency: 5,", "{nurse: 5,"), 2, "practice.answer_within_minutes.nurse", "unknown key", "urgent"),
    (swapped("ask_minutes: 5", "ask_minutes: 5, site_rule: random"), 3, "practice.site_rule", "is not one of rotate, same", "did you mean"),
    (swapped("ask_minutes: 5", "ask_minutes: 5, site_areas: [knee]"), 3, "practice.site_areas", "is not one of belly", "did you mean"),
    (swapped("ask_minutes: 5", "ask_minutes: 6"), 3, "practice.ask_minutes", "from 1 to 5", "digits"),
    (swapped("[Ruth, Sam, Mara]", "Ruth"), 10, "nurses", "not a list", "[a, b]"),
    (swapped("[Ruth, Sam, Mara]", "[]"), 10, "nurses", "is empty", "at least one"),
    (swapped("[Ruth, Sam, Mara]", "[Ruth, Sam, Ruth]"), 10, "nurses", "'Ruth' stands for a nurse", "another name"),
    (swapped("[Ruth, Sam, Mara]", "[Ruth, ana]"), 10, "nurses", "'ana' stands for a patient", "another name"),
    (swapped("[Ruth, Sam, Mara]", "[Ruth, Ebbline]"), 10, "nurses", "printed chat", "another name"),
    (swapped("2026-03-10T17:00", "2026-03-10"), 11, "start", "no local date and time", "2026-03-10T17:00"),
    (swapped("2026-03-10T17:00", "2026-03-10T17:00Z"), 11, "start", "no local date and time", "without an offset"),
    (swapped("2026-03-10T17:00", "2026-02-30T17:00"), 11, "start", "no local date and time", "2026-03-10T17:00"),
    (swapped("2026-03-10T17:00", "0001-01-01T17:00"), 11, "start", "between 2000 and 2099", "century"),
    (swapped("{name: Ana, ", "{"), 5, "patients.name", "is missing", "name: Ana"),
    (swapped("lang: en", "lang: fr"), 5, "patients.lang", "'fr' is not one of en, es", "did you mean"),
    (swapped("lang: en", "caregiver: [Dana, Dana]"), 5, "patients.caregiver", "twice", "keep one"),
    (swapped("lang: en", "caregiver: Ana"), 5, "patients.caregiver", "'Ana' stands for a patient", "another name"),
    (swapped("lang: en", "epinephrine: maybe"), 5, "patients.epinephrine", "neither true nor false", "true or false"),
    (swapped("lang: en", "born: 2027-01-01"), 5, "patients.born", "after the start", "earlier"),
    (swapped("lang: en", "born: 9.7.2011"), 5, "patients.born", "no date", "2026-03-03"),
    (swapped("lang: en", "born: 2011-02-29"), 5, "patients.born", "not in the calendar", "exists"),
    (swapped("lang: en", "weight_kg: heavy"), 5, "patients.weight_kg", "not a number", "40"),
    (swapped("lang: en", "gauge: 2.5"), 5, "patients.gauge", "not a whole number", "digits"),
    (swapped("lang: en", "zone: Mars/Base"), 5, "patients.zone", "no time zone", "IANA"),
    (swapped("lang: en", "history: [{volume_ml: 40}]"), 5, "patients.history.on", "is missing", "2026-03-03"),
    (swapped("lang: en", "history: [{on: 2026-03-11}]"), 5, "patients.history.on", "after the start", "earlier"),
    (swapped("lang: en", "history: [{on: 2026-03-03, problems: [{site: x}]}]"), 5, "patients.history.problems.kind",
     "is missing", "leak"),
    (swapped("strength: 0.2", "strength: 20"), 5, "patients.order.strength", "more than 1", "did you mean 0.20?"),
    (swapped("volume_ml: 40", "volume_ml: forty"), 5, "patients.order.volume_ml", "not a number", "40"),
    (swapped("volume_ml: 40", "volume_ml: -40"), 5, "patients.order.volume_ml", "not a number over 0", "40"),
    (swapped("volume_ml: 40", "volume_ml: 0"), 5, "patients.order.volume_ml", "over 0", "40"),
    (swapped("volume_ml: 40", "volume_ml: 40, dose_g: 8"), 5, "patients.order", "both", "keep one"),
    (swapped("volume_ml: 40, ", ""), 5, "patients.order.volume_ml", "is missing", "dose_g"),
    (swapped("strength: 0.2, ", ""), 5, "patients.order.strength", "is missing", "0.2"),
    (swapped(", sites: 2", ""), 5, "patients.order.sites", "is missing", "sites: 2"),
    (swapped("rate_ml_per_h_per_site: 20, ", ""), 5, "patients.order.rate_ml_per_h_per_site", "is missing", "20"),
    (swapped("day: Tue, ", ""), 5, "patients.order.day", "is missing", "day: Tue"),
    (swapped(', time: "18:00"', ""), 5, "patients.order.time", "is missing", "18:00"),
    (swapped('"18:00"', '"25:00"'), 5, "patients.order.time", "no time of day", "18:05"),
    (swapped('"18:00"', "6pm"), 5, "patients.order.time", "no time of day", "18:05"),
    (swapped("day: Tue", "day: Tues"), 5, "patients.order.day", "not one of Mon", "did you mean 'Tue'?"),
    (swapped("every: week", "every: now and then"), 5, "patients.order.every", "no rhythm", "2 weeks"),
    (swapped("every: week", "every: 0 days"), 5, "patients.order.every", "no rhythm", "2 weeks"),
    (EXAMPLE[:EXAMPLE.index("steps:")] + "steps: []\n", 12, "steps", "is empty", "after: 1h"),
    (step('{at: "18:60"}'), 6, "steps.at", "no time of day", "18:05"),
    (step("{after: soon}"), 6, "steps.after", "no span", "1h30m"),
    (step("{after: ''}"), 6, "steps.after", "no span", "1h30m"),
    (step("{after: 401d}"), 6, "steps.after", "400 days", "shorter"),
    (step('{at: "18:05", after: 1m}'), 6, "steps", "both at and after", "keep one"),
    (step("{from: Ana, text: hello}"), 6, "steps", "neither at nor after", "say when"),
    (step("{run: doctor}"), 6, "steps", "neither at nor after", "say when"),
    (step("{event: duplicate}"), 6, "steps", "neither at nor after", "say when"),
    (step("{after: 1m, from: Anna, text: hello}"), 6, "steps.from", "'Anna' is nobody", "did you mean 'Ana'?"),
    (step("{after: 1m, from: Ebbline, text: hello}"), 6, "steps.from", "nobody", "known"),
    (step("{after: 1m, from: Ana}"), 6, "steps.text", "is missing", "media"),
    (step("{after: 1m, from: Ana, text: }"), 6, "steps.text", "has no value", '""'),
    (step("{after: 1m, from: Ana, text: [a]}"), 6, "steps.text", "is a sequence", "one value"),
    (step("{after: 1m, from: Ana, media: yes}"), 6, "steps.media", "not a whole number", "digits"),
    (step("{after: 1m, text: hello}"), 6, "steps.text", "only time passes", "add from"),
    (step("{after: 1m, for: 1h}"), 6, "steps.for", "only time passes", "add event"),
    (step("{after: 1m, from: Ana, text: hello, for: 1h}"), 6, "steps.for", "a step with from", "event"),
    (step("{after: 1m, from: Ana, run: doctor}"), 6, "steps", "from and run", "each"),
    (step("{after: 1m, event: explode}"), 6, "steps.event", "not one of duplicate", "did you mean"),
    (step("{after: 1m, event: carrier-down}"), 6, "steps.for", "for how long", "for: 10m"),
    (step("{after: 1m, event: carrier-down, for: 0m}"), 6, "steps.for", "no time at all", "10m"),
    (step("{after: 1m, event: carrier-down, for: 1h, to: Ana}"), 6, "steps.to", "means nothing", "take it out"),
    (step("{after: 1m, event: undelivered, for: 1h}"), 6, "steps.to", "names nobody", "to: Ana"),
    (step("{after: 1m, event: undelivered, to: Ruth}"), 6, "steps.for", "for how long", "for: 10m"),
    (step("{after: 1m, event: no-receipt, to: Zoe, for: 1h}"), 6, "steps.to", "'Zoe' is nobody", "known"),
    (step("{after: 1m, event: opted-out}"), 6, "steps.to", "names nobody", "to: Ana"),
    (step("{after: 1m, event: opted-out, to: Ana, who: Ana}"), 6, "steps.to", "two people", "once"),
    (step("{after: 1m, event: opted-out, who: Ana, for: 1h}"), 6, "steps.for", "means nothing", "take it out"),
    (step("{after: 1m, event: swap}"), 6, "steps.event", "needs 2 texts before it, and there are 1", "below"),
    (swapped("  - {after: 1m, from: Ana, text: hello}\n", "", step("{after: 1m, event: duplicate}")), 5, "steps.event",
     "needs 1 text before it, and there are 0", "below"),
    (step("{after: 1m, run: ''}"), 6, "steps.run", "not a line of text", "words"),
    (step("{after: 1m, run: \"schedule 'skip\"}"), 6, "steps.run", "quotation", "close the quotes"),
    (step("{after: 1m, run: ebbline doctor}"), 6, "steps.run", "does not start", "without our name"),
    (step("{after: 1m, run: serve}"), 6, "steps.run", "does not end", "do"),
]


class TestMistakes:
    @pytest.mark.parametrize("text,line,key,says,mend", MISTAKES, ids=[
        f"{n}-{key}-{says[:20]}" for n, (_, _, key, says, _) in enumerate(MISTAKES)])
    def test_each_mistake_is_named_with_line_key_and_mend(self, text, line, key, says, mend):
        error = wrong(text)
        assert (error.file, error.line, error.key) == ("chat.yaml", line, key), str(error)
        assert says in error.text and mend in error.mend
        assert str(error) == f"chat.yaml:{line}: {key}: {error.text}; {error.mend}"
        assert len(str(error).splitlines()) == 1

    def test_every_key_that_can_be_missing_has_an_example(self):
        known = {**FILE, **PRACTICE, **PATIENT, **ORDER, **PAST, **STEP, "kind": None}
        assert set(EXAMPLES) <= set(known) and all(EXAMPLES.values())

    def test_every_key_of_the_example_is_a_known_one_and_a_misspelt_one_is_not(self):
        for table in (FILE, PRACTICE, PATIENT, ORDER, STEP):
            for key in table:
                pattern = rf"(?<![\w-]){key}:(?= |\n)"
                if re.search(pattern, EXAMPLE.split("\n  # optional")[0] + EXAMPLE[EXAMPLE.index("\nnurses"):]):
                    error = wrong(re.sub(pattern, f"{key}x:", EXAMPLE, count=1))
                    assert error.key.endswith(f"{key}x") and "unknown key" in error.text

    def test_a_file_that_is_not_there_or_not_text_is_a_script_error(self, tmp_path):
        with pytest.raises(ScriptError, match="cannot be read"):
            load(tmp_path / "nothing.yaml")
        with pytest.raises(ScriptError, match="cannot be read"):
            load(tmp_path)
        (tmp_path / "latin.yaml").write_bytes("a: b\nname: José\n".encode("latin-1"))
        with pytest.raises(ScriptError, match=":2: file: is not UTF-8"):
            load(tmp_path / "latin.yaml")

    def test_a_list_that_holds_itself_is_a_mistake_and_no_endless_loop(self):
        assert wrong(swapped("{after: 2h}", "&a [*a]")).line == 15


PIECES = ("\t", "\n", "  - ", ": ", "{", "}", "[", "]", '"', "'", "#", "&a ", "*a", "!!int ", "|", ">", "~", "null",
          "---\n", "0", "-1", "1e9", "999999999", ".nan", "18:05", "25:00", "Ana", "Unknown", "from", "event", "swap",
          "for", "\\U", "\x00", "\ud800", "\x85", "\u2028", "\ufeff", "٣", "²", "<<: ", "? ", "%YAML 3.0\n",
          "2026-02-30")

MUTATIONS = st.lists(st.tuples(
    st.integers(0, 5000), st.integers(0, 30), st.one_of(st.just(""), st.sampled_from(PIECES), st.text(max_size=3))),
    min_size=1, max_size=4)


def mutated(text, mutations):
    for place, cut, piece in mutations:
        place %= len(text) + 1
        text = text[:place] + piece + text[place + cut:]
    return text


class TestMutations:
    @settings(max_examples=400, deadline=None)
    @given(st.sampled_from((EXAMPLE, FULL)), MUTATIONS)
    @example(EXAMPLE, [(0, 0, "\ud800")])
    @example(EXAMPLE, [(0, 0, "%YAML 3.0\n")])
    def test_a_damaged_file_is_read_or_refused_with_one_line_and_nothing_else(self, text, mutations):
        text = mutated(text, mutations)
        try:
            script = parse(text)
        except ScriptError as error:
            assert len(str(error).splitlines()) == 1
            assert 1 <= error.line <= len(re.split("\r\n|[\n\r\x85\u2028\u2029]", text)) + 1
            assert error.key and error.text and error.mend
        else:
            assert isinstance(script, Script) and script.start_at
            assert all(s.due_at(script.start_at, script.practice.zone) >= script.start_at for s in script.steps)

    @settings(max_examples=100, deadline=None)
    @given(st.text(max_size=200))
    def test_any_text_at_all_is_read_or_refused(self, text):
        try:
            parse(text)
        except ScriptError as error:
            assert len(str(error).splitlines()) == 1
