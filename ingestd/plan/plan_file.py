"""A plan file: instruments, methods, lots, standards, points, samples and people from TOML."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from ingestd.model import (
    Calibration,
    Competence,
    ControlStandard,
    DigestionComparison,
    DilutionStep,
    Instrument,
    KitLot,
    Method,
    Sample,
    SamplingPoint,
    SitePolicy,
)
from ingestd.plan.constraints import Broken, constrain
from ingestd.plan.faults import PlanError, PlanFault, shown
from ingestd.plan.instants import policy_zone
from ingestd.plan.plan_checks import contradictions
from ingestd.plan.toml_lines import TomlLines
from ingestd.plan.toml_values import prepare

MOST_BYTES = 8 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanItems:
    """All that one plan file states, each kind in file order."""

    instruments: tuple[Instrument, ...] = ()
    methods: tuple[Method, ...] = ()
    kit_lots: tuple[KitLot, ...] = ()
    control_standards: tuple[ControlStandard, ...] = ()
    sampling_points: tuple[SamplingPoint, ...] = ()
    samples: tuple[Sample, ...] = ()
    competences: tuple[Competence, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    digestion_comparisons: tuple[DigestionComparison, ...] = ()
    dilution_steps: tuple[DilutionStep, ...] = ()


@dataclass(frozen=True, slots=True)
class _Kind:
    """One `[[table]]`: its dataclass, where it goes in PlanItems, the key that tells two apart."""

    cls: type
    items: str
    key: str


TABLES: Mapping[str, _Kind] = {
    "instrument": _Kind(Instrument, "instruments", "name"),
    "method": _Kind(Method, "methods", "name"),
    "kit_lot": _Kind(KitLot, "kit_lots", "lot"),
    "control_standard": _Kind(ControlStandard, "control_standards", "lot"),
    "sampling_point": _Kind(SamplingPoint, "sampling_points", "code"),
    "sample": _Kind(Sample, "samples", "code"),
    "competence": _Kind(Competence, "competences", ""),
    "calibration": _Kind(Calibration, "calibrations", "name"),
    "digestion_comparison": _Kind(DigestionComparison, "digestion_comparisons", "name"),
    "dilution_step": _Kind(DilutionStep, "dilution_steps", "name"),
}
_ADAPTERS: Mapping[type, TypeAdapter[Any]] = {
    kind.cls: TypeAdapter(kind.cls) for kind in TABLES.values()
}


def read_plan_file(data: bytes, file: str, policy: SitePolicy | None = None) -> PlanItems:
    """Return all that a plan file states, checked.

    Args:
        data: TOML in UTF-8, arrays of tables named as in `TABLES`.
        file: its name, for faults.
        policy: where given, a time without offset is read in the laboratory's zone.

    Raises:
        PlanError: every fault of the file; nothing of it is stated.

    """
    text = _decode(data, file)
    document = _parse(text, file)
    lines = TomlLines(text)
    faults: list[PlanFault] = []
    items: dict[str, tuple[Any, ...]] = {}
    zone = policy_zone(policy) if policy else None
    if not document:
        faults.append(_fault(file, 0, "", "", "the file states nothing", _USE_TABLES))
    for name, tables in document.items():
        kind = TABLES.get(name)
        if kind is None:
            faults.append(
                _fault(file, lines.line_of(name), "", name, "there is no such table", _USE_TABLES)
            )
        elif not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            problem = "this is not an array of tables"
            remedy = f"begin each of them with [[{name}]]"
            faults.append(_fault(file, lines.line_of(name), name, "", problem, remedy))
        else:
            stated, broken = _read_tables(kind, name, tables, zone)
            items[kind.items] = tuple(stated)
            for index, fault in broken:
                line = lines.find(name, index, len(tables), fault.path)
                place = _place(name, index, fault.path)
                faults.append(_fault(file, line, place, fault.value, fault.problem, fault.remedy))
    if faults:
        raise PlanError(sorted(faults, key=lambda fault: fault.line))
    return PlanItems(**items)


_USE_TABLES = "use " + ", ".join(f"[[{name}]]" for name in TABLES)
_AT_LINE = re.compile(r"(.*) \(at line ([0-9]+), column [0-9]+\)", re.DOTALL)


def _decode(data: bytes, file: str) -> str:
    if len(data) > MOST_BYTES:
        problem = f"the file has {len(data)} bytes, more than {MOST_BYTES}"
        raise PlanError([_fault(file, 0, "", "", problem, "split it into several files")])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problem = f"byte {error.start} of the file is not UTF-8"
        raise PlanError([_fault(file, line, "", "", problem, "save it as UTF-8")]) from error


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=_printed)
    except RecursionError as error:
        problem = "the file is not TOML: it nests too deep"
        raise PlanError([_fault(file, 0, "", "", problem, "correct it")]) from error
    except tomllib.TOMLDecodeError as error:
        said = _AT_LINE.fullmatch(str(error))
        line, reason = (int(said[2]), said[1]) if said else (0, str(error))
        problem = f"the file is not TOML: {reason}"
        raise PlanError([_fault(file, line, "", "", problem, "correct it")]) from error
    except ValueError as error:  # a whole number of thousands of digits
        problem = "a whole number in the file is longer than any amount"
        raise PlanError([_fault(file, 0, "", "", problem, "correct it")]) from error


def _printed(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:
        return Decimal("NaN")  # an exponent beyond all bounds; refused with its key later


def _read_tables(
    kind: _Kind, name: str, tables: list[dict[str, Any]], zone: ZoneInfo | None
) -> tuple[list[Any], list[tuple[int, Broken]]]:
    """Return the items of one kind that are sound, and what is broken by index of its table."""
    items: list[Any] = []
    faults: list[tuple[int, Broken]] = []
    first: dict[str, int] = {}
    for index, table in enumerate(tables):
        broken: list[Broken] = []
        values = prepare(kind.cls, table, (), broken.append, zone)
        item, breaches = constrain(_ADAPTERS[kind.cls], values)
        noted = {fault.path for fault in broken}
        broken += [breach for breach in breaches or () if breach.path not in noted]
        key = table.get(kind.key)
        if isinstance(key, str) and first.setdefault(key, index) != index:
            broken.append(
                Broken(
                    path=(kind.key,),
                    value=key,
                    problem=f"[[{name}]] {first[key] + 1} has the same {kind.key}",
                    remedy="give each its own, or delete one of the two",
                )
            )
        if not broken:
            broken += contradictions(item)
            items.append(item)
        faults += [(index, fault) for fault in broken]
    return items, faults


def _place(table: str, index: int, path: tuple[str | int, ...]) -> str:
    words = [f"[[{table}]] {index + 1}"]
    for part in path:
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
        else:
            words.append(shown(part if part.isprintable() else ascii(part)))
    return ", ".join(words)


def _fault(file: str, line: int, column: str, value: str, problem: str, remedy: str) -> PlanFault:
    return PlanFault(
        file=file, line=line, column=column, value=shown(value), problem=problem, remedy=remedy
    )
