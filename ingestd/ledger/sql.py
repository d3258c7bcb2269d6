"""Statements by name: each stands in a file of `queries/` under a line that says what it gives.

A block begins with `-- name: WORD`; comment lines follow, at least one, that say what it gives or
does; then one statement. Rows come by name, so that a column added in the middle moves nothing.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from ingestd.ledger.connection import BY_NAME, Connection

Parameters = Mapping[str, Any] | Sequence[Any]
NamedRow = Mapping[str, Any]
"""A row whose columns are read by name: `row["run"]`."""

_MARK = "-- name: "


@cache
def statements(file: str) -> Mapping[str, str]:
    """The statements of `queries/<file>.sql` by name.

    Raises:
        ValueError: a block has no line of purpose, no statement, or a name that is taken.
    """
    text = files("ingestd.ledger").joinpath("queries", f"{file}.sql").read_text(encoding="utf-8")
    return read_statements(text)


def read_statements(text: str) -> dict[str, str]:
    """The statements of a text in blocks, by name; comments are left out of them."""
    found: dict[str, str] = {}
    for block in text.split(_MARK)[1:]:
        name, _, rest = block.partition("\n")
        lines = rest.splitlines()
        code = [line for line in lines if line.strip() and not line.startswith("--")]
        if not any(line.startswith("-- ") for line in lines) or not code:
            raise ValueError(f"{name}: say what it gives in a comment, then the statement")
        if name.strip() in found:
            raise ValueError(f"{name}: the name is taken")
        found[name.strip()] = "\n".join(code)
    return found


def select(conn: Connection, statement: str, parameters: Parameters = ()) -> Iterator[NamedRow]:
    """The rows a statement gives, one after the other, each read by the names of its columns."""
    cursor = conn.cursor()
    cursor.row_factory = BY_NAME
    return cursor.execute(statement, parameters)


def select_one(conn: Connection, statement: str, parameters: Parameters = ()) -> NamedRow | None:
    """The first row a statement gives, None where it gives none."""
    return next(iter(select(conn, statement, parameters)), None)


def select_value(conn: Connection, statement: str, parameters: Parameters = ()) -> Any:
    """The first column of the first row, None where there is none."""
    found = conn.execute(statement, parameters).fetchone()
    return None if found is None else found[0]
