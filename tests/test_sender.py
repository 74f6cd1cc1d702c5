"""Texts leave once: leases, tries, the carrier's list, and what is done about a text that will not arrive."""

import threading
from datetime import timedelta

import pytest

from bot import sender
from bot.carrier import CarrierDown, CarrierUnsure, Status
from bot.clock import ManualClock
from bot.office import Office
from bot.simulated import SimulatedCarrier
from flows.model import (
    CloseMatter, Decision, MakePage, OpenMatter, RaiseMatter, SetTalk, SetTimer, TakeMatter, Talk, Text,
)
from store import post, record
from store.database import writing
from tests.processes import (
    ANA, BEN, COORDINATOR, NUMBER, PRACTICE, RUTH, SAM, START, add_patient, add_staff, select,
)

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)


class House:
    """A database with Ana, Ben and the staff, one clock, one carrier, and as many senders as a test wants."""

    def __init__(self, path):
        self.path, self.clock = path, ManualClock(START)
        self.carrier = SimulatedCarrier(self.clock, NUMBER, "secret")
        self.offices = []
        self.office = self.sender("first")
        with writing(self.office.db()) as db:
            add_patient(db, START, "Ana", ANA, START + timedelta(days=1))
            add_patient(db, START, "Ben", BEN, START + timedelta(days=1))
            add_staff(db, START)

    def sender(self, name):
        self.offices.append(Office(self.path, PRACTICE, self.carrier, self.clock, name))
        return self.offices[-1]

    def puts(self, *effects):
        """Carry effects out; ids of the safety rows."""
        with writing(self.office.db()) as db:
            return record.carry_out(db, Decision(effects), self.clock.now())

    def select(self, sql, *values):
        return select(self.office.db(), sql, *values)

    def sent(self, number=ANA):
        return [text.body for text in self.carrier.texts if text.to_number == number]

    def states(self):
        return [row["state"] for row in self.select("SELECT state FROM outbox ORDER BY id")]


@pytest.fixture
def house(tmp_path):
    house = House(tmp_path / "practice.db")
    yield house
    for office in house.offices:
        office.close()


def notice(body="hello", number=ANA, **more):
    return Text(number=number, body=body, kind="notice", entry="hello", patient_id=1 if number == ANA else 2, **more)


def urgent(body="stop it now", number=ANA, **more):
    return Text(number=number, body=body, kind="emergency", entry="emergency.allergic", patient_id=1, safety=True,
                **more)


MATTER = OpenMatter(case="4213", disposition="emergency", topic="breathing", kind="allergic", patient_id=1, phone_id=1,
                    from_number=ANA, words="cant breathe")


def failing(house, monkeypatch, *errors, call="send"):
    """Let the carrier's next calls raise these (None: work); afterwards it works. The list of calls made."""
    real, calls, left = getattr(house.carrier, call), [], list(errors)

    def once(*values):
        calls.append(house.clock.now())
        error = left.pop(0) if left else None
        if error is not None:
            raise error
        return real(*values)
    monkeypatch.setattr(house.carrier, call, once)
    return calls


# --- the lease -------------------------------------------------------------------------------------------------------


def test_a_claimed_text_is_nobody_elses_until_the_lease_ends(house):
    house.puts(notice())
    first, second = house.office, house.sender("second")
    with writing(first.db()) as db:
        mine = post.claim(db, START, "first", sender.LEASE)
    with writing(second.db()) as db:
        assert post.claim(db, START + sender.LEASE - SECOND, "second", sender.LEASE) is None
        again = post.claim(db, START + sender.LEASE, "second", sender.LEASE)
    assert (mine.id, mine.unsure) == (again.id, False) and again.unsure


def test_a_sender_whose_lease_went_to_another_changes_nothing(house):
    house.puts(notice())
    with writing(house.office.db()) as db:
        slow = post.claim(db, START, "web", sender.LEASE)
        quick = post.claim(db, START + MINUTE, "web", sender.LEASE)  # the same process, a later lease
        for give_up, more in ((post.mark_waiting, (START, False)), (post.mark_refused, ("21211", START)),
                              (post.mark_late, (START,))):
            give_up(db, slow, *more)
            assert select(db, "SELECT state FROM outbox") == [{"state": "leased"}]
        post.mark_waiting(db, quick, START, True)
        assert select(db, "SELECT state, unsure FROM outbox") == [{"state": "waiting", "unsure": 1}]


def test_many_senders_at_once_send_each_text_once(house):
    house.puts(*(notice(f"text {n}", number=(ANA, BEN)[n % 2]) for n in range(40)))
    senders = [house.sender(f"sender {n}") for n in range(4)]
    began = threading.Barrier(4)

    def work(office):
        began.wait()
        sender.send_ready(office)
        office.close()
    threads = [threading.Thread(target=work, args=(office,)) for office in senders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(text.body for text in house.carrier.texts) == sorted(f"text {n}" for n in range(40))
    assert set(house.states()) == {"sent"}


def test_safety_texts_leave_before_others_that_wait_longer(house):
    house.puts(notice("first"), notice("second"))
    house.clock.move(MINUTE)
    house.puts(urgent("third"))
    sender.send_ready(house.office)
    assert house.sent() == ["third", "first", "second"]


def test_a_text_does_not_leave_before_its_time(house):
    house.puts(notice(not_before=START + MINUTE))
    assert sender.send_ready(house.office) == 0
    house.clock.move(MINUTE)
    assert sender.send_ready(house.office) == 1


@pytest.mark.parametrize(("made", "kind"), [(notice, "an answer"), (urgent, "a safety text")])
def test_a_routine_text_that_was_held_up_into_the_night_waits_for_the_morning(house, made, kind):
    house.puts(made())
    house.clock.move(timedelta(hours=5))  # 22:55 in Chicago
    assert sender.send_ready(house.office) == (kind == "a safety text")
    house.clock.move(timedelta(hours=9, minutes=4, seconds=59))
    assert sender.send_ready(house.office) == 0
    house.clock.move(SECOND)  # 08:00
    assert sender.send_ready(house.office) == (kind == "an answer")


def test_an_answer_to_somebody_awake_at_night_leaves_at_once(house):
    house.clock.move(timedelta(hours=5))
    house.puts(notice())
    assert sender.send_ready(house.office) == 1


# --- a carrier that is down ------------------------------------------------------------------------------------------


def tries(house, calls, most):
    """Let time pass second by second until there were so many calls; the waits between them in seconds."""
    while len(calls) < most:
        house.clock.move(SECOND)
        sender.send_ready(house.office)
    return [(b - a).total_seconds() for a, b in zip(calls, calls[1:], strict=False)]


def test_waits_between_tries_grow_while_the_carrier_is_down(house, monkeypatch):
    house.puts(notice())
    calls = failing(house, monkeypatch, *[CarrierDown("down")] * 8)
    assert tries(house, calls, 9) == [2, 5, 15, 30, 60, 60, 60, 60]
    assert house.sent() == ["hello"]


def test_a_safety_text_never_waits_longer_than_a_quarter_of_a_minute(house, monkeypatch):
    house.puts(urgent())
    calls = failing(house, monkeypatch, *[CarrierDown("down")] * 6)
    assert tries(house, calls, 7) == [2, 5, 15, 15, 15, 15]
    assert house.sent() == ["stop it now"]


# --- the carrier's list ----------------------------------------------------------------------------------------------


def test_a_text_whose_answer_was_lost_is_found_on_the_list_and_not_sent_again(house):
    house.puts(notice())
    house.carrier.lose_answer()
    assert sender.send_ready(house.office) == 0
    assert house.select("SELECT state, unsure FROM outbox") == [{"state": "waiting", "unsure": 1}]
    house.clock.move(MINUTE)
    assert sender.send_ready(house.office) == 1
    assert house.sent() == ["hello"] and house.states() == ["sent"]
    assert house.select("SELECT carrier_id FROM outbox")[0]["carrier_id"] == house.carrier.texts[0].carrier_id


def test_a_text_whose_call_broke_and_that_is_not_on_the_list_is_sent_once(house, monkeypatch):
    house.puts(notice())
    failing(house, monkeypatch, CarrierUnsure("broke"))
    sender.send_ready(house.office)
    house.clock.move(MINUTE)
    assert sender.send_ready(house.office) == 1 and sender.send_ready(house.office) == 0
    assert house.sent() == ["hello"]


@pytest.mark.parametrize("taken", [True, False])
def test_a_text_of_a_dead_sender_is_looked_for_before_it_is_sent(house, taken):
    house.puts(notice())
    with writing(house.office.db()) as db:
        post.claim(db, START, "dead", sender.LEASE)
    if taken:
        house.carrier.send(ANA, "hello")  # and it died before it could write that down
    house.clock.move(sender.LEASE)
    assert sender.send_ready(house.sender("living")) == 1
    assert house.sent() == ["hello"] and house.states() == ["sent"]


def test_a_routine_text_waits_while_the_list_cannot_be_read(house, monkeypatch):
    house.puts(notice())
    failing(house, monkeypatch, CarrierUnsure("broke"))
    looks = failing(house, monkeypatch, CarrierDown("down"), ValueError("odd"), call="sent_since")
    sender.send_ready(house.office)
    tries(house, looks, 2)
    assert house.sent() == []
    tries(house, looks, 3)
    assert house.sent() == ["hello"]


@pytest.mark.parametrize("error", [CarrierDown("down"), ValueError("odd"), OSError("odd")])
def test_a_safety_text_goes_rather_twice_than_never_when_the_list_cannot_be_read(house, monkeypatch, error):
    house.puts(urgent())
    house.carrier.lose_answer()
    sender.send_ready(house.office)
    failing(house, monkeypatch, *[error] * 5, call="sent_since")
    house.clock.move(MINUTE)
    assert sender.send_ready(house.office) == 1
    assert house.sent() == ["stop it now"] * 2 and house.states() == ["sent"]


def test_a_safety_text_is_looked_for_when_the_list_can_be_read(house):
    house.puts(urgent())
    house.carrier.lose_answer()
    sender.send_ready(house.office)
    house.clock.move(MINUTE)
    sender.send_ready(house.office)
    assert house.sent() == ["stop it now"]


def test_two_patients_on_one_phone_with_the_same_words_get_both_texts(house):
    for lost in (0, 1, 2):
        house.carrier.lose_answer(lost)
        brother = Text(number=ANA, body="same words", kind="notice", entry="hello", patient_id=2)
        house.puts(notice("same words"), brother)
        before = len(house.sent())
        for _ in range(3):
            sender.send_ready(house.office)
            house.clock.move(MINUTE)
        assert len(house.sent()) - before == 2, f"{lost} answers lost"
    ids = house.select("SELECT carrier_id FROM outbox")
    assert len({row["carrier_id"] for row in ids}) == 6 and set(house.states()) == {"sent"}


def test_an_earlier_text_with_the_same_words_is_not_taken_for_a_lost_one(house, monkeypatch):
    house.puts(notice())
    sender.send_ready(house.office)
    house.clock.move(SECOND)
    house.puts(notice())
    failing(house, monkeypatch, CarrierUnsure("broke"))
    for _ in range(2):
        sender.send_ready(house.office)
        house.clock.move(MINUTE)
    assert house.sent() == ["hello", "hello"]


def test_a_lost_text_and_one_in_flight_with_the_same_words_both_arrive(house, monkeypatch):
    """The lost one's search finds the other's text, which the other has not written down yet."""
    house.puts(notice())
    failing(house, monkeypatch, CarrierUnsure("broke"))
    sender.send_ready(house.office)
    monkeypatch.undo()
    house.clock.move(MINUTE)
    house.puts(notice())
    send, other = house.carrier.send, house.sender("other")

    def meanwhile(*values):
        carrier_id = send(*values)
        monkeypatch.undo()
        sender.send_ready(other, [1])
        return carrier_id
    monkeypatch.setattr(house.carrier, "send", meanwhile)
    sender.send_ready(house.office, [2])
    for _ in range(2):
        house.clock.move(MINUTE)
        sender.send_ready(house.office)
    assert house.sent() == ["hello", "hello"] and house.states() == ["sent", "sent"]


@pytest.mark.parametrize("off", [-100, 100])
def test_a_carrier_whose_clock_differs_by_less_than_two_minutes_still_shows_the_text(house, off):
    house.carrier.clock = ManualClock(START + timedelta(seconds=off))
    house.puts(notice())
    house.carrier.lose_answer()
    sender.send_ready(house.office)
    house.clock.move(MINUTE)
    sender.send_ready(house.office)
    assert house.sent() == ["hello"]


def test_the_search_goes_back_to_the_first_try(house, monkeypatch):
    house.puts(notice())
    house.carrier.lose_answer()
    sender.send_ready(house.office)
    failing(house, monkeypatch, *[CarrierDown("down")] * 3, call="sent_since")
    for _ in range(3):
        house.clock.move(timedelta(minutes=10))
        sender.send_ready(house.office)
    house.clock.move(timedelta(minutes=10))
    sender.send_ready(house.office)
    assert house.sent() == ["hello"] and house.states() == ["sent"]


# --- texts that will not arrive --------------------------------------------------------------------------------------


def tasks(house):
    return [(row["owner"], row["about"], row["words"]) for row in house.select("SELECT owner, about, words FROM task")]


def test_a_refused_routine_text_is_on_the_coordinators_list_once(house):
    house.carrier.refuse(ANA, "21610")
    house.puts(notice(), notice("another"))
    assert sender.send_ready(house.office) == 0
    assert tasks(house) == [("coordinator", "text not delivered", "hello")]
    assert house.select("SELECT DISTINCT state, code FROM outbox") == [{"state": "failed", "code": "21610"}]


def test_a_refused_instruction_makes_the_nurse_call_at_once(house):
    house.carrier.refuse(ANA, "21610")
    safety = house.puts(MATTER, urgent(case="4213"), MakePage("4213", 1, RUTH, 0, "EMERGENCY case 4213"))
    sender.send_ready(house.office, safety)  # the web process sends only its own rows, and what follows from them
    assert len(house.sent(RUTH)) == 2 and "CALL" in house.sent(RUTH)[1]
    assert tasks(house) == []


def test_a_refused_page_leaves_the_next_step_to_the_ladder(house):
    house.carrier.refuse(RUTH, "21610")
    house.puts(MATTER, MakePage("4213", 1, RUTH, 0, "EMERGENCY case 4213"))
    sender.send_ready(house.office)
    assert house.states() == ["failed"] and tasks(house) == []


def question(house, due_in=5 * MINUTE):
    house.puts(SetTalk(1, Talk("safety", "idle", 1)), SetTimer("safety_silence", house.clock.now() + due_in, 1, 1),
               Text(number=ANA, body="1 or 2?", kind="prompt", entry="safety", patient_id=1, safety=True,
                    timer="safety_silence"))


def due_at(house):
    return house.select("SELECT due_at FROM timer")[0]["due_at"][:19]


def test_a_refused_question_counts_as_unanswered_now(house):
    house.carrier.refuse(ANA, "21610")
    question(house)
    assert due_at(house) == "2026-03-10T23:00:00"  # a Tuesday
    sender.send_ready(house.office)
    assert due_at(house) == "2026-03-10T22:55:00"
    assert tasks(house) == []


def test_an_old_questions_failure_does_not_cut_a_new_one_short(house):
    question(house)
    sender.send_ready(house.office)
    old = house.carrier.texts[0].carrier_id
    house.clock.move(MINUTE)
    question(house)
    sender.take_report(house.office, Status(old, "undelivered", "30003"))
    assert due_at(house) == "2026-03-10T23:01:00"


def test_a_question_whose_time_is_over_is_not_given_more(house):
    house.carrier.refuse(ANA, "21610")
    question(house)
    house.clock.move(10 * MINUTE)
    sender.send_ready(house.office)
    assert due_at(house) == "2026-03-10T23:00:00"


def test_a_text_past_its_use_is_never_sent_and_the_coordinator_hears_of_it(house):
    house.puts(Text(number=ANA, body="time to infuse", kind="reminder", entry="reminder", patient_id=1,
                    useless_after=START + 3 * MINUTE))
    house.clock.move(3 * MINUTE)
    assert sender.send_ready(house.office) == 0
    assert house.sent() == [] and house.states() == ["late"]
    assert tasks(house) == [("coordinator", "text not delivered", "reminder")]


@pytest.mark.parametrize("taken, state", [(True, "sent"), (False, "late")])
def test_a_text_past_its_use_that_may_have_been_sent_is_looked_for_but_never_sent(house, monkeypatch, taken, state):
    house.puts(notice(useless_after=START + 3 * MINUTE))
    if taken:
        house.carrier.lose_answer()
    else:
        failing(house, monkeypatch, CarrierUnsure("broke"))
    sender.send_ready(house.office)
    house.clock.move(5 * MINUTE)
    sender.send_ready(house.office)
    assert house.sent() == ["hello"] * taken and house.states() == [state]


def test_a_text_past_its_use_is_given_up_when_the_list_cannot_be_read(house, monkeypatch):
    house.puts(notice(useless_after=START + 3 * MINUTE))
    failing(house, monkeypatch, CarrierUnsure("broke"))
    failing(house, monkeypatch, *[CarrierDown("down")] * 9, call="sent_since")
    sender.send_ready(house.office)
    house.clock.move(5 * MINUTE)
    sender.send_ready(house.office)
    assert house.sent() == [] and house.states() == ["late"]


def test_the_carrier_may_try_as_long_as_the_text_is_of_use(house, monkeypatch):
    asked, real = [], house.carrier.send
    monkeypatch.setattr(house.carrier, "send", lambda number, body, valid_for_s=None: (
        asked.append(valid_for_s), real(number, body, valid_for_s))[1])
    house.puts(notice(useless_after=START + 10 * MINUTE), notice(useless_after=START + timedelta(days=2)),
               notice(useless_after=START + SECOND), urgent())
    sender.send_ready(house.office)
    assert sorted(asked, key=lambda each: each or 0) == [None, 5, 600, 36_000]


@pytest.mark.parametrize("error", [ValueError("odd"), KeyError("odd"), RuntimeError("odd"), TypeError("odd")])
def test_a_text_that_breaks_the_adapter_holds_up_no_other(house, monkeypatch, error):
    real = house.carrier.send

    def breaks(number, body, valid_for_s=None):
        if number == BEN:
            raise error
        return real(number, body, valid_for_s)
    monkeypatch.setattr(house.carrier, "send", breaks)
    house.puts(notice("bad", number=BEN), *(notice(f"text {n}") for n in range(5)))
    assert sender.send_ready(house.office) == 5
    assert house.states() == ["waiting"] + ["sent"] * 5


def test_a_loss_that_cannot_be_told_now_is_told_by_the_next_sender(house, monkeypatch, caplog):
    house.carrier.refuse(ANA, "21610")
    house.puts(notice(f"for {ANA}"), notice("works", number=BEN))

    def raises(*_):
        raise ValueError(f"words for {_[1].number}")
    with monkeypatch.context() as patch:
        patch.setattr(sender.tick, "undelivered", raises)
        assert sender.send_ready(house.office) == 1
    assert tasks(house) == [] and house.sent(BEN) == ["works"] and ANA not in caplog.text
    sender.send_ready(house.office)
    assert len(tasks(house)) == 1
    sender.send_ready(house.office)
    assert len(tasks(house)) == 1


def test_a_loss_that_two_processes_find_at_once_is_told_once(house, monkeypatch):
    house.carrier.refuse(ANA, "21610")
    house.puts(MATTER, urgent(case="4213"))
    with writing(house.office.db()) as db:
        post.mark_refused(db, post.claim(db, START, "first", sender.LEASE), "21610", START)
    found = post.lost(house.office.db())
    monkeypatch.setattr(post, "lost", lambda db: found)  # both read the list before either has told
    assert len(sender.tell_lost(house.office)) == 1
    assert sender.tell_lost(house.sender("second")) == []
    assert len(house.select("SELECT 1 FROM outbox WHERE entry = 'page.call'")) == 1


def test_a_carrier_that_takes_long_gives_the_worker_back_its_time(house, monkeypatch):
    real = house.carrier.send

    def slow(*values):
        house.clock.move(timedelta(seconds=4))
        return real(*values)
    monkeypatch.setattr(house.carrier, "send", slow)
    house.puts(*(notice(f"text {n}") for n in range(9)))
    assert sender.send_ready(house.office) == 4
    assert sender.send_ready(house.office) == 4
    assert sender.send_ready(house.office) == 1


# --- pages that nobody needs -----------------------------------------------------------------------------------------


PAGE_RUTH, PAGE_SAM = MakePage("4213", 1, RUTH, 0, "page for Ruth"), MakePage("4213", 2, SAM, 2, "page for Sam")


def test_a_page_to_others_that_has_not_left_is_not_sent_once_the_matter_is_taken(house):
    house.puts(MATTER, PAGE_RUTH, PAGE_SAM, TakeMatter("4213", 1))
    sender.send_ready(house.office)
    assert house.sent(SAM) == [] and house.sent(RUTH) == ["page for Ruth"]


def test_no_page_is_sent_once_the_matter_is_closed(house):
    house.puts(MATTER, PAGE_RUTH, PAGE_SAM, CloseMatter("4213", 1, "ok"))
    sender.send_ready(house.office)
    assert house.sent(SAM) == house.sent(RUTH) == [] and tasks(house) == []


def test_a_page_that_a_dead_sender_left_behind_is_not_sent_once_the_matter_is_taken(house):
    house.puts(MATTER, PAGE_SAM)
    with writing(house.office.db()) as db:
        post.claim(db, START, "dead", sender.LEASE)
    house.puts(TakeMatter("4213", 1))
    house.clock.move(sender.LEASE)
    sender.send_ready(house.office)
    assert house.sent(SAM) == [] and house.states() == ["late"]


def test_a_newer_page_replaces_one_to_the_same_phone_that_could_not_leave(house):
    house.carrier.down(START + MINUTE)
    house.puts(MATTER, PAGE_RUTH, PAGE_SAM)
    sender.send_ready(house.office)
    house.puts(MakePage("4213", 1, RUTH, 1, "second page for Ruth"))
    house.clock.move(MINUTE)
    sender.send_ready(house.office)
    assert house.sent(RUTH) == ["second page for Ruth"] and house.sent(SAM) == ["page for Sam"]


def test_a_newer_page_does_not_replace_the_word_that_the_instruction_was_lost(house):
    house.carrier.down(START + MINUTE)
    house.puts(MATTER, Text(number=RUTH, body="CALL her now", kind="page", entry="page.call", case="4213", safety=True))
    sender.send_ready(house.office)
    house.puts(MakePage("4213", 1, RUTH, 1, "second page for Ruth"))
    house.clock.move(MINUTE)
    sender.send_ready(house.office)
    assert sorted(house.sent(RUTH)) == ["CALL her now", "second page for Ruth"]


def test_a_page_after_a_matter_got_worse_is_sent_though_it_had_been_taken(house):
    house.puts(MATTER, PAGE_RUTH, TakeMatter("4213", 1))
    house.clock.move(MINUTE)
    worse = RaiseMatter(case="4213", worse=True, disposition="emergency", topic="faint", kind="unknown", words="x")
    house.puts(worse, MakePage("4213", 1, RUTH, 0, "worse"))
    sender.send_ready(house.office)
    assert house.sent(RUTH) == ["worse"]


def test_the_log_holds_neither_bodies_nor_numbers(house, caplog):
    caplog.set_level("DEBUG")
    house.carrier.refuse(BEN, "21610")
    house.puts(notice("secret words"), notice("secret words", number=BEN), urgent("secret words"))
    house.carrier.lose_answer()
    sender.send_ready(house.office)
    assert "outbox" in caplog.text
    for word in ("secret", ANA, BEN, ANA[2:], COORDINATOR):
        assert word not in caplog.text
