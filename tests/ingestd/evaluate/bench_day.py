"""A good day at an invented laboratory, for tests to spoil one fact at a time.

Method, lot, standard, samples and instrument are made up; nothing here is a published value.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from ingestd.model import (
    UNDILUTED,
    ControlLimits,
    ControlNeed,
    ControlStandard,
    DigestionProgram,
    Dilution,
    Finding,
    HoldingTime,
    Instrument,
    Interferent,
    KitLot,
    Method,
    Observation,
    Role,
    RoundingStep,
    Run,
    RunFacts,
    RunOutcome,
    Sample,
    SitePolicy,
    StoredReading,
    Tube,
    Verdict,
)

START = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
DIGESTED = START + timedelta(minutes=140)
READ = DIGESTED + timedelta(minutes=40)
SITE = SitePolicy(time_zone="Europe/Berlin")

COD = Method(
    name="cod-high",
    printed_names=("COD 1500",),
    analyte="COD",
    basis="O2",
    range_low=Decimal(15),
    range_high=Decimal(1500),
    programs=(
        DigestionProgram(name="standard", temperature_c=Decimal(148), minutes=Decimal(120)),
        DigestionProgram(
            name="fast",
            temperature_c=Decimal(160),
            minutes=Decimal(30),
            tolerance_minutes=Decimal(3),
            needs_comparison=True,
        ),
    ),
    cooling_min=Decimal(10),
    cooling_max=Decimal(240),
    turbidity_check=True,
    turbidity_limit_ntu=Decimal(5),
    interferents=(Interferent(name="chloride", tolerance=Decimal(2000)),),
    rounding=(
        RoundingStep(below=Decimal(100), to=Decimal(1)),
        RoundingStep(below=Decimal(1000), to=Decimal(1)),
        RoundingStep(to=Decimal(10)),
    ),
    needs=(
        ControlNeed(role=Role.BLANK),
        ControlNeed(role=Role.CONTROL_STANDARD),
        ControlNeed(role=Role.DUPLICATE, per="tubes", tubes=20),
    ),
    limits=ControlLimits(duplicate_floor=Decimal(5)),
    holding=HoldingTime(
        hours=Decimal(24), preserved_hours=Decimal(672), preservation="sulfuric acid"
    ),
)
LOT = KitLot(
    lot="K2601",
    method="cod-high",
    expires=date(2027, 1, 31),
    produced=date(2025, 12, 1),
    determinations=20,
    boxes=5,
)
STANDARD = ControlStandard(
    lot="S77",
    analyte="COD",
    basis="O2",
    value=Decimal(500),
    expanded_uncertainty=Decimal(5),
    expires=date(2026, 12, 31),
)
METER = Instrument(name="meter-1", time_zone="Europe/Berlin", verification_due=date(2026, 9, 30))


def sample(code: str, **changes: Any) -> Sample:
    return replace(
        Sample(
            code=code,
            point="inlet",
            matrix="waste water",
            sampled_at=START - timedelta(hours=5),
            chloride_mg_l=Decimal(300),
        ),
        **changes,
    )


def tube(position: int, role: Role, label: str, **changes: Any) -> Tube:
    code = label if role is Role.SAMPLE else ""
    return Tube(
        position=position, role=role, label=label, **{"sample": code, "lot": "K2601"} | changes
    )


def diluted(factor: str) -> Dilution:
    return UNDILUTED if factor == "1" else Dilution(text=factor, factor=Decimal(factor))


TUBES = (
    tube(1, Role.BLANK, "blank 1"),
    tube(2, Role.CONTROL_STANDARD, "control 2", standard="S77"),
    tube(3, Role.SAMPLE, "W-101"),
    tube(4, Role.SAMPLE, "W-102", dilution=diluted("10")),
    tube(5, Role.SAMPLE, "W-103"),
    tube(6, Role.DUPLICATE, "W-103 dup", sample="W-103"),
)
SHOWN = {1: "1", 2: "503", 3: "407", 4: "148", 5: "62", 6: "64"}


def reading(position: int, shown: str, **changes: Any) -> StoredReading:
    """A reading of the tube, showing `shown`: a number, or `<15` or `>1500`, or `<` or `>`."""
    sign = shown[0] if shown[0] in "<>" else ""
    digits = shown[len(sign) :]
    return replace(
        StoredReading(
            id=100 + position,
            capture=1,
            instrument="meter-1",
            source="bench",
            method="COD 1500",
            sample=f"tube {position}",
            value=Decimal(digits) if digits else None,
            censored=sign,  # type: ignore[arg-type]  # "<", ">" or "" by construction
            unit="mg/L",
            basis=None,
            measured_at=READ + timedelta(minutes=position),
            arrived_at=READ + timedelta(minutes=position, seconds=2),
            dilution_applied=False,
        ),
        **changes,
    )


def readings(shown: Mapping[int, str] | None = None) -> dict[int, tuple[StoredReading, ...]]:
    return {p: (reading(p, text),) for p, text in (shown or SHOWN).items()}


def note(key: Any, value: str, position: int | None = None, number: int = 0) -> Observation:
    return Observation(
        id=number or 1000,
        run="R-1",
        position=position,
        key=key,
        value=value,
        at=READ,
        by="meera",
    )


NOTES = (
    note("digestion_start", (DIGESTED - timedelta(minutes=120)).isoformat(), number=1),
    note("digestion_end", DIGESTED.isoformat(), number=2),
    note("turbidity", "clear", number=3),
)

RUN = Run(
    name="R-1",
    method="cod-high",
    started_at=START,
    instrument="meter-1",
    analyst="meera",
    program="standard",
    tubes=TUBES,
)

GOOD = RunFacts(
    run=RUN,
    method=COD,
    site=SITE,
    readings=readings(),
    observations=NOTES,
    lots={"K2601": LOT},
    standards={"S77": STANDARD},
    samples={code: sample(code) for code in ("W-101", "W-102", "W-103")},
    instruments={"meter-1": METER},
    lot_use={"K2601": 6},
)


def day(**changes: Any) -> RunFacts:
    """The good day with some facts replaced."""
    return replace(GOOD, **changes)


def with_notes(*more: Observation, base: Iterable[Observation] = NOTES) -> tuple[Observation, ...]:
    return (*base, *more)


def with_reading(position: int, *several: StoredReading) -> dict[int, tuple[StoredReading, ...]]:
    return readings() | {position: several}


def with_tube(position: int, **changes: Any) -> Run:
    return replace(
        RUN, tubes=tuple(replace(t, **changes) if t.position == position else t for t in TUBES)
    )


def result_of(outcome: RunOutcome, code: str) -> Any:
    return next(r for r in outcome.results if r.sample == code)


def findings_of(outcome: RunOutcome, rule: str) -> list[Finding]:
    """All findings of a rule, on tubes, run and results, each once."""
    found: list[Finding] = []
    for group in (
        outcome.findings,
        *(t.findings for t in outcome.tubes),
        *(r.findings for r in outcome.results),
    ):
        found += [f for f in group if f.rule == rule and f not in found]
    return found


def worst(findings: Iterable[Finding]) -> Verdict | None:
    order = list(Verdict)
    return max((f.verdict for f in findings), key=order.index, default=None)
