"""The house: who may import what, one clock, SQL in one place. A failure says where the code belongs."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PURE = {"dateutil", "transitions", "yaml", "tzdata"}  # libraries without I/O that flows may use
ALLOWED = {
    "flows": PURE | {"flows"},
    "store": {"store", "flows", "sqlite_utils"},
    "bot": {"bot", "flows", "store", "flask", "waitress", "werkzeug", "click", "yaml", "ruamel", "twilio"},
}
BELONGS = {
    "flows": "flows decides and imports only pure libraries: acting belongs in bot/, remembering in store/",
    "store": "store remembers: deciding belongs in flows/, acting in bot/",
    "bot": "bot acts: a new library needs a reason in pyproject.toml and a place in this table",
}
ACTING = {"flows": {"sqlite3", "socket", "http", "urllib", "subprocess", "threading", "time", "os", "random", "secrets"},
          "store": {"socket", "http", "urllib", "subprocess", "time", "random"}, "bot": {"sqlite_utils"}}
SQL = re.compile(r"\b(SELECT\s.+\sFROM|INSERT\s+INTO|UPDATE\s+\w+\s+SET|DELETE\s+FROM|CREATE\s+TABLE|PRAGMA)\b", re.DOTALL)
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "bot", "flows", "store", "tests", "deploy"}


def modules(*packages):
    return [path for package in packages for path in sorted((ROOT / package).rglob("*.py"))]


def imports_of(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; name the package"
            yield node.module


def standard(name):
    import sys

    return name in sys.stdlib_module_names


@pytest.mark.parametrize("path", modules("flows", "store", "bot"), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_imports_only_what_its_package_may(path):
    package = path.relative_to(ROOT).parts[0]
    for name in imports_of(path):
        top = name.split(".")[0]
        assert standard(top) or top in ALLOWED[package], f"{path.name} imports {name}: {BELONGS[package]}"
        assert top not in ACTING[package], f"{path.name} imports {name}: {BELONGS[package]}"


def calls(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node.lineno


@pytest.mark.parametrize("path", modules("flows", "store", "bot"), ids=lambda path: str(path.relative_to(ROOT)))
def test_only_the_clock_module_reads_the_clock(path):
    if path == ROOT / "bot" / "clock.py":
        return
    for name, line in calls(ast.parse(path.read_text(encoding="utf-8"))):
        read = re.fullmatch(r"(datetime\.)*(datetime|date)\.(now|today|utcnow)|time\.(time|monotonic|sleep|localtime)", name)
        assert not read, f"{path.name}:{line} calls {name}: take `now` as a parameter; the only clock is bot/clock.py"


@pytest.mark.parametrize("path", modules("flows", "bot"), ids=lambda path: str(path.relative_to(ROOT)))
def test_sql_is_written_only_in_store(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and SQL.search(node.value):
            raise AssertionError(f"{path.name}:{node.lineno} holds SQL: every statement belongs in store/")
        if isinstance(node, ast.Attribute) and node.attr in ("execute", "executescript", "executemany"):
            raise AssertionError(f"{path.name}:{node.lineno} runs SQL: every statement belongs in store/")


def test_sql_never_asks_the_database_for_the_time():
    for path in modules("store") + sorted((ROOT / "store" / "migrations").glob("*.sql")):
        found = re.search(r"CURRENT_TIMESTAMP|datetime\('now'|strftime\(", path.read_text(encoding="utf-8"))
        assert not found, f"{path.name}: {found and found.group()}: pass the time in; a frozen clock does not freeze SQLite"


def test_at_most_one_file_imports_the_carriers_package():
    files = [path.name for path in modules("bot", "store", "flows") if any(n.split(".")[0] == "twilio" for n in imports_of(path))]
    assert len(files) <= 1, f"twilio is imported by {files}: one adapter file in bot/ talks to it"


def test_flows_reads_no_file_but_its_own_tables():
    for path in modules("flows"):
        for name, line in calls(ast.parse(path.read_text(encoding="utf-8"))):
            assert name not in ("open", "print", "input"), f"{path.name}:{line} calls {name}: flows has no I/O; move it to bot/"
            if name.endswith((".read_text", ".read_bytes")):
                source = path.read_text(encoding="utf-8")
                assert "HERE = Path(__file__).parent" in source, f"{path.name}:{line} reads a file that is not beside it"


def test_nothing_stands_at_the_top_level_but_the_fixed_names():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split("\n")
    names = {line.split("/")[0] for line in listed if line} or TOP
    extra = {name for name in names if not name.startswith(".")} - TOP
    assert not extra, f"{sorted(extra)} stand at the top level: put them under bot/, flows/, store/, tests/ or deploy/"


def test_no_module_is_called_by_a_catch_all_name():
    for path in modules("flows", "store", "bot", "tests"):
        assert path.stem not in ("utils", "helpers", "manager", "service", "common", "misc"), f"{path}: name it by its one noun"
