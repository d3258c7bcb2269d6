"""A notice's words: counted, in order, on one line each."""

from datetime import UTC, datetime

from ingestd.service.notices.letter import SHOWN, write_letter
from ingestd.service.notices.matters import Matter, printable

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def some(count: int) -> list[Matter]:
    return [Matter(key=f"capture:{n}", kind="capture", text=f"capture {n}") for n in range(count)]


def test_many_matters_are_counted_and_the_first_named() -> None:
    letter = write_letter("Works", some(1000), at=NOON)
    assert letter.subject == "Works: 1000 matters need a hand"
    assert letter.text.count("  - capture ") == SHOWN
    assert f"and {1000 - SHOWN} more" in letter.text
    assert len(letter.matters) == 1000
    assert len(letter.body) < 4000


def test_one_matter_needs_a_hand() -> None:
    assert write_letter("Works", some(1), at=NOON).subject == "Works: 1 matter needs a hand"


def test_same_matters_at_the_same_moment_are_the_same_notice() -> None:
    first, again = (write_letter("Works", some(2), at=NOON) for _ in range(2))
    assert first.ident == again.ident
    assert write_letter("Works", some(3), at=NOON).ident != first.ident


def test_no_text_can_begin_a_line_or_a_header() -> None:
    hostile = "a\r\nBcc: x@y.example\x1b[2J\u2028z"
    assert printable(hostile) == "a Bcc: x@y.example\\x1b[2J z"
    matter = Matter(key="k", kind="capture", text=printable(hostile))
    letter = write_letter("Works\r\nBcc: x@y.example", [matter], at=NOON)
    assert "\n" not in letter.subject
    assert "\nBcc" not in letter.text
