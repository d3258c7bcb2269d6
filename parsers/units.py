"""Concentration units as photometers print them, and exact factors between them.

A unit has two halves: how much per litre ("mg/L"), and what is weighed or counted (the basis:
"N", "NH4", ...). Both must be known before one number may be turned into another; a missing
half is never assumed.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Final, Literal

UnitName = Literal["g/L", "mg/L", "ug/L", "mmol/L"]
Basis = Literal["N", "NH4", "NO3", "NO2", "P", "PO4", "O2"]


class UnitError(ValueError):
    """One unit cannot be turned into the other.

    Whoever declared the two units states the missing basis or corrects the wrong one.
    """


@dataclass(frozen=True, slots=True)
class Unit:
    """A concentration unit in canonical spelling.

    Attributes:
        name: "g/L", "mg/L", "ug/L" (mass per litre) or "mmol/L" (amount per litre).
        basis: what is weighed or counted, or None where nobody said.
    """

    name: UnitName
    basis: Basis | None = None

    def __str__(self) -> str:
        return self.name if self.basis is None else f"{self.name} {self.basis}"


# Standard atomic weights 2021, IUPAC Commission on Isotopic Abundances and Atomic Weights
# (ciaaw.org/atomic-weights.htm). H, N and O have interval values there; for them the single
# value of the abridged table 2021 stands.
ATOMIC_WEIGHTS: Final[Mapping[str, Fraction]] = MappingProxyType(
    {
        "H": Fraction("1.008"),
        "N": Fraction("14.007"),
        "O": Fraction("15.999"),
        "P": Fraction("30.973761998"),
    }
)

# basis -> (the group that stays when one basis is rewritten as another, its atoms). Every member
# of a group holds exactly one atom of N, or one of P, so amounts within a group are equal.
_COMPOSITION: Final[Mapping[Basis, tuple[str, Mapping[str, int]]]] = MappingProxyType(
    {
        "N": ("N", {"N": 1}),
        "NH4": ("N", {"N": 1, "H": 4}),
        "NO3": ("N", {"N": 1, "O": 3}),
        "NO2": ("N", {"N": 1, "O": 2}),
        "P": ("P", {"P": 1}),
        "PO4": ("P", {"P": 1, "O": 4}),
        "O2": ("O2", {"O": 2}),
    }
)

_GRAMS: Final[Mapping[UnitName, Fraction]] = MappingProxyType(
    {"g/L": Fraction(1), "mg/L": Fraction(1, 10**3), "ug/L": Fraction(1, 10**6)}
)
_MOLES: Final[Mapping[UnitName, Fraction]] = MappingProxyType({"mmol/L": Fraction(1, 10**3)})

# What may stand before the solidus. A lone "Mg" is magnesium and "PPM" says neither what is
# divided nor by what: neither is a unit here. All capitals are how small printers write units.
_NUMERATORS: Final[Mapping[str, UnitName]] = MappingProxyType(
    {
        "g": "g/L",
        "G": "g/L",
        "mg": "mg/L",
        "MG": "mg/L",
        "ug": "ug/L",
        "UG": "ug/L",
        "mmol": "mmol/L",
        "MMOL": "mmol/L",
    }
)
# A cubic metre is 1000 litres, so the same digits belong to the next smaller unit.
_PER_CUBIC_METRE: Final[Mapping[str, UnitName]] = MappingProxyType(
    {"g": "mg/L", "G": "mg/L", "mg": "ug/L", "MG": "ug/L"}
)

_BASES: Final[Mapping[str, Basis]] = MappingProxyType(
    {
        "N": "N",
        "NH4-N": "N",
        "NH3-N": "N",
        "NO3-N": "N",
        "NO2-N": "N",
        "N-NH4": "N",
        "N-NH3": "N",
        "N-NO3": "N",
        "N-NO2": "N",
        "NH4": "NH4",
        "NH4+": "NH4",
        "NO3": "NO3",
        "NO3-": "NO3",
        "NO2": "NO2",
        "NO2-": "NO2",
        "P": "P",
        "PO4-P": "P",
        "P-PO4": "P",
        "PO4": "PO4",
        "PO43-": "PO4",
        "PO4---": "PO4",
        "O2": "O2",
    }
)

# Both micro signs (U+00B5 and the Greek letter U+03BC), sub- and superscript digits and charges,
# and the dashes that look like a hyphen.
_SAME_SIGN: Final = str.maketrans(
    "µμ₀₁₂₃₄₅₆₇₈₉⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻‐‑–−",
    "uu01234567890123456789+-----",
)

_NUMERATOR = r"(?P<numerator>[A-Za-z]+)"
_SUBSTANCE = r"[A-Z0-9][A-Z0-9+\-]*"
_UNIT = re.compile(
    rf"{_NUMERATOR}"
    rf"(?: (?P<inner>{_SUBSTANCE}))?"  # the basis before the solidus: mg N/L
    r"(?: ?/ ?(?P<per>[lL]|dm3|m3)|[ .·](?P<power>[lL]-1|dm-3|m-3))"  # mg/L, mg·L-1
    rf"(?:(?: as)? \(?(?P<outer>{_SUBSTANCE})\)?)?"  # or behind it: mg/L N, mg/L as N, mg/L (N)
)


def parse_unit(text: str) -> Unit | None:
    """Return the unit that `text` spells, or None when it is not one we know for certain.

    Accepted are mass per litre (g, mg, µg with either micro sign or "u"; L, l, dm3), mass per
    cubic metre, and mmol per litre, each with or without a basis ("mg/L NH4-N", "mg N/L",
    "µg/l as P", "mg·L-1"). Parts per million are not: they do not say per what.

    Args:
        text: as printed; surrounding blanks are ignored, runs of blanks count as one.
    """
    folded = " ".join(text.translate(_SAME_SIGN).split())
    found = _UNIT.fullmatch(folded)
    if found is None:
        return None
    per_cubic_metre = "m3" in (found["per"], (found["power"] or "").replace("-", ""))
    names = _PER_CUBIC_METRE if per_cubic_metre else _NUMERATORS
    name = names.get(found["numerator"])
    inner, outer = found["inner"], found["outer"]
    if name is None or (inner and outer):
        return None
    substance = inner or outer
    if substance is None:
        return Unit(name)
    basis = _BASES.get(substance)
    return None if basis is None else Unit(name, basis)


def molar_mass(basis: Basis) -> Fraction:
    """Return the molar mass of `basis` in g/mol, exact for the atomic weights above."""
    _, atoms = _COMPOSITION[basis]
    return sum((ATOMIC_WEIGHTS[atom] * count for atom, count in atoms.items()), Fraction(0))


def conversion_factor(source: Unit, target: Unit) -> Fraction:
    """Return the exact factor that turns a number in `source` into a number in `target`.

    Args:
        source: the unit the number is in.
        target: the unit it shall be in.

    Returns:
        Dimensionless, not rounded: number in `target` = number in `source` * factor.

    Raises:
        UnitError: mass against amount without a basis, one basis known and the other not, or
            two bases that do not hold the same element.

    Source: atomic weights as named at `ATOMIC_WEIGHTS`; worked figures in
        `tests/parsers/data/unit_factors.csv`.
    """
    if source.basis == target.basis and (source.name in _GRAMS) == (target.name in _GRAMS):
        return _scale(source.name) / _scale(target.name)
    if source.basis is None or target.basis is None:
        raise UnitError(
            f"cannot turn {source} into {target}: say what is counted on both sides, "
            f"for example {source.name} N"
        )
    if _COMPOSITION[source.basis][0] != _COMPOSITION[target.basis][0]:
        raise UnitError(
            f"cannot turn {source} into {target}: {source.basis} and {target.basis} "
            f"do not count the same element; correct one of the two units"
        )
    return _moles_per_unit(source.name, source.basis) / _moles_per_unit(target.name, target.basis)


def _scale(name: UnitName) -> Fraction:
    """Return grams or moles per litre in one `name`."""
    return _GRAMS[name] if name in _GRAMS else _MOLES[name]


def _moles_per_unit(name: UnitName, basis: Basis) -> Fraction:
    """Return moles per litre in one `name` of `basis`."""
    return _GRAMS[name] / molar_mass(basis) if name in _GRAMS else _MOLES[name]
