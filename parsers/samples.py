"""The layout of a sample export, found by looking at it. Used to draft forms only.

Three layouts are tried in this order: frames (they begin with STX), a table (many consecutive
lines fall into the same number of cells), labelled lines. What does not fit the layout is kept
and shown to the person who corrects the draft.
"""

import csv
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, product
from typing import Final, Literal

from parsers.checksums import CHECKSUMS
from parsers.clues import BLANKS, find_numbers, find_times
from parsers.errors import ParseError
from parsers.units import parse_unit

_LOOKED_AT: Final = 1 << 16  # bytes of the sample; more would not make the draft any surer
_TABLE_SHARE: Final = 0.3  # a layout that fits fewer of the lines is not the layout; the
_REPORT_SHARE: Final = 0.5  # lines above a short table may be many
_LABEL: Final = r"[^\W\d_][^:=;\t|]{0,39}?"
_RULE_LINE: Final = re.compile(r"\s*([-=_*+~#.])\1{2,}[-=_*+~#. ]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """The characters of a sample.

    Attributes:
        text: what was looked at, without a byte order mark.
        encodings: for the form; several when only a person can say.
        doubt: what is not certain about the encoding, or "".
        is_ended: the last line of the sample has a line end.
    """

    text: str
    encodings: tuple[str, ...]
    doubt: str
    is_ended: bool

    @property
    def lines(self) -> list[str]:
        """All lines without their line ends."""
        lines = re.split("\r\n|\r|\n", self.text)
        return lines[:-1] if lines[-1] == "" else lines


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSample:
    """Lines that fall into cells.

    Attributes:
        delimiter: as the form names it.
        header: names of the columns, or empty where the rows have none.
        rows: cells of each row, blanks around them removed.
        above: filled lines above header and rows.
        strange: filled lines below the header that are no rows.
        is_repeated: the header comes again behind a blank line.
    """

    delimiter: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    above: tuple[str, ...]
    strange: tuple[str, ...]
    is_repeated: bool

    def cells(self, line: str) -> list[str]:
        """The cells of any line, cut like the rows."""
        return _cells(line, self.delimiter)

    def column(self, index: int) -> list[str]:
        """The cells of one column."""
        return [row[index] for row in self.rows if index < len(row)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSample:
    """Labelled lines.

    Attributes:
        separator: between label and text.
        block: what parts two blocks, as the form names it.
        texts: the texts of each label, in the order of their first occurrence.
        counts: number of blocks.
        strange: filled lines that are neither labelled nor a rule.
    """

    separator: str
    block: Literal["blank", "rule", "label"]
    texts: Mapping[str, tuple[str, ...]]
    blocks: int
    strange: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """One checksum that agrees with every frame of a sample."""

    name: str
    written: Literal["hex", "big", "little"]
    place: Literal["after_end", "before_end"]
    covers_start: bool
    covers_end: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSample:
    """Messages between STX and ETX.

    Attributes:
        messages: their bytes without start, end and check value.
        checks: every checksum that agrees with all of them.
        after: bytes behind each frame that carry nothing.
    """

    messages: tuple[bytes, ...]
    checks: tuple[Check, ...]
    after: bytes


def decode_sample(data: bytes, *, is_frame: bool = False) -> Text:
    """Return the text of the first part of `data`.

    Args:
        data: the sample.
        is_frame: it holds messages of a serial line, which are never UTF-16.

    Raises:
        ParseError: there is nothing, or it is no text.
    """
    if not data.strip(b"\0\r\n\t "):
        raise ParseError(offset=0, expected="a sample export", found="nothing to read")
    is_whole = len(data) <= _LOOKED_AT
    is_ended = data.rstrip(b"\0").endswith((b"\n", b"\r"))
    text: str
    for mark, name, codec in (
        (b"\xef\xbb\xbf", "utf-8", "utf-8"),
        (b"\xff\xfe", "utf-16", "utf-16-le"),
        (b"\xfe\xff", "utf-16", "utf-16-be"),
    ):
        if data.startswith(mark) and not is_frame:
            text = _decode_start(data[len(mark) :], codec, is_whole=is_whole)
            return Text(text=text, encodings=(name,), doubt="", is_ended=is_ended)
    for codec, zero_at in (("utf-16-le", 1), ("utf-16-be", 0)):
        zeros = data[zero_at:400:2].count(0)
        if zeros > len(data[:400]) // 4 and not is_frame:
            text = _decode_start(data, codec, is_whole=is_whole)
            doubt = "no byte order mark; every second byte is zero, so this is UTF-16"
            return Text(text=text, encodings=(codec,), doubt=doubt, is_ended=is_ended)
    try:
        text = _decode_start(data, "utf-8", is_whole=is_whole)
    except ParseError:
        text = _decode_start(data, "windows-1252", is_whole=is_whole)
        doubt = "not UTF-8; check that letters such as ä, é, µ look right below, else name another"
        return Text(text=text, encodings=("windows-1252",), doubt=doubt, is_ended=is_ended)
    return Text(text=text, encodings=("utf-8",), doubt="", is_ended=is_ended)


def _decode_start(data: bytes, codec: str, *, is_whole: bool) -> str:
    """Return the decoded beginning of `data`, cut behind a line end when it is not whole."""
    try:
        if is_whole:
            return data.decode(codec)
        piece = data[:_LOOKED_AT]
        feed = "\n".encode(codec) if b"\n" in piece else "\r".encode(codec)
        end = piece.rfind(feed)
        while end > 0 and end % len(feed):
            end = piece.rfind(feed, 0, end + len(feed) - 1)
        return piece[: end + len(feed)].decode(codec) if end > 0 else piece.decode(codec)
    except UnicodeDecodeError as error:
        raise ParseError(
            offset=error.start,
            expected=f"text in {codec}",
            found=f"byte 0x{data[error.start]:02X}",
        ) from None


def find_table(lines: Sequence[str]) -> TableSample | None:
    """Return the table in `lines`; None when no delimiter fits enough of them."""
    filled = [line for line in lines if line.strip()]
    best: tuple[str, int] | None = None
    for delimiter in ("tab", ";", "|", ",", "gaps"):
        counts = Counter(len(_cells(line, delimiter)) for line in filled)
        counts = Counter({count: lines for count, lines in counts.items() if count > 1})
        if not counts:
            continue
        count, fitting = counts.most_common(1)[0]
        # Later delimiters win only where they fit clearly more lines: a decimal comma parts
        # cells just as regularly as a delimiter does.
        if fitting >= max(_TABLE_SHARE * len(filled), 2 if len(filled) > 1 else 1) and (
            best is None or fitting * 0.8 > _fitting(filled, *best)
        ):
            best = (delimiter, count)
    return None if best is None else _table(lines, *best)


def _fitting(lines: Iterable[str], delimiter: str, count: int) -> int:
    return sum(len(_cells(line, delimiter)) == count for line in lines)


def _cells(line: str, delimiter: str) -> list[str]:
    if delimiter == "gaps":
        return [cell.strip(BLANKS) for cell in re.split(r"[ \t]{2,}", line.strip(BLANKS))]
    mark = "\t" if delimiter == "tab" else delimiter
    try:
        cells = next(csv.reader([line], delimiter=mark, strict=True), [])
    except csv.Error:
        cells = line.split(mark)
    return [cell.strip(BLANKS) for cell in cells]


def _table(lines: Sequence[str], delimiter: str, count: int) -> TableSample | None:
    fitting = [at for at, line in enumerate(lines) if len(_cells(line, delimiter)) == count]
    header_at = next((at for at in fitting if _is_header(_cells(lines[at], delimiter))), None)
    if header_at is not None and not _has_data(
        [_cells(lines[at], delimiter) for at in fitting if at > header_at]
    ):
        header_at = None
    first = fitting[0] if header_at is None else header_at
    header = [] if header_at is None else _cells(lines[header_at], delimiter)
    rows, strange = [], []
    is_blank_before = is_repeated = False
    for at in range(first + (header_at is not None), len(lines)):
        line = lines[at]
        cells = _cells(line, delimiter)
        if header and sorted(cells) == sorted(header):
            is_repeated = is_repeated or is_blank_before
        elif len(cells) == count:
            rows.append(tuple(cells))
        elif line.strip():
            strange.append(line)
        is_blank_before = not line.strip()
    if not rows or (header_at is None and not _has_data(rows)):
        return None
    return TableSample(
        delimiter=delimiter,
        header=tuple(header),
        rows=tuple(rows),
        above=tuple(line for line in lines[:first] if line.strip()),
        strange=tuple(strange),
        is_repeated=is_repeated,
    )


def _is_header(cells: Sequence[str]) -> bool:
    """Return whether these are names: words, each of them once, no numbers and no dates."""
    names = [cell for cell in cells if cell]
    return (
        len(names) * 2 > len(cells)
        and len(set(names)) == len(names)
        and all(re.search(r"[^\W\d_]|#", name) for name in names)
        and not any(find_times([name]) or find_numbers([name]) for name in names)
        and not any(parse_unit(name) for name in names)
    )


def _has_data(rows: Sequence[Sequence[str]]) -> bool:
    """Return whether some column holds numbers."""
    return any(
        find_times(column) is None and find_numbers(column) is not None
        for column in map(list, zip(*rows, strict=False))
    )


def find_report(lines: Sequence[str]) -> ReportSample | None:
    """Return the labelled lines; None when fewer than half of the lines are such."""
    filled = [line.strip("\f") for line in lines if line.strip(BLANKS + "\f")]
    plain = [line for line in filled if not _RULE_LINE.fullmatch(line)]
    for separator in (":", "=", "->", "\t"):
        grammar = re.compile(rf"\s*({_LABEL})\s*{separator}(?!\S*\d\d:)\s*(.*?)\s*")
        matches = [grammar.fullmatch(line) for line in plain]
        found = [(match[1], match[2]) for match in matches if match is not None]
        if len(found) < max(2, _REPORT_SHARE * len(plain)):
            continue
        texts: dict[str, list[str]] = {}
        for label, text in found:
            texts.setdefault(label, []).append(text)
        blocks = max(len(each) for each in texts.values())
        return ReportSample(
            separator=separator,
            block=_parting(lines, next(iter(texts)), blocks),
            texts={label: tuple(each) for label, each in texts.items()},
            blocks=blocks,
            strange=tuple(
                line for line, match in zip(plain, matches, strict=True) if match is None
            ),
        )
    return None


def _parting(
    lines: Sequence[str], first_label: str, blocks: int
) -> Literal["blank", "rule", "label"]:
    """Return what parts the blocks: whichever thing there is about as often as blocks."""
    gaps = sum(is_blank for is_blank, _ in groupby(not line.strip() for line in lines) if is_blank)
    rules = sum(bool(_RULE_LINE.fullmatch(line)) for line in lines)
    labels = sum(line.strip().startswith(first_label) for line in lines)
    if rules and abs(rules - blocks) <= 1:
        return "rule"
    if blocks == 1 or abs(gaps - blocks) <= 1:
        return "blank"
    return "label" if labels == blocks else "blank"


_FRAME = re.compile(rb"\x02([^\x02\x03]*)\x03([^\x02]*)")


def find_frames(data: bytes) -> FrameSample | None:
    """Return the messages between STX and ETX in `data`; None where there are none."""
    found = [(match[1], match[2]) for match in _FRAME.finditer(data[:_LOOKED_AT])]
    if not found:
        return None
    tails = {tail for _, tail in found[:-1]} | {found[-1][1]}
    for place, written in product(("after_end", "before_end"), ("hex", "big", "little")):
        checks = [
            check
            for name, covers_start, covers_end in product(CHECKSUMS, (False, True), (False, True))
            if _agrees(check := Check(name, written, place, covers_start, covers_end), found)  # type: ignore[arg-type]  # product() loses the literals
        ]
        if checks:
            size = _written_size(checks[0])
            checks = [check for check in checks if _written_size(check) == size]
            is_behind = place == "after_end"
            return FrameSample(
                messages=tuple(body if is_behind else body[:-size] for body, _ in found),
                checks=tuple(checks),
                after=_common({tail[size:] for tail in tails} if is_behind else tails),
            )
    return FrameSample(messages=tuple(body for body, _ in found), checks=(), after=_common(tails))


def _common(tails: set[bytes]) -> bytes:
    """Return the line end that stands behind every frame, or nothing."""
    return next(iter(tails)) if len(tails) == 1 and tails <= {b"\r", b"\n", b"\r\n"} else b""


def _written_size(check: Check) -> int:
    return CHECKSUMS[check.name].width * (2 if check.written == "hex" else 1)


def _agrees(check: Check, found: Sequence[tuple[bytes, bytes]]) -> bool:
    checksum, size = CHECKSUMS[check.name], _written_size(check)
    for body, tail in found:
        is_behind = check.place == "after_end"
        written = tail[:size] if is_behind else body[-size:]
        message = body if is_behind else body[:-size]
        covered = b"\x02" * check.covers_start + message + b"\x03" * check.covers_end
        value = checksum.compute(covered)
        if check.written == "hex":
            expected = f"{value:0{size}X}".encode("ascii")
        else:
            expected = value.to_bytes(checksum.width, check.written)
        if (written.upper() if check.written == "hex" else written) != expected:
            return False
    return True
