"""The database of one practice: opening it, migrating it, and writing to it in one transaction at a time."""

import re
import sqlite3
import threading
from collections import defaultdict
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlite_utils import Database

MIGRATIONS = Path(__file__).parent / "migrations"
BUSY_MS = 5000  # a write waits this long for others, half for our own threads and half for other processes
LOG_TRIES = 50
_turns = defaultdict(threading.Lock)  # by database file: SQLite's own waiting sleeps, threads that queue here do not


class DatabaseError(Exception):
    """A database that cannot be used: says the file, what is wrong, and the mend."""


def connect(path, busy_ms=BUSY_MS):
    """Open the database file (made when it is not there) with the settings that nothing may be lost by.

    One connection belongs to one thread. DatabaseError when the file is no database or cannot be opened.
    """
    connection = None
    try:
        connection = sqlite3.connect(str(path), timeout=busy_ms / 2000, isolation_level=None)
        connection.execute("PRAGMA foreign_keys = ON")
        _keep_log(connection)
        connection.execute("PRAGMA synchronous = FULL")
    except sqlite3.DatabaseError as error:
        if connection is not None:
            connection.close()
        raise DatabaseError(f"{path}: {error}; name a writable file with --db, or restore it from a backup") from error
    db = Database(connection)
    db.turn, db.turn_s = _turns[Path(path).resolve()], busy_ms / 2000
    return db


def _keep_log(connection):
    """Switch to the write-ahead log. SQLite does not wait here when another process opens the new file at the same
    moment, so we wait for that one's transaction and try again."""
    for _ in range(LOG_TRIES):
        try:
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        except sqlite3.OperationalError:
            connection.execute("BEGIN IMMEDIATE")
            connection.rollback()
            continue
        if mode == "wal":
            return
        raise sqlite3.OperationalError(f"no write-ahead log on this file system (journal mode {mode})")
    raise sqlite3.OperationalError("database is locked")


@contextmanager
def writing(db):
    """One transaction that takes the write lock at once. Rolled back when the block or the commit raises.

    Raises sqlite3.OperationalError ("database is locked") when another writer holds the lock beyond the busy time.
    """
    connection = db.conn
    if not db.turn.acquire(timeout=db.turn_s):
        raise sqlite3.OperationalError("database is locked")
    try:
        connection.execute("BEGIN IMMEDIATE")
        yield db
        connection.commit()
    except BaseException:
        connection.rollback()
        raise
    finally:
        db.turn.release()


@contextmanager
def reading(db):
    """One consistent view of the database for several reads."""
    connection = db.conn
    connection.execute("BEGIN")
    try:
        yield db
    finally:
        connection.rollback()


def statements(script):
    """The statements of a migration, one by one; a trigger's body stays whole. DatabaseError for one that is not
    finished, or that would end the transaction which holds the migration together."""
    statement = ""
    for piece in re.split("(?<=;)", script):
        statement += piece
        if sqlite3.complete_statement(statement):
            bare, statement = _bare(statement), ""
            if re.match(r"(BEGIN|COMMIT|END|ROLLBACK|SAVEPOINT|RELEASE)\b", bare, re.IGNORECASE):
                raise DatabaseError(f"a migration holds {bare!r}; take it out, each one is a transaction already")
            if bare != ";":
                yield bare
    if _bare(statement):
        raise DatabaseError(f"a migration ends in the middle of a statement: {_bare(statement)[:60]!r}; end it with ;")


def _bare(statement):
    """A statement without the comments before it."""
    return re.sub(r"\A(\s+|--[^\n]*(\n|\Z)|/\*.*?\*/)+", "", statement, flags=re.DOTALL).strip()


def migrations(folder=MIGRATIONS):
    """(number, name, script) of every migration file, in number order. DatabaseError for a bad or doubled number."""
    found = {}
    for file in sorted(Path(folder).glob("*.sql")):
        match = re.fullmatch(r"(\d{4})_(\w+)\.sql", file.name)
        if not match:
            raise DatabaseError(f"{file.name}: a migration is named like 0002_words.sql")
        number = int(match.group(1))
        if number in found:
            raise DatabaseError(f"{file.name}: number {number} is used by {found[number][1]} too; take the next one")
        found[number] = (number, file.name, file.read_text(encoding="utf-8"))
    return [found[number] for number in sorted(found)]


def migrate(db, now, folder=MIGRATIONS):
    """Apply what is missing, each migration in a transaction of its own; the names of those applied.

    DatabaseError when one fails (the database is as before it) or when the database is newer than this program.
    """
    if not one(db, "SELECT 1 FROM sqlite_schema WHERE name = 'migration'"):
        with writing(db):
            db.conn.execute("CREATE TABLE IF NOT EXISTS migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL, "
                            "applied_at TEXT NOT NULL) STRICT")
    done = {row[0] for row in db.conn.execute("SELECT number FROM migration")}
    known = migrations(folder)
    unknown = done - {number for number, _, _ in known}
    if unknown:
        raise DatabaseError(f"the database has migration {max(unknown)}, which this version of Ebbline does not know; "
                            "run the newer version, or restore the backup made before the upgrade")
    applied = []
    for number, name, script in known:
        if number in done:
            continue
        try:
            with writing(db):
                if db.conn.execute("SELECT 1 FROM migration WHERE number = ?", [number]).fetchone():
                    continue  # another process was faster
                for statement in statements(script):
                    db.conn.execute(statement)
                db.conn.execute("INSERT INTO migration VALUES (?, ?, ?)", [number, name, stamp(now)])
        except (sqlite3.Error, sqlite3.Warning, DatabaseError) as error:
            raise DatabaseError(f"{name}: {error}; nothing of it was applied") from error
        applied.append(name)
    return applied


def open_database(path, now):
    """A migrated database, ready for use."""
    db = connect(path)
    try:
        migrate(db, now)
    except BaseException:
        db.conn.close()
        raise
    return db


def stamp(at):
    """An aware datetime as stored: UTC, ISO 8601 with microseconds. ValueError for a naive one; None stays None."""
    if at is None:
        return None
    if at.tzinfo is None:
        raise ValueError(f"a time without its zone: {at!r}; give an aware datetime")
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def moment(text):
    """The aware UTC datetime of a stored time; None stays None."""
    return None if text is None else datetime.fromisoformat(text)


def rows(db, sql, *values):
    """Rows of a SELECT as dicts."""
    cursor = db.conn.execute(sql, values)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def one(db, sql, *values):
    """The first row of a SELECT as a dict, or None."""
    return next(iter(rows(db, sql, *values)), None)


def back_up(db, file):
    """Copy the open database to a new file page by page while others use it, and check the copy. DatabaseError if it
    is not whole; the file is removed then."""
    copy = sqlite3.connect(str(file))
    try:
        db.conn.backup(copy)
        found = damage(Database(copy))
    except sqlite3.DatabaseError as error:
        found = str(error)
    finally:
        copy.close()
    if found:
        Path(file).unlink(missing_ok=True)
        raise DatabaseError(f"{file}: the copy is not whole ({found}); run `ebbline doctor` on the database")


def damage(db):
    """What SQLite finds wrong with the file, or None when it is whole."""
    found = db.conn.execute("PRAGMA integrity_check").fetchone()[0]
    return None if found == "ok" else found
