"""Bytes of an arrival, by pieces and by parts."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from ingestd.sources.arrivals import Arrival


def arrival(pieces: tuple[bytes, ...], continues: tuple[int, str] | None = None) -> Arrival:
    return Arrival(
        source="bench 3",
        name="a.csv",
        pieces=pieces,
        size=sum(map(len, pieces)),
        sha256="",
        final=False,
        seen_at=datetime(2026, 3, 2, tzinfo=UTC),
        continues=continues,
    )


@given(
    st.lists(st.binary(max_size=8), max_size=6).map(tuple),
    st.integers(min_value=0, max_value=60),
    st.none() | st.integers(min_value=0, max_value=60),
)
def test_any_part_equals_the_slice_of_the_whole(
    pieces: tuple[bytes, ...], start: int, stop: int | None
) -> None:
    assert arrival(pieces).part(start, stop) == b"".join(pieces)[start:stop]


def test_one_piece_is_the_data_itself_without_a_copy() -> None:
    whole = b"row 1\nrow 2\n"
    assert arrival((whole,)).data is whole


def test_added_is_what_follows_the_earlier_version() -> None:
    assert arrival((b"row 1\n", b"row 2\n"), continues=(6, "")).added == b"row 2\n"


def test_added_is_everything_where_nothing_is_continued() -> None:
    assert arrival((b"row 1\n", b"row 2\n")).added == b"row 1\nrow 2\n"
