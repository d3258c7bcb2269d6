"""Runs as analysts plan them and what the tubes then show, all by chance."""

import random
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from tests.simulation.laboratory import (
    INSTRUMENTS,
    LATE_LOTS,
    LOTS,
    METHODS,
    STANDARD_VALUES,
    MethodFacts,
)
from tests.simulation.truth import RunPlan, TubePlan

FACTORS = (1, 1, 1, 2, 5, 10)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a display shows of a tube before dilution: digits, or a token."""

    digits: Decimal | None
    sign: str = ""


@dataclass(frozen=True, slots=True)
class Work:
    """A run and what its tubes show, by position."""

    plan: RunPlan
    shows: dict[int, Shown]
    reads_in: str


def plan_work(chance: random.Random, number: int, started: datetime) -> Work:
    """A run with its truth."""
    method = METHODS[chance.choice(list(METHODS))]
    reads_in = chance.choice(list(INSTRUMENTS))
    lot = LOTS[method.name]
    if method.name in LATE_LOTS and chance.random() < 0.1:
        lot = LATE_LOTS[method.name]
    tubes: list[TubePlan] = []
    shows: dict[int, Shown] = {}

    def add(role: str, label: str, shown: Shown, sample: str = "", factor: int = 1) -> None:
        tube = TubePlan(
            position=len(tubes) + 1, role=role, label=label, sample=sample, lot=lot,
            factor=Decimal(factor),
            standard=method.standard if role == "control_standard" else "",
        )  # fmt: skip
        tubes.append(tube)
        shows[tube.position] = shown

    if method.blank_max is not None:
        add("blank", f"B{number}", _blank(chance, method))
    if method.standard and (method.standard_per == "run" or chance.random() < 0.6):
        add("control_standard", f"C{number}", _standard(chance, method))
    chlorides = {}
    for count in range(chance.randint(1, 5)):
        sample, factor = f"W{number}-{count + 1}", chance.choice(FACTORS)
        shown = _sample(chance, method)
        add("sample", sample, shown, sample, factor)
        if method.digests and chance.random() < 0.8:
            chlorides[sample] = Decimal(chance.choice((150, 400, 900, 1800, 4000)))
        if method.pairs and chance.random() < 0.3:
            add("duplicate", f"{sample} dup", _twin(chance, method, shown), sample, factor)
    notes: dict[tuple[int | None, str], str] = {}
    if method.digests:
        notes[None, "digestion_start"] = (started + timedelta(minutes=10)).isoformat()
        lasted = 90 if chance.random() < 0.04 else 120
        notes[None, "digestion_end"] = (started + timedelta(minutes=10 + lasted)).isoformat()
        notes[None, "turbidity"] = "clear"
        for tube in tubes:
            if tube.sample and chance.random() < 0.04:
                notes[tube.position, "turbidity"] = "turbid"
    plan = RunPlan(
        name=f"R{number}", method=method.name, started=started,
        instrument=reads_in if chance.random() < 0.7 else "", tubes=tuple(tubes),
        chlorides=chlorides, notes=notes,
    )  # fmt: skip
    return Work(plan, shows, reads_in)


def _digits(method: MethodFacts, value: float) -> Shown:
    return Shown(Decimal(f"{value:.{method.places}f}"))


def _blank(chance: random.Random, method: MethodFacts) -> Shown:
    if chance.random() < 0.04:
        return Shown(None, "<")
    most = float(method.blank_max or 0)
    share = chance.uniform(1.2, 2) if chance.random() < 0.06 else chance.uniform(0, 0.8)
    return _digits(method, most * share)


def _standard(chance: random.Random, method: MethodFacts) -> Shown:
    share = chance.choice((0.7, 1.3)) if chance.random() < 0.08 else chance.uniform(0.93, 1.07)
    return _digits(method, float(STANDARD_VALUES[method.standard]) * share)


def _sample(chance: random.Random, method: MethodFacts) -> Shown:
    low, high = float(method.low), float(method.high)
    dice = chance.random()
    if dice < 0.03:
        return Shown(None, "<")
    if dice < 0.06:
        return Shown(None, ">")
    if dice < 0.1:
        return _digits(method, low * chance.uniform(0.2, 0.99))
    if dice < 0.14:
        return _digits(method, high * chance.uniform(1.01, 1.4))
    return _digits(method, chance.uniform(low, high))


def _twin(chance: random.Random, method: MethodFacts, one: Shown) -> Shown:
    if one.digits is None:
        return one if chance.random() < 0.7 else _sample(chance, method)
    apart = 0.3 if chance.random() < 0.08 else chance.uniform(-0.08, 0.08)
    return _digits(method, float(one.digits) * (1 + apart))
