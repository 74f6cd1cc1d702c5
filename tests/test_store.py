"""The database: what it refuses, how it migrates, and what a failed write leaves behind (nothing)."""

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from flows import case
from flows.model import CloseMatter, Decision, EndTask, OpenMatter, OpenTask, TakeMatter
from store import database, people, record, world
from store.database import DatabaseError, migrate, moment, open_database, stamp, statements, writing
from tests.processes import ANA, ROOT, RUTH, START, add_patient, add_staff, select

DAY = timedelta(days=1)


@pytest.fixture
def db(tmp_path):
    """A migrated database with Ana (patient 1, order 1), Ruth and Sam, and a coordinator."""
    db = open_database(tmp_path / "practice.db", START)
    with writing(db):
        add_patient(db, START, "Ana", ANA, START)
        add_staff(db, START)
    yield db
    db.conn.close()


# --- what the tables refuse ------------------------------------------------------------------------------------------

AT = "'2026-03-10T22:55:00.000000+00:00'"  # a Tuesday
ORDER = ("patient_id, strength_g_per_ml, volume_ml, sites, rate_ml_per_h_per_site, every, clock_local, starts_on, "
         "created_at")
INFUSION = "INSERT INTO infusion (order_id, patient_id, due_on, due_at, state) VALUES"
OUTBOX = "INSERT INTO outbox (number, body, kind, entry, safety, made_at, not_before, state) VALUES"
SUPPLY = "INSERT INTO supply (patient_id, item, kind, amount, at, who) VALUES"
BAD_ROWS = [
    ("an item that nobody counts", f"{SUPPLY} (1, 'gloves', 'count', 1, {AT}, 'x')"),
    ("a delivery of nothing", f"{SUPPLY} (1, 'needle', 'delivery', 0, {AT}, 'x')"),
    ("a delivery of nobody knows how many", f"{SUPPLY} (1, 'needle', 'delivery', NULL, {AT}, 'x')"),
    ("less than none", f"{SUPPLY} (1, 'needle', 'count', -1, {AT}, 'x')"),
    ("half a needle", f"{SUPPLY} (1, 'needle', 'count', 0.5, {AT}, 'x')"),
    ("a refill with a number", f"{SUPPLY} (1, 'needle', 'refill', 1, {AT}, 'x')"),
    ("a supply of no patient", f"{SUPPLY} (77, 'needle', 'count', 1, {AT}, 'x')"),
    ("an order that uses less than none", "INSERT INTO order_use (order_id, item, each) VALUES (1, 'needle', -1)"),
    ("a number without +", "INSERT INTO phone (number) VALUES ('3125550111')"),
    ("a number with letters", "INSERT INTO phone (number) VALUES ('+1312555ABCD')"),
    ("a number twice", f"INSERT INTO phone (number) VALUES ('{ANA}')"),
    ("a pending question without its text", "UPDATE phone SET pending = 'which' WHERE id = 1"),
    ("words in a number column", "UPDATE patient SET weight_kg = 'heavy'"),
    ("a weight of nothing", "UPDATE patient SET weight_kg = 0"),
    ("a language that nobody wrote", "UPDATE patient SET lang = 'fr'"),
    ("a patient without a name", "UPDATE patient SET name = ''"),
    ("a strength of 20 instead of 0.2 g/mL", "UPDATE infusion_order SET strength_g_per_ml = 20"),
    ("no volume", "UPDATE infusion_order SET volume_ml = 0"),
    ("no sites", "UPDATE infusion_order SET sites = 0"),
    ("29 o'clock", "UPDATE infusion_order SET clock_local = '29:00'"),
    ("a hold without a reason", f"UPDATE infusion_order SET held_at = {AT}"),
    ("a second current order", f"INSERT INTO infusion_order ({ORDER}) SELECT {ORDER} FROM infusion_order"),
    ("an infusion of no order", f"{INFUSION} (77, 1, '2026-03-10', {AT}, 'done')"),
    ("a state that is no state", f"{INFUSION} (1, 1, '2026-03-10', {AT}, 'fine')"),
    ("a speaker without a phone",
     "INSERT INTO speaker (patient_id, phone_id, name, role) VALUES (1, 77, 'Dana', 'caregiver')"),
    ("a shift that ends as it starts",
     f"INSERT INTO shift (staff_id, rung, starts_at, ends_at) VALUES (1, 1, {AT}, {AT})"),
    ("a shift on rung 0", f"INSERT INTO shift (staff_id, rung, starts_at) VALUES (1, 0, {AT})"),
    ("a matter of a calm disposition", "INSERT INTO matter (case_code, disposition, topic, seen, opened_at, raised_at) "
                                       f"VALUES ('4213', 'nurse', 'other', 'other', {AT}, {AT})"),
    ("an empty text", f"{OUTBOX} ('{ANA}', '', 'notice', 'x', 0, {AT}, {AT}, 'waiting')"),
    ("a text of unknown kind", f"{OUTBOX} ('{ANA}', 'x', 'ad', 'x', 0, {AT}, {AT}, 'waiting')"),
    ("a lease without an end", f"{OUTBOX} ('{ANA}', 'x', 'notice', 'x', 0, {AT}, {AT}, 'leased')"),
    ("a page of no text", f"INSERT INTO page (matter_id, step, outbox_id, made_at) VALUES (1, 0, 77, {AT})"),
    ("a task of nobody", "INSERT INTO task (case_code, owner, about, words, opened_at, due_at) "
                         f"VALUES ('4213', 'anyone', 'x', 'x', {AT}, {AT})"),
    ("deleting a patient who has a record", "DELETE FROM patient WHERE id = 1"),
]


@pytest.mark.parametrize("sql", [sql for _, sql in BAD_ROWS], ids=[name for name, _ in BAD_ROWS])
def test_the_tables_refuse(db, sql):
    with pytest.raises(sqlite3.IntegrityError):
        with writing(db):
            db.conn.execute(sql)


def test_every_table_is_strict(db):
    loose = select(db, "SELECT name FROM pragma_table_list WHERE schema = 'main' AND strict = 0")
    assert [row["name"] for row in loose if not row["name"].startswith("sqlite_")] == []


@pytest.mark.parametrize("sql", ["UPDATE audit SET who = 'nobody'", "DELETE FROM audit",
                                 "INSERT OR REPLACE INTO audit VALUES (1, 'x', 'x', 'x', 'x', '{}')"])
def test_the_audit_is_only_ever_added_to(db, tmp_path, sql):
    before = select(db, "SELECT * FROM audit")
    assert before
    with closing(sqlite3.connect(tmp_path / "practice.db", isolation_level=None)) as plain:  # with none of our settings
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            plain.execute(sql)
    assert select(db, "SELECT * FROM audit") == before


# --- connections and transactions ------------------------------------------------------------------------------------


def test_a_connection_loses_nothing_by_its_settings(db):
    found = {name: db.conn.execute(f"PRAGMA {name}").fetchone()[0]
             for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")}
    assert found == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 2500}


def test_a_write_that_raises_leaves_nothing_behind(db):
    with pytest.raises(KeyError):
        with writing(db):
            people.add_patient(db, START, name="Zoe", lang="en", zone="America/Chicago", number="+13125550177")
            raise KeyError("in the middle")
    assert select(db, "SELECT 1 FROM patient WHERE name = 'Zoe'") == []
    assert select(db, "SELECT 1 FROM phone WHERE number = '+13125550177'") == []


def test_a_patient_with_a_nurses_phone_is_refused_whole(db):
    with pytest.raises(people.PeopleError, match="another number"):
        with writing(db):
            people.add_patient(db, START, name="Zoe", lang="en", zone="America/Chicago", number=RUTH)
    assert select(db, "SELECT 1 FROM patient WHERE name = 'Zoe'") == []


def test_a_commit_that_fails_is_rolled_back_and_the_connection_goes_on(db):
    db.conn.execute("CREATE TABLE child (parent INTEGER REFERENCES phone(id) DEFERRABLE INITIALLY DEFERRED) STRICT")
    with pytest.raises(sqlite3.IntegrityError):
        with writing(db):
            db.conn.execute("INSERT INTO child VALUES (12345)")  # refused at the commit
    with writing(db):
        db.conn.execute("UPDATE phone SET stopped_why = 'test' WHERE id = 1")
    assert select(db, "SELECT count(*) AS n FROM child") == [{"n": 0}]


def test_a_second_writer_waits_no_longer_than_its_busy_time(db, tmp_path):
    other = database.connect(tmp_path / "practice.db", busy_ms=100)
    raw = sqlite3.connect(tmp_path / "practice.db", isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        with writing(other):
            pass
    raw.rollback()
    with writing(other):
        pass
    with writing(db), pytest.raises(sqlite3.OperationalError, match="locked"):
        with writing(other):
            pass


def test_a_new_database_that_another_process_is_making_is_waited_for(tmp_path):
    """SQLite itself refuses the switch to the write-ahead log at once while another connection writes."""
    other = sqlite3.connect(tmp_path / "new.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    other.execute("CREATE TABLE a (n INTEGER)")
    later = threading.Timer(0.2, other.commit)
    later.start()
    found = database.connect(tmp_path / "new.db")
    assert select(found, "PRAGMA journal_mode") == [{"journal_mode": "wal"}]
    later.join()


def test_a_file_that_is_no_database_is_named_with_the_mend(tmp_path):
    (tmp_path / "notes.txt").write_text("this is no database, just some words about one\n" * 50)
    with pytest.raises(DatabaseError, match=r"notes\.txt.*not a database; .*--db"):
        open_database(tmp_path / "notes.txt", START)
    with pytest.raises(DatabaseError, match="--db"):
        open_database(tmp_path / "no-such-folder" / "practice.db", START)


# --- times -----------------------------------------------------------------------------------------------------------


def test_a_time_without_its_zone_is_never_stored():
    with pytest.raises(ValueError, match="zone"):
        stamp(datetime(2026, 3, 10, 18, 0))  # a Tuesday


def test_stored_times_sort_as_text_and_come_back_equal():
    times = [START + timedelta(microseconds=n) for n in (0, 1, 999_999, 1_000_000)]
    assert sorted(map(stamp, times)) == [stamp(at) for at in times]
    assert [moment(stamp(at)) for at in times] == times
    assert stamp(START.astimezone(ZoneInfo("Asia/Kolkata"))) == stamp(START)


# --- migrations ------------------------------------------------------------------------------------------------------


def folder_with(tmp_path, **files):
    folder = tmp_path / "migrations"
    folder.mkdir(exist_ok=True)
    for name, script in files.items():
        (folder / f"{name[1:]}.sql").write_text(script)
    return folder


def names(db):
    return {row["name"] for row in select(db, "SELECT name FROM sqlite_schema WHERE type = 'table'")}


def test_migrations_run_in_number_order_with_gaps(tmp_path):
    folder = folder_with(tmp_path, _0010_last="INSERT INTO a VALUES (10);",
                         _0002_first="CREATE TABLE a (n INTEGER) STRICT;",
                         _0007_middle="INSERT INTO a VALUES (7); INSERT INTO a VALUES (8);")
    db = database.connect(tmp_path / "x.db")
    assert migrate(db, START, folder) == ["0002_first.sql", "0007_middle.sql", "0010_last.sql"]
    assert [row["n"] for row in select(db, "SELECT n FROM a ORDER BY rowid")] == [7, 8, 10]
    assert migrate(db, START, folder) == []


def test_a_migration_that_fails_in_its_third_statement_leaves_nothing_of_the_first_two(tmp_path):
    folder = folder_with(tmp_path, _0001_good="CREATE TABLE a (n INTEGER) STRICT;",
                         _0002_bad="CREATE TABLE b (n INTEGER) STRICT;\nINSERT INTO a VALUES (1);\n"
                                   "INSERT INTO nowhere VALUES (1);")
    db = database.connect(tmp_path / "x.db")
    with pytest.raises(DatabaseError, match=r"0002_bad\.sql.*nowhere.*nothing of it was applied"):
        migrate(db, START, folder)
    assert names(db) == {"migration", "a"} and select(db, "SELECT * FROM a") == []
    folder_with(tmp_path, _0002_bad="CREATE TABLE b (n INTEGER) STRICT;")
    assert migrate(db, START, folder) == ["0002_bad.sql"]


def test_a_database_newer_than_the_program_is_refused_with_the_mend(db):
    with writing(db):
        db.conn.execute("INSERT INTO migration VALUES (9000, '9000_future.sql', '2026-03-10')")  # a Tuesday
    with pytest.raises(DatabaseError, match="9000.*run the newer version, or restore the backup"):
        migrate(db, START)


@pytest.mark.parametrize("script, wrong", [
    ("CREATE TABLE b (n INTEGER) STRICT; COMMIT; SELECT 1;", "COMMIT"),
    ("CREATE TABLE b (n INTEGER) STRICT", "middle of a statement"),
])
def test_a_migration_that_would_break_its_transaction_is_refused(tmp_path, script, wrong):
    db = database.connect(tmp_path / "x.db")
    with pytest.raises(DatabaseError, match=wrong):
        migrate(db, START, folder_with(tmp_path, _0001_bad=script))
    assert names(db) == {"migration"}


def test_two_migrations_with_one_number_are_refused(tmp_path):
    folder = folder_with(tmp_path, _0001_a="SELECT 1;", _0001_b="SELECT 1;")
    with pytest.raises(DatabaseError, match="number 1 is used by 0001_a.sql too; take the next one"):
        migrate(database.connect(tmp_path / "x.db"), START, folder)


def test_a_script_is_split_where_sqlite_ends_a_statement():
    script = """-- a comment; with a semicolon
    CREATE TABLE a (n TEXT DEFAULT ';'); INSERT INTO a VALUES ('x;y -- z');
    CREATE TRIGGER t BEFORE UPDATE ON a BEGIN SELECT 1; SELECT 2; END; -- the end;
    /* nothing more; */"""
    found = list(statements(script))
    assert [each.split()[:2] for each in found] == [["CREATE", "TABLE"], ["INSERT", "INTO"], ["CREATE", "TRIGGER"]]
    assert found[2].endswith("SELECT 2; END;") and found[1].endswith("('x;y -- z');")


OPENS = """
import sys
from datetime import datetime, timezone
from store import database
sys.stdin.readline()
database.open_database(sys.argv[1], datetime.now(timezone.utc))
"""


def test_several_processes_that_open_a_new_database_at_once_all_find_it_migrated(tmp_path):
    for turn in range(3):
        path = tmp_path / f"{turn}.db"
        command = [sys.executable, "-c", OPENS, str(path)]
        processes = [subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, text=True) for _ in range(4)]
        for process in processes:
            process.stdin.write("\n")
            process.stdin.flush()
        assert [process.wait(30) for process in processes] == [0] * 4
        found = database.connect(path)
        assert select(found, "SELECT count(*) AS n FROM migration") == [{"n": len(database.migrations())}]


def test_a_backup_of_a_database_in_use_is_whole(db, tmp_path):
    database.back_up(db, tmp_path / "copy.db")
    copy = database.connect(tmp_path / "copy.db")
    assert select(copy, "SELECT name FROM patient") == [{"name": "Ana"}]


# --- case codes ------------------------------------------------------------------------------------------------------


def open_matter(db, code, now):
    matter = OpenMatter(case=code, disposition="urgent", topic="other", kind=None, patient_id=1, phone_id=1,
                        from_number=ANA, words="x")
    with writing(db):
        record.carry_out(db, Decision((matter,)), now)


def close(db, code, now):
    with writing(db):
        record.carry_out(db, Decision((TakeMatter(code, 1), CloseMatter(code, 1, "ok"))), now)


def run_through_codes(db):
    """Move the counter of codes once round, so that the first code is the next again."""
    with writing(db):
        db.conn.execute("UPDATE mark SET value = '1000' WHERE name = 'case'")


def test_a_case_code_rests_for_90_days_after_its_matter_was_closed(db):
    first = world.codes(db, START)[0]
    open_matter(db, first, START)
    run_through_codes(db)
    assert first not in world.codes(db, START)
    close(db, first, START + 100 * DAY)  # open for long: its nurse may still write about it
    assert first not in world.codes(db, START + 101 * DAY)
    assert first not in world.codes(db, START + 190 * DAY - timedelta(seconds=1))
    assert world.codes(db, START + 190 * DAY)[0] == first


def test_the_code_of_a_task_rests_too(db):
    first = world.codes(db, START)[0]
    task = OpenTask(case=first, owner="nurse", about="x", words="x", due_at=START, patient_id=1)
    with writing(db):
        record.carry_out(db, Decision((task, EndTask(first, 1, "ok"))), START)
    run_through_codes(db)
    assert first not in world.codes(db, START + 89 * DAY)
    assert world.codes(db, START + 90 * DAY)[0] == first


def test_codes_of_one_decision_differ_and_follow_on(db):
    found = world.codes(db, START)
    assert len(set(found)) == len(found) == world.CODES
    open_matter(db, found[0], START)
    assert world.codes(db, START)[: world.CODES - 1] == found[1:]


def test_there_is_a_code_for_an_alarm_even_when_every_code_is_on_an_open_task(db):
    with writing(db):
        for number in range(case.COUNT):
            task = OpenTask(case=case.code(number), owner="coordinator", about="x", words="x", due_at=START,
                            patient_id=1)
            record.carry_out(db, Decision((task,)), START)
    open_matter(db, world.codes(db, START)[0], START)
    assert world.codes(db, START)


def test_one_case_code_has_one_open_matter(db):
    open_matter(db, "4213", START)
    with pytest.raises(sqlite3.IntegrityError):
        open_matter(db, "4213", START)
    close(db, "4213", START)
    open_matter(db, "4213", START + 100 * DAY)
