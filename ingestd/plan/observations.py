"""Observations as people note them, `KEY=VALUE`, checked and in the one notation kept.

Kept values: instants as ISO 8601 in UTC, numbers as plain decimals, a dilution as the
factors of its steps, so that `1:10` is read by the site's policy once, here, and never again.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import get_args
from zoneinfo import ZoneInfo

from ingestd.model import KitLot, ObservationKey, Run, SitePolicy
from ingestd.plan.dilution import OneToN, parse_dilution
from ingestd.plan.faults import PlanError, PlanFault, ValueRefused, listed, shown
from ingestd.plan.instants import instant_text, parse_instant, policy_zone
from ingestd.plan.quantities import parse_quantity, plain
from ingestd.plan.texts import parse_name, parse_note

KEYS: tuple[ObservationKey, ...] = get_args(ObservationKey)

TUBE_KEYS = frozenset({"use_reading", "dilution"})
"""Keys that speak of one tube and never of a whole run."""

RUN_KEYS = frozenset({"closed", "zeroing"})
"""Keys that speak of a whole run and never of one tube."""

HOTTEST_BLOCK = Decimal(300)
"""Degrees C that no digestion block for tubes reaches. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetObservation:
    """What a bench sheet says of a run (`position` None) or tube beside its plan, checked."""

    run: str
    position: int | None
    key: ObservationKey
    value: str


def parse_observations(
    pairs: Sequence[str],
    run: Run,
    position: int | None,
    policy: SitePolicy,
    *,
    lots: Mapping[str, KitLot] | None = None,
) -> tuple[tuple[ObservationKey, str], ...]:
    """Return the key and checked value of each `KEY=VALUE`, in the order given.

    Args:
        pairs: what was noted, e.g. `turbidity=clear`, `digestion_end=2026-03-02 10:25`.
        run: the run it was noted about.
        position: the tube, None for the whole run.
        policy: how local times and `1:10` are read.
        lots: the kit lots in force; a lot of another method is refused.

    Raises:
        PlanError: every pair that is wrong, and nothing is noted.

    """
    zone = policy_zone(policy)
    faults: list[PlanFault] = []
    noted: dict[ObservationKey, str] = {}

    def refuse(key: str, value: str, problem: str, remedy: str) -> None:
        faults.append(
            PlanFault(
                file="", line=0, column=key, value=shown(value), problem=problem, remedy=remedy
            )
        )

    positions = [tube.position for tube in run.tubes]
    if position is not None and position not in positions:
        tubes = listed_numbers(positions)
        refuse("tube", str(position), f"run {run.name} has no such tube", f"name one of {tubes}")
    if not pairs:
        refuse("observation", "", "nothing was noted", "write KEY=VALUE, such as turbidity=clear")
    for pair in pairs:
        key, equals, value = (part.strip() for part in pair.partition("="))
        if not equals:
            refuse("observation", pair, "this is not KEY=VALUE", "write such as turbidity=clear")
            continue
        if key not in KEYS:
            refuse("observation", key, "there is no such key", f"use one of {listed(KEYS, 99)}")
            continue
        if key in noted:
            refuse(key, value, "the key is given twice", "note it once")
            continue
        try:
            _check_subject(key, position)
            noted[key] = parse_observation(key, value, zone=zone, one_to_n=policy.one_to_n)
            if key == "lot" and lots:
                check_lot(noted[key], run.method, lots)
        except ValueRefused as refused:
            refuse(key, value, refused.problem, refused.remedy)
    try:
        check_digestion(noted)
    except ValueRefused as refused:
        refuse("digestion_end", noted["digestion_end"], refused.problem, refused.remedy)
    if faults:
        raise PlanError(faults)
    return tuple(noted.items())


def parse_observation(
    key: ObservationKey, text: str, *, zone: ZoneInfo, one_to_n: OneToN | None = None
) -> str:
    """Return the value of one observation in the notation kept.

    Raises:
        ValueRefused: it is empty, or not what the key asks for.

    """
    if not text:
        raise ValueRefused("nothing stands behind the key", _WANTED[key])
    if key in _INSTANTS:
        return instant_text(parse_instant(text, zone))
    if key == "dilution":
        # Each step by itself: one dilution of 50 may be less certain than 10 then 5.
        return " then ".join(map(plain, parse_dilution(text, one_to_n).steps)) or "1"
    return _PARSE[key](text)


def check_lot(lot: str, method: str, lots: Mapping[str, KitLot]) -> None:
    """Pass a lot of the method, or one not known yet: that is a matter for evaluation.

    Raises:
        ValueRefused: the lot is one of another method.

    """
    known = lots.get(lot)
    if known is not None and known.method != method:
        raise ValueRefused(
            f"lot {lot} is a lot of method {known.method}, and the run is worked by {method}",
            "read the lot number from the box again",
        )


def check_digestion(noted: Mapping[ObservationKey, str]) -> None:
    """Pass unless both ends of a digestion are noted and the end does not follow the start.

    Raises:
        ValueRefused: the end is at or before the start.

    """
    start, end = noted.get("digestion_start"), noted.get("digestion_end")
    if start and end and datetime.fromisoformat(end) <= datetime.fromisoformat(start):
        raise ValueRefused(
            "the digestion ends at or before its start", "correct digestion_start or digestion_end"
        )


def listed_numbers(numbers: Sequence[int]) -> str:
    """Return `1 to 12` for a row without gaps, else the numbers with commas."""
    ordered = sorted(numbers)
    if len(ordered) > 2 and ordered[-1] - ordered[0] == len(ordered) - 1:
        return f"{ordered[0]} to {ordered[-1]}"
    return ", ".join(map(str, ordered))


def _check_subject(key: ObservationKey, position: int | None) -> None:
    if key in TUBE_KEYS and position is None:
        raise ValueRefused("this speaks of one tube", "name the tube behind the run")
    if key in RUN_KEYS and position is not None:
        raise ValueRefused("this speaks of a whole run", "leave the tube out")


def _parse_turbidity(text: str) -> str:
    if text in {"clear", "turbid"}:
        return text
    try:
        return plain(parse_quantity(text))
    except ValueRefused as refused:
        raise ValueRefused(
            "this is neither clear, turbid nor a number", _WANTED["turbidity"]
        ) from refused


def _parse_number(text: str, wanted: str) -> str:
    try:
        return plain(parse_quantity(text))
    except ValueRefused as refused:
        raise ValueRefused(refused.problem, wanted) from refused


def _parse_temperature(text: str) -> str:
    number = _parse_number(text, _WANTED["block_temperature"])
    if not 0 < Decimal(number) <= HOTTEST_BLOCK:
        raise ValueRefused(
            f"no block is above {HOTTEST_BLOCK} °C or at 0 °C", _WANTED["block_temperature"]
        )
    return number


def _parse_yes_no(text: str) -> str:
    if text not in {"yes", "no"}:
        raise ValueRefused("this is neither yes nor no", "write yes or no")
    return text


def _parse_reading_id(text: str) -> str:
    number = _parse_number(text, _WANTED["use_reading"])
    if "." in number or int(number) < 1:
        raise ValueRefused("this is not the number of a reading", _WANTED["use_reading"])
    return str(int(number))


_INSTANTS = frozenset({"digestion_start", "digestion_end", "reagent_added"})

_PARSE: Mapping[str, Callable[[str], str]] = {
    "turbidity": _parse_turbidity,
    "chloride": lambda text: _parse_number(text, _WANTED["chloride"]),
    "block": parse_name,
    "block_temperature": _parse_temperature,
    "zeroing": parse_note,
    "homogenised": _parse_yes_no,
    "void": parse_note,
    "use_reading": _parse_reading_id,
    "lot": parse_name,
    "closed": parse_note,
}

_WHEN = "write the local time, such as 2026-03-02 08:15"
_WANTED: Mapping[ObservationKey, str] = {
    "turbidity": "write clear, turbid or the turbidity in NTU",
    "chloride": "write the chloride of the undiluted sample in mg/L, such as 350",
    "digestion_start": _WHEN,
    "digestion_end": _WHEN,
    "reagent_added": _WHEN,
    "block": "write which block it was",
    "block_temperature": "write the temperature measured in the block in °C, such as 148",
    "zeroing": "write who zeroed the instrument, and on what",
    "homogenised": "write yes or no",
    "void": "write the reason",
    "use_reading": "write the number of the reading that counts",
    "dilution": "write it as 1+9, x10, 10, 2.5 or 1+9 then 1+4",
    "lot": "write the lot number from the box",
    "closed": "write the reason",
}
