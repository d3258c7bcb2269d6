"""Which place of a sample export is most likely which field. Used to draft forms only.

Times, units and dilutions show what they are; names come next; what stands in a column decides
only where its name says nothing, and is then marked UNSURE. Every place becomes a field: one
that is not understood is kept as printed under a name of its own.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from parsers.clues import (
    NumberClue,
    TimeClue,
    are_dilutions,
    are_units,
    find_numbers,
    find_role,
    find_times,
    find_unit_in_name,
)
from parsers.errors import ParseError
from parsers.forms import STANDARD_KINDS
from parsers.units import parse_unit

_ANY_TEXT: Final = ("sequence", "lot", "operator", "instrument", "position", "remark")
_BELOW_WORDS: Final = frozenset({"low", "lo", "under", "below", "unter"})
_ABOVE_WORDS: Final = frozenset({"high", "hi", "over", "above", "über"})
_POSITION_LENGTH: Final = 4  # a rack position is "12" or "B3"; anything longer is a name


@dataclass(slots=True)
class Column:
    """One place of the sample, and what is made of it.

    Attributes:
        title: its header cell or label, or "".
        place: the form's keys that say where it stands.
        texts: what stands there, in every row.
        required: as the form names it.
        name: the field it becomes.
        keys: further keys of the field, with their values.
        notes: comments of which those beginning with UNSURE are repeated at the top.
    """

    title: str
    place: dict[str, object]
    texts: Sequence[str]
    required: str = "value"
    name: str = ""
    keys: dict[str, object] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    times: TimeClue | None = None
    numbers: NumberClue | None = None

    def __post_init__(self) -> None:
        self.times = find_times(self.texts)
        self.numbers = None if self.times else find_numbers(self.texts)
        if self.required == "value" and not all(self.texts):
            self.required = "place"


class Naming:
    """Gives columns their fields, each field once.

    Attributes:
        taken: the fields given so far.
    """

    def __init__(self) -> None:
        self.taken: set[str] = set()

    def name_all(
        self, columns: Sequence[Column], *, stated: Sequence[Column], is_wide: bool
    ) -> None:
        """Give every column the field it most likely is."""
        self.taken |= {column.name for column in stated}
        for column in columns:
            self.name_by_clue(column)
        if not is_wide:
            self._name_value(columns)
        for column in columns:
            if not column.name:
                self._name_by_title(column)
        for column in columns:
            if not column.name:
                self._name_by_texts(column)

    def take(self, column: Column, name: str, *notes: str) -> bool:
        """Name the column, unless another has the name."""
        if column.name or name in self.taken:
            return False
        self.taken.add(name)
        column.name = name
        column.notes += notes
        return True

    def name_by_clue(self, column: Column) -> None:
        """Times, units and dilutions show what they are."""
        times = column.times
        if times is not None and self.take(column, times.kind):
            column.keys["patterns"] = list(times.patterns)
            if times.months:
                column.keys["months"] = list(times.months)
            if times.doubt:
                column.notes.append(
                    f"UNSURE: {times.doubt}. All are listed, so a date that fits several is "
                    "refused until you keep one"
                )
        elif are_units(column.texts):
            self.take(column, "unit")
        elif are_dilutions(column.texts) or find_role(column.title) == "dilution":
            self.take(
                column,
                "dilution_printed",
                "UNSURE: this looks like a dilution. Rename it to dilution and state "
                "dilution_applied above once you know whether the value already contains it",
            )
        elif column.numbers is not None and find_role(column.title) == "absorbance":
            self.take(column, "absorbance")
            write_marks(column, column.numbers)

    def _name_value(self, columns: Sequence[Column]) -> None:
        """The value is the column of numbers that says so, has a unit, or is not whole."""
        candidates = []
        for column in columns:
            numbers, role = column.numbers, find_role(column.title)
            if column.name or numbers is None or role not in (None, "value"):
                continue
            has_unit = numbers.has_units or find_unit_in_name(column.title) is not None
            candidates.append((role == "value", has_unit, not numbers.is_whole, column, numbers))
        if not candidates:
            if "absorbance" in self.taken:
                return
            raise ParseError(offset=0, expected="a column of numbers", found="none")
        # Of equals the first wins.
        is_named, has_unit, _, best, numbers = max(candidates, key=lambda candidate: candidate[:3])
        is_sure = is_named or has_unit
        if "absorbance" in self.taken and not is_sure:
            best.notes.append("UNSURE: holds numbers; rename it to value if it is the result")
            return
        self.take(best, "value")
        if not is_sure:
            best.notes.append("UNSURE: taken for the value because it holds numbers")
        if others := [repr(c.title) for *_, c, _ in candidates if c is not best and c.title]:
            best.notes.append(
                f"UNSURE: {' and '.join(others)} hold numbers as well; if they are values too, "
                "declare each under [[table.wide.columns]]"
            )
        self._write_numbers(best, numbers)
        for column in columns:
            if column.name == "unit" and "unit_follows" in best.keys:
                column.name = ""  # the unit behind the number is the one that counts

    def _write_numbers(self, column: Column, numbers: NumberClue) -> None:
        if numbers.doubt:
            column.notes.append(f"UNSURE: {numbers.doubt}; correct decimal and thousands")
        unit = find_unit_in_name(column.title)
        if numbers.has_units:
            column.keys["unit_follows"] = True
            self.taken.add("unit")
        elif unit is not None and "column" in column.place and "unit" not in self.taken:
            column.place = {"column_pattern": unit[2]}
            self.taken.add("unit")
        write_marks(column, numbers)

    def _name_by_title(self, column: Column) -> None:
        role = find_role(column.title)
        if role == "sequence" and not all(text.isdigit() for text in column.texts):
            # "Bottle number" over names the bottle.
            role = find_role(column.title.rpartition(" ")[0])
        if role == "position" and max(map(len, column.texts)) > _POSITION_LENGTH:
            role = None
        if role in _ANY_TEXT or (role in ("sample", "method") and column.times is None):
            self.take(column, role or "")

    def _name_by_texts(self, column: Column) -> None:
        """What has no telling title: few different texts name a method, many name samples."""
        filled = [text for text in column.texts if text]
        if filled and column.numbers is None and column.times is None:
            many = len(set(filled)) * 2 > len(filled)
            guess = "sample" if many else "method"
            if self.take(column, guess, f"UNSURE: taken for the {guess} by its texts alone"):
                return
        if _is_count(filled) and self.take(
            column, "sequence", "UNSURE: taken for a sequence number because it counts up"
        ):
            return
        name = _own_name(column)
        number = 1
        while not self.take(column, name if number == 1 else f"{name}_{number}"):
            number += 1
        column.notes.append("kept as printed; rename it to a standard field if it is one")

    def find_wide(self, columns: Sequence[Column]) -> list[tuple[Column, str, str]]:
        """Return column, method and unit of each analyte when a row holds several."""
        if any(find_role(column.title) in ("method", "value") for column in columns):
            return []
        found = []
        for column in columns:
            unit = find_unit_in_name(column.title)
            if column.numbers is not None and unit is not None:
                found.append((column, unit[0], unit[1]))
        if len(found) < 2:
            return []
        self.taken |= {"value", "method", "unit"}
        for column, _, _ in found:
            column.name = "value"
        return found


def write_marks(column: Column, numbers: NumberClue) -> None:
    """Add to the column the marks and tokens that its numbers show."""
    for key, marks in (
        ("below_marks", numbers.below_marks),
        ("above_marks", numbers.above_marks),
    ):
        if marks:
            column.keys[key] = list(marks)
    kinds: dict[str, list[str]] = {}
    for token in numbers.tokens:
        if parse_unit(token) is not None:
            continue  # a unit where a number belongs is a damaged row, not a token
        words = set(re.findall(r"[^\W\d_]+", token.casefold()))
        kind = "below" if words & _BELOW_WORDS else "above" if words & _ABOVE_WORDS else "no_value"
        kinds.setdefault(kind, []).append(token)
    for kind, tokens in kinds.items():
        column.keys[kind] = tokens
        listed = ", ".join(tokens)
        column.notes.append(f"UNSURE: {listed} is taken to mean {kind.replace('_', ' ')}")


def _is_count(texts: Sequence[str]) -> bool:
    """Return whether the texts are whole numbers, each higher than the one before."""
    if len(texts) < 2 or not all(text.isascii() and text.isdigit() for text in texts):
        return False
    numbers = [int(text[:18]) for text in texts]
    return all(one < other for one, other in pairwise(numbers))


def _own_name(column: Column) -> str:
    """Return a field name made of the title, or of its place."""
    plain = re.sub(r"[^a-z0-9]+", "_", column.title.casefold()).strip("_")
    if not plain[:1].isalpha():
        plain = f"column_{column.place.get('position', '')}{plain}".rstrip("_")
    return f"{plain}_printed" if plain in STANDARD_KINDS else plain
