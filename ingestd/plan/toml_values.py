"""Values from TOML as the types of the plan's own values ask for them, nothing turned over.

Pydantic would take 0 for a day, "yes" for true and "1_0" for ten. Here every key must exist and
every value be of its own kind first; the constraints written beside it are asked for afterwards.
"""

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime

from ingestd.plan.constraints import Broken
from ingestd.plan.faults import ValueRefused, shown
from ingestd.plan.instants import FIRST_YEAR, LAST_YEAR, from_local
from ingestd.plan.quantities import plain
from ingestd.plan.texts import parse_note

Path = tuple[str | int, ...]
Note = Callable[[Broken], None]

_MOST_PLACES = 12


def prepare(
    cls: type, table: Mapping[str, Any], path: Path, note: Note, zone: ZoneInfo | None
) -> dict[str, Any]:
    """Return the table's values by the types of a dataclass, faults noted and left as they are.

    Args:
        cls: the dataclass whose attributes are the allowed keys.
        table: what TOML gave.
        path: where the table stands.
        note: called with every fault.
        zone: how a time without offset is read; None: it is refused.

    """
    hints = get_type_hints(cls)
    allowed = [field.name for field in fields(cls)]
    prepared = {}
    for key, value in table.items():
        place = (*path, key)
        if key not in allowed:
            keys = ", ".join(allowed)
            note(_broken(place, "", "there is no such key", f"use one of {keys}"))
            continue
        prepared[key] = _convert(hints[key], value, place, note, zone)
    return prepared


def _convert(hint: Any, value: Any, path: Path, note: Note, zone: ZoneInfo | None) -> Any:
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        (inner,) = (arg for arg in args if arg is not NoneType)
        return _convert(inner, value, path, note, zone)
    if origin is tuple:
        if not isinstance(value, list):
            note(_broken(path, value, "this is not a list", "put it in square brackets"))
            return value
        return [_convert(args[0], v, (*path, i), note, zone) for i, v in enumerate(value)]
    if is_dataclass(hint) or origin is Mapping:
        if not isinstance(value, dict):
            note(_broken(path, value, "this is not a table", "write its keys in braces"))
            return value
        if isinstance(hint, type):
            return prepare(hint, value, path, note, zone)
        return {k: _convert(args[1], v, (*path, k), note, zone) for k, v in value.items()}
    try:
        return _scalar(hint, value, zone)
    except ValueRefused as refused:
        note(_broken(path, value, refused.problem, refused.remedy))
        return value


def _scalar(hint: Any, value: Any, zone: ZoneInfo | None) -> Any:
    if hint is Decimal:
        return _number(value)
    if hint is date:
        return _day(value)
    if hint is AwareDatetime:
        return _instant(value, zone)
    # A Literal's own values say of which type it is; an enum of words is written as a word.
    kind = type(get_args(hint)[0]) if get_origin(hint) is Literal else hint
    if kind is bool:
        return _of_type(value, bool, "write true or false, without quotes")
    if kind is int:
        return _of_type(value, int, "write a whole number, without quotes")
    text = _of_type(value, str, "write it as a text in quotes")
    return parse_note(text)


def _of_type(value: Any, kind: type, remedy: str) -> Any:
    if type(value) is not kind:
        raise ValueRefused(f"this is {_KINDS.get(type(value), 'something else')}", remedy)
    return value


def _number(value: Any) -> Decimal:
    if type(value) not in {int, Decimal}:
        raise ValueRefused(
            f"this is {_KINDS.get(type(value), 'something else')}",
            "write a number with a decimal point, without quotes",
        )
    number = Decimal(value)
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueRefused("this is not a finite number", "write the number that was measured")
    if number.adjusted() > _MOST_PLACES or exponent < -_MOST_PLACES:
        raise ValueRefused(
            f"no number here has more than {_MOST_PLACES} digits before or after its point",
            "check the number for a slip",
        )
    return Decimal(plain(number))


def _day(value: Any) -> date:
    if type(value) is not date:
        raise ValueRefused(
            f"this is {_KINDS.get(type(value), 'something else')}",
            "write a day such as 2026-03-02, without quotes",
        )
    _check_year(value)
    return value


def _instant(value: Any, zone: ZoneInfo | None) -> datetime:
    if not isinstance(value, datetime):
        raise ValueRefused(
            f"this is {_KINDS.get(type(value), 'something else')}",
            "write a time such as 2026-03-02T08:15:00+01:00, without quotes",
        )
    _check_year(value)
    if value.tzinfo is not None:
        return value.astimezone(UTC)
    if zone is None:
        raise ValueRefused(
            "this time has no offset from UTC", "write one behind it, such as +01:00"
        )
    return from_local(value, zone)


def _check_year(day: date) -> None:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueRefused(f"the year is not within {FIRST_YEAR} to {LAST_YEAR}", "check the year")


_KINDS: Mapping[type, str] = {
    str: "a text",
    bool: "true or false",
    int: "a whole number",
    Decimal: "a number",
    date: "a day",
    datetime: "a time",
    list: "a list",
    dict: "a table",
}


def _broken(path: Path, value: object, problem: str, remedy: str) -> Broken:
    return Broken(path=path, value=shown(value), problem=problem, remedy=remedy)
