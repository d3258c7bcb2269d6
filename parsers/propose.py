"""A form drafted from a sample export, for a person to correct.

The draft is the whole form in TOML with a comment at each guess. What the sample cannot decide
is marked UNSURE, listed at the top, and written so that a doubtful text is refused rather than
misread: two date orders stand side by side, a dilution is kept as printed.
"""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from parsers.clues import as_pattern, find_role, find_times
from parsers.errors import ParseError
from parsers.naming import Column, Naming, write_marks
from parsers.samples import (
    FrameSample,
    ReportSample,
    TableSample,
    Text,
    decode_sample,
    find_frames,
    find_report,
    find_table,
)

_RULE_PATTERN: Final = "[-=_*+~#. ]{3,}"
_MOST_IGNORED: Final = 8


def propose(data: bytes, name: str) -> str:
    """Return a commented TOML form for exports like the sample.

    The draft loads as a form, and reads the sample as far as its comments are sure.

    Args:
        data: the bytes of a sample export; the first 64 KiB are looked at.
        name: what the sample is called in the first comment.

    Raises:
        ParseError: no layout is recognisable, or nothing in it is a number.
    """
    frames = find_frames(data)
    if frames is not None:
        return _Draft(name).of_frames(frames)
    text = decode_sample(data)
    table, report = find_table(text.lines), find_report(text.lines)
    if table is not None and (report is None or _is_rather_table(table, report)):
        return _Draft(name).of_table(table, text)
    if report is not None:
        return _Draft(name).of_report(report, text)
    raise ParseError(
        offset=0,
        expected="frames from STX to ETX, rows of delimited cells, or labelled lines",
        found=text.text,
    )


def _is_rather_table(table: TableSample, report: ReportSample) -> bool:
    """Return which of two possible layouts it is: named columns tell most, then the lines."""
    labelled = sum(map(len, report.texts.values()))
    return len(table.header) > 2 or len(table.rows) * 2 > labelled


class _Draft:
    """Collects the lines of one draft."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._doubts: list[str] = []
        self._head: list[str] = []
        self._body: list[str] = []
        self._naming = Naming()

    # ---- the three shapes

    def of_table(self, table: TableSample, text: Text) -> str:
        """Return the draft for rows under a header."""
        columns = []
        for at, title in enumerate(table.header or ("",) * len(table.rows[0])):
            place: dict[str, object] = {"column": title} if title else {"position": at + 1}
            columns.append(Column(title, place, table.column(at)))
        stated, separator = self._stated(table)
        wide = self._naming.find_wide(columns)
        self._naming.name_all(columns, stated=stated, is_wide=bool(wide))
        columns += stated
        keys: dict[str, object] = {"delimiter": table.delimiter}
        notes = []
        if not table.header:
            keys |= {"header": "none", "cells": len(table.rows[0])}
            if table.above:
                keys["header_pattern"] = as_pattern(table.above[-1])
                notes.append("UNSURE: rows are taken to begin behind this line")
        if stated:
            keys["stated_separator"] = separator
        labels = {column.title for column in stated}
        stated_anew = (
            [line for line in table.strange if line.partition(separator)[0].strip() in labels]
            if stated
            else []
        )
        if table.is_repeated or stated_anew:
            keys["blocks"] = "blank"
        width = len(table.rows[0])
        short = [line for line in table.strange if width // 2 < len(table.cells(line)) < width]
        if short and len(table.cells(short[0])) > 1 and table.delimiter != "gaps":
            keys["short_rows"] = True
            notes.append("UNSURE: some rows have fewer cells than the header")
        # Only what can be no row is passed over; the rest is left to become faults.
        odd = [line for line in table.strange if len(table.cells(line)) > 1 and line not in short]
        if odd or stated_anew:
            first = [*stated_anew, *odd][0]
            notes.append(
                f"UNSURE: lines such as {first!r} fit neither header nor rows; is this another "
                "table? They are left to become faults"
            )
        passed = set(short) | set(odd) | set(stated_anew)
        ignored, ignored_notes = _ignored([line for line in table.strange if line not in passed])
        self._section("table", keys | ignored, notes + ignored_notes)
        if wide:
            self._write_wide(wide)
        return self._finish("table", columns, text, is_wide=bool(wide))

    def of_report(self, report: ReportSample, text: Text) -> str:
        """Return the draft for labelled lines."""
        columns = [
            Column(
                label,
                {"label": label},
                texts,
                required="value" if len(texts) == report.blocks else "no",
            )
            for label, texts in report.texts.items()
        ]
        self._naming.name_all(columns, stated=[], is_wide=False)
        keys: dict[str, object] = {"separator": report.separator, "block": report.block}
        notes = []
        if report.block == "rule":
            keys["rule"] = _RULE_PATTERN
        elif report.block == "label":
            keys["first_label"] = next(iter(report.texts))
        if report.blocks == 1:
            notes.append("UNSURE: the sample holds one block, so what parts two is not seen")
        ignored, ignored_notes = _ignored(report.strange)
        if report.block != "rule":
            ignored = {"ignore": [_RULE_PATTERN, *_as_list(ignored.get("ignore"))]}
        self._section("report", keys | ignored, notes + ignored_notes)
        return self._finish("report", columns, text, is_wide=False)

    def of_frames(self, frames: FrameSample) -> str:
        """Return the draft for messages between STX and ETX."""
        text = decode_sample(b"\x02".join(frames.messages), is_frame=True)
        messages = text.text.split("\x02")
        keys: dict[str, object] = {"start": "\x02", "end": "\x03"}
        notes = []
        if frames.after:
            keys["after"] = frames.after.decode("ascii")
        if frames.checks:
            first = frames.checks[0]
            keys["checksum"] = {
                "name": first.name,
                "written": first.written,
                "place": first.place,
                "covers_start": first.covers_start,
                "covers_end": first.covers_end,
            }
            others = [check.name for check in frames.checks[1:]]
            if others:
                notes.append(f"UNSURE: {', '.join(others)} would fit the checksum as well")
            if len(messages) < 3:
                notes.append("UNSURE: so few frames can fit a checksum by chance")
        else:
            keys["unchecked"] = True
            notes.append(
                "UNSURE: no checksum agrees with the frames; a damaged digit would not be noticed"
            )
        columns, layout = _cells_of(messages)
        self._naming.name_all(columns, stated=[], is_wide=False)
        notes.append("the manual says whether it waits for acknowledge, refuse or poll bytes")
        self._section("frame", keys | layout, notes)
        return self._finish("frame", columns, text, is_wide=False)

    def _stated(self, table: TableSample) -> tuple[list[Column], str]:
        """Return fields that lines above the header state, and what parts label and text."""
        mark = "\t" if table.delimiter == "tab" else table.delimiter
        in_rows = {find_role(title) for title in table.header}
        for at in range(len(table.rows[0])):
            times = find_times(table.column(at))
            if times is not None:
                in_rows |= {"date", "datetime"} if times.kind != "time" else {"time"}
        for separator in (":", "=", mark):
            found = []
            for line in table.above if len(separator) == 1 else ():
                label, _, text = line.partition(separator)
                label, text = label.strip(), text.strip(" \t" + mark)
                column = Column(label, {"label": label}, [text], required="no")
                role = find_role(label)
                if not label or not text:
                    continue
                if column.times is not None and column.times.kind not in in_rows:
                    self._naming.name_by_clue(column)
                elif role in ("instrument", "operator", "method", "lot") and role not in in_rows:
                    self._naming.take(column, role)
                if column.name:
                    column.notes.insert(0, "stands above the header, for all rows below it")
                    found.append(column)
            if found:
                return found, separator
        return [], ""

    # ---- TOML out

    def _section(self, name: str, keys: Mapping[str, object], notes: Iterable[str]) -> None:
        self._body += ["", f"[{name}]"]
        self._note(notes, name)
        self._body += [f"{key} = {_toml(value)}" for key, value in keys.items()]

    def _note(self, notes: Iterable[str], where: str) -> None:
        for note in notes:
            self._body.append(f"# {_one_line(note)}")
            if note.startswith("UNSURE: "):
                self._doubts.append(f"{where}: {note.removeprefix('UNSURE: ')}")

    def _write_wide(self, wide: Sequence[tuple[Column, str, str]]) -> None:
        for column, method, unit in wide:
            self._body += ["", "[[table.wide.columns]]"]
            self._body += [
                f"column = {_toml(column.title)}",
                f"method = {_toml(method)}",
                f"unit = {_toml(unit)}",
            ]

    def _finish(self, shape: str, columns: Sequence[Column], text: Text, *, is_wide: bool) -> str:
        decimal, thousands = self._write_fields(columns, is_wide=is_wide)
        lacks = {"sample": "[fields.sample]", "method": "[fields.method]", "unit": "[fields.unit]"}
        for name, section in lacks.items():
            if name not in self._naming.taken:
                self._body += ["", f"# {section}", '# constant = "..."']
                self._doubts.append(f"{name}: not found in the sample; perhaps a constant")
        head = [
            f"shape = {_toml(shape)}",
            'title = "What a person calls this layout"',
            "# Does the value already contain dilution, blank and rounding? The manual or a trial",
            "# with a known dilution tells; then state dilution_applied, blank_applied and",
            "# rounding_applied as true or false here.",
            "# identity = [...]   # fields that make it the same reading again; left out, it is",
            "#                    # the sequence number, else time, sample, method and value",
            "",
            "[text]",
        ]
        if text.doubt:
            head.append(f"# UNSURE: {_one_line(text.doubt)}")
            self._doubts.append(f"text: {text.doubt}")
        head.append(f"encodings = {_toml(list(text.encodings))}")
        if not text.is_ended and shape != "frame":
            head.append("# UNSURE: the sample ends without a line end; is it whole?")
            head.append('last_line = "any"')
            self._doubts.append("text: the sample ends without a line end; is it whole?")
        head += ["", "[numbers]", f"decimal = {_toml(decimal)}"]
        if thousands:
            head.append(f"thousands = {_toml(thousands)}")
        top = [f"# Drafted from {_one_line(self._name)}. Correct it, then try it on the sample."]
        top += ["# UNSURE, please decide:" if self._doubts else "# Nothing in it is unsure."]
        top += [f"#   {_one_line(doubt)}" for doubt in self._doubts]
        return "\n".join([*top, *head, *self._body]) + "\n"

    def _write_fields(self, columns: Sequence[Column], *, is_wide: bool) -> tuple[str, str]:
        """Write all fields; return the decimal and thousands mark of most numbers."""
        read = [c for c in columns if c.name in ("value", "absorbance") and c.numbers is not None]
        clues = [column.numbers for column in read if column.numbers is not None]
        sure = [clue for clue in clues if not clue.doubt] or clues
        decimal, thousands = (sure[0].decimal, sure[0].thousands) if sure else (".", "")
        if is_wide:
            merged = Column("", {}, [])
            for clue in clues:
                write_marks(merged, clue)
            self._body += ["", "[fields.value]"]
            self._note(merged.notes, "value")
            self._body += [f"{key} = {_toml(value)}" for key, value in merged.keys.items()]
        for column in columns:
            if is_wide and column.name == "value":
                continue
            self._body += ["", f"[fields.{column.name}]"]
            shown = next((text for text in column.texts if text), "")
            self._body.append(
                f"# in the sample: {_one_line(shown)}" if shown else "# always empty"
            )
            self._note(column.notes, column.name)
            keys = column.place | column.keys
            if column.required != "value":
                keys["required"] = column.required
            numbers = column.numbers
            if column.name in ("value", "absorbance") and numbers is not None:
                if not numbers.doubt and numbers.decimal != decimal:
                    keys["decimal"] = numbers.decimal
                if not numbers.doubt and numbers.thousands and numbers.thousands != thousands:
                    keys["thousands"] = numbers.thousands
            self._body += [f"{key} = {_toml(value)}" for key, value in keys.items()]
        return decimal, thousands


def _cells_of(messages: Sequence[str]) -> tuple[list[Column], dict[str, object]]:
    """Return the columns of a frame's message and the keys that describe its layout.

    Raises:
        ParseError: the messages are neither pairs nor parted by one of the usual marks.
    """
    for delimiter in "|;,\t":
        rows = [message.rstrip(delimiter).split(delimiter) for message in messages]
        for separator in "=:":
            if all(separator in cell for row in rows for cell in row) and len(rows[0]) > 1:
                pairs: dict[str, list[str]] = {}
                for row in rows:
                    for cell in row:
                        label, _, text = cell.partition(separator)
                        pairs.setdefault(label.strip(), []).append(text.strip())
                columns = [
                    Column(
                        label,
                        {"label": label},
                        texts,
                        required="value" if len(texts) == len(rows) else "no",
                    )
                    for label, texts in pairs.items()
                ]
                keys = {"layout": "pairs", "delimiter": delimiter, "pair_separator": separator}
                return columns, dict(keys)
    for delimiter in "|;,\t":
        rows = [message.split(delimiter) for message in messages]
        if len(rows[0]) > 1 and len({len(row) for row in rows}) == 1:
            columns = [
                Column("", {"position": at + 1}, [row[at].strip() for row in rows])
                for at in range(len(rows[0]))
            ]
            return columns, {
                "layout": "delimited",
                "delimiter": delimiter,
                "cells": len(rows[0]),
            }
    raise ParseError(
        offset=0,
        expected="messages whose cells are parted by | ; , or tab",
        found=messages[0],
    )


def _ignored(strange: Iterable[str]) -> tuple[dict[str, object], list[str]]:
    """Return patterns for lines that are no data, and what is unsure about them."""
    lines = list(dict.fromkeys(line.strip("\f") for line in strange))
    if not lines:
        return {}, []
    patterns: dict[str, None] = {}
    for line in lines:
        if re.fullmatch(_RULE_PATTERN, line):
            patterns[_RULE_PATTERN] = None
        elif line.startswith("#"):
            patterns["#.*"] = None
        elif len(patterns) < _MOST_IGNORED:
            patterns[as_pattern(line)] = None
    note = "UNSURE: lines that match ignore are passed over; make sure that they are no readings"
    return {"ignore": list(patterns)}, [note]


def _as_list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _one_line(text: str) -> str:
    """Return text fit for a comment: no line ends, no control characters, not too long."""
    return "".join(c if c.isprintable() else "?" for c in text)[:200]


def _toml(value: object) -> str:
    """Return a value as TOML; JSON writes strings, numbers and lists almost the same way."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, str) and "\\" in value and "'" not in value and value.isprintable():
        return f"'{value}'"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
