"""Imports go one way, and the pure parts stay pure: proved from the source, not from memory."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PARSERS_MAY = {
    "bisect", "codecs", "collections", "csv", "dataclasses", "datetime", "decimal", "enum",
    "fractions", "functools", "hashlib", "itertools", "math", "operator", "re", "string",
    "tomllib", "types", "typing", "unicodedata", "zoneinfo", "pydantic", "parsers", "array",
    "struct", "binascii", "calendar", "io", "contextlib", "heapq", "statistics", "json",
    "__future__",
}  # fmt: skip
# What a pure module never touches, whatever module offers it.
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
IMPURE_ATTRIBUTES = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    ("io", "open"),
}

# Rooms of ingestd, inner first: a module imports only from its own row or from inner ones.
LAYERS = (
    ("errors", "events", "times", "steps", "model"),
    ("config", "plan", "evaluate"),
    ("ledger", "sources"),
    ("pipeline",),
    ("audit", "delivery"),
    ("service",),
    ("demo", "web"),
    ("cli",),
    ("__main__",),
)


def relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


def modules_under(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def layer_of(name: str) -> int:
    part = name.split(".")[1] if "." in name else ""
    for number, layer in enumerate(LAYERS):
        if part in layer:
            return number
    raise AssertionError(f"{name} is in no layer of LAYERS: say where it belongs")


@pytest.mark.parametrize("path", modules_under("parsers"), ids=relative)
def test_parsers_import_only_themselves_and_the_pure_standard_library(path: Path) -> None:
    strangers = {name.split(".")[0] for name in imports_of(path)} - PARSERS_MAY
    assert not strangers


@pytest.mark.parametrize(
    "path", [*modules_under("parsers"), *modules_under("ingestd/evaluate")], ids=relative
)
def test_pure_modules_open_nothing_and_read_no_clock(path: Path) -> None:
    offences = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name) and called.id in IMPURE_CALLS:
            offences.append(f"{called.id} in line {node.lineno}")
        if (
            isinstance(called, ast.Attribute)
            and isinstance(called.value, ast.Name)
            and (called.value.id, called.attr) in IMPURE_ATTRIBUTES
        ):
            offences.append(f"{called.value.id}.{called.attr} in line {node.lineno}")
    assert not offences


@pytest.mark.parametrize("path", modules_under("ingestd/evaluate"), ids=relative)
def test_evaluation_imports_no_shell(path: Path) -> None:
    forbidden = {"os", "sys", "io", "time", "socket", "threading", "subprocess", "random",
                 "logging", "structlog", "pathlib", "sqlite3", "pysqlite3", "sqlite_utils",
                 "watchdog", "serial", "click", "secrets"}  # fmt: skip
    assert not {name.split(".")[0] for name in imports_of(path)} & forbidden


@pytest.mark.parametrize("path", modules_under("ingestd"), ids=relative)
def test_imports_go_one_way(path: Path) -> None:
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    if name == "ingestd.__init__":
        return
    own = layer_of(name)
    upward = {
        imported
        for imported in imports_of(path)
        if imported.startswith("ingestd.")
        and imported.split(".")[1] != "__version__"
        and layer_of(imported) > own
    }
    assert not upward


def test_only_the_ledger_opens_the_database() -> None:
    opening = {
        str(path.relative_to(ROOT))
        for path in modules_under("ingestd")
        if {name.split(".")[0] for name in imports_of(path)} & {"pysqlite3", "sqlite_utils"}
    }
    assert opening <= {
        "ingestd/ledger/connection.py",
        "ingestd/ledger/store.py",
        "ingestd/audit/verify.py",  # folds the journal into a database in memory
    }
