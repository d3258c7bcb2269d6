"""Many plain rows become readings at once, column by column, and so several times quicker.

`parsers.plain_rows` cuts runs of rows (and messages), `parsers.plain_blocks` blocks of labelled
lines into columns of cells. What is read here needs no more than the fields' own readers; the
first row in which anything does not fit ends the run, and whoever cut it reads that one with all
care and says what is wrong. Both ways give equal readings (tests/parsers/test_columns.py).

A Reading is filled through a twin class without the guard of a frozen dataclass, which pays for
itself a million times over.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from functools import partial
from itertools import islice, repeat
from typing import Any, NamedTuple

from parsers.assembly import Assembler, Found
from parsers.cells import CellError
from parsers.forms import Form
from parsers.meanings import Meanings, Remembered, meaning_reader, meanings
from parsers.readings import Printed, Reading, Span

# A class of the same slots without the guard: filled, then turned into the guarded one.
_OpenReading: Any = type("_OpenReading", (), {"__slots__": Reading.__slots__})
_as_span: Callable[[tuple[int, int]], Span] = partial(tuple.__new__, Span)


class _Column(NamedTuple):
    name: str
    meanings: Meanings | None  # None: plain text
    is_required: bool
    is_printed: bool  # its texts are wanted without the blanks around them


class ColumnReader:
    """Reads cells that stand in the same fields row after row.

    Attributes:
        supplied_texts: text of each field that no place states.
        supplied_spans: where those of them stand that the capture states.
    """

    def __init__(
        self, assembler: Assembler, names: Sequence[str], supplied: Mapping[str, Found]
    ) -> None:
        form = assembler.form
        self._names = tuple(names)
        self.supplied_texts = {name: found.text for name, found in supplied.items()}
        self.supplied_spans = {name: found.span for name, found in supplied.items() if found.span}
        self._identity = form.identity
        self._applied, self._sequenced = form.dilution_applied, form.sequenced
        self._meant = {
            name: meaning_reader(assembler, name)[0](found.text)
            for name, found in supplied.items()
        }
        self._divided = {
            name: Remembered(partial(_parts, assembler, name), ("", ""))
            for name in names
            if assembler.is_divided(name)
        }
        self._has_unit_behind = assembler.has_unit_behind and "value" in names
        both = (*names, "unit") if self._has_unit_behind else names
        self._columns = [self._column(assembler, name) for name in both]

    def _column(self, assembler: Assembler, name: str) -> _Column:
        rules = assembler.form.fields.get(name)
        is_required = rules is not None and rules.required == "value"
        read = meanings(assembler, name, is_required=is_required)
        return _Column(name, read, is_required, read is None or name in self._identity)

    @classmethod
    def fitting(
        cls, assembler: Assembler, names: Sequence[str], stated: Mapping[str, Found]
    ) -> "ColumnReader | None":
        """A reader for places of these fields; None where the form asks for more.

        Args:
            assembler: of the form.
            names: the field of each place.
            stated: fields that stand elsewhere, for all rows.
        """
        fields = assembler.form.fields
        if assembler.has_unit_behind and "unit" in stated:
            return None
        if any(fields[name].default is not None for name in names):
            return None
        supplied = {**_supplied_by(assembler.form, names), **stated}
        try:
            for name, found in supplied.items():
                assembler.read(name, found.text)
        except CellError:
            return None
        required = {name for name, rules in fields.items() if rules.required == "value"}
        if not required & set(names) or required - set(names) - set(supplied):
            return None
        return cls(assembler, names, supplied)

    def read(
        self,
        cells: Sequence[Sequence[str]],
        *,
        printed: Iterable[Printed],
        edges: Iterable[tuple[int, int]],
        lines: Iterable[int],
    ) -> list[Reading]:
        """One reading a row, up to the first row in which something does not fit.

        Args:
            cells: the texts of each place, all rows of one place together.
            printed: what each row states.
            edges: its first and behind-last byte.
            lines: its line number.
        """
        total = count = len(cells[0])
        texts: dict[str, Sequence[str]] = dict(zip(self._names, cells, strict=True))
        for name, divided in self._divided.items():
            parts, good = divided.of(texts[name])
            count = min(count, good)
            texts[name] = [own for own, _ in parts[:good]]
            if name == "value" and self._has_unit_behind:
                texts["unit"] = [unit for _, unit in parts[:good]]
        meant: dict[str, Iterable[Any]] = {
            name: repeat(meaning) for name, meaning in self._meant.items()
        }
        for name, read, is_required, is_printed in self._columns:
            if count == 0:
                return []
            column = texts[name] if count == total else texts[name][:count]
            if is_printed:
                column = texts[name] = list(map(str.strip, column))
            if read is not None:
                meant[name], good = read(column)
                count = min(count, good)
            elif "" not in column:
                meant[name] = column
            else:
                if is_required:
                    count = column.index("")
                meant[name] = [text or None for text in column]
        return self._filled(count, meant, self._identities(texts), printed, edges, lines)

    def _identities(self, texts: Mapping[str, Sequence[str]]) -> Iterable[tuple[str, ...]]:
        """What makes each row the same again: its printed texts, "" for what is not there."""
        if not self._identity:
            return repeat(())
        stated = self.supplied_texts
        return zip(
            *(
                texts[name] if name in texts else repeat(stated.get(name, ""))
                for name in self._identity
            ),
            strict=False,
        )

    def _filled(
        self,
        count: int,
        meant: Mapping[str, Iterable[Any]],
        identities: Iterable[tuple[str, ...]],
        printed: Iterable[Printed],
        edges: Iterable[tuple[int, int]],
        lines: Iterable[int],
    ) -> list[Reading]:
        nothing, pair = repeat(None), repeat((None, None))
        no_value = repeat((None, ""))
        applied, sequenced = self._applied, self._sequenced
        made = []
        for (  # what is printed comes first: it ends the run before a text that does not fit
            row,
            method,
            sample,
            (value, censored),
            (unit, basis),
            moment,
            absorbance,
            dilution,
            identity,
            span,
            line,
        ) in zip(
            islice(printed, count),
            meant.get("method", nothing),
            meant.get("sample", nothing),
            meant.get("value", no_value),
            meant.get("unit", pair),
            _moments(meant),
            meant.get("absorbance", nothing),
            meant.get("dilution", nothing),
            identities,
            map(_as_span, edges),
            lines,
            strict=False,
        ):
            one = _OpenReading()
            one.method = method
            one.sample = sample
            one.value = value
            one.censored = censored
            one.unit = unit
            one.basis = basis
            one.measured_at = moment
            one.absorbance = absorbance
            one.dilution = dilution
            one.dilution_applied = applied
            one.identity = identity
            one.sequenced = sequenced
            one.printed = row
            one.span = span
            one.line = line
            one.__class__ = Reading
            made.append(one)
        return made


def _parts(assembler: Assembler, name: str, text: str) -> tuple[str, str]:
    """The text of a field without what is fixed around it, and of the unit behind it.

    Raises:
        CellError: something declared is missing.
    """
    pieces = {part: text[start:end] for part, start, end in assembler.divide(name, text)}
    own, unit = pieces.get(name, ""), pieces.get("unit", "")
    if name == "value" and assembler.has_unit_behind and own and not unit:
        measured: Any = assembler.read(name, own)
        if measured.value is not None:
            raise CellError("a unit behind the number")
    return own, unit


def _moments(meant: Mapping[str, Iterable[Any]]) -> Iterable[datetime | None]:
    """Wall times from one column, or from a date and a time."""
    if "datetime" in meant:
        return meant["datetime"]
    if "date" not in meant or "time" not in meant:
        return repeat(None)
    return (
        None if day is None or clock is None else datetime.combine(day, clock)
        for day, clock in zip(meant["date"], meant["time"], strict=False)
    )


def _supplied_by(form: Form, bound: Sequence[str]) -> dict[str, Found]:
    """Constants, and defaults of fields that no place states."""
    supplied = {}
    for name, rules in form.fields.items():
        text = rules.constant if rules.constant is not None else rules.default
        if text is not None and name not in bound:
            supplied[name] = Found(text)
    return supplied
