"""What must hold for any bytes that are read by any form.

The rules by which a printed text becomes a value are written here a second time, from the form
language's own description and without the parsers' code, so that both must agree.
"""

import re
import time
from collections.abc import Callable
from dataclasses import fields as fields_of
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Any, Final
from zlib import crc32

from parsers import Fault, Form, Parsed, ParseError, Reading, Resume, parse
from parsers.forms import FieldRules
from parsers.units import parse_unit

LONGEST_S: Final = 1.0  # processor time for one input
_SHOWN: Final = 40
_BLANKS: Final = " \t\u00a0\u2007\u2009\u202f\u3000"
_MARKS: Final = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
_PARTS: Final = re.compile("YYYY|YY|MON|MM|M|DD|D|hh|h|mm|ss|f|AP|ZZ|.", re.DOTALL)
_PART_SHAPES: Final = {
    "YYYY": "(?P<year>[0-9]{4})",
    "YY": "(?P<short>[0-9]{2})",
    "MON": "(?P<name>.+?)",
    "MM": "(?P<month>[0-9]{2})",
    "M": "(?P<month>[0-9]{1,2})",
    "DD": "(?P<day>[0-9]{2})",
    "D": "(?P<day>[0-9]{1,2})",
    "hh": "(?P<hour>[0-9]{2})",
    "h": "(?P<hour>[0-9]{1,2})",
    "mm": "(?P<minute>[0-9]{2})",
    "ss": "(?P<second>[0-9]{2})",
    "f": "(?P<fraction>[0-9]+)",
    "AP": "(?P<half>[AaPp][Mm])",
    "ZZ": "(?P<zone>[Zz]|[+-].+)",
    "T": "[Tt]",
}


class Broken(AssertionError):
    """Something does not hold for these bytes."""


def check(data: bytes, form: Form) -> Parsed | ParseError:
    """What the bytes give, once everything that must hold was seen to hold.

    Raises:
        Broken: something does not.
    """
    whole = _within_a_second(lambda: _outcome(data, form))
    if isinstance(whole, ParseError):
        _demand(0 <= whole.offset <= len(data), "an error outside the bytes", whole)
        _demand(len(whole.found) <= _SHOWN, "an error that shows too much", whole)
        return whole
    for fault in whole.faults:
        _check_fault(fault, data)
    codecs = codecs_of(data, form)
    for reading in whole.readings:
        check_reading(reading, data, form, codecs)
    _demand(whole.complete_to == len(data), "bytes left over in a final capture", whole)
    if data and crc32(data) % 4 == 0:  # one in four: it doubles the time
        _check_growing(data, form, whole)
    return whole


def _outcome(data: bytes, form: Form) -> Parsed | ParseError:
    try:
        return parse(data, form)
    except ParseError as error:
        return error


def _within_a_second(work: Callable[[], Parsed | ParseError]) -> Parsed | ParseError:
    begun = time.perf_counter()
    found = work()
    if time.perf_counter() - begun > LONGEST_S:  # the machine may have done something else
        begun = time.process_time()  # asked for only now: on some machines it is a slow question
        work()
        taken = time.process_time() - begun
        _demand(taken <= LONGEST_S, "longer than a second", taken)
    return found


def _demand(holds: object, problem: str, *shown: object) -> None:
    if not holds:
        raise Broken(f"{problem}: {', '.join(map(repr, shown))}")


def _check_fault(fault: Fault, data: bytes) -> None:
    _demand(0 <= fault.offset <= len(data), "a fault outside the bytes", fault)
    _demand(len(fault.found) <= _SHOWN, "a fault that shows too much", fault)
    _demand(fault.found.isprintable() and fault.expected, "a fault that cannot be shown", fault)


def _check_growing(data: bytes, form: Form, whole: Parsed) -> None:
    """Read in two parts it gives the same, and nothing of the first part is taken back."""
    cut = crc32(data, 1) % len(data)
    first = _outcome_of_part(data[:cut], form)
    if isinstance(first, ParseError):
        raise Broken(f"the first {cut} bytes are an error, the whole is none: {first}")
    _demand(first.resume is not None, "nowhere to go on", cut)
    resume = first.resume or Resume()
    second = parse(data[resume.offset :], form, resume=resume)
    _demand(first.readings + second.readings == whole.readings, "other readings in two parts", cut)
    _demand(first.faults + second.faults == whole.faults, "other faults in two parts", cut)


def _outcome_of_part(data: bytes, form: Form) -> Parsed | ParseError:
    try:
        return parse(data, form, final=False)
    except ParseError as error:
        return error


# ---- a reading and the bytes it came from


def check_reading(reading: Reading, data: bytes, form: Form, codecs: list[str]) -> None:
    """Every text stands at its span, and every value is what its text means in the form."""
    fields, spans = dict(reading.fields), dict(reading.spans)
    _demand(0 <= reading.span.start <= reading.span.end <= len(data), "a span outside", reading)
    _demand(spans.keys() <= fields.keys(), "a place without a text", reading)
    for name, span in spans.items():
        raw = data[span.start : span.end]
        texts = [text for codec in codecs if (text := _decoded(raw, codec))]
        quote = form.table.quote if form.table else ""
        known = {*texts, *(text.replace(quote * 2, quote) for text in texts if quote)}
        _demand(fields[name] in known, f"{name} is not what stands there", fields[name], raw)
    for name, text in fields.items():
        _demand(reading.printed.field(name) == text, f"{name} differs alone", fields)
    for name in fields.keys() - spans.keys():
        _demand(fields[name] in _supplied(form, name), f"{name} out of nowhere", fields[name])
    for field in fields_of(Reading):
        meant = _MEANINGS.get(field.name)
        if meant is not None:
            got, wanted = getattr(reading, field.name), meant(fields, form)
            _demand(_is_same(got, wanted), f"{field.name} misread", got, wanted, fields)
    wanted_identity = tuple(fields.get(name, "") for name in form.identity)
    _demand(reading.identity == wanted_identity, "another identity", reading.identity)


def codecs_of(data: bytes, form: Form) -> list[str]:
    """The encodings that the bytes may be read in; before a frame such a mark is noise."""
    for mark, codec in _MARKS if form.shape != "frame" else ():
        if data.startswith(mark):
            return [codec]
    named = [name.replace("windows-", "cp") for name in form.text.encodings or ("utf-8",)]
    return [name for name in named if name != "utf-16"]


def _decoded(raw: bytes, codec: str) -> str:
    try:
        return raw.decode(codec)
    except UnicodeDecodeError:
        return ""


def _supplied(form: Form, name: str) -> set[str | None]:
    """Texts that the form itself supplies for a field."""
    rules = form.fields.get(name)
    texts = {rules.constant, rules.default} if rules else set()
    if form.table and form.table.wide:
        texts |= {getattr(one, name, None) for one in form.table.wide.columns}
    return texts


def _is_same(got: object, wanted: object) -> bool:
    if isinstance(got, Decimal) and isinstance(wanted, Decimal):
        return got.as_tuple() == wanted.as_tuple() or (got == wanted and _is_factor(got))
    return got == wanted


def _is_factor(number: Decimal) -> bool:
    """Factors are computed; only their value counts."""
    return number >= 1


# ---- what a text means, said anew


def _measured(fields: dict[str, str], form: Form, name: str) -> tuple[Decimal | None, str]:
    text, rules = fields.get(name), form.fields.get(name)
    if text is None or rules is None or text in rules.no_value:
        return None, ""
    if text in rules.below or text in rules.above:
        return None, "<" if text in rules.below else ">"
    for marks, censored in ((rules.below_marks, "<"), (rules.above_marks, ">")):
        for mark in marks:
            if text.startswith(mark):
                return _number(text[len(mark) :].strip(_BLANKS), form, rules), censored
    return _number(text, form, rules), ""


def _number(text: str, form: Form, rules: FieldRules) -> Decimal:
    thousands = form.numbers.thousands if rules.thousands is None else rules.thousands
    decimal = rules.decimal or form.numbers.decimal or "."
    whole, mark, rest = text.partition(decimal)
    _demand(not mark or rest, "a number that ends with its mark", text)
    digits = whole.replace(thousands, "") if thousands else whole
    plain = digits + ("." + rest if mark else "")
    _demand(re.fullmatch("[+-]?[0-9]*(?:[.][0-9]+)?", plain), "a number of other signs", text)
    return Decimal(plain)


def _absorbance(fields: dict[str, str], form: Form) -> Decimal | None:
    number, censored = _measured(fields, form, "absorbance")
    return None if censored else number


def _unit(fields: dict[str, str], form: Form) -> tuple[str | None, str | None]:
    text = fields.get("unit")
    if text is None or ("unit" in form.fields and text in form.fields["unit"].no_value):
        return None, None
    unit = parse_unit(form.units.get(text, text))
    return (unit.name, unit.basis) if unit else ("no such unit", None)


def _plain_text(name: str) -> Callable[[dict[str, str], Form], str | None]:
    def text_of(fields: dict[str, str], form: Form) -> str | None:
        rules = form.fields.get(name)
        text = fields.get(name)
        return None if rules and text in rules.no_value else text

    return text_of


def _dilution(fields: dict[str, str], form: Form) -> Decimal | None:
    text = fields.get("dilution")
    if text is None or text in form.fields["dilution"].no_value:
        return None
    rules = form.fields["dilution"]
    if ":" in text:
        one, other = (Decimal(part) for part in text.split(":"))
        return (other if rules.ratio == "total" else one + other) / one
    if "+" in text[1:]:
        one, other = (_number(part.strip(_BLANKS), form, rules) for part in text.split("+", 1))
        return (one + other) / one
    return _number(text.strip("xX×" + _BLANKS), form, rules)


def _moment(fields: dict[str, str], form: Form) -> datetime | None:
    if "datetime" in fields:
        return _read_moment(fields["datetime"], form.fields["datetime"], ())
    if "date" in fields and "time" in fields:
        return _read_moment(fields["date"], form.fields["date"], (fields["time"], "time"), form)
    return None


def _read_moment(
    text: str, rules: FieldRules, behind: tuple[str, ...], form: Form | None = None
) -> datetime | None:
    parts = _time_parts(text, rules)
    if behind and form is not None and parts is not None:
        more = _time_parts(behind[0], form.fields[behind[1]])
        parts = None if more is None else parts | more
    return None if parts is None else datetime(**parts)  # noqa: DTZ001 - wall time as printed


def _time_parts(text: str, rules: FieldRules) -> dict[str, Any] | None:
    """Year, month, day, hour and so on that the text states in the first pattern that fits."""
    if text in rules.no_value:
        return None
    for pattern in rules.patterns:
        found = _shape_of(pattern).fullmatch(text)
        if found is None:
            continue
        got = {name: text for name, text in found.groupdict().items() if text is not None}
        numbers = {
            name: int(got[name])
            for name in ("year", "month", "day", "hour", "minute", "second")
            if name in got
        }
        if "short" in got:
            numbers["year"] = 2000 + int(got["short"])
        if "name" in got:
            months = [month.casefold() for month in rules.months]
            numbers["month"] = months.index(got["name"].casefold()) + 1
        if "half" in got:
            numbers["hour"] = numbers["hour"] % 12 + (12 if got["half"] in ("PM", "pm") else 0)
        if "fraction" in got:
            numbers["microsecond"] = int(got["fraction"][:6].ljust(6, "0"))
        if _exists(numbers):
            return numbers
    raise Broken(f"a time that no pattern allows: {text!r}")


@cache
def _shape_of(pattern: str) -> re.Pattern[str]:
    return re.compile(
        "".join(_PART_SHAPES.get(part[0], re.escape(part[0])) for part in _PARTS.finditer(pattern))
    )


def _exists(numbers: dict[str, int]) -> bool:
    try:
        datetime(**({"year": 2000, "month": 1, "day": 1} | numbers))  # type: ignore[arg-type]  # by name  # noqa: DTZ001 - wall time
    except ValueError:
        return False
    return True


_MEANINGS: Final[dict[str, Callable[[dict[str, str], Form], object]]] = {
    "method": _plain_text("method"),
    "sample": _plain_text("sample"),
    "value": lambda fields, form: _measured(fields, form, "value")[0],
    "censored": lambda fields, form: _measured(fields, form, "value")[1],
    "unit": lambda fields, form: _unit(fields, form)[0],
    "basis": lambda fields, form: _unit(fields, form)[1],
    "measured_at": _moment,
    "absorbance": _absorbance,
    "dilution": _dilution,
}
