"""The texts of one row, block or frame become one Reading, or the faults that prevent it."""

from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final, NamedTuple

from parsers.cells import (
    BLANKS,
    CellError,
    Measured,
    NumberGrammar,
    compile_readers,
    shown,
    split_unit,
    trimmed,
    unit_reader,
)
from parsers.forms import Form
from parsers.readings import Fault, Reading, Span
from parsers.units import Unit

_KEPT: Final = 4096  # texts of one field whose meaning is remembered; then begun anew


class Found(NamedTuple):
    """The text of a field and where it stands; no span where the form itself supplies it."""

    text: str
    span: Span | None = None


class Assembler:
    """What a form says about its fields, ready to be applied to row after row."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self._readers = compile_readers(form)
        self._readers.setdefault("unit", unit_reader(form))
        self._readers.setdefault("method", str)
        self._kept: dict[str, dict[str, object]] = {name: {} for name in self._readers}
        self._supplied = {
            name: Found(rules.constant)
            for name, rules in form.fields.items()
            if rules.constant is not None
        }
        self._defaults = {
            name: Found(rules.default)
            for name, rules in form.fields.items()
            if rules.default is not None
        }
        self._wanted = [
            name
            for name, rules in form.fields.items()
            if rules.required == "value" and rules.constant is None and rules.default is None
        ]
        value = form.fields.get("value")
        self._number = NumberGrammar.of(form, value) if value and value.unit_follows else None

    def divide(self, name: str, text: str, place: Callable[[int, int], Span]) -> dict[str, Found]:
        """The fields that the text of one place holds: its own, and perhaps a unit.

        Args:
            name: the field that the place belongs to.
            text: its characters, with the blanks around them.
            place: gives the bytes from one character of `text` to another.

        Raises:
            CellError: a declared prefix or suffix is missing.
        """
        start, end = trimmed(text)
        rules = self.form.fields[name]
        if start == end:
            return {}
        if rules.prefix:
            start += len(_edge(rules.prefix, text[start:end].startswith, "begins"))
        if rules.suffix:
            end -= len(_edge(rules.suffix, text[start:end].endswith, "ends"))
        inner, outer = trimmed(text[start:end])
        start, end = start + inner, start + outer
        if start == end:
            return {}
        if name != "value" or self._number is None:
            return {name: Found(text[start:end], place(start, end))}
        middle = start + split_unit(self._number, rules, text[start:end])
        parts = {name: Found(text[start:middle], place(start, middle))}
        unit_start = middle + len(text[middle:end]) - len(text[middle:end].lstrip(BLANKS))
        if unit_start < end:
            parts["unit"] = Found(text[unit_start:end], place(unit_start, end))
        return parts

    def read(self, name: str, text: str) -> object:
        """What the text of one field means.

        Raises:
            CellError: it does not match the field's declaration.
        """
        kept = self._kept[name]
        if text in kept:
            return kept[text]
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
                meant[name] = self.read(name, text)
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
        form = self.form
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
            dilution_applied=form.dilution_applied,
            identity=tuple(fields[name].text if name in fields else "" for name in form.identity),
            sequenced=form.sequenced,
            fields={name: text for name, (text, _) in fields.items()},
            spans={name: where for name, (_, where) in fields.items() if where is not None},
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
