"""Whether a reading is new, the same one exported again, or in conflict with a known one.

A reading is the same one when its instrument and the form's identity fields are the same. With
a sequence number these settle it: the same number with other content is a conflict and holds
both. Without one, identical rows of one capture are told apart by their ordinal: the second of
two identical rows is another reading, and the same file exported again repeats both.
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Literal

from parsers.frozen import frozen
from parsers.readings import Reading

_SEPARATOR = "\x1f"

Sameness = Literal["new", "repeat", "conflict"]


@frozen
class KnownReading:
    """A reading the ledger already holds under the same identity: its id and `content`, or a
    digest of it.
    """

    id: int
    content: str | bytes


@frozen
class Recognised:
    """What a reading is, and which known reading it repeats or contradicts (None for new)."""

    sameness: Sameness
    known: int | None = None


NEW = Recognised(sameness="new")


def identity_key(instrument: str, reading: Reading, ordinal: int = 0) -> str:
    """Return the text that is equal for two readings exactly when their identity is.

    Args:
        instrument: name of the instrument.
        reading: as parsed.
        ordinal: from `number_identical`; ignored where a sequence number settles identity.

    """
    parts = (instrument, *reading.identity)
    key = _SEPARATOR.join(parts)
    if key.count(_SEPARATOR) != len(parts) - 1:  # a field holds the separator itself
        escaped = (p.replace("\\", "\\\\").replace(_SEPARATOR, "\\u") for p in parts)
        # The leading separator marks the escaped kind: no instrument's name begins with one.
        key = _SEPARATOR + _SEPARATOR.join(escaped)
    return key if reading.sequenced else f"{key}{_SEPARATOR}{ordinal}"


def neighbourhood(instrument: str, reading: Reading) -> str:
    """Return a text that readings made about the same time share, by their identity alone.

    The first half of the identity field with the most digits, which is a number counted up or a
    time. An index that begins with it is added to in few places, however much it holds.
    """
    fields = reading.identity
    field = fields[0] if len(fields) == 1 else max(fields, key=_count_digits, default="")
    return f"{instrument}{_SEPARATOR}{field[: (len(field) + 1) // 2]}"


def _count_digits(text: str) -> int:
    return sum(map(str.isdigit, text))


def number_identical(
    readings: Iterable[Reading], counts: dict[tuple[str, ...], int] | None = None
) -> list[int]:
    """Return for each reading how many identical ones stand before it in the capture.

    Args:
        readings: of one capture and instrument, in file order.
        counts: identities already seen in the capture's beginning; updated. None for none.

    """
    seen = {} if counts is None else counts
    ordinals = []
    for reading in readings:
        ordinal = seen.get(reading.identity, 0)
        seen[reading.identity] = ordinal + 1
        ordinals.append(ordinal)
    return ordinals


def content(reading: Reading) -> str:
    """Return what the reading says, as a text equal for equal content.

    Numbers compare by value (1.50 says what 1.5 says), texts as printed. Remarks and other
    fields of the form's own do not count.
    """
    return _SEPARATOR.join(
        (
            _number(reading.value),
            reading.censored,
            reading.unit or "",
            reading.basis or "",
            _number(reading.absorbance),
            _number(reading.dilution),
            reading.method or "",
            reading.sample or "",
            reading.measured_at.isoformat() if reading.measured_at else "",
        )
    )


def _number(value: Decimal | None) -> str:
    if value is None:
        return ""
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def recognise(said: str | bytes, known: Sequence[KnownReading]) -> Recognised:
    """Return whether the reading is new, a repeat, or a conflict.

    Args:
        said: the reading's `content`, or the digest of it where `known` hold digests.
        known: readings the ledger holds under the same identity key.

    """
    for other in known:
        if other.content == said:
            return Recognised(sameness="repeat", known=other.id)
    # Without a sequence number the printed value is part of the identity, so equal keys with
    # other content differ in a lesser field (a unit, a dilution): no less a contradiction.
    return Recognised(sameness="conflict", known=known[0].id) if known else NEW
