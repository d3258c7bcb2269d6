"""The text of one cell becomes a number, a time, a unit or a factor, strictly as declared.

Nothing here guesses: a text either matches the form's declaration as a whole or it is refused
with a sentence that says what was asked for. Digits are ASCII digits, and a `Decimal` holds
exactly the printed ones.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time
from decimal import Context, Decimal, Inexact
from functools import lru_cache, partial
from typing import Final, NamedTuple

from parsers.errors import FOUND_LIMIT
from parsers.forms import DATE_PARTS, FieldRules, Form, Kind
from parsers.readings import Censoring
from parsers.units import Unit, parse_unit

# Blanks around a cell are no part of it. Other white space is a control character or a mistake.
BLANKS: Final = " \t\u00a0\u2007\u2009\u202f\u3000"

# C0 and C1 controls and the byte order mark; tab and line ends are judged by the shapes.
CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufeff]")

_DIGITS_LIMIT: Final = 40
_EXACT: Final = Context(prec=_DIGITS_LIMIT, traps=[Inexact])
_RATIO: Final = re.compile(r"([0-9]+)[ ]?:[ ]?([0-9]+)")
_TIMES: Final = re.compile(r"[xX×][ ]?(.+)|(.+?)[ ]?[xX×]")


class CellError(ValueError):
    """The text does not match the declaration; `expected` says in words what would."""

    def __init__(self, expected: str) -> None:
        self.expected = expected
        super().__init__(expected)


class Measured(NamedTuple):
    """A number as the display gave it; `value` is None where it gave only a token."""

    value: Decimal | None
    censored: Censoring = ""


Reader = Callable[[str], object]


def shown(text: str) -> str:
    """`text` as a person may be shown it: at most 40 characters, control characters escaped."""
    if text.isprintable():
        return text[:FOUND_LIMIT]
    escaped = (c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return "".join(escaped)[:FOUND_LIMIT]


def trimmed(text: str) -> tuple[int, int]:
    """First and behind-last index of `text` without the blanks around it."""
    end = len(text)
    if end and text[0] not in BLANKS and text[-1] not in BLANKS:
        return 0, end
    start = end - len(text.lstrip(BLANKS))
    return start, max(start, len(text.rstrip(BLANKS)))


def compile_readers(form: Form) -> dict[str, Reader]:
    """For each field of the form the function that reads its text or raises CellError."""
    return {name: compile_reader(form, name) for name in form.fields}


def compile_reader(form: Form, name: str) -> Reader:
    """The function that reads the text of one field, by its kind."""
    rules, kind = form.fields[name], form.kind(name)
    if kind == "number":
        return _measured_reader(NumberGrammar.of(form, rules), rules)
    reader = _plain_reader(form, rules, kind)
    if not rules.no_value:
        return reader
    tokens = frozenset(rules.no_value)
    return lambda text: None if text in tokens else reader(text)


def _plain_reader(form: Form, rules: FieldRules, kind: Kind) -> Reader:
    if kind == "dilution":
        return partial(_read_dilution, NumberGrammar.of(form, rules), rules.ratio)
    if kind in ("date", "time", "datetime"):
        parse = [TimeGrammar(pattern, rules.months) for pattern in rules.patterns]
        return partial(_read_time, parse) if len(parse) > 1 else parse[0].read
    if kind == "unit":
        return unit_reader(form)
    return _read_integer if kind == "integer" else _read_text


def _read_text(text: str) -> str:
    return text


def _read_integer(text: str) -> int:
    if len(text) > _DIGITS_LIMIT or not re.fullmatch(r"[+-]?[0-9]+", text):
        raise CellError("a whole number")
    return int(text)


class NumberGrammar:
    """Digits with one declared decimal mark and, where declared, a thousands mark.

    Groups behind a thousands mark hold exactly three digits; a number may also do without
    groups. A mark at the end ("12.") is refused: it is what a cut number looks like.
    """

    def __init__(self, decimal: str, thousands: str) -> None:
        self.decimal = decimal
        self.thousands = thousands
        point, group = re.escape(decimal), re.escape(thousands)
        whole = f"[0-9]+|[0-9]{{1,3}}(?:{group}[0-9]{{3}})+" if thousands else "[0-9]+"
        one = f"[+-]?(?:(?:{whole})(?:{point}[0-9]+)?|{point}[0-9]+)"
        self._match = re.compile(one).fullmatch
        self._match_all = re.compile(f"{one}(?:\n{one})*").fullmatch
        marks = re.escape(decimal + thousands)
        self.prefix = re.compile(f"[+-]?[0-9{marks}]*[0-9]")

    @classmethod
    def of(cls, form: Form, rules: FieldRules) -> "NumberGrammar":
        """The grammar of one field: its own marks, else those of `[numbers]`."""
        thousands = form.numbers.thousands if rules.thousands is None else rules.thousands
        return cls(rules.decimal or form.numbers.decimal or ".", thousands)

    def read(self, text: str) -> Decimal:
        """The printed digits as they stand.

        Raises:
            CellError: `text` is not wholly such a number.
        """
        if self._match(text) is None or len(text) > _DIGITS_LIMIT:
            raise CellError(self._wanted(text))
        if self.thousands:
            text = text.replace(self.thousands, "")
        return Decimal(text if self.decimal == "." else text.replace(self.decimal, "."))

    def read_all(self, texts: Sequence[str]) -> list[Decimal] | None:
        """What `read` gives for each of the texts (at least one); None if it refuses any."""
        joined = "\n".join(texts)
        if self._match_all(joined) is None or max(map(len, texts)) > _DIGITS_LIMIT:
            return None
        if self.thousands:
            joined = joined.replace(self.thousands, "")
        if self.decimal != ".":
            joined = joined.replace(self.decimal, ".")
        return list(map(Decimal, joined.split("\n")))

    def may_hold(self, text: str) -> bool:
        """Some number as written here holds `text`, or might: all its characters may occur."""
        return set(text) <= set(f"+-0123456789{self.decimal}{self.thousands}")

    def _wanted(self, text: str) -> str:
        if text.count(self.decimal) > 1:
            return (
                f"a number with one decimal mark {self.decimal!r}, not {text.count(self.decimal)}"
            )
        if len(text) > _DIGITS_LIMIT:
            return f"a number of at most {_DIGITS_LIMIT} characters"
        groups = f" and thousands mark {self.thousands!r}" if self.thousands else ""
        return f"a number with decimal mark {self.decimal!r}{groups}"


def _measured_reader(number: NumberGrammar, rules: FieldRules) -> Callable[[str], Measured]:
    """Reads a number, a mark and a number, or a token for below, above or no value."""
    tokens = {
        **dict.fromkeys(rules.no_value, Measured(None)),
        **dict.fromkeys(rules.above, Measured(None, ">")),
        **dict.fromkeys(rules.below, Measured(None, "<")),
    }
    below, above = rules.below_marks, rules.above_marks
    marks = below + above

    def read(text: str) -> Measured:
        if text in tokens:
            return tokens[text]
        if not text.startswith(marks):
            return Measured(number.read(text))
        mark = next(mark for mark in marks if text.startswith(mark))
        bare = text[len(mark) :].lstrip(BLANKS)
        return Measured(number.read(bare), "<" if mark in below else ">")

    return read


def split_unit(number: NumberGrammar, rules: FieldRules, text: str) -> int:
    """Index in `text` behind the number (or token) and before the unit that follows it.

    The whole length where no unit follows. Blanks between the two belong to neither.
    """
    tokens = (*rules.below, *rules.above, *rules.no_value)
    for token in sorted(tokens, key=len, reverse=True):
        if text == token or (text.startswith(token) and text[len(token)] in BLANKS):
            return len(token)
    at = 0
    for mark in (*rules.below_marks, *rules.above_marks):
        if text.startswith(mark):
            at = len(mark)
            break
    at += len(text[at:]) - len(text[at:].lstrip(BLANKS))
    found = number.prefix.match(text, at)
    return found.end() if found else len(text)


def _read_dilution(number: NumberGrammar, ratio: str | None, text: str) -> Decimal:
    """The factor (at least 1) that a dilution in any unambiguous notation means.

    `10`, `x10` and `1+9` all mean 10. What `1:10` means differs from laboratory to laboratory,
    so it is read only where the form says which.
    """
    if parts := _RATIO.fullmatch(text):
        if ratio is None:
            raise CellError(
                "a dilution such as 1+9, x10 or 10; 1:10 means 10 in some laboratories and 11 in "
                "others, so the form must say which (ratio)"
            )
        one, other = Decimal(parts[1]), Decimal(parts[2])
        factor = _factor(one, other if ratio == "total" else one + other)
    elif "+" in text[1:]:
        first, _, second = text.partition("+")
        one, other = number.read(first.strip(BLANKS)), number.read(second.strip(BLANKS))
        factor = _factor(one, one + other)
    elif times := _TIMES.fullmatch(text):
        factor = number.read(times[1] or times[2])
    else:
        factor = number.read(text)
    if factor < 1:
        raise CellError("a dilution factor of at least 1")
    return factor


def _factor(part: Decimal, total: Decimal) -> Decimal:
    if part <= 0:
        raise CellError("a dilution with some sample in it")
    try:
        return _EXACT.divide(total, part)
    except Inexact:
        raise CellError("a dilution whose factor is an exact decimal number") from None


class TimeGrammar:
    """One date or time pattern, such as "DD.MM.YYYY hh:mm"."""

    def __init__(self, pattern: str, months: tuple[str, ...] = ()) -> None:
        self.pattern = pattern
        self._months = {name.casefold(): at for at, name in enumerate(months, start=1)}
        names = "|".join(re.escape(name) for name in sorted(months, key=len, reverse=True))
        source = []
        self._part_of: dict[str, int] = {}
        for found in DATE_PARTS.finditer(pattern):
            part = found[0]
            if part in _PART_REGEX:
                self._part_of[_PART_NAME[part]] = len(self._part_of)
                source.append(f"({_PART_REGEX[part] or f'(?i:{names})'})")
            else:
                source.append("[Tt]" if part == "T" else re.escape(part))
        self._match = re.compile("".join(source)).fullmatch
        has_date, has_time = "year" in self._part_of, "hour" in self._part_of
        self._kind = "datetime" if has_date and has_time else "date" if has_date else "time"
        # Where hour, minute and second stand when there is nothing else: a table reads many.
        places = tuple(self._part_of.get(name, -1) for name in ("hour", "minute", "second"))
        self._plain_clock = (
            places if sorted(places) == [0, 1, 2] and len(self._part_of) == 3 else ()
        )

    @property
    def wanted(self) -> str:
        """What the pattern asks for, in words."""
        return f"a {self._kind} written {self.pattern}"

    def read(self, text: str) -> date | time | datetime:
        """The date, the time, or both, without zone.

        Notes:
            1. A zone in the text is checked and otherwise left to who knows the instrument's
               clock.
            2. Of a fraction of a second the first six digits are kept.
            3. Second 60 cannot be expressed and is refused.
            4. T between date and time and Z may be lower case, as in RFC 3339 section 5.6.

        Raises:
            CellError: the text does not match, or no such date or time exists.
        """
        found = self._match(text)
        if found is None:
            raise CellError(self.wanted)
        groups = found.groups()
        try:
            if self._plain_clock:
                hour, minute, second = self._plain_clock
                return time(int(groups[hour]), int(groups[minute]), int(groups[second]))
            parts = {name: groups[at] for name, at in self._part_of.items()}
            if self._kind == "date":
                return date(*self._day(parts))
            if self._kind == "time":
                return time(*self._clock(parts))
            return datetime(*self._day(parts), *self._clock(parts))  # noqa: DTZ001 - wall time as printed
        except ValueError:
            raise CellError(f"a {self._kind} that exists, written {self.pattern}") from None

    def _day(self, parts: Mapping[str, str]) -> tuple[int, int, int]:
        year, month = parts["year"], parts["month"]
        full_year = int(year) if len(year) == 4 else 2000 + int(year)
        return full_year, self._months.get(month.casefold()) or int(month), int(parts["day"])

    @staticmethod
    def _clock(parts: Mapping[str, str]) -> tuple[int, int, int, int]:
        hour = int(parts["hour"])
        if half := parts.get("half"):
            if not 1 <= hour <= 12:
                raise ValueError(hour)
            hour = hour % 12 + (12 if half in "PMpm" else 0)
        if zone := parts.get("zone"):
            time.fromisoformat("00:00" + zone.upper())
        micro = int(parts.get("fraction", "0")[:6].ljust(6, "0"))
        return hour, int(parts["minute"]), int(parts.get("second", "0")), micro


class Halves(NamedTuple):
    """A pattern of date and time cut in two: texts before and behind a fixed separator."""

    date: TimeGrammar
    between: str
    time: TimeGrammar
    date_length: int
    length: int


@lru_cache(maxsize=256)
def halves(pattern: str) -> Halves | None:
    """The halves of a datetime pattern; None where they mix or their lengths vary.

    Both halves repeat over many rows while the whole seldom does, so a table may remember them.
    """
    found = re.fullmatch(r"((?:YYYY|YY|MM|DD|[-./ ])+?)([ T])(hh[:. ]?mm(?:[:. ]?ss)?)", pattern)
    if found is None:
        return None
    day, between, clock = found.groups()
    return Halves(TimeGrammar(day), between, TimeGrammar(clock), len(day), len(pattern))


_PART_REGEX: Final = {
    "YYYY": "[0-9]{4}",
    "YY": "[0-9]{2}",
    "MON": "",
    "MM": "[0-9]{2}",
    "M": "[0-9]{1,2}",
    "DD": "[0-9]{2}",
    "D": "[0-9]{1,2}",
    "hh": "[0-9]{2}",
    "h": "[0-9]{1,2}",
    "mm": "[0-9]{2}",
    "ss": "[0-9]{2}",
    "f": "[0-9]{1,18}",
    "AP": "AM|PM|am|pm",
    "ZZ": "[Zz]|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9]",
}
_PART_NAME: Final = {
    "YYYY": "year",
    "YY": "year",
    "MON": "month",
    "MM": "month",
    "M": "month",
    "DD": "day",
    "D": "day",
    "hh": "hour",
    "h": "hour",
    "mm": "minute",
    "ss": "second",
    "f": "fraction",
    "AP": "half",
    "ZZ": "zone",
}


def _read_time(patterns: list[TimeGrammar], text: str) -> date | time | datetime:
    """What the one matching pattern reads; two that disagree are refused, not ranked."""
    meanings: dict[date | time | datetime, str] = {}
    error = None
    for pattern in patterns:
        try:
            meanings.setdefault(pattern.read(text), pattern.pattern)
        except CellError as refused:
            if error is None or "exists" in refused.expected:
                error = refused
    if len(meanings) == 1:
        return next(iter(meanings))
    if meanings:
        raise CellError(f"one meaning; {' and '.join(meanings.values())} both fit and disagree")
    if error is not None and "exists" in error.expected:
        raise error
    raise CellError(" or ".join(pattern.wanted for pattern in patterns))


def unit_reader(form: Form) -> Callable[[str], Unit]:
    """The function that turns a unit's text into a Unit, by `[units]` first."""
    own = {text: parse_unit(meaning) for text, meaning in form.units.items()}

    def read(text: str) -> Unit:
        unit = own.get(text) or parse_unit(text)
        if unit is None:
            raise CellError("a known unit, such as mg/L (others are declared in [units])")
        return unit

    return read
