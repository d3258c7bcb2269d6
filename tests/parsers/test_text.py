"""Bytes to lines: encodings, line ends, places, and going on where reading stopped."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import ParseError
from parsers.forms import TextRules
from parsers.text import PIECE, LineReader


def read(
    data: bytes, *encodings: str, final: bool = True
) -> tuple[list[str], list[tuple[int, int]], LineReader]:
    rules = TextRules.model_validate({"encodings": encodings})
    reader = LineReader(data, rules, final=final)
    texts: list[str] = []
    places: list[tuple[int, int]] = []
    pieces = list(reader.pieces())
    if final and (tail := reader.tail()):
        pieces.append(tail)
    for piece in pieces:
        texts += [
            f"!{piece.damaged[at]}" if at in piece.damaged else text
            for at, text in enumerate(piece.texts)
        ]
        places += list(zip(piece.starts, piece.ends, strict=True))
    return texts, places, reader


@pytest.mark.parametrize(
    ("data", "encodings", "texts"),
    [
        (b"a\nb\r\nc\rd", (), ["a", "b", "c", "d"]),
        (b"a\r\rb\n\nc", (), ["a", "", "b", "", "c"]),
        (b"\n", (), [""]),
        (b"\xef\xbb\xbf\xc3\xa4\n", (), ["ä"]),
        (b"\xef\xbb\xbfa\n", ("windows-1252", "utf-8"), ["a"]),
        (b"\xff\xfea\0\r\0\n\0b\0", (), ["a", "b"]),
        (b"\xfe\xff\0a\0\n\x26\x0a\0\n", ("utf-16",), ["a", "☊"]),
        (b"a\0\n\0", ("utf-16-le",), ["a"]),
        (b"\xff\xfea\0\n\0", ("utf-16-le",), ["a"]),
        (b"\0a\0\r\0b", ("utf-16-be",), ["a", "b"]),
        (b"a\0\n\0", ("utf-8", "utf-16-le", "utf-16-be"), ["a"]),
        (b"\0a\0\n", ("utf-8", "utf-16-le", "utf-16-be"), ["a"]),
        (b"a\n\xe4\n", ("utf-8", "windows-1252"), ["a", "ä"]),
        (b"a\n\xc3\xa4\n", ("utf-8", "windows-1252"), ["a", "ä"]),
        (b"\xb5g\n", ("iso-8859-1",), ["µg"]),
        (b"\xa4\n", ("iso-8859-15",), ["€"]),
        (b"\x80\n", ("windows-1252",), ["€"]),
        (b"\xc1\n", ("windows-1251",), ["Б"]),
    ],
)
def test_text_is_decoded_as_declared(
    data: bytes, encodings: tuple[str, ...], texts: list[str]
) -> None:
    assert read(data, *encodings)[0] == texts


@pytest.mark.parametrize(
    ("data", "encodings", "offset"),
    [
        (b"a\nb\xe4c\nd\n", (), 3),
        (b"a\nb\xe4c\nd\n", ("ascii",), 3),
        (b"\xc3\xa4\n\xe4\nd\n", ("utf-8", "windows-1252"), 3),
        (b"\x81\nx\xe4\n", ("utf-8", "windows-1252"), 0),
        (b"\xff\xfea\0\n\0\0\xd8\n\0b\0\n\0", (), 6),
        (b"\xff\xfea\0\r\0\n\0b\0\r\0\0\xd8\n\0", (), 12),
        (b"a\n\xc3", (), 2),
        (b"\xff\xfea\0\n\0b", (), 6),
    ],
)
def test_damaged_byte_costs_its_line_and_is_named(
    data: bytes, encodings: tuple[str, ...], offset: int
) -> None:
    texts, _, _ = read(data, *encodings)
    damaged = [text for text in texts if text.startswith("!")]
    assert len(damaged) == 1
    assert damaged[0] == f"!Damaged(offset={offset}, found='byte 0x{data[offset]:02X}')"


def test_encoding_once_settled_stays() -> None:
    # the second line is no UTF-8, but the first one was and settled it
    assert read("ä\n".encode() + b"\xe4\nz\n", "utf-8", "windows-1252")[2].encoding == "utf-8"
    assert read(b"plain\n", "utf-8", "windows-1252")[2].encoding is None


@pytest.mark.parametrize(
    ("data", "encodings", "expected"),
    [
        (b"\xef\xbb\xbfa", ("windows-1252",), "text in windows-1252"),
        (b"\xff\xfea\0", ("utf-8",), "text in utf-8"),
        (b"\xff\xfea\0", ("utf-16-be",), "text in utf-16-be"),
        (b"abc", ("utf-16",), "a byte order mark of utf-16"),
    ],
)
def test_byte_order_mark_against_the_form_is_refused(
    data: bytes, encodings: tuple[str, ...], expected: str
) -> None:
    with pytest.raises(ParseError, match="byte 0") as caught:
        read(data, *encodings)
    assert caught.value.expected == expected


def test_first_two_bytes_of_a_growing_file_settle_nothing() -> None:
    assert read(b"\xff", "utf-16", final=False)[0] == []
    assert read(b"a\n", final=False)[2].offset == 0


@given(
    lines=st.lists(
        st.tuples(
            st.text(st.characters(exclude_characters="\r\n", exclude_categories=["Cs"])),
            st.sampled_from(["\n", "\r\n", "\r"]),
        ),
        max_size=8,
    ),
    codec=st.sampled_from(["utf-8", "utf-16-le", "utf-16-be"]),
    cut=st.integers(0, 200),
    size=st.sampled_from([4, 16, 1 << 18]),
)
def test_lines_and_places_are_those_that_were_written(
    lines: list[tuple[str, str]], codec: str, cut: int, size: int
) -> None:
    whole = "".join(line + end for line, end in lines)
    if whole.startswith("\ufeff"):
        return
    data = whole.encode(codec)
    wanted = re.split("\r\n|\r|\n", whole)[:-1]
    rules = TextRules.model_validate({"encodings": codec})
    first = LineReader(data[:cut], rules, final=False, piece=size)
    pieces = list(first.pieces())
    second = LineReader(
        data[first.offset :],
        rules,
        origin=first.offset,
        line=first.line,
        state=json.loads(json.dumps(first.state())) if first.offset else None,
        piece=size,
    )
    pieces += list(second.pieces())
    assert [text for piece in pieces for text in piece.texts] == wanted
    for piece in pieces:
        for text, start, end in zip(piece.texts, piece.starts, piece.ends, strict=True):
            assert data[start:end].decode(codec) == text
    assert second.line == len(wanted)
    assert second.offset == len(data)
    assert second.tail() is None


def test_line_longer_than_a_piece_is_one_line() -> None:
    data = b"x" * (PIECE + 10) + b"\r\nnext\n"
    texts, places, _ = read(data)
    assert [len(text) for text in texts] == [PIECE + 10, 4]
    assert places[1] == (PIECE + 12, PIECE + 16)


def test_wide_line_longer_than_a_piece_is_one_line() -> None:
    # 0A 00 0A 00 ... holds 00 0A at every odd place, where it is no line end
    data = "\u0a00".encode("utf-16-be") * (PIECE // 2 + 5) + b"\0\n\0z\0\n"
    assert [len(text) for text in read(data, "utf-16-be")[0]] == [PIECE // 2 + 5, 1]


def test_line_end_cut_between_cr_and_lf_is_one_line_end() -> None:
    rules = TextRules()
    first = LineReader(b"ab\r", rules, final=False)
    assert [piece.texts for piece in first.pieces()] == [["ab"]]
    for more, texts in ((b"\ncd\n", [["cd"]]), (b"cd\n", [["cd"]]), (b"", [])):
        again = LineReader(more, rules, origin=3, line=1, state=first.state())
        assert [piece.texts for piece in again.pieces()] == texts
    assert not LineReader(b"ab\r", rules).is_empty
    assert LineReader(b"\xef\xbb\xbf", rules).is_empty


def test_line_end_of_two_bytes_cut_in_the_middle_waits() -> None:
    rules = TextRules.model_validate({"encodings": "utf-16-le"})
    first = LineReader(b"a\0\r\0", rules, final=False)
    assert [piece.texts for piece in first.pieces()] == [["a"]]
    second = LineReader(b"\n", rules, origin=4, line=1, state=first.state(), final=False)
    assert list(second.pieces()) == []
    third = LineReader(b"\n\0b\0\n\0", rules, origin=4, line=1, state=second.state())
    assert [(piece.texts, piece.first) for piece in third.pieces()] == [(["b"], 2)]
