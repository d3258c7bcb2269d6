"""Canonical JSON: one value has exactly one spelling, so its hash can be checked by anyone.

The journal's bodies hold text, whole numbers, truth values, nothing, lists and objects, and no
floating-point numbers: a quantity travels as the text of its digits. In this restricted domain
sorted ASCII keys and no white space are all that RFC 8785 asks for beyond plain JSON, so a fast
serialiser gives the same bytes; the tests prove it against a reference library.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import orjson

JSON = None | bool | int | str | list["JSON"] | tuple["JSON", ...] | dict[str, "JSON"]

DEPTH_LIMIT = 64
WHOLE_LIMIT = 2**53 - 1  # beyond it readers that hold numbers as doubles would disagree

_OPTIONS = (
    orjson.OPT_SORT_KEYS
    | orjson.OPT_STRICT_INTEGER
    | orjson.OPT_PASSTHROUGH_SUBCLASS
    | orjson.OPT_PASSTHROUGH_DATETIME
    | orjson.OPT_PASSTHROUGH_DATACLASS
)
_PLAIN = frozenset({str, int, bool, type(None)})
_NESTED = frozenset({dict, list, tuple})


def canonical(body: Mapping[str, JSON]) -> bytes:
    """
    Canonical JSON of one object, UTF-8, without a line end.

    Args:
        body: an object of texts, whole numbers within ±(2**53 - 1), truth values, None, and
            lists (or tuples) and objects of these; every key ASCII text.

    Raises:
        TypeError: a value or key of another kind (a float, Decimal, time, set, subclass); the
            message names where it stands and what to write instead.
        ValueError: a whole number out of range, text with half a surrogate pair, or nesting
            deeper than DEPTH_LIMIT.

    Source: RFC 8785, sections 3.2.1 to 3.2.4; tests/ingestd/ledger/test_canonical.py.
    """
    plain = body if type(body) is dict else dict(body)
    _check_keys(plain, ())
    if not _PLAIN.issuperset(map(type, plain.values())):
        _check_items(plain.items(), ())
    try:
        return orjson.dumps(plain, option=_OPTIONS)
    except TypeError as error:
        raise _explain(plain, error) from error


def is_canonical(data: bytes) -> bool:
    """True if these bytes are the canonical spelling of one object in our domain."""
    try:
        value = orjson.loads(data)
        return isinstance(value, dict) and canonical(value) == data
    except (TypeError, ValueError):
        return False


def _check_keys(value: Mapping[Any, Any], path: tuple[str, ...]) -> None:
    # One join looks at all keys at once: it refuses what is not text, and shows what is not ASCII.
    try:
        if "".join(value).isascii():
            return
    except TypeError:
        pass
    for key in value:
        if not isinstance(key, str) or not key.isascii():
            raise TypeError(
                f"{_name(path)}: the key {key!r} is not ASCII text; journal keys are our own "
                "names, put foreign text into values"
            )


def _check_items(items: Iterable[tuple[object, Any]], path: tuple[str, ...]) -> None:
    """Look into every nested list and object; return if all of it is in the domain."""
    if len(path) >= DEPTH_LIMIT:
        raise ValueError(f"{_name(path[:3])}…: nested deeper than {DEPTH_LIMIT} levels")
    for key, value in items:
        kind = type(value)
        if kind in _PLAIN:
            continue
        here = (*path, str(key))
        if kind is dict:
            _check_keys(value, here)
            _check_items(value.items(), here)
        elif kind in _NESTED:
            _check_items(enumerate(value), here)
        else:
            raise TypeError(
                f"{_name(here)}: {kind.__name__} {value!r} has no canonical form here; "
                "write numbers as the text of their digits and times as text"
            )


def _explain(body: dict[str, JSON], error: TypeError) -> ValueError | TypeError:
    """The serialiser's refusal with the name of the value it refused."""
    for path, value in _walk(body, ()):
        if isinstance(value, int) and abs(value) > WHOLE_LIMIT:
            return ValueError(f"{_name(path)}: {value} is beyond ±(2**53 - 1); write it as text")
        if isinstance(value, str) and any("\ud800" <= sign <= "\udfff" for sign in value):
            return ValueError(
                f"{_name(path)}: {value!r} holds half a surrogate pair, which UTF-8 cannot carry"
            )
    return TypeError(f"body: {error}")


def _walk(value: JSON, path: tuple[str, ...]) -> Iterable[tuple[tuple[str, ...], JSON]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _walk(item, (*path, key))
    elif isinstance(value, list | tuple):
        for index, item in enumerate(value):
            yield from _walk(item, (*path, str(index)))
    else:
        yield path, value


def _name(path: tuple[str, ...]) -> str:
    return ".".join(path) or "body"
