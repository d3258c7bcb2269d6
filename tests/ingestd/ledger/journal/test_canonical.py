"""Checked against the published RFC 8785 vectors and against the rfc8785 reference library."""

import csv
import datetime as dt
import enum
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ingestd.ledger.journal.canonical import DEPTH_LIMIT, WHOLE_LIMIT, canonical, is_canonical

with (Path(__file__).parent / "data" / "rfc8785_vectors.csv").open(encoding="utf-8") as table:
    VECTORS = list(csv.DictReader(table))
INSIDE = [row for row in VECTORS if row["domain"] == "in"]
OUTSIDE = [row for row in VECTORS if row["domain"] != "in"]

keys = st.text(st.characters(max_codepoint=127), max_size=8)
plain = (
    st.none()
    | st.booleans()
    | st.integers(-WHOLE_LIMIT, WHOLE_LIMIT)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
)
values = st.recursive(
    plain,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=15,
)
bodies = st.dictionaries(keys, values, max_size=6)


class Shade(enum.StrEnum):
    DARK = "dark"


def wrapped(row: dict[str, str]) -> tuple[dict[str, Any], bytes]:
    """A vector as one member of an object, since a journal body is always an object."""
    return {"v": json.loads(row["input"])}, b'{"v":' + bytes.fromhex(row["expected_hex"]) + b"}"


@pytest.mark.parametrize("row", VECTORS, ids=lambda row: row["id"])
def test_reference_library_reproduces_every_published_vector(row: dict[str, str]) -> None:
    got = rfc8785.dumps(json.loads(row["input"]))
    assert got == bytes.fromhex(row["expected_hex"])


@pytest.mark.parametrize("row", INSIDE, ids=lambda row: row["id"])
def test_published_vector_in_our_domain_is_reproduced(row: dict[str, str]) -> None:
    body, want = wrapped(row)
    assert canonical(body) == want
    assert is_canonical(want)


@pytest.mark.parametrize("row", OUTSIDE, ids=lambda row: row["id"])
def test_published_vector_outside_our_domain_is_refused(row: dict[str, str]) -> None:
    body, _ = wrapped(row)
    with pytest.raises(TypeError, match=r"v.*(not ASCII text|float .* has no canonical form)"):
        canonical(body)


@given(bodies)
def test_any_body_is_spelled_as_the_reference_library_spells_it(body: dict[str, Any]) -> None:
    got = canonical(body)
    assert got == rfc8785.dumps(body)
    assert json.loads(got) == body
    assert is_canonical(got)


@given(bodies)
def test_order_of_insertion_does_not_matter(body: dict[str, Any]) -> None:
    assert canonical(dict(reversed(body.items()))) == canonical(body)


def test_every_character_below_two_byte_range_is_escaped_as_the_reference_library_does() -> None:
    for code in range(0x250):
        body = {"text": chr(code)}
        assert canonical(body) == rfc8785.dumps(body), hex(code)


def test_tuple_is_spelled_as_a_list() -> None:
    assert canonical({"a": (1, ("x", None))}) == b'{"a":[1,["x",null]]}'


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ({"value": 1.0}, "value: float 1.0 has no canonical form here; write numbers as the text"),
        ({"a": {"b": ["x", float("nan")]}}, "a.b.1: float nan"),
        ({"a": [{"b": Decimal("1.50")}]}, "a.0.b: Decimal"),
        ({"at": dt.datetime(2026, 1, 1, tzinfo=dt.UTC)}, "at: datetime"),
        ({"day": dt.date(2026, 1, 1)}, "day: date"),
        ({"shade": Shade.DARK}, "shade: Shade"),
        ({"tags": {"x"}}, "tags: set"),
        ({"raw": b"x"}, "raw: bytes"),
        ({"größe": 1}, "body: the key 'größe' is not ASCII text"),
        ({"a": {"µ": 1}}, "a: the key 'µ' is not ASCII text"),
        ({"a": {1: 2}}, "a: the key 1 is not ASCII text"),
        ({1: 2}, "body: the key 1 is not ASCII text"),
        ({Shade.DARK: 2}, "body: the key <Shade.DARK: 'dark'> is not ASCII text"),
    ],
)
def test_value_outside_the_domain_is_refused_and_named(body: dict[str, Any], message: str) -> None:
    with pytest.raises(TypeError) as caught:
        canonical(body)
    assert str(caught.value).startswith(message)


@pytest.mark.parametrize("number", [WHOLE_LIMIT, -WHOLE_LIMIT])
def test_largest_whole_numbers_are_spelled(number: int) -> None:
    assert canonical({"n": number}) == rfc8785.dumps({"n": number})


@pytest.mark.parametrize("number", [WHOLE_LIMIT + 1, -WHOLE_LIMIT - 1, 10**30])
def test_whole_number_out_of_range_is_refused_and_named(number: int) -> None:
    with pytest.raises(ValueError, match=rf"list\.1: {number} is beyond"):
        canonical({"list": [0, number]})


def test_half_a_surrogate_pair_is_refused_and_named() -> None:
    with pytest.raises(ValueError, match=r"a\.b: .* half a surrogate pair"):
        canonical({"a": {"b": "x\ud800"}})


def test_nesting_at_the_limit_is_spelled_and_beyond_it_refused() -> None:
    body: dict[str, Any] = {"a": "leaf"}
    for _ in range(DEPTH_LIMIT):
        body = {"a": body}
    assert canonical(body) == rfc8785.dumps(body)
    with pytest.raises(ValueError, match=r"a\.a\.a…: nested deeper"):
        canonical({"a": body})


def test_list_that_contains_itself_is_refused() -> None:
    ring: list[Any] = []
    ring.append(ring)
    with pytest.raises(ValueError, match="nested deeper"):
        canonical({"ring": ring})


@pytest.mark.parametrize(
    "data",
    [
        b'{"a": 1}',
        b'{"b":1,"a":2}',
        b'{"a":1,"a":1}',
        b'{"a":1}\n',
        b'{"a":"\\u0041"}',
        b'{"a":1.0}',
        b'{"a":9007199254740992}',
        b"[1]",
        b"",
        b'{"a":"\xff"}',
        '{"ä":1}'.encode(),
    ],
)
def test_any_other_spelling_is_not_canonical(data: bytes) -> None:
    assert not is_canonical(data)
