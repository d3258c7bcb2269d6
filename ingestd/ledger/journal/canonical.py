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
_ROWS = frozenset({list, tuple})
_Fault = ValueError | TypeError


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
    try:
        if _is_ours((plain,), 0):
            return orjson.dumps(plain, option=_OPTIONS)
    except TypeError as error:  # a key that is not text, or the serialiser's own refusal
        raise _find_fault(plain, ()) or TypeError(f"body: {error}") from error
    raise _find_fault(plain, ()) or TypeError("body: not in the domain of canonical()")


def canonical_unchecked(body: Mapping[str, Any]) -> bytes:
    """The same bytes as `canonical` for a body known to be in our domain, several times faster.

    For the program's own journal entries: tests/ingestd/test_journal_bodies.py proves each kind
    of them equal to RFC 8785.
    """
    return orjson.dumps(body, option=_OPTIONS)


def is_canonical(data: bytes) -> bool:
    """True if these bytes are the canonical spelling of one object in our domain."""
    try:
        value = orjson.loads(data)
        return isinstance(value, dict) and canonical(value) == data
    except (TypeError, ValueError):
        return False


def _is_ours(values: Iterable[Any], depth: int) -> bool:
    """True if keys and kinds fit all the way down; TypeError if a key is not text."""
    # Hot: a body has few nested values, so whole rows are judged by one set operation. Where it
    # says no, _find_fault looks again, slowly, for the name to put into the message.
    if depth > DEPTH_LIMIT:
        return False
    for value in values:
        kind = type(value)
        if kind is dict:
            if not "".join(value).isascii():
                return False
            items = value.values()
        elif kind in _ROWS:
            items = value
        elif kind in _PLAIN:
            continue
        else:
            return False
        if not _PLAIN.issuperset(map(type, items)) and not _is_ours(items, depth + 1):
            return False
    return True


def _find_fault(value: Any, path: tuple[str, ...]) -> _Fault | None:
    """The first reason why this value has no canonical form, naming where it stands."""
    name = ".".join(path) or "body"
    kind = type(value)
    if (kind is dict or kind in _ROWS) and len(path) > DEPTH_LIMIT:
        return ValueError(f"{'.'.join(path[:3])}…: nested deeper than {DEPTH_LIMIT} levels")
    if kind is dict:
        for key in value:
            if type(key) is not str or not key.isascii():
                return TypeError(
                    f"{name}: the key {key!r} is not ASCII text; journal keys are our own "
                    "names, put foreign text into values"
                )
        return _first(
            _find_fault(item, (*path, key if key.isprintable() else repr(key)))
            for key, item in value.items()
        )
    if kind in _ROWS:
        return _first(_find_fault(item, (*path, str(n))) for n, item in enumerate(value))
    if kind not in _PLAIN:
        return TypeError(
            f"{name}: {kind.__name__} {value!r} has no canonical form here; "
            "write numbers as the text of their digits and times as text"
        )
    if kind is int and abs(value) > WHOLE_LIMIT:
        return ValueError(f"{name}: {value} is beyond ±(2**53 - 1); write it as text")
    if kind is str and any("\ud800" <= sign <= "\udfff" for sign in value):
        return ValueError(
            f"{name}: {value!r} holds half a surrogate pair, which UTF-8 cannot carry"
        )
    return None


def _first(faults: Iterable[_Fault | None]) -> _Fault | None:
    return next((fault for fault in faults if fault is not None), None)
