"""The texts of one row, block or frame become one Reading, or the faults that prevent it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final, NamedTuple

from parsers.cells import (
    BLANKS,
    CellError,
    Measured,
    NumberGrammar,
    Reader,
    compile_readers,
    shown,
    split_unit,
    trimmed,
    unit_reader,
)
from parsers.forms import FieldRules, Form
from parsers.readings import Fault, Printed, Reading, Span
from parsers.units import Unit

_KEPT: Final = 4096  # texts of one field whose meaning is remembered; then begun anew
_FORMS: Final = 64  # forms whose readers are kept compiled
_UNREAD: Final = object()


class Found(NamedTuple):
    """The text of a field and where it stands; no span where the form itself supplies it."""

    text: str
    span: Span | None = None


class Piece(NamedTuple):
    """A field and its characters, `start` to `end`, in the text of the place that holds it."""

    name: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class _Compiled:
    """What a form says about its fields, worked out once.

    Attributes:
        readers: for each field the function that reads its text.
        supplied: constants, which stand in every reading.
        defaults: texts for fields that have none.
        wanted: fields that must have a text.
        edged: rules of the fields that need more than blanks stripped.
        number: how numbers with a unit behind them are written, None where there are none.
    """

    readers: Mapping[str, Reader]
    supplied: Mapping[str, Found]
    defaults: Mapping[str, Found]
    wanted: tuple[str, ...]
    edged: Mapping[str, FieldRules]
    number: NumberGrammar | None


class _Same:
    """A form as a key of its own: the very object, whatever it says."""

    __slots__ = ("form",)

    def __init__(self, form: Form) -> None:
        self.form = form

    def __hash__(self) -> int:
        return id(self.form)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.form is other.form


@lru_cache(maxsize=_FORMS)
def _compiled(same: _Same) -> _Compiled:
    form = same.form
    fields = form.fields
    value = fields.get("value")
    return _Compiled(
        readers={"unit": unit_reader(form), "method": str, **compile_readers(form)},
        supplied={
            name: Found(rules.constant)
            for name, rules in fields.items()
            if rules.constant is not None
        },
        defaults={
            name: Found(rules.default)
            for name, rules in fields.items()
            if rules.default is not None
        },
        wanted=tuple(
            name
            for name, rules in fields.items()
            if rules.required == "value" and rules.constant is None and rules.default is None
        ),
        edged={
            name: rules
            for name, rules in fields.items()
            if rules.prefix or rules.suffix or rules.unit_follows
        },
        number=NumberGrammar.of(form, value) if value and value.unit_follows else None,
    )


class Assembler:
    """What a form says about its fields, ready to be applied to row after row."""

    def __init__(self, form: Form) -> None:
        self.form = form
        compiled = _compiled(_Same(form))
        self._readers = compiled.readers
        self._supplied = compiled.supplied
        self._defaults = compiled.defaults
        self._wanted = compiled.wanted
        self._edged = compiled.edged
        self._number = compiled.number
        self._kept: dict[str, dict[str, object]] = {name: {} for name in self._readers}
        self._dilution_applied, self._identity = form.dilution_applied, form.identity
        self._sequenced = form.sequenced

    @property
    def has_unit_behind(self) -> bool:
        """A unit stands behind the number of the value."""
        return self._number is not None

    def is_divided(self, name: str) -> bool:
        """The place of the field holds more than its text and blanks around it."""
        return name in self._edged

    def divide(self, name: str, text: str) -> tuple[Piece, ...]:
        """The fields that the text of one place holds: its own, and perhaps a unit.

        Args:
            name: the field that the place belongs to.
            text: its characters, with the blanks around them.

        Raises:
            CellError: a declared prefix or suffix is missing.
        """
        start, end = trimmed(text)
        if start == end:
            return ()
        if name not in self._edged:
            return (Piece(name, start, end),)
        rules = self._edged[name]
        if rules.prefix:
            start += len(_edge(rules.prefix, text[start:end].startswith, "begins"))
        if rules.suffix:
            end -= len(_edge(rules.suffix, text[start:end].endswith, "ends"))
        inner, outer = trimmed(text[start:end])
        start, end = start + inner, start + outer
        if start == end:
            return ()
        if name != "value" or self._number is None:
            return (Piece(name, start, end),)
        middle = start + split_unit(self._number, rules, text[start:end])
        unit_start = middle + len(text[middle:end]) - len(text[middle:end].lstrip(BLANKS))
        own = Piece(name, start, middle)
        return (own, Piece("unit", unit_start, end)) if unit_start < end else (own,)

    def reader(self, name: str) -> Reader:
        """The function that reads the text of one field, remembering nothing."""
        return self._readers[name]

    def read(self, name: str, text: str) -> object:
        """What the text of one field means.

        Raises:
            CellError: it does not match the field's declaration.
        """
        kept = self._kept[name]
        meaning = kept.get(text, _UNREAD)
        if meaning is _UNREAD:
            meaning = self._readers[name](text)
            if len(kept) >= _KEPT:
                kept.clear()
            kept[text] = meaning
        return meaning

    def assemble(
        self, found: Mapping[str, Found], *, places: Mapping[str, int], span: Span, line: int
    ) -> Reading | list[Fault]:
        """One reading, or every fault that stands in its way.

        Args:
            found: text of each field that has any.
            places: byte offset at which an empty field should stand; the start of `span` where
                nothing is known.
            span: the bytes of the whole row, block or frame.
            line: its first line number.
        """
        fields = {**self._defaults, **self._supplied, **found}
        faults = [
            Fault(
                offset=places.get(name, span.start),
                line=line,
                field=name,
                expected=self.wanted(name),
                found="",
            )
            for name in self._wanted
            if name not in fields
        ]
        meant: dict[str, Any] = {}
        for name, (text, where) in fields.items():
            try:
                meaning = self._kept[name].get(text, _UNREAD)
                meant[name] = self.read(name, text) if meaning is _UNREAD else meaning
            except CellError as error:
                offset = span.start if where is None else where.start
                faults.append(
                    Fault(
                        offset=offset,
                        line=line,
                        field=name,
                        expected=error.expected,
                        found=shown(text),
                    )
                )
        measured = meant.get("value")
        is_number = isinstance(measured, Measured) and measured.value is not None
        if self._number and is_number and "unit" not in fields:
            after = fields["value"].span or span
            faults.append(
                Fault(
                    offset=after.end,
                    line=line,
                    field="unit",
                    expected="a unit behind the number",
                    found="",
                )
            )
        if faults:
            return sorted(faults, key=lambda fault: fault.offset)
        return self._reading(fields, meant, span, line)

    def wanted(self, name: str) -> str:
        """What the field asks for, in words, for a place that holds nothing."""
        kind = self.form.kind(name)
        return (
            f"a {kind}, not an empty place"
            if kind != "integer"
            else "an integer, not an empty place"
        )

    def _reading(
        self, fields: Mapping[str, Found], meant: Mapping[str, Any], span: Span, line: int
    ) -> Reading:
        measured: Measured = meant.get("value") or Measured(None)
        unit: Unit | None = meant.get("unit")
        return Reading(
            method=meant.get("method"),
            sample=meant.get("sample"),
            value=measured.value,
            censored=measured.censored,
            unit=unit.name if unit else None,
            basis=unit.basis if unit else None,
            measured_at=moment(meant.get("datetime"), meant.get("date"), meant.get("time")),
            absorbance=certain(meant.get("absorbance")),
            dilution=meant.get("dilution"),
            dilution_applied=self._dilution_applied,
            identity=tuple(
                [fields[name].text if name in fields else "" for name in self._identity]
            ),
            sequenced=self._sequenced,
            printed=Printed(
                {name: text for name, (text, _) in fields.items()},
                {name: where for name, (_, where) in fields.items() if where is not None},
            ),
            span=span,
            line=line,
        )


def moment(both: datetime | None, day: date | None, clock: time | None) -> datetime | None:
    """The printed wall time; None where date or time is missing."""
    if both is not None or day is None or clock is None:
        return both
    return datetime.combine(day, clock)


def certain(measured: Measured | None) -> Decimal | None:
    """The number, unless the display said only that it lies below or above something."""
    return measured.value if measured is not None and not measured.censored else None


def _edge(allowed: tuple[str, ...], has: Callable[[str], bool], verb: str) -> str:
    for edge in sorted(allowed, key=len, reverse=True):
        if has(edge):
            return edge
    raise CellError(f"text that {verb} with {' or '.join(map(repr, allowed))}")
