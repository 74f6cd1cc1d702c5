"""The settings file."""

import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.settings import _SECTIONS, CARRIERS, E164, Settings, SettingsError, example, find, load
from flows.hours import parse_hours, parse_quiet

REQUIRED = {
    "installation",
    "practice.name", "practice.emergency_number", "practice.crisis_line", "practice.practice_number",
    "practice.fallback_number", "practice.zone", "practice.country",
    "hours.open", "hours.quiet", "hours.call_back_hours",
    "answer_within_minutes.emergency", "answer_within_minutes.urgent",
    "conversation.ask_minutes", "conversation.silent_while_infusing_minutes",
    "sending.delivery_wait_minutes", "sending.public_url",
    "carrier.kind", "carrier.url", "carrier.secret", "carrier.number",
}
OPTIONAL = {
    "unsigned_content": False, "conversation.second_reminder_minutes": 120,
    "conversation.coordinator_after_minutes": 240, "conversation.window_hours": 24, "conversation.late_window_hours": 0, "conversation.grace_minutes": 10,
    "conversation.put_off_minutes": 120, "sending.test_clock": None,
    "care.site_rule": "rotate", "care.sites_in_reminder": False, "care.site_areas": ("belly", "thigh"), "care.site_rest_days": 0,
    "care.site_avoid_days": 14, "care.site_spacing_in": 4, "care.refill_lead_days": 7,
}


def line_of(key):
    """Where the sample sets this key: its line number."""
    section, _, name = key.rpartition(".")
    here = ""
    for number, line in enumerate(example().splitlines()):
        if line.startswith("["):
            here = line.strip("[]")
        elif here == section and line.removeprefix("# ").startswith(f"{name} = "):
            return number
    raise LookupError(key)


def sample(**changes):
    """The sample with some keys (dots written as __) set to other TOML, or left out for None."""
    lines = example().splitlines()
    for key, toml in changes.items():
        key = key.replace("__", ".")
        lines[line_of(key)] = "" if toml is None else f"{key.rpartition('.')[2]} = {toml}"
    return "\n".join(lines)


@pytest.fixture
def loaded(tmp_path):
    def load_text(text):
        path = tmp_path / "ebbline.toml"
        path.write_text(text, encoding="utf-8")
        return load(path)
    return load_text


@pytest.fixture
def problems(loaded):
    def problems_of(text):
        with pytest.raises(SettingsError) as caught:
            loaded(text)
        return caught.value.problems
    return problems_of


def value(settings_, key):
    for name in key.split("."):
        settings_ = getattr(settings_, name)
    return settings_


def test_the_sample_loads_as_it_is(loaded):
    found = loaded(example())
    assert found.practice.name == "Tern Bay Home Infusion"
    assert found.practice.emergency_number == "911"
    assert found.hours.open == parse_hours("Mon-Fri 08:00-17:00")
    assert found.hours.quiet == parse_quiet("21:00-08:00")
    assert (found.answer_within_minutes.emergency, found.answer_within_minutes.urgent) == (5, 15)
    assert found.live is False
    assert found.file.name == "ebbline.toml"


def test_the_sample_holds_every_key_and_each_docstring_explains_its_keys():
    sections = {"": Settings, **_SECTIONS}
    keys = {f"{section}.{key.name}".lstrip("."): cls
            for section, cls in sections.items() for key in fields(cls) if key.metadata}
    assert set(keys) == REQUIRED | set(OPTIONAL)
    for key, cls in keys.items():
        assert line_of(key)
        assert f"\n    {key.rpartition('.')[2]}: " in cls.__doc__


def test_the_numbers_of_the_sample_are_fictitious():
    data = tomllib.loads(example())
    for number in (data["practice"]["practice_number"], data["practice"]["fallback_number"], data["carrier"]["number"]):
        assert number[:2] == "+1" and number[5:10] == "55501" and len(number) == 12  # area code + 555-0100..0199


@pytest.mark.parametrize("key", sorted(REQUIRED))
def test_each_required_key_is_missed_by_name_with_a_line_to_add(problems, key):
    [problem] = problems(sample(**{key.replace(".", "__"): None}))
    section, _, name = key.rpartition(".")
    assert (problem.key, problem.wrong) == (key, "is missing")
    assert name in problem.mend or key == "carrier.kind"
    assert str(problem).startswith(problem.file) and problem.file.endswith("ebbline.toml")


@pytest.mark.parametrize("key", sorted(OPTIONAL))
def test_each_optional_key_may_be_left_out_and_has_its_stated_default(loaded, key):
    assert value(loaded(sample(**{key.replace(".", "__"): None})), key) == OPTIONAL[key]


def test_an_empty_file_misses_every_required_key_at_once(problems):
    found = problems("")
    expected = {key for key in REQUIRED if not key.startswith("carrier.")} | {"carrier.kind"}
    assert {problem.key for problem in found} == expected


def test_every_mistake_of_a_file_is_told_at_once_one_a_line(loaded):
    text = sample(practice__zone='"Central"', hours__open='"Mon-Fry 8-17"', conversation__ask_minutes="6",
                  carrier__url=None)
    with pytest.raises(SettingsError) as caught:
        loaded(text)
    assert [problem.key for problem in caught.value.problems] == [
        "practice.zone", "hours.open", "conversation.ask_minutes", "carrier.url"]
    assert len(str(caught.value).splitlines()) == 4


@pytest.mark.parametrize(("key", "toml", "wrong"), [
    ("installation", '"Live"', '"Live" is not live or trial'),
    ("unsigned_content", '"true"', '"true" is neither true nor false'),
    ("practice.name", '"  "', "is not a text"),
    ("practice.emergency_number", "911", "911 is not an emergency number"),
    ("practice.emergency_number", '"nine"', "is not an emergency number"),
    ("practice.crisis_line", '""', "is not a phone number"),
    ("practice.practice_number", '"312-555-0110"', "E.164"),
    ("practice.practice_number", '"+03125550110"', "E.164"),
    ("practice.fallback_number", '"+1312555011000000"', "E.164"),
    ("practice.zone", '"America/chicago"', "is not an IANA time zone"),
    ("practice.zone", "5", "is not a text"),
    ("practice.country", '"us"', "is not a country code"),
    ("hours.open", '"Mon-Fri"', "is not days and hours"),
    ("hours.quiet", '"21:00"', "is not a span of hours"),
    ("hours.call_back_hours", "0", "is not a number above 0"),
    ("hours.call_back_hours", "inf", "is not a number above 0"),
    ("answer_within_minutes.emergency", "0", "is not a whole number from 1"),
    ("answer_within_minutes.urgent", "4", "4 is less than 5 for emergency"),
    ("conversation.ask_minutes", "6", "6 is not a whole number from 1 to 5"),
    ("conversation.ask_minutes", "true", "true is not a whole number"),
    ("conversation.ask_minutes", "2.5", "2.5 is not a whole number"),
    ("conversation.silent_while_infusing_minutes", '"20"', '"20" is not a whole number'),
    ("care.site_rule", '"random"', '"random" is not rotate or same'),
    ("care.site_areas", '"belly, knee"', '"knee" is no area of the body that we know'),
    ("care.site_areas", '""', "is not a text"),
    ("care.site_spacing_in", "0", "is not a number above 0"),
    ("care.refill_lead_days", "91", "is not a whole number from 0 to 90"),
    ("sending.public_url", '"texts.example.org"', "is not a plain web address"),
    ("sending.public_url", '"https://texts.example.org/?a=1"', "is not a plain web address"),
    ("sending.public_url", '"https://texts.example.org:port"', "is not a plain web address"),
    ("sending.test_clock", "2026-03-10", "is not a text"),  # a TOML date; Tuesday
    ("carrier.kind", '"pigeon"', '"pigeon" is no carrier'),
    ("carrier.kind", "[1]", "is no carrier"),
    ("carrier.number", '"5550100"', "E.164"),
])
def test_a_bad_value_is_named_with_what_is_wrong_and_a_mend(problems, key, toml, wrong):
    [problem] = problems(sample(**{key.replace(".", "__"): toml}))
    assert problem.key == key and wrong in problem.wrong and problem.mend


@pytest.mark.parametrize(("text", "key", "mend"), [
    (sample() + '\nnumbr = "x"', "carrier.numbr", "did you mean number?"),
    (sample() + "\nask_minutes = 4", "carrier.ask_minutes", "it belongs under [conversation]"),
    (sample() + "\nunsigned_content = false", "carrier.unsigned_content", "it belongs at the top of the file"),
    (sample() + "\n[practise]\n", "practise", "did you mean practice?"),
    (sample() + "\nzzz = 1", "carrier.zzz", "known here: kind, url, secret, number"),
])
def test_an_unknown_key_is_refused_with_the_key_that_was_meant(problems, text, key, mend):
    [problem] = problems(text)
    assert (problem.key, problem.wrong) == (key, "is not a known key") and mend in problem.mend


def live(**changes):
    return sample(**{"installation": '"live"', "carrier__secret": '"k4"'} | changes)


@pytest.mark.parametrize(("changes", "key"), [
    ({"sending__test_clock": '"clock.json"'}, "sending.test_clock"),
    ({"unsigned_content": "true"}, "unsigned_content"),
    ({"sending__public_url": '"http://texts.example.org"'}, "sending.public_url"),
    ({"carrier__secret": '"change-me"'}, "carrier.secret"),
])
def test_a_live_installation_refuses_what_is_only_for_trials(problems, loaded, changes, key):
    assert loaded(live()).live
    assert [problem.key for problem in problems(live(**changes))] == [key]
    assert not loaded(sample(**changes)).live


def test_the_test_clock_is_looked_for_beside_the_settings(loaded, tmp_path):
    assert loaded(sample(sending__test_clock='"clock.json"')).sending.test_clock == tmp_path / "clock.json"
    assert loaded(sample(sending__test_clock='"/run/clock.json"')).sending.test_clock == Path("/run/clock.json")


def test_the_carriers_secret_is_shown_neither_in_the_settings_nor_in_an_error(loaded, problems):
    assert "hush-hush" not in repr(loaded(sample(carrier__secret='"hush-hush"')))
    [problem] = problems(sample(carrier__secret="771177"))
    assert "771177" not in str(problem)


def test_a_slash_at_the_end_of_the_public_address_does_not_count(loaded):
    assert loaded(sample(sending__public_url='"https://a.example/x/"')).sending.public_url == "https://a.example/x"


def test_a_section_that_is_no_section_is_refused(problems):
    text = sample().replace("[hours]", "[[hours]]")
    [problem] = problems(text)
    assert (problem.key, problem.wrong) == ("hours", "is not a section")


def test_a_file_that_is_not_there_not_toml_or_not_text_says_so(tmp_path, problems):
    with pytest.raises(SettingsError, match="there is no such file; write it, or name another file with --settings"):
        load(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        load(tmp_path)
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(SettingsError, match="is not UTF-8 text"):
        load(tmp_path / "bad.toml")
    [problem] = problems("installation = live\n")
    assert "is not TOML" in problem.wrong and "line 1" in problem.wrong


def test_the_argument_goes_before_the_variable_and_the_variable_before_the_usual_name():
    assert find("a.toml", {"EBBLINE_SETTINGS": "b.toml"}) == Path("a.toml")
    assert find(None, {"EBBLINE_SETTINGS": "b.toml"}) == Path("b.toml")
    assert find(None, {"EBBLINE_SETTINGS": ""}) == Path("ebbline.toml")
    assert find(None, {}) == Path("ebbline.toml")


@pytest.mark.parametrize(("number", "good"), [
    ("+13125550110", True), ("+12", True), ("+123456789012345", True), ("+1234567890123456", False), ("+1", False),
    ("+0312555011", False), ("13125550110", False), ("+1312555011a", False), ("+13125550110\n", False),
    ("+１３１２", False),
])
def test_a_number_in_e_164_form_has_a_plus_and_2_to_15_digits(number, good):
    # ITU-T E.164 (11/2010) 6.2: at most 15 digits; from memory.
    assert bool(E164.fullmatch(number)) is good


def test_every_carrier_kind_has_its_own_name_as_its_kind():
    for kind, cls in CARRIERS.items():
        check = next(key.metadata["check"] for key in fields(cls) if key.name == "kind")
        assert check(kind) == kind


JUNK = st.recursive(
    st.booleans() | st.integers(-2**60, 2**60) | st.floats() | st.sampled_from(['"x"', '""', "12:30:00", '"Mon 1-2"']),
    lambda inner: st.lists(inner, max_size=2).map(lambda items: f"[{', '.join(map(toml_of, items))}]"), max_leaves=4)


def toml_of(junk):
    return str(junk).lower() if isinstance(junk, bool | float) else str(junk)


@settings(deadline=None, max_examples=150)
@given(st.dictionaries(st.sampled_from(sorted(REQUIRED | set(OPTIONAL))), JUNK | st.none(), min_size=1, max_size=5))
def test_any_junk_in_any_key_loads_or_is_told_as_problems(tmp_path_factory, changes):
    path = tmp_path_factory.mktemp("junk") / "ebbline.toml"
    path.write_text(sample(**{key.replace(".", "__"): None if junk is None else toml_of(junk)
                              for key, junk in changes.items()}))
    try:
        load(path)
    except SettingsError as error:
        assert {problem.key for problem in error.problems} <= set(changes) | {"answer_within_minutes.urgent"}


# --- the real carrier ---

TWILIO = {"kind": '"twilio"', "account_sid": f'"AC{"0" * 32}"', "number": '"+13125550100"',
          "auth_token_variable": '"EBBLINE_AUTH_TOKEN"'}
OTHERS = {"messaging_service_sid": f'"MG{"b" * 32}"', "api_key_variable": '"KEY"', "api_secret_variable": '"SECRET"',
          "shared_key_variable": '"SHARED"', "signature": '"HMAC_SHA256"', "timeout_s": "2.5"}


def twilio(**changes):
    """The sample with the real carrier, some of its keys set to other TOML, or left out for None."""
    keys = TWILIO | changes
    lines = [f"{key} = {toml}" for key, toml in keys.items() if toml is not None]
    return sample().partition("[carrier]")[0] + "[carrier]\n" + "\n".join(lines)


def test_the_real_carrier_is_one_more_kind_whose_secrets_stand_in_variables(loaded):
    carrier = loaded(twilio()).carrier
    assert carrier == CARRIERS["twilio"](kind="twilio", account_sid="AC" + "0" * 32, number="+13125550100",
                                         auth_token_variable="EBBLINE_AUTH_TOKEN")
    assert (carrier.signature, carrier.timeout_s) == ("HMAC_SHA1", 5)


@pytest.mark.parametrize("changes", [
    {"number": None, "messaging_service_sid": OTHERS["messaging_service_sid"]},
    {"api_key_variable": '"KEY"', "api_secret_variable": '"SECRET"'},
    {"signature": '"HMAC_SHA256"', "shared_key_variable": '"SHARED"'},
    {**OTHERS, "number": None, "auth_token_variable": None},
    {"timeout_s": "10"},
])
def test_each_way_to_set_up_the_real_carrier_loads(loaded, changes):
    carrier = loaded(twilio(**changes)).carrier
    for key, toml in (TWILIO | changes).items():
        assert str(getattr(carrier, key)) == str(toml).strip('"')


@pytest.mark.parametrize(("changes", "key", "wrong"), [
    ({"account_sid": None}, "account_sid", "is missing"),
    ({"account_sid": '"AC123"'}, "account_sid", "is not an account SID"),
    ({"account_sid": f'"MG{"0" * 32}"'}, "account_sid", "is not an account SID"),
    ({"number": '"5550100"'}, "number", "E.164"),
    ({"number": None}, "number", "and messaging_service_sid are both missing"),
    ({"messaging_service_sid": OTHERS["messaging_service_sid"]}, "number", "and messaging_service_sid are both given"),
    ({"number": None, "messaging_service_sid": '"MG12"'}, "messaging_service_sid", "is not a messaging service SID"),
    ({"auth_token_variable": None}, "auth_token_variable", "signature HMAC_SHA1 is checked with it"),
    ({"auth_token_variable": None, "signature": '"HMAC_SHA256"', "shared_key_variable": '"SHARED"'},
     "auth_token_variable", "without an API key, texts are sent with it"),
    ({"api_key_variable": '"KEY"'}, "api_secret_variable", "is missing beside api_key_variable"),
    ({"api_secret_variable": '"SECRET"'}, "api_key_variable", "is missing beside api_secret_variable"),
    ({"signature": '"HMAC_SHA256"'}, "shared_key_variable", "signature HMAC_SHA256 is checked with it"),
    ({"signature": '"MD5"'}, "signature", '"MD5" is not HMAC_SHA1 or HMAC_SHA256'),
    ({"timeout_s": "0"}, "timeout_s", "is not a number above 0"),
    ({"timeout_s": "11"}, "timeout_s", "is not a number above 0 and up to 10"),
    ({"url": '"http://127.0.0.1:8090"'}, "url", "is not a known key"),
])
def test_a_wrong_setting_of_the_real_carrier_is_named_with_a_mend(problems, changes, key, wrong):
    [problem] = problems(twilio(**changes))
    assert problem.key == f"carrier.{key}" and wrong in problem.wrong and problem.mend


@pytest.mark.parametrize("key", [key for key in (*TWILIO, *OTHERS) if key.endswith("_variable")])
@pytest.mark.parametrize("secret", ["0123456789abcdef0123456789abcdef", "eB9xQk", "", "A B"])
def test_a_secret_written_where_a_variables_name_belongs_is_refused_and_not_shown(problems, key, secret):
    found = problems(twilio(**{"api_key_variable": '"KEY"', "api_secret_variable": '"SECRET"', key: f'"{secret}"'}))
    assert [problem.key for problem in found] == [f"carrier.{key}"]
    assert "never the secret itself" in found[0].mend and (not secret or secret not in str(found[0]))


def test_a_secret_under_a_guessed_key_is_pointed_to_the_variable_and_not_shown(problems):
    [problem] = problems(twilio(auth_token='"0123456789abcdef"'))
    assert "did you mean auth_token_variable?" in problem.mend and "0123456789abcdef" not in str(problem)


def test_the_sample_holds_every_other_carrier_as_a_comment_that_loads_once_it_is_uncommented(loaded):
    head, _, tail = example().partition("[carrier]\n")
    _, _, other = tail.partition("#   [carrier]\n")
    lines = ["[carrier]"] + [line.removeprefix("#   ") for line in other.splitlines()]
    names = {line.removeprefix("# ").partition(" = ")[0] for line in lines if " = " in line}
    assert names >= {key.name for key in fields(CARRIERS["twilio"])}
    wanted = [line.removeprefix("# ") if line.startswith(("# number = ", "# auth_token_variable = ")) else line
              for line in lines]
    assert loaded(head + "\n".join(wanted)).carrier.kind == "twilio"
