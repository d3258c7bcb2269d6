"""Forms to read by, inputs to begin with, and how the bytes of a fuzzer become a capture."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from parsers import Form, load_form
from parsers.checksums import CHECKSUMS
from parsers.forms import FrameRules

SHAPES: Final = ("table", "report", "frame")
_ROOT: Final = Path(__file__).parents[2]
_MENDED: Final = 0x80  # this bit of the first byte asks for messages in whole frames
LONGEST_INPUT: Final = 900  # bytes; short inputs are many inputs
_MORE: Final = {"table": 9, "report": 5, "frame": 9}  # enough to be read as a run


@dataclass(frozen=True, slots=True)
class Known:
    """A form, and files that are written in it."""

    form: Form
    samples: tuple[bytes, ...]


@cache
def known_forms(shape: str) -> tuple[Known, ...]:
    """All forms of a shape that the project has, in order of their names."""
    own = {path.stem: path for path in (_ROOT / "parsers" / "forms").glob("*.toml")}
    for path in (_ROOT / "fixtures").glob("*/*/form.toml"):
        own.setdefault(path.parent.parent.name, path)
    found = []
    for name, path in sorted(own.items()):
        form = load_form(path.read_bytes(), name)
        if form.shape == shape:
            files = sorted((_ROOT / "fixtures" / name).glob("*/input.*"))
            found.append(Known(form, tuple(file.read_bytes() for file in files)))
    return tuple(found)


def capture_of(data: bytes, shape: str) -> tuple[bytes, Form]:
    """The capture that a fuzzer's input stands for, and the form to read it by.

    The first byte chooses. Frames with a check value would hardly ever be whole by chance, so
    for half of the first bytes the rest is taken for messages, one a line, and framed.
    """
    forms = known_forms(shape)
    first, rest = (data[0], data[1:]) if data else (0, b"")
    form = forms[first % _MENDED % len(forms)].form
    if form.frame is not None and first & _MENDED:
        rest = b"".join(framed(message, form.frame) for message in rest.split(b"\n"))
    return rest, form


def framed(message: bytes, rules: FrameRules) -> bytes:
    """The message with everything around it that the form asks for."""
    check, field = rules.checksum, rules.length_field
    body = message
    if field is not None:
        total = len(rules.start) + field.size + len(message) + len(rules.end) + _check_size(rules)
        stated = max(total - field.adds, 0)
        if field.written in ("decimal", "hex"):
            digits = f"{stated:0{field.size}{'d' if field.written == 'decimal' else 'X'}}"
            body = digits.encode("ascii")[-field.size :] + message
        else:
            low = stated % 256**field.size
            body = low.to_bytes(field.size, field.written) + message
    value = b""
    if check is not None:
        covered = (
            (rules.start if check.covers_start else b"")
            + body
            + (rules.end if check.covers_end else b"")
        )
        number = CHECKSUMS[check.name].compute(covered)
        width = CHECKSUMS[check.name].width
        value = (
            f"{number:0{2 * width}X}".encode("ascii")
            if check.written == "hex"
            else number.to_bytes(width, check.written)
        )
    if check is not None and check.place == "after_end":
        return rules.start + body + rules.end + value + rules.after
    return rules.start + body + value + rules.end + rules.after


def _check_size(rules: FrameRules) -> int:
    if rules.checksum is None:
        return 0
    return CHECKSUMS[rules.checksum.name].width * (2 if rules.checksum.written == "hex" else 1)


def seeds(shape: str) -> list[bytes]:
    """Inputs that a fuzzer begins with: every fixture, whole and with its last lines repeated."""
    found = []
    for at, known in enumerate(known_forms(shape)):
        for sample in known.samples:
            found += [
                bytes([at]) + sample,
                bytes([at]) + sample + _last_of(sample, shape) * _MORE[shape],
            ]
            if shape == "frame":
                found.append(bytes([at + _MENDED]) + _messages(sample, known.form) * _MORE[shape])
    return [data for data in found if len(data) <= LONGEST_INPUT]


def _last_of(sample: bytes, shape: str) -> bytes:
    """The last row, or the last block behind a blank line."""
    if shape != "report":
        return b"".join(sample.splitlines(keepends=True)[-1:])
    return b"\n" + sample.rstrip().rpartition(b"\n\n")[2] + b"\n"


def _messages(sample: bytes, form: Form) -> bytes:
    """The messages of a capture, one a line, as far as they are whole."""
    from parsers.framer import Frame, Framer

    assert form.frame is not None
    framer = Framer(form.frame)
    framer.receive(sample)
    framer.end_of_silence()
    lines = []
    while (answer := framer.next_frame()) is not None:
        if isinstance(answer, Frame):
            lines.append(answer.payload + b"\n")
    return b"".join(lines)


def words(shape: str) -> list[bytes]:
    """Pieces that a fuzzer may put in anywhere: labels, columns, marks, tokens."""
    texts = {"\r", "\n", "\r\n", "\f", "\t", "\0", '"', '""', ":", "-", "+", "0", "1:10", "\ufeff"}
    for known in known_forms(shape):
        form = known.form
        for rules in form.fields.values():
            for group in (rules.column, rules.label, rules.below, rules.above, rules.no_value):
                texts.update(group)
            for group in (rules.below_marks, rules.above_marks, rules.prefix, rules.suffix):
                texts.update(group)
        if form.table:
            texts.add("\t" if form.table.delimiter == "tab" else form.table.delimiter)
        if form.report:
            texts |= {form.report.separator, *form.report.last_label, *form.report.first_label}
        if form.frame:
            texts |= {form.frame.delimiter, form.frame.start.decode("latin-1")}
            texts |= {form.frame.end.decode("latin-1"), form.frame.after.decode("latin-1")}
    return sorted({text.encode("utf-8") for text in texts} - {b""})
