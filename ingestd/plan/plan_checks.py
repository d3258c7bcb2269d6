"""What contradicts itself in a plan's values, and what names something that does not exist.

A constraint on one attribute stands beside it in the model; here stand those that tie several
together, so that no impossible number (an expiry before its production, a range upside down)
waits until a result is made of it.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from ingestd.model import (
    Calibration,
    ControlLimits,
    ControlNeed,
    ControlStandard,
    DigestionComparison,
    DigestionProgram,
    DilutionStep,
    Instrument,
    KitLot,
    Method,
    Role,
    RoundingStep,
    Sample,
)
from ingestd.plan.constraints import Broken
from ingestd.plan.dilution_volumes import check_volumes
from ingestd.plan.instants import find_zone
from parsers.units import parse_unit

LOWEST_ABSORBANCE = Decimal("-0.05")
"""Below this an absorbance is not the noise of a zero. Common practice, no source."""

HOTTEST_PROGRAM = Decimal(300)
"""Degrees C that no digestion of tubes reaches. Common practice, no source."""

_CONTROLS = (Role.BLANK, Role.CONTROL_STANDARD, Role.DUPLICATE, Role.SPIKE)


def contradictions(item: object) -> list[Broken]:
    """Return everything in one value of the plan that cannot be so."""
    check = _CHECKS.get(type(item))
    return list(check(item)) if check else []


def _broken(path: tuple[str | int, ...], value: object, problem: str, remedy: str) -> Broken:
    return Broken(path=path, value=str(value), problem=problem, remedy=remedy)


def _check_instrument(instrument: Instrument) -> Iterator[Broken]:
    if find_zone(instrument.time_zone) is None:
        yield _broken(
            ("time_zone",),
            instrument.time_zone,
            "there is no such time zone",
            "name one of the IANA database, such as Europe/Vienna",
        )


def _check_method(method: Method) -> Iterator[Broken]:
    if parse_unit(method.unit) is None:
        yield _broken(
            ("unit",),
            method.unit,
            "this is not a unit of concentration known here",
            "write g/L, mg/L, ug/L or mmol/L",
        )
    yield from _ascending("range_low", method.range_low, "range_high", method.range_high)
    limit = method.quantification_limit
    if limit is not None and limit >= method.range_high:
        yield _broken(
            ("quantification_limit",),
            limit,
            f"the limit is not below the end of the range, {method.range_high}",
            "correct one of the two",
        )
    if method.below_is == "quantification" and limit is None:
        yield _broken(
            ("below_is",),
            method.below_is,
            "the method has no quantification_limit to print",
            "state the limit, or write range",
        )
    yield from _ascending("cooling_min", method.cooling_min, "cooling_max", method.cooling_max)
    yield from _ascending("reaction_min", method.reaction_min, "reaction_max", method.reaction_max)
    yield from _check_programs(method.programs)
    yield from _unique("interferents", [interferent.name for interferent in method.interferents])
    yield from _check_rounding(method.rounding)
    yield from _check_needs(method.needs)
    yield from _check_limits(method.limits)
    holding = method.holding
    if holding and holding.preserved_hours is not None and holding.preserved_hours < holding.hours:
        yield _broken(
            ("holding", "preserved_hours"),
            holding.preserved_hours,
            f"a preserved sample would keep for less than the {holding.hours} h of a fresh one",
            "correct one of the two",
        )


def _check_limits(limits: ControlLimits) -> Iterator[Broken]:
    for low, high in (("recovery_low", "recovery_high"), ("spike_low", "spike_high")):
        for broken in _ascending(low, getattr(limits, low), high, getattr(limits, high)):
            yield replace(broken, path=("limits", *broken.path))
    if limits.duplicate_hold < limits.duplicate_caution:
        yield _broken(
            ("limits", "duplicate_hold"),
            limits.duplicate_hold,
            f"pairs would be held before the caution at {limits.duplicate_caution} %",
            "correct one of the two",
        )


def _check_programs(programs: Iterable[DigestionProgram]) -> Iterator[Broken]:
    programs = tuple(programs)
    yield from _unique("programs", [program.name for program in programs])
    for index, program in enumerate(programs):
        path = ("programs", index)
        if program.temperature_c > HOTTEST_PROGRAM:
            yield _broken(
                (*path, "temperature_c"),
                program.temperature_c,
                f"no digestion is above {HOTTEST_PROGRAM} °C",
                "correct the temperature",
            )
        for tolerance, size in (
            ("tolerance_c", "temperature_c"),
            ("tolerance_minutes", "minutes"),
        ):
            if getattr(program, tolerance) >= getattr(program, size):
                yield _broken(
                    (*path, tolerance),
                    getattr(program, tolerance),
                    f"the tolerance is as large as {size}, {getattr(program, size)}",
                    "correct one of the two",
                )


def _check_rounding(steps: tuple[RoundingStep, ...]) -> Iterator[Broken]:
    before: Decimal | None = None
    for index, step in enumerate(steps):
        path = ("rounding", index, "below")
        last = index == len(steps) - 1
        if step.below is None and not last:
            yield _broken(
                path, "", "only the last step can be without below", "write up to where it reaches"
            )
        elif step.below is not None and last:
            yield _broken(
                path,
                step.below,
                "values above the last step would have none",
                "leave below out of the last step",
            )
        elif step.below is not None and before is not None and step.below <= before:
            yield _broken(
                path, step.below, f"the steps do not increase, {before} came before", "sort them"
            )
        before = step.below


def _check_needs(needs: tuple[ControlNeed, ...]) -> Iterator[Broken]:
    yield from _unique("needs", [need.role for need in needs], "role")
    for index, need in enumerate(needs):
        path = ("needs", index)
        if need.role not in _CONTROLS:
            yield _broken(
                (*path, "role"),
                need.role,
                "this role is no control",
                f"write one of {', '.join(_CONTROLS)}",
            )
        if (need.per == "tubes") != (need.tubes is not None):
            yield _broken(
                (*path, "tubes"),
                "" if need.tubes is None else need.tubes,
                "a number of tubes belongs to a need per tubes, and to no other",
                'write tubes = 10 together with per = "tubes", or neither',
            )
        if need.role is not Role.BLANK and need.accept != ("tube",):
            yield _broken(
                (*path, "accept"),
                ", ".join(need.accept),
                "only a blank can be anything but a tube",
                "leave accept out",
            )
        if not need.accept:
            yield _broken(
                (*path, "accept"), "", "nothing is accepted", "name tube, lot or zeroing"
            )


def _check_kit_lot(lot: KitLot) -> Iterator[Broken]:
    if lot.produced is not None and lot.expires < lot.produced:
        yield _broken(
            ("expires",),
            lot.expires,
            f"the lot expires before its production on {lot.produced}",
            "read both days from the box again",
        )


def _check_control_standard(standard: ControlStandard) -> Iterator[Broken]:
    if parse_unit(standard.unit) is None:
        yield _broken(
            ("unit",),
            standard.unit,
            "this is not a unit of concentration known here",
            "write g/L, mg/L, ug/L or mmol/L",
        )
    if standard.expanded_uncertainty >= standard.value:
        yield _broken(
            ("expanded_uncertainty",),
            standard.expanded_uncertainty,
            f"the uncertainty is as large as the value, {standard.value}",
            "read both from the certificate again",
        )


def _check_sample(sample: Sample) -> Iterator[Broken]:
    if sample.sampled_at and sample.preserved_at and sample.preserved_at < sample.sampled_at:
        yield _broken(
            ("preserved_at",),
            sample.preserved_at,
            f"the sample was preserved before it was taken at {sample.sampled_at}",
            "correct one of the two times",
        )


def _check_calibration(calibration: Calibration) -> Iterator[Broken]:
    yield from _check_validity(calibration.valid_from, calibration.valid_until)
    # One more than the function has coefficients, or its scatter could not be stated.
    needed = calibration.order + 2
    levels = {point.concentration for point in calibration.points}
    if len(levels) < needed:
        yield _broken(
            ("points",),
            f"{len(levels)} concentrations",
            f"a function of order {calibration.order} needs {needed} different concentrations",
            "add the points measured",
        )
    for index, point in enumerate(calibration.points):
        if point.absorbance < LOWEST_ABSORBANCE:
            yield _broken(
                ("points", index, "absorbance"),
                point.absorbance,
                f"an absorbance below {LOWEST_ABSORBANCE} is not the noise of a zero",
                "measure the point again, or correct the sign",
            )


def _check_comparison(comparison: DigestionComparison) -> Iterator[Broken]:
    yield from _check_validity(comparison.valid_from, comparison.valid_until)
    if not comparison.pairs:
        yield _broken(("pairs",), "", "there is nothing to compare", "write the pairs measured")


def _check_validity(start: date, end: date) -> Iterator[Broken]:
    if end < start:
        yield _broken(
            ("valid_until",), end, f"it ends before it begins on {start}", "correct one of the two"
        )


def _ascending(
    low_key: str, low: Decimal | None, high_key: str, high: Decimal | None
) -> Iterator[Broken]:
    if low is not None and high is not None and low >= high:
        yield _broken(
            (low_key,), low, f"{low_key} is not below {high_key}, {high}", "correct one of the two"
        )


def _unique(path: str, names: Collection[str], key: str = "name") -> Iterator[Broken]:
    seen = set()
    for index, name in enumerate(names):
        if name in seen:
            yield _broken((path, index, key), name, "this stands twice", "delete one of the two")
        seen.add(name)


_CHECKS: Mapping[type, Callable[[Any], Iterator[Broken]]] = {
    Instrument: _check_instrument,
    Method: _check_method,
    KitLot: _check_kit_lot,
    ControlStandard: _check_control_standard,
    Sample: _check_sample,
    Calibration: _check_calibration,
    DigestionComparison: _check_comparison,
    DilutionStep: check_volumes,
}
