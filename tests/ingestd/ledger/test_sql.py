"""Statements by name, and rows whose columns are read by name."""

from importlib.resources import files

import pytest

from ingestd.ledger.connection import connect
from ingestd.ledger.sql import read_statements, select, select_one, select_value, statements

FILES = sorted(
    path.name.removesuffix(".sql")
    for path in files("ingestd.ledger").joinpath("queries").iterdir()
    if path.name.endswith(".sql")
)


@pytest.mark.parametrize("file", FILES)
def test_every_file_of_queries_has_names_and_purposes(file: str) -> None:
    assert statements(file)


def test_a_block_is_a_name_a_purpose_and_a_statement() -> None:
    text = (
        "-- name: all\n-- Everything.\nSELECT *\nFROM t\n\n-- name: none\n-- Nothing.\nSELECT 1\n"
    )
    assert read_statements(text) == {"all": "SELECT *\nFROM t", "none": "SELECT 1"}


@pytest.mark.parametrize(
    "text",
    ["-- name: a\nSELECT 1\n", "-- name: a\n-- Purpose only.\n",
     "-- name: a\n-- One.\nSELECT 1\n-- name: a\n-- Two.\nSELECT 2\n"],
)  # fmt: skip
def test_a_block_without_purpose_statement_or_name_of_its_own_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="a: "):
        read_statements(text)


def test_rows_are_read_by_name() -> None:
    conn = connect(":memory:")
    found = list(select(conn, "SELECT 1 AS a, 2 AS b UNION SELECT 3, 4", {}))
    assert [(row["a"], row["b"]) for row in found] == [(1, 2), (3, 4)]
    assert select_one(conn, "SELECT 1 AS a WHERE 0") is None
    assert select_value(conn, "SELECT max(value) FROM json_each(?)", ("[1, 7]",)) == 7
    conn.close()
