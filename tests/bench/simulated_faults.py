"""What goes wrong in a laboratory: each fault changes a good run and says how far it shifts.

A fault returns, per sample, the relative shift it gives the displayed result. Observable means
that something the service is told differs from a good run; the others are here to show what no
rule can see.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal

from ingestd.model import Role
from tests.bench.simulated_laboratory import DIGESTED, LOT, START, Draft, Sheet

Shift = dict[str, float]
Spoil = Callable[[Sheet, random.Random], Shift]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A kind of fault, how it spoils a run, and whether anything recorded gives it away."""

    name: str
    observable: bool
    spoil: Spoil


def _single(sheet: Sheet, chance: random.Random) -> Draft:
    """A sample tube without duplicate."""
    doubled = {t.sample for t in sheet.of_role(Role.DUPLICATE)}
    return chance.choice([t for t in sheet.of_role(Role.SAMPLE) if t.sample not in doubled])


def _scale(tubes: list[Draft], factor: float) -> Shift:
    for tube in tubes:
        tube.shown *= factor
        if tube.absorbance is not None:
            tube.absorbance *= factor
    return {t.sample: factor - 1 for t in tubes if t.sample}


def _magnitude(chance: random.Random, low: float, high: float) -> float:
    """A factor off by between low and high, either way."""
    size = chance.uniform(low, high)
    return 1 + size if chance.random() < 0.5 else 1 / (1 + size)


def wrong_dilution_stated(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    planned = int(tube.planned.factor)
    actual = chance.choice([f for f in (1, 2, 5, 10, 20) if f != planned])
    tube.stated_factor = actual
    return _scale([tube], planned / actual)


def wrong_dilution_silent(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    planned = int(tube.planned.factor)
    actual = chance.choice([f for f in (1, 2, 5, 10, 20) if f != planned])
    return _scale([tube], planned / actual)


def dilution_twice(sheet: Sheet, chance: random.Random) -> Shift:
    """The instrument multiplied already, and the form does not say whether it does."""
    diluted = [t for t in sheet.of_role(Role.SAMPLE) if t.planned.factor > 1]
    if not diluted:
        return {}
    tube = chance.choice(diluted)
    tube.stated_factor, tube.applied = int(tube.planned.factor), None
    tube.shown *= float(tube.planned.factor)
    return {tube.sample: float(tube.planned.factor) - 1}


def chloride_high(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    excess = chance.uniform(1.2, 6)
    chloride = Decimal(round(1000 * excess * float(tube.planned.factor)))
    sheet.samples[tube.sample] = replace(sheet.samples[tube.sample], chloride_mg_l=chloride)
    return _scale([tube], _magnitude(chance, 0.05, 0.1 * excess))


def chloride_unknown(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    sheet.samples[tube.sample] = replace(
        sheet.samples[tube.sample], chloride_mg_l=None, matrix="saline"
    )
    return _scale([tube], _magnitude(chance, 0.05, 0.5))


def chloride_unsuspected(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    sheet.samples[tube.sample] = replace(sheet.samples[tube.sample], chloride_mg_l=None)
    return _scale([tube], _magnitude(chance, 0.05, 0.5))


def turbid_seen(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    sheet.notes[tube.position, "turbidity"] = "turbid"
    return _scale([tube], _magnitude(chance, 0.05, 0.6))


def turbid_unseen(sheet: Sheet, chance: random.Random) -> Shift:
    """Nobody looked at the tubes of the run, and one was turbid."""
    del sheet.notes[None, "turbidity"]
    return _scale([_single(sheet, chance)], _magnitude(chance, 0.05, 0.6))


def expired_lot(sheet: Sheet, chance: random.Random) -> Shift:
    old = replace(LOT, lot="K0", expires=date(2026, 2, 28) - timedelta(days=chance.randint(0, 90)))
    sheet.lots["K0"] = old
    tubes = chance.sample([t for t in sheet.tubes if t.role is Role.SAMPLE], 5)
    for tube in tubes:
        tube.lot = "K0"
    return _scale(tubes, 1 - chance.uniform(0.05, 0.3))


def other_methods_lot(sheet: Sheet, chance: random.Random) -> Shift:
    sheet.lots["K7"] = replace(LOT, lot="K7", method="nitrate-sim")
    tube = _single(sheet, chance)
    tube.lot = "K7"
    return _scale([tube], _magnitude(chance, 0.2, 2))


def drifted(sheet: Sheet, chance: random.Random) -> Shift:
    """Reagent, pipette or lamp off: every tube of the run, the control standards too."""
    return _scale(list(sheet.tubes), _magnitude(chance, 0.05, 0.4))


def contaminated_water(sheet: Sheet, chance: random.Random) -> Shift:
    """The water of blank and dilutions carries what is measured."""
    extra = chance.uniform(20, 120)
    shifts = {}
    for tube in sheet.tubes:
        if tube.role is Role.BLANK or tube.planned.factor > 1:
            if tube.sample:
                shifts[tube.sample] = extra / tube.shown
            tube.shown += extra
            if tube.absorbance is not None:
                tube.absorbance += extra / 2500
    return shifts


def swapped_with_control(sheet: Sheet, chance: random.Random) -> Shift:
    sample = _single(sheet, chance)
    control = chance.choice(sheet.of_role(Role.CONTROL_STANDARD))
    return _swap(sample, control)


def swapped_unlike(sheet: Sheet, chance: random.Random) -> Shift:
    one = _single(sheet, chance)
    others = [
        t
        for t in sheet.of_role(Role.SAMPLE)
        if t is not one and t.planned == one.planned and not 0.67 < t.shown / one.shown < 1.5
    ]
    return _swap(one, chance.choice(others)) if others else {}


def swapped_alike(sheet: Sheet, chance: random.Random) -> Shift:
    one = _single(sheet, chance)
    others = [
        t
        for t in sheet.of_role(Role.SAMPLE)
        if t is not one and t.planned == one.planned and 0.67 < t.shown / one.shown < 1.5
    ]
    return _swap(one, chance.choice(others)) if others else {}


def _swap(one: Draft, other: Draft) -> Shift:
    shifts = {}
    if one.sample:
        shifts[one.sample] = other.shown / one.shown - 1
    if other.sample:
        shifts[other.sample] = one.shown / other.shown - 1
    one.shown, other.shown = other.shown, one.shown
    one.absorbance, other.absorbance = other.absorbance, one.absorbance
    return shifts


def _lumpy(chance: random.Random) -> float:
    return math.exp(chance.gauss(0, 0.35))


def lumpy_in_duplicate(sheet: Sheet, chance: random.Random) -> Shift:
    code = chance.choice(sheet.of_role(Role.DUPLICATE)).sample
    tubes = sheet.of_sample(code)
    before = sum(t.shown for t in tubes)
    for tube in tubes:
        _scale([tube], _lumpy(chance))
    return {code: sum(t.shown for t in tubes) / before - 1}


def lumpy_single(sheet: Sheet, chance: random.Random) -> Shift:
    return _scale([_single(sheet, chance)], _lumpy(chance))


def read_late(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    tube.minutes = chance.uniform(245, 900)
    return _scale([tube], 1 - chance.uniform(0.05, 0.3))


def read_hot(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    tube.minutes = chance.uniform(0.5, 9.5)
    return _scale([tube], 1 + chance.uniform(0.05, 0.3))


def digestion_cut_short(sheet: Sheet, chance: random.Random) -> Shift:
    minutes = chance.uniform(20, 105)
    sheet.notes[None, "digestion_start"] = (DIGESTED - timedelta(minutes=minutes)).isoformat()
    samples = [t for t in sheet.tubes if t.sample]
    return _scale(samples, 1 - chance.uniform(0.05, 0.4))


def block_too_cold(sheet: Sheet, chance: random.Random) -> Shift:
    sheet.notes[None, "block_temperature"] = str(chance.randint(120, 144))
    samples = [t for t in sheet.tubes if t.sample]
    return _scale(samples, 1 - chance.uniform(0.05, 0.4))


def wrong_method_set(sheet: Sheet, chance: random.Random) -> Shift:
    """The instrument turned the absorbance of one tube into a number by another method."""
    tube = _single(sheet, chance)
    tube.absorbance = tube.shown / 2500
    factor = chance.choice([0.1, 0.5, 2.0, 1 / 3])
    tube.shown *= factor
    return {tube.sample: factor - 1}


def kept_too_long(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    sheet.samples[tube.sample] = replace(
        sheet.samples[tube.sample], sampled_at=START - timedelta(hours=chance.uniform(30, 200))
    )
    return _scale([tube], 1 - chance.uniform(0.05, 0.4))


def over_range(sheet: Sheet, chance: random.Random) -> Shift:
    """Far more in the sample than the range holds: the display can only say so."""
    tube = _single(sheet, chance)
    factor = chance.uniform(1.2, 5) * 1500 / tube.shown
    _scale([tube], factor)
    return {tube.sample: 1500 / (tube.shown or 1) - 1}


def read_twice(sheet: Sheet, chance: random.Random) -> Shift:
    tube = _single(sheet, chance)
    factor = _magnitude(chance, 0.1, 0.5)
    tube.second = tube.shown * factor
    return {tube.sample: factor - 1}


FAULTS = (
    Fault(name="wrong dilution, instrument differs", observable=True, spoil=wrong_dilution_stated),
    Fault(name="dilution applied twice", observable=True, spoil=dilution_twice),
    Fault(name="chloride above tolerance", observable=True, spoil=chloride_high),
    Fault(name="chloride unknown, saline", observable=True, spoil=chloride_unknown),
    Fault(name="turbid tube, seen", observable=True, spoil=turbid_seen),
    Fault(name="turbid tube, nobody looked", observable=True, spoil=turbid_unseen),
    Fault(name="expired lot", observable=True, spoil=expired_lot),
    Fault(name="lot of another method", observable=True, spoil=other_methods_lot),
    Fault(name="drift of the whole run", observable=True, spoil=drifted),
    Fault(name="contaminated water", observable=True, spoil=contaminated_water),
    Fault(name="swapped with a control", observable=True, spoil=swapped_with_control),
    Fault(name="lumpy sample, in duplicate", observable=True, spoil=lumpy_in_duplicate),
    Fault(name="read too late", observable=True, spoil=read_late),
    Fault(name="read too hot", observable=True, spoil=read_hot),
    Fault(name="digestion cut short", observable=True, spoil=digestion_cut_short),
    Fault(name="block too cold", observable=True, spoil=block_too_cold),
    Fault(name="wrong method set, absorbance", observable=True, spoil=wrong_method_set),
    Fault(name="kept too long", observable=True, spoil=kept_too_long),
    Fault(name="above the range", observable=True, spoil=over_range),
    Fault(name="tube read twice", observable=True, spoil=read_twice),
    Fault(name="wrong dilution, nobody knows", observable=False, spoil=wrong_dilution_silent),
    Fault(name="chloride unknown, unsuspected", observable=False, spoil=chloride_unsuspected),
    Fault(name="two unlike samples swapped", observable=False, spoil=swapped_unlike),
    Fault(name="two similar samples swapped", observable=False, spoil=swapped_alike),
    Fault(name="lumpy sample, single tube", observable=False, spoil=lumpy_single),
)
