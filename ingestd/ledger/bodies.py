"""Plan values to canonical JSON objects and back, through their pydantic definitions."""

import hashlib
from typing import Any, TypeVar

from pydantic import TypeAdapter

from ingestd.ledger.journal.canonical import canonical

T = TypeVar("T")


_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def adapter(kind: Any) -> TypeAdapter[Any]:
    """The checked reader and writer of one value class, made once."""
    found = _ADAPTERS.get(kind)
    if found is None:
        found = _ADAPTERS[kind] = TypeAdapter(kind)
    return found


def body_of(value: Any) -> dict[str, Any]:
    """A plan value as JSON: Decimals and instants as text."""
    body: dict[str, Any] = adapter(type(value)).dump_python(value, mode="json")
    return body


def value_of(kind: type[T], text: str) -> T:
    """The value that `body_of` wrote.

    Raises:
        pydantic.ValidationError: the text is not such a value.
    """
    value: T = adapter(kind).validate_json(text)
    return value


def sha256_of(body: dict[str, Any]) -> str:
    """SHA-256 of the canonical form, hexadecimal."""
    return hashlib.sha256(canonical(body)).hexdigest()
