"""The cells of one column become what they mean, a whole column at a time.

Every column remembers the texts it has read: most of them come again, and a text that is looked
up costs a tenth of one that is read.
"""

import re
from collections.abc import Callable, Sequence
from datetime import datetime, time, timedelta
from itertools import repeat
from operator import add, itemgetter
from typing import Any, Final

from parsers.assembly import Assembler, certain
from parsers.cells import CellError, Halves, NumberGrammar, halves
from parsers.forms import FieldRules
from parsers.units import Unit

# Meanings remembered for one column, more than a day has seconds; then begun anew.
_KEPT: Final = 100_000
_FEW: Final = 4096  # different numbers in a column that are rather looked up than read
_BAD: Final = object()
_AS_ZERO: Final = str.maketrans("123456789", "000000000")

Meant = tuple[Sequence[Any], int]  # what each cell means; how many come before the first misfit
Meanings = Callable[[Sequence[str]], Meant]


class Remembered(dict[str, Any]):
    """Text of a cell to what it means; a text that does not fit is never kept.

    Args:
        read: gives the meaning of a text without blanks around it, or raises CellError.
        empty: what an empty cell means; left out, it does not fit.
    """

    def __init__(self, read: Callable[[str], Any], empty: Any = _BAD) -> None:
        super().__init__()
        self._read = read
        self._empty = empty
        self._has_misfit = False

    def __missing__(self, cell: str) -> Any:
        text = cell.strip()
        try:
            meaning = self._read(text) if text else self._empty
        except CellError:
            meaning = _BAD
        if meaning is _BAD:
            self._has_misfit = True
            return meaning
        if len(self) >= _KEPT:
            self.clear()
        self[cell] = meaning
        return meaning

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        self._has_misfit = False
        values = itemgetter(*column)(self) if len(column) > 1 else (self[column[0]],)
        if not self._has_misfit:
            return values, len(values)
        return values, next(at for at, value in enumerate(values) if value is _BAD)


class _Numbers:
    """Texts of a number column to what they mean.

    While they are few they are looked up. Of many different ones few come again, so columns of
    plain numbers are then converted as a whole.
    """

    def __init__(self, number: NumberGrammar, remembered: Remembered, *, in_pairs: bool) -> None:
        self._number = number
        self._remembered = remembered
        self._in_pairs = in_pairs  # a number comes with its censoring

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        if len(self._remembered) > _FEW and (numbers := self._number.read_all(column)):
            return list(zip(numbers, repeat(""))) if self._in_pairs else numbers, len(numbers)
        return self._remembered.of(column)


class _Moments:
    """Texts of a datetime column to what they mean, date and time remembered apart."""

    def __init__(self, cut: Halves, others: Meanings) -> None:
        self._cut = cut
        self._others = others
        self._days = Remembered(self._read_day)
        self._clocks = Remembered(self._read_clock)

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        cut, count = self._cut, len(column)
        at, behind = cut.date_length, cut.date_length + len(cut.between)
        is_cut_alike = set(map(len, column)) == {cut.length}
        if is_cut_alike and {text[at:behind] for text in column} == {cut.between}:
            days, good_days = self._days.of([text[:at] for text in column])
            clocks, good_clocks = self._clocks.of([text[behind:] for text in column])
            if good_days == good_clocks == count:
                return list(map(add, days, clocks)), count
        return self._others(column)

    def _read_day(self, text: str) -> datetime:
        """Midnight of the date."""
        day: Any = self._cut.date.read(text)
        return datetime.combine(day, time.min)

    def _read_clock(self, text: str) -> timedelta:
        """Time since midnight: a sum of the two is quicker than their combination."""
        clock: Any = self._cut.time.read(text)
        return timedelta(hours=clock.hour, minutes=clock.minute, seconds=clock.second)


class _IsoMoments:
    """Texts of a datetime column written as ISO 8601 writes them, read by the standard library.

    It would also take other spellings of the standard; therefore every text is first shown to
    have digits and marks exactly where the pattern has them.
    """

    def __init__(self, pattern: str, others: Meanings) -> None:
        self._shape = re.sub("[YMDhms]", "0", pattern)
        self._others = others

    @staticmethod
    def reads(pattern: str) -> bool:
        """The pattern is one of ISO 8601 with all its marks."""
        return re.fullmatch("YYYY-MM-DD[ T]hh:mm(:ss)?", pattern) is not None

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        count = len(column)
        if "\n".join(column).translate(_AS_ZERO) == "\n".join([self._shape] * count):
            try:
                return list(map(datetime.fromisoformat, column)), count
            except ValueError:  # no such day or time: the other way says which
                pass
        return self._others(column)


def meanings(assembler: Assembler, name: str, *, is_required: bool) -> Meanings | None:
    """What turns the texts of one field into what a Reading holds; None for plain text."""
    rules = assembler.form.fields.get(name)
    if rules is not None and assembler.form.kind(name) == "text" and not rules.no_value:
        return None
    read, empty = meaning_reader(assembler, name)
    remembered = Remembered(read, _BAD if is_required else empty)
    if rules is None:
        return remembered.of
    if name in ("value", "absorbance"):
        number = NumberGrammar.of(assembler.form, rules)
        is_plain = not any(map(number.may_hold, _tokens(rules)))
        in_pairs = name == "value"
        return _Numbers(number, remembered, in_pairs=in_pairs).of if is_plain else remembered.of
    if name != "datetime" or len(rules.patterns) > 1 or rules.no_value:
        return remembered.of
    pattern = rules.patterns[0]
    cut = halves(pattern)
    if cut is None:
        return remembered.of
    moments = _Moments(cut, remembered.of).of
    return _IsoMoments(pattern, moments).of if _IsoMoments.reads(pattern) else moments


def _tokens(rules: FieldRules) -> tuple[str, ...]:
    """Texts with a meaning of their own; a number that holds one is no plain number."""
    return rules.no_value + rules.below + rules.above + rules.below_marks + rules.above_marks


def meaning_reader(assembler: Assembler, name: str) -> tuple[Callable[[str], Any], Any]:
    """The function that reads what the text of one field puts into a Reading, and its "nothing".

    Value and unit come in halves: number and censoring, name and basis.
    """
    read: Callable[[str], Any] = assembler.reader(name)
    if name == "value":
        return (lambda text: tuple(read(text))), (None, "")
    if name == "unit":
        return (lambda text: _halves_of(read(text))), (None, None)
    if name == "absorbance":
        return (lambda text: certain(read(text))), None
    return read, None


def _halves_of(unit: Unit | None) -> tuple[str | None, str | None]:
    return (None, None) if unit is None else (unit.name, unit.basis)
