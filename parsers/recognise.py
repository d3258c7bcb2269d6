"""Which form is this text in? One, none or several: said with reasons, never guessed."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from parsers.errors import ParseError
from parsers.forms import Form
from parsers.readings import Parsed
from parsers.shapes import parse
from parsers.text import LineReader

HEADS: Final = (1024, 4096, 16384)  # bytes looked at; more only while they do not decide


@dataclass(frozen=True, slots=True)
class Recognition:
    """Forms that fit, and for every form why it does or does not.

    Attributes:
        matches: names of the forms that fit, in the order given.
        reasons: one sentence a form, by name.
    """

    matches: tuple[str, ...]
    reasons: dict[str, str] = field(default_factory=dict)


def recognise(data: bytes, forms: Sequence[Form]) -> Recognition:
    """The forms that the first part of `data` is written in.

    A form fits when what identifies it is there, its header or labels are found, and at least
    as many readings as faults come out of the part looked at, what is certainly complete in it
    first: a last block that is cut off does not outvote those before it. More than one match is
    an answer for a person, not a choice to be made here.
    """
    matches = []
    reasons = {}
    for form in forms:
        fits, reason = _judge(data, form)
        reasons[form.name] = reason
        if fits:
            matches.append(form.name)
    return Recognition(tuple(matches), reasons)


def _judge(data: bytes, form: Form) -> tuple[bool, str]:
    """Whether the form fits, and why."""
    marks = None
    reason = ""
    for size in HEADS:
        head, is_whole = data[:size], len(data) <= size
        try:
            marks = _wrong_marks(head, form)
            parsed = parse(head, form, final=False)
            if is_whole and len(parsed.readings) <= len(parsed.faults):
                parsed = parse(head, form, final=True)  # too little is certain: its tail may tell
        except ParseError as error:
            return False, marks or str(error)
        count, faults = len(parsed.readings), parsed.faults
        reason = f"{count} readings and {len(faults)} faults in the first {len(head)} bytes"
        if faults and count < len(faults):
            reason += f"; first: {faults[0]}"
        if not marks and count and count >= len(faults):
            return True, reason
        if is_whole and not marks and not faults and _has_header(parsed):
            return True, "its header is there, with no rows below it yet"
        if is_whole or (faults and not count):
            break
    return False, marks or reason


def _wrong_marks(head: bytes, form: Form) -> str:
    """Which identifying text is missing or out of place, "" where none is."""
    rules = form.recognise
    if not rules.contains and not rules.lacks:
        return ""
    reader = LineReader(head, form.text)
    lines = [text for piece in reader.pieces() for text in piece.texts]
    tail = reader.tail()
    text = "\n".join(lines + (tail.texts if tail else []))
    for mark in rules.contains:
        if mark not in text:
            return f"the text {mark!r} is not near the start"
    for mark in rules.lacks:
        if mark in text:
            return f"the text {mark!r} is near the start and must not be"
    return ""


def _has_header(parsed: Parsed) -> bool:
    return parsed.resume is not None and parsed.resume.state.get("mood") == "rows"
