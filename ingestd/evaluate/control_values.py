"""The control values a judged run yields: for charts, for other runs, for uncertainty."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from ingestd.evaluate.figures import as_digits
from ingestd.evaluate.rules.control_standard import nominal_of
from ingestd.model import Role, RunFacts, RunOutcome, Tube, TubeOutcome, Verdict
from parsers.units import UnitError

_CONTROL_ROLES = (Role.BLANK, Role.CONTROL_STANDARD, Role.DUPLICATE, Role.SPIKE)
_FAILING = (Verdict.HOLD, Verdict.REFUSE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlValue:
    """One control tube's value as it goes on a chart.

    Attributes:
        level: lot of the control standard, "" for other roles.
        value: in the method's unit, unrounded; None where the tube has none.
        nominal: of the control standard, as prepared.
        partner: the other value of a duplicate pair.
        passed: no rule holds or refuses the tube.
    """

    position: int
    role: Role
    level: str
    instrument: str
    lot: str
    at: datetime
    value: Decimal | None
    nominal: Decimal | None
    partner: Decimal | None
    passed: bool


def control_values(facts: RunFacts, outcome: RunOutcome) -> tuple[ControlValue, ...]:
    """Control values by position; tubes without reading and void ones left out."""
    outcomes = {tube.position: tube for tube in outcome.tubes}
    failed = {
        finding.position
        for finding in (*outcome.findings, *(f for t in outcome.tubes for f in t.findings))
        if finding.verdict in _FAILING
    }
    found = []
    for tube in sorted(facts.run.tubes, key=lambda tube: tube.position):
        judged = outcomes.get(tube.position)
        if tube.role not in _CONTROL_ROLES or judged is None or judged.void:
            continue
        reading = next(
            (r for r in facts.readings.get(tube.position, ()) if r.id == judged.reading), None
        )
        if reading is None:
            continue
        found.append(
            ControlValue(
                position=tube.position,
                role=tube.role,
                level=tube.standard,
                instrument=reading.instrument,
                lot=tube.lot,
                at=reading.measured_at,
                value=judged.value,
                nominal=_nominal(facts, tube),
                partner=_partner(facts, outcomes, tube),
                passed=tube.position not in failed,
            )
        )
    return tuple(found)


def _nominal(facts: RunFacts, tube: Tube) -> Decimal | None:
    standard = facts.standards.get(tube.standard)
    if standard is None:
        return None
    try:
        return as_digits(nominal_of(facts.method, standard)[0])
    except UnitError:
        return None  # the control standard's own finding says so


def _partner(facts: RunFacts, outcomes: dict[int, TubeOutcome], tube: Tube) -> Decimal | None:
    if tube.role not in (Role.DUPLICATE, Role.SPIKE):
        return None
    for other in facts.run.tubes:
        if other.role is Role.SAMPLE and other.sample == tube.sample:
            judged = outcomes.get(other.position)
            return judged.value if judged and not judged.void else None
    return None
