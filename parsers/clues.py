"""What the cells of one column, and its name, say about themselves. Used to draft forms only.

A clue is never more certain than the sample: where two readings of the same cells are possible,
the clue holds both, or says what it doubts.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Final, Literal

from parsers.units import parse_unit

BLANKS: Final = " \t\u00a0\u202f"


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberClue:
    """How the numbers of a column are written.

    Attributes:
        decimal, thousands: the marks; `thousands` is "" where the sample shows none.
        doubt: why the marks are not certain, or "".
        below_marks, above_marks: marks that stand before a number.
        tokens: texts in the column that are no numbers.
        has_units: a known unit follows the number in every cell.
        is_whole: all are whole numbers.
    """

    decimal: Literal[".", ","]
    thousands: str = ""
    doubt: str = ""
    below_marks: tuple[str, ...] = ()
    above_marks: tuple[str, ...] = ()
    tokens: tuple[str, ...] = ()
    has_units: bool = False
    is_whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeClue:
    """How the dates and times of a column are written.

    Attributes:
        kind: "date", "time" or "datetime".
        patterns: in the language of forms; several where the sample cannot decide.
        months: twelve names, where months are named.
        doubt: what the sample cannot decide, or "".
    """

    kind: Literal["date", "time", "datetime"]
    patterns: tuple[str, ...]
    months: tuple[str, ...] = ()
    doubt: str = ""


_NUMBER = re.compile(
    r"(?P<mark><=?|>=?|≤|≥)?\s*"
    r"(?P<digits>[+-]?(?:[0-9](?:[0-9.,'’ \u00a0\u202f]*[0-9])?|[.,][0-9]+))"
    r"(?:\s*(?P<unit>[^\W\d_].*))?"
)
_DILUTION = re.compile(r"[0-9.,]+ ?[+:] ?[0-9.,]+|[xX×] ?[0-9.,]+|[0-9.,]+ ?[xX×]")


def find_numbers(cells: Iterable[str]) -> NumberClue | None:
    """Return how the numbers among `cells` are written; None unless most of them are numbers."""
    filled = [cell for cell in cells if cell]
    found = []
    tokens: dict[str, None] = {}
    for cell in filled:
        match = _NUMBER.fullmatch(cell)
        if match is None or (match["unit"] and parse_unit(match["unit"]) is None):
            tokens[cell] = None
        else:
            found.append(match)
    if not found or len(found) * 2 < len(filled):
        return None
    digits = [match["digits"] for match in found]
    decimal, thousands, doubt = _find_marks(digits)
    marks = dict.fromkeys(match["mark"] for match in found if match["mark"])
    return NumberClue(
        decimal=decimal,
        thousands=thousands,
        doubt=doubt,
        below_marks=tuple(mark for mark in marks if mark[0] in "<≤"),
        above_marks=tuple(mark for mark in marks if mark[0] in ">≥"),
        tokens=tuple(tokens),
        has_units=all(match["unit"] for match in found),
        is_whole=all(text.isdigit() for text in digits) and not marks,
    )


def _find_marks(digits: Sequence[str]) -> tuple[Literal[".", ","], str, str]:
    """Return decimal mark, thousands mark and what is doubtful about them."""
    both = [text for text in digits if "." in text and "," in text]
    if both:
        last = max(both[0].rfind("."), both[0].rfind(","))
        return (".", ",", "") if both[0][last] == "." else (",", ".", "")
    blank = next((mark for mark in "'’ \u00a0\u202f" if any(mark in text for text in digits)), "")
    with_comma = [text for text in digits if "," in text]
    with_point = [text for text in digits if "." in text]
    if with_comma and with_point:
        if all(re.fullmatch(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}", text) for text in with_comma):
            return ".", ",", f"{with_comma[0]} is taken for a number of thousands"
        return ",", ".", f"{with_comma[0]} and {with_point[0]} stand side by side"
    marked = with_comma or with_point
    if not marked:
        return ".", blank, "no number of the sample has a decimal mark"
    mark: Literal[".", ","] = "," if with_comma else "."
    other: Literal[".", ","] = "." if with_comma else ","
    if any(text.count(mark) > 1 for text in marked):
        return other, mark, "no number of the sample has a decimal mark"
    if not blank and all(re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}[{mark}]\d{{3}}", t) for t in marked):
        return mark, "", f"{marked[0]} could also be a number of thousands"
    return mark, blank, ""


def are_dilutions(cells: Iterable[str]) -> bool:
    """Return whether every filled cell is a dilution, at least one in a notation of its own."""
    filled = [cell for cell in cells if cell]
    noted = [cell for cell in filled if _DILUTION.fullmatch(cell)]
    return bool(noted) and all(cell in noted or cell.isdigit() for cell in filled)


def are_units(cells: Iterable[str]) -> bool:
    """Return whether every filled cell is a known unit."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(parse_unit(cell) is not None for cell in filled)


_SEPARATED = r"(?P<a>\d{1,4})(?P<s>[-./ ])(?P<b>\d{1,2}|[^\W\d_]{3,9})(?P=s)(?P<c>\d{1,4})"
_CLOCK = (
    r"(?P<h>\d{1,2}):\d{2}(?P<sec>:\d{2})?(?P<frac>[.,]\d{1,6})?(?P<ap> ?[AaPp][Mm])?"
    r"(?P<zone>Z|[+-]\d{2}:\d{2})?"
)
_DATE = re.compile(_SEPARATED)
_TIME = re.compile(_CLOCK)
_BOTH = re.compile(rf"{_SEPARATED}(?P<between>T|, ?| +){_CLOCK}")

MONTH_NAMES: Final[tuple[tuple[str, ...], ...]] = tuple(
    tuple(names.split())
    for names in (
        "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
        "January February March April May June July August September October November December",
        "Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez",
        "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    )
)
# Which of the three parts is day, month and year.
_ORDERS: Final = {
    "day first": ("a", "b", "c"),
    "month first": ("b", "a", "c"),
    "year first": ("c", "b", "a"),
}


def find_times(cells: Iterable[str]) -> TimeClue | None:
    """Return how the dates or times in `cells` are written; None unless all of them are such."""
    filled = [cell for cell in cells if cell]
    for kind, grammar in (("date", _DATE), ("time", _TIME), ("datetime", _BOTH)):
        matches = [grammar.fullmatch(cell) for cell in filled]
        found = [match for match in matches if match is not None]
        if filled and len(found) == len(filled):
            return _time_clue(kind, found)
    return None


def _time_clue(kind: str, found: Sequence[re.Match[str]]) -> TimeClue | None:
    clocks = (
        list(dict.fromkeys(_clock_pattern(match, found) for match in found))
        if (kind != "date")
        else [""]
    )
    if kind == "time":
        return TimeClue(kind="time", patterns=tuple(clocks))
    dates, months, doubt = _date_patterns(found)
    if not dates:
        return None
    patterns = tuple(f"{day}{clock}" for day in dates for clock in clocks)
    return TimeClue(
        kind="datetime" if kind == "datetime" else "date",
        patterns=patterns,
        months=months,
        doubt=doubt,
    )


def _clock_pattern(match: re.Match[str], found: Sequence[re.Match[str]]) -> str:
    hour = "hh" if all(len(other["h"]) == 2 for other in found) else "h"
    between = match.groupdict().get("between") or ""
    second = ":ss" if match["sec"] else ""
    fraction = f"{match['frac'][0]}f" if match["frac"] else ""
    half = match["ap"] or ""
    zone = "ZZ" if match["zone"] else ""
    return (
        f"{between}{hour}:mm{second}{fraction}{' AP' if ' ' in half else 'AP' * bool(half)}{zone}"
    )


def _date_patterns(
    found: Sequence[re.Match[str]],
) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Return the date patterns that fit every date, the month names, and what is undecided."""
    separators = list(dict.fromkeys(match["s"] for match in found))
    names = {match["b"].casefold() for match in found if not match["b"].isdigit()}
    months: tuple[str, ...] = ()
    if names:
        fits = [m for m in MONTH_NAMES if names <= {name.casefold() for name in m}]
        if not fits or any(match["b"].isdigit() for match in found):
            return (), (), ""
        months = fits[0]
    readings = [
        order
        for order in _ORDERS
        if all(_as_date(match, order, months) is not None for match in found)
        and not (names and order == "month first")
    ]
    patterns = [
        _date_pattern(found, order, separator, is_named=bool(names))
        for order in readings
        for separator in separators
    ]
    doubt = ""
    if len(readings) > 1:
        doubt = f"the sample cannot decide between {' and '.join(readings)}"
    return tuple(patterns), months, doubt


def _as_date(match: re.Match[str], order: str, months: tuple[str, ...]) -> date | None:
    """Return the date in the given order of its parts; None where there is no such date."""
    places = _ORDERS[order]
    day, month, year = (match[place] for place in places)
    if len(year) not in (2, 4) or len(day) > 2 or len(match["b"]) > 2 > len(months):
        return None
    if months:
        number = [name.casefold() for name in months].index(month.casefold()) + 1
    elif len(month) > 2:
        return None
    else:
        number = int(month)
    try:
        return date(int(year) if len(year) == 4 else 2000 + int(year), number, int(day))
    except ValueError:
        return None


def _date_pattern(
    found: Sequence[re.Match[str]], order: str, separator: str, *, is_named: bool
) -> str:
    day, month, year = _ORDERS[order]
    words = {
        day: "DD" if all(len(match[day]) == 2 for match in found) else "D",
        month: "MM" if all(len(match[month]) == 2 for match in found) else "M",
        year: "YYYY" if len(found[0][year]) == 4 else "YY",
    }
    if is_named:
        words[month] = "MON"
    return separator.join(words[place] for place in "abc")


# Words that laboratories use in headers and labels, English and German; common practice, no
# source. Order matters: the first role with a fitting word wins.
_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "unit": "unit units einheit",
        "sequence": "sequence no nr number count counter serial nummer lfd",
        "dilution": "dilution diluted verdünnung thinned dilutionfactor",
        "absorbance": "absorbance extinction extinktion absorbanz abs absorbed",
        "lot": "lot batch charge",
        "operator": "operator analyst user initials bearbeiter",
        "instrument": "instrument photometer device gerät",
        "position": "position tube slot place rack küvette",
        "remark": "remark remarks comment note notes bemerkung",
        "method": "method test procedure parameter analyte methode programme program",
        "sample": "sample bottle probe specimen point messstelle identity",
        "value": "value result reading concentration outcome finding found ergebnis messwert wert",
    }
)
_ROLE_OF_WORD: Final[Mapping[str, str]] = MappingProxyType(
    {word: role for role, words in _WORDS.items() for word in words.split()}
)


def find_role(name: str) -> str | None:
    """Return the standard field that a header cell or label names; None when no word is known.

    The whole name counts first, then its words from the last to the first: what a name is about
    stands last in English and German ("Sample number" is a number).
    """
    plain = name.casefold().strip(BLANKS + ":")
    words = re.findall(r"[^\W_]+", plain)  # with their digits: "NO3" is not "no"
    for candidate in (plain, *reversed(words)):
        if candidate in _ROLE_OF_WORD:
            return _ROLE_OF_WORD[candidate]
    return None


_BRACKETED = re.compile(r"(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\])]+?)\s*[\])]")
_BEFORE_UNIT = re.compile(r"(?<=.)[ _/]")


def find_unit_in_name(name: str) -> tuple[str, str, str] | None:
    """Return name without unit, the unit's text and a pattern that finds it in the name.

    The unit stands in brackets at the end, or behind a blank, an underscore or a stroke. None
    when the name holds no known unit.
    """
    places = []
    if bracketed := _BRACKETED.fullmatch(name):
        places.append(bracketed.span("unit"))
    places += [(found.end(), len(name)) for found in _BEFORE_UNIT.finditer(name)]
    for start, end in places:
        unit = name[start:end]
        if parse_unit(unit) is not None:
            bare = name[:start].strip(BLANKS + "[(_/,").removesuffix(" in").strip(BLANKS)
            pattern = f"{as_pattern(name[:start])}(?P<unit>.+?){as_pattern(name[end:])}"
            return bare, unit, pattern
    return None


def as_pattern(text: str) -> str:
    """Return a regular expression that matches exactly `text`, as readable as can be."""
    return re.sub(r"([\\.^$*+?{}\[\]|()])", r"\\\1", text)
