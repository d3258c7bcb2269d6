"""The plan as the ledger holds it: current inputs by kind and name, with the hash to pin."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeVar

import orjson

from ingestd.ledger.bodies import body_of, sha256_of, value_of
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change
from ingestd.model import (
    Calibration,
    ChartLimits,
    Competence,
    ControlStandard,
    DigestionComparison,
    DilutionStep,
    Instrument,
    KitLot,
    Method,
    Person,
    Sample,
    SamplingPoint,
    SitePolicy,
)

T = TypeVar("T")

CHUNK = 500  # values in one IN (...)
POLICY = "policy"  # the name of the one input of kind "site"

KINDS: dict[str, type[Any]] = {
    "instrument": Instrument,
    "method": Method,
    "kit_lot": KitLot,
    "control_standard": ControlStandard,
    "sampling_point": SamplingPoint,
    "sample": Sample,
    "competence": Competence,
    "calibration": Calibration,
    "digestion_comparison": DigestionComparison,
    "dilution_step": DilutionStep,
    "chart_limits": ChartLimits,
    "person": Person,
    "site": SitePolicy,
}


def input_name(kind: str, value: Any) -> str:
    """The name under which an input is versioned."""
    match kind:
        case "kit_lot" | "control_standard":
            return str(value.lot)
        case "sampling_point" | "sample":
            return str(value.code)
        case "competence":
            return f"{value.person} {value.method}"
        case "chart_limits":
            return f"{value.method} {value.kind} {value.level} {value.instrument}"
        case "person":
            return str(value.account)
        case "site":
            return POLICY
        case _:
            return str(value.name)


@dataclass(frozen=True, slots=True)
class InForce:
    """All current inputs but samples; `generation` tells when it is out of date."""

    generation: int
    values: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    hashes: Mapping[tuple[str, str], str] = field(default_factory=dict)
    raw: Mapping[tuple[str, str], dict[str, Any]] = field(default_factory=dict)

    def of(self, kind: str) -> Mapping[str, Any]:
        """Current inputs of one kind, by name."""
        return self.values.get(kind, {})

    @property
    def methods(self) -> Mapping[str, Method]:
        """Methods by name."""
        return self.of("method")

    @property
    def instruments(self) -> Mapping[str, Instrument]:
        """Instruments by name."""
        return self.of("instrument")

    def policy(self, configured: SitePolicy) -> SitePolicy:
        """What the laboratory decided for all methods, `configured` where none is on record."""
        policy: SitePolicy = self.of("site").get(POLICY, configured)
        return policy

    def find_instrument(self, printed: str) -> Instrument | None:
        """The one instrument with this name, serial number or printed name, else None."""
        wanted = printed.casefold()
        found = [
            instrument
            for instrument in self.instruments.values()
            if wanted
            in {
                text.casefold() for text in (instrument.name, instrument.serial, *instrument.names)
            }
        ]
        return found[0] if len(found) == 1 else None


class InForceCache:
    """Keeps the newest Book of one connection, read again only when an input has changed."""

    def __init__(self) -> None:
        self._book = InForce(generation=-1)
        self._leaf: bytes | None = None

    def current(self, conn: Connection) -> InForce:
        """The inputs in force now.

        The journal entry of the newest input tells them by its hash as well as by its number:
        after a transaction that was rolled back another input may stand under the same number.
        """
        generation, leaf = conn.execute(
            "SELECT c.value, j.leaf FROM counters c LEFT JOIN journal j ON j.idx = c.value"
            " WHERE c.name = 'inputs'"
        ).fetchone()
        if (generation, leaf) != (self._book.generation, self._leaf):
            self._book, self._leaf = _read_book(conn, generation), leaf
        return self._book


def _read_book(conn: Connection, generation: int) -> InForce:
    values: dict[str, dict[str, Any]] = {}
    hashes: dict[tuple[str, str], str] = {}
    raw: dict[tuple[str, str], dict[str, Any]] = {}
    # Samples are fetched one by one: there may be hundreds of thousands, and they are not even
    # passed over by reading them.
    newest = "SELECT kind, name, max(version), body, sha256 FROM inputs WHERE kind"
    rows = conn.execute(
        f"{newest} < 'sample' GROUP BY kind, name"
        f" UNION ALL {newest} > 'sample' GROUP BY kind, name"
    )
    for kind, name, _version, body, sha256 in rows:
        hashes[kind, name] = sha256
        if kind in KINDS:
            values.setdefault(kind, {})[name] = value_of(KINDS[kind], body)
        else:
            raw[kind, name] = orjson.loads(body)
    return InForce(generation, values, hashes, raw)


def find_sample(conn: Connection, code: str) -> tuple[Sample, str] | None:
    """A sample and its hash to pin."""
    row = conn.execute(
        "SELECT body, sha256 FROM inputs WHERE kind = 'sample' AND name = ?"
        " ORDER BY version DESC LIMIT 1",
        (code,),
    ).fetchone()
    return (value_of(Sample, row[0]), row[1]) if row else None


def find_samples(conn: Connection, codes: Iterable[str]) -> dict[str, tuple[Sample, str]]:
    """Those of these samples that are known, each with its hash to pin."""
    wanted = sorted(set(codes))
    found: dict[str, tuple[Sample, str]] = {}
    for at in range(0, len(wanted), CHUNK):
        part = wanted[at : at + CHUNK]
        rows = conn.execute(
            "SELECT name, max(version), body, sha256 FROM inputs WHERE kind = 'sample'"
            f" AND name IN ({', '.join('?' * len(part))}) GROUP BY name",
            part,
        )
        found.update((name, (_sample(body), sha256)) for name, _version, body, sha256 in rows)
    return found


@lru_cache(maxsize=4096)
def _sample(body: str) -> Sample:
    return value_of(Sample, body)


def take_input(change: Change, kind: str, value: Any, *, capture: int | None) -> bool:
    """Put an input into force; returns False if it already says the same."""
    return take_body(change, kind, input_name(kind, value), body_of(value), capture=capture)


def take_body(
    change: Change,
    kind: str,
    name: str,
    body: dict[str, Any],
    *,
    capture: int | None,
    sha256: str | None = None,
) -> bool:
    """Put an input with a ready body into force; returns False if it already says the same.

    Args:
        sha256: what results pin; that of the canonical body where not given.
    """
    change.flush()
    digest = sha256 or sha256_of(body)
    row = change.conn.execute(
        "SELECT version, sha256 FROM inputs WHERE kind = ? AND name = ?"
        " ORDER BY version DESC LIMIT 1",
        (kind, name),
    ).fetchone()
    if row and row[1] == digest:
        return False
    change.record(
        "input_taken",
        input=kind,
        name=name,
        version=row[0] + 1 if row else 1,
        capture=capture,
        body=body,
        sha256=digest,
    )
    return True
