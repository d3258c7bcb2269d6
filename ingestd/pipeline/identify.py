"""What a slice of a capture means: each parsed reading new, known or contradicting, placed or
waiting. Pure: facts in, decisions out.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from ingestd.evaluate.identity import (
    KnownReading,
    content,
    identity_key,
    neighbourhood,
    recognise,
)
from ingestd.evaluate.local_time import resolve_local_time
from ingestd.evaluate.placing import Candidate, Placed, TubeIndex, Waiting
from ingestd.model import SCATTERED, Instrument, StoredReading
from ingestd.model.labels import label_key
from parsers.frozen import frozen
from parsers.readings import Fault, Reading

DIGEST_BYTES = 16
NEIGHBOURS_BYTES = 6  # of a grouped identity, which its neighbours share


def digest(text: str) -> bytes:
    """Sixteen bytes that stand for a text."""
    return hashlib.blake2b(
        text.encode("utf-8", "surrogatepass"), digest_size=DIGEST_BYTES
    ).digest()


def identity_digest(instrument: str, reading: Reading, kept: int) -> bytes:
    """Sixteen bytes that stand for a reading's identity, without its ordinal.

    Args:
        kept: SCATTERED or GROUPED.
    """
    key = identity_key(instrument, reading, 0)
    if kept == SCATTERED:
        return digest(key)
    return (
        _neighbours(neighbourhood(instrument, reading))
        + hashlib.blake2b(
            key.encode("utf-8", "surrogatepass"), digest_size=DIGEST_BYTES - NEIGHBOURS_BYTES
        ).digest()
    )


@lru_cache(maxsize=1024)
def _neighbours(text: str) -> bytes:
    return digest(text)[:NEIGHBOURS_BYTES]


@frozen
class Seen:
    """A parsed reading with the instrument it came from and the digests it is known by."""

    parsed: Reading
    instrument: Instrument
    ordinal: int
    identity: bytes
    digits: bytes
    measured_at: datetime
    time_note: str


@frozen
class Known:
    """A reading the ledger already holds under an identity."""

    id: int
    ordinal: int
    digits: bytes
    run: str | None


@frozen
class NewReading:
    """A reading to be taken in: where it goes, or why it waits."""

    seen: Seen
    stored: StoredReading
    placed: Placed | None
    waits: Waiting | None
    contradicts: int | None


@frozen
class Decisions:
    """What becomes of a slice of readings.

    Attributes:
        repeats: ids of known readings seen again.
        contradicted: ids of known readings that a new one contradicts.
        runs: names of the runs to be judged anew, in order.
    """

    new: tuple[NewReading, ...]
    repeats: tuple[int, ...]
    contradicted: tuple[int, ...]
    runs: tuple[str, ...]


def see(
    readings: Iterable[Reading],
    *,
    find_instrument: Any,
    default: Instrument | None,
    arrived_at: datetime,
    identities: int,
) -> tuple[list[Seen], list[Fault]]:
    """Readings with their instrument and instant; those of unknown instruments as faults.

    Args:
        find_instrument: printed name or serial number -> Instrument or None.
        default: the instrument of the source, for forms that name none.
        arrived_at: when the capture arrived, UTC.
        identities: how the ledger keeps them.
    """
    by_text: dict[str, Instrument | None] = {}
    seen: list[Seen] = []
    faults: list[Fault] = []
    for reading in readings:
        printed = reading.printed.field("instrument")
        if printed:
            if printed not in by_text:
                by_text[printed] = find_instrument(printed)
            instrument = by_text[printed]
        else:
            instrument = default
        if instrument is None:
            faults.append(
                Fault(
                    offset=reading.span.start,
                    line=reading.line,
                    field="instrument",
                    expected="an instrument of the plan (by name, serial or printed name)"
                    if printed
                    else "an instrument: none is printed and the source names none",
                    found=printed[:40],
                )
            )
            continue
        measured_at, note = resolve_local_time(
            reading.measured_at, instrument.time_zone, arrived_at
        )
        seen.append(
            Seen(
                parsed=reading,
                instrument=instrument,
                ordinal=0,
                identity=identity_digest(instrument.name, reading, identities),
                digits=digest(content(reading)),
                measured_at=measured_at,
                time_note=note,
            )
        )
    return seen, faults


def number(seen: Sequence[Seen], before: Mapping[bytes, int]) -> list[Seen]:
    """The same readings with their ordinal among identical rows of the capture.

    Args:
        before: how often each identity stood in the part of the capture read before.
    """
    counts: dict[tuple[str, ...], int] = {}
    numbered = []
    for one in seen:
        if one.parsed.sequenced:
            numbered.append(one)
            continue
        key = (one.instrument.name, *one.parsed.identity)
        ordinal = counts.get(key, before.get(one.identity, 0))
        counts[key] = ordinal + 1
        numbered.append(replace(one, ordinal=ordinal) if ordinal else one)
    return numbered


def decide(
    seen: Sequence[Seen],
    *,
    known: Mapping[bytes, Sequence[Known]],
    candidates: Iterable[Candidate],
    first_id: int,
    capture: int,
    source: str,
    form: str,
    arrived_at: datetime,
) -> Decisions:
    """What becomes of these readings.

    Args:
        known: readings of the ledger by identity digest.
        candidates: tubes of open runs that could be meant.
        first_id: id for the first new reading; the others follow.
        capture, source, form, arrived_at: where they came from.
    """
    index = TubeIndex(candidates)
    added: dict[tuple[bytes, int], list[KnownReading]] = {}
    new: list[NewReading] = []
    repeats: list[int] = []
    contradicted: list[int] = []
    runs: dict[str, None] = {}
    runs_of_known = {k.id: k.run for group in known.values() for k in group}
    for one in seen:
        same = [
            KnownReading(id=k.id, content=k.digits)
            for k in known.get(one.identity, ())
            if k.ordinal == one.ordinal
        ]
        same += added.get((one.identity, one.ordinal), ())
        recognised = recognise(one.digits, same)
        if recognised.sameness == "repeat":
            assert recognised.known is not None  # noqa: S101 - a repeat names what it repeats
            repeats.append(recognised.known)
            continue
        conflict = recognised.sameness == "conflict"
        stored = _stored(
            one, first_id + len(new), capture, source, form, arrived_at, conflict=conflict
        )
        where = index.place(stored)
        placed = where if isinstance(where, Placed) else None
        new.append(
            NewReading(
                seen=one,
                stored=stored,
                placed=placed,
                waits=where if isinstance(where, Waiting) else None,
                contradicts=recognised.known,
            )
        )
        added.setdefault((one.identity, one.ordinal), []).append(
            KnownReading(id=stored.id, content=one.digits)
        )
        if placed:
            runs[placed.run] = None
        if conflict and recognised.known is not None:
            contradicted.append(recognised.known)
            run = runs_of_known.get(recognised.known)
            if run:
                runs[run] = None
    fresh = {one.stored.id for one in new}
    return Decisions(
        new=tuple(new),
        repeats=tuple(dict.fromkeys(i for i in repeats if i not in fresh)),
        contradicted=tuple(dict.fromkeys(contradicted)),
        runs=tuple(runs),
    )


def _stored(
    one: Seen,
    ident: int,
    capture: int,
    source: str,
    form: str,
    arrived_at: datetime,
    *,
    conflict: bool,
) -> StoredReading:
    parsed = one.parsed
    return StoredReading(
        id=ident,
        capture=capture,
        instrument=one.instrument.name,
        source=source,
        method=parsed.method,
        sample=parsed.sample,
        value=parsed.value,
        censored=parsed.censored,
        unit=parsed.unit,
        basis=parsed.basis,
        measured_at=one.measured_at,
        arrived_at=arrived_at,
        time_note=one.time_note,  # type: ignore[arg-type]  # resolve_local_time names them
        absorbance=parsed.absorbance,
        dilution=parsed.dilution,
        dilution_applied=parsed.dilution_applied,
        conflict=conflict,
        raw=parsed.printed.field("value"),
        span=(parsed.span.start, parsed.span.end),
        form=form,
    )


def labels_of(seen: Iterable[Seen]) -> set[str]:
    """The labels under which tubes of these readings would be planned."""
    return {label_key(one.parsed.sample) for one in seen if one.parsed.sample}
