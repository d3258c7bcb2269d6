from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.identity import (
    KnownReading,
    content,
    identity_key,
    neighbourhood,
    number_identical,
    recognise,
)
from parsers.readings import Printed, Reading, Span


def reading(**changes: Any) -> Reading:
    base = Reading(
        method="COD 1500",
        sample="W-101",
        value=Decimal(407),
        unit="mg/L",
        measured_at=datetime.fromisoformat("2026-03-02T11:05:00"),
        identity=("2026-03-02 11:05:00", "W-101", "COD 1500", "407"),
        span=Span(0, 40),
    )
    return replace(base, **changes)


SEQUENCED = reading(identity=("00412",), sequenced=True)


def test_same_row_exported_again_is_a_repeat() -> None:
    known = KnownReading(id=7, content=content(reading()))
    assert recognise(content(reading(span=Span(90, 130), line=3)), [known]).sameness == "repeat"


def test_unknown_identity_is_new() -> None:
    assert recognise(content(reading()), []).sameness == "new"


def test_identical_rows_of_one_capture_are_told_apart_by_their_ordinal() -> None:
    rows = [reading(), reading(sample="W-102", identity=("x",)), reading()]
    ordinals = number_identical(rows)
    assert ordinals == [0, 0, 1]
    keys = {identity_key("meter-1", r, o) for r, o in zip(rows, ordinals, strict=True)}
    assert len(keys) == 3


def test_ordinals_go_on_where_a_grown_capture_was_left() -> None:
    counts: dict[tuple[str, ...], int] = {}
    number_identical([reading()], counts)
    assert number_identical([reading(), reading()], counts) == [1, 2]


def test_sequence_number_settles_identity_without_ordinal() -> None:
    assert identity_key("meter-1", SEQUENCED, 0) == identity_key("meter-1", SEQUENCED, 1)


def test_same_sequence_number_with_other_digits_is_a_conflict() -> None:
    known = KnownReading(id=7, content=content(SEQUENCED))
    other = replace(SEQUENCED, value=Decimal(408))
    found = recognise(content(other), [known])
    assert (found.sameness, found.known) == ("conflict", 7)


def test_same_sequence_number_for_another_sample_is_a_conflict() -> None:
    known = KnownReading(id=7, content=content(SEQUENCED))
    assert recognise(content(replace(SEQUENCED, sample="W-9")), [known]).sameness == "conflict"


@pytest.mark.parametrize(
    "changes",
    [
        {"method": "COD 150"},
        {"method": None},
        {"sample": None},
        {"value": None},
        {"censored": "<"},
        {"unit": "ug/L"},
        {"unit": None},
        {"basis": "N"},
        {"absorbance": Decimal("0.163")},
        {"dilution": Decimal(2)},
        {"measured_at": datetime.fromisoformat("2026-03-02T11:05:01")},
        {"measured_at": None},
    ],
    ids=str,
)
def test_same_sequence_number_with_any_other_field_is_a_conflict(changes: dict[str, Any]) -> None:
    known = [KnownReading(id=7, content=content(SEQUENCED))]
    assert recognise(content(replace(SEQUENCED, **changes)), known).sameness == "conflict"


def test_repeat_of_either_side_of_a_conflict_is_a_repeat() -> None:
    both = [
        KnownReading(id=7, content=content(SEQUENCED)),
        KnownReading(id=8, content=content(replace(SEQUENCED, value=Decimal(408)))),
    ]
    found = recognise(both[1].content, both)
    assert (found.sameness, found.known) == ("repeat", 8)


def test_remark_of_the_forms_own_makes_no_other_reading() -> None:
    assert content(reading(printed=Printed({"remark": "second look"}, {}))) == content(reading())


def test_another_instrument_is_another_reading() -> None:
    assert identity_key("meter-1", SEQUENCED) != identity_key("meter-2", SEQUENCED)


def test_numbers_compare_by_value_whatever_zeros_are_printed() -> None:
    assert content(reading(value=Decimal("1.50"))) == content(reading(value=Decimal("1.5")))
    assert content(reading(value=Decimal("-0"))) == content(reading(value=Decimal("0.00")))
    assert content(reading(value=Decimal(10))) != content(reading(value=Decimal(1)))


def test_escaped_separator_is_not_taken_for_printed_text() -> None:
    one = reading(identity=("\x1f", "b"), sequenced=True)
    other = reading(identity=("\\u", "b"), sequenced=True)
    assert identity_key("m", one) != identity_key("m", other)


parts = st.lists(st.text(alphabet="a\\u\x1f1", max_size=4), min_size=1, max_size=3).map(tuple)


@given(parts, parts)
def test_keys_are_equal_exactly_when_identities_are(
    one: tuple[str, ...], other: tuple[str, ...]
) -> None:
    first = identity_key("m", reading(identity=one, sequenced=True))
    second = identity_key("m", reading(identity=other, sequenced=True))
    assert (first == second) == (one == other)


@pytest.mark.parametrize(
    ("one", "other", "is_near"),
    [
        (("1234567",), ("1234999",), True),
        (("1234567",), ("1235567",), False),
        (("00412",), ("00413",), True),
        (("2026-03-02 11:05:00", "W-101", "407"), ("2026-03-02 16:40:10", "W-9", "12"), True),
        (("2026-03-02 11:05:00", "W-101", "407"), ("2026-03-03 11:05:00", "W-101", "407"), False),
        (("W-101 of the inlet", "2026-03-02 11:05"), ("X", "2026-03-02 17:00"), True),
        (("7",), ("8",), False),
        ((), (), True),
    ],
)
def test_readings_made_about_the_same_time_are_neighbours(
    one: tuple[str, ...], other: tuple[str, ...], *, is_near: bool
) -> None:
    first, second = reading(identity=one), reading(identity=other)
    assert (neighbourhood("m", first) == neighbourhood("m", second)) is is_near
    assert neighbourhood("m", first) != neighbourhood("n", first)


@given(st.lists(st.text(max_size=20), max_size=5), st.text(max_size=5))
def test_neighbourhood_depends_on_the_identity_alone(fields: list[str], instrument: str) -> None:
    identity = tuple(fields)
    first = reading(identity=identity)
    second = reading(identity=identity, sample="another", value=None, span=Span(3, 9))
    assert neighbourhood(instrument, first) == neighbourhood(instrument, second)
