"""Theoretical oxygen demand and molar mass of a compound from its formula.

For making up control standards: how much of a pure compound gives a wanted COD, and what COD a
weighed amount should give. The value on a label stays the label's: potassium hydrogen
phthalate is quoted as 1.176 mg O2/mg, present atomic weights give 1.1751.

Safety: the reagents of the determination are strongly acid and hold chromium, silver and
mercury salts. The safety data sheets, local rules and licensed disposal govern their handling.

Source: oxidation to CO2 and H2O, nitrogen left as ammonia: CnHaObNc takes n + a/4 - b/2 - 3c/4
mol O2; an alkali metal counts like hydrogen. Abridged standard atomic weights, IUPAC/CIAAW 2021.
"""

import re
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType

from ingestd.evaluate.rounding import Number, exact

ATOMIC_WEIGHTS: Mapping[str, Decimal] = MappingProxyType(
    {
        "H": Decimal("1.008"),
        "C": Decimal("12.011"),
        "N": Decimal("14.007"),
        "O": Decimal("15.999"),
        "Na": Decimal("22.98976928"),
        "P": Decimal("30.973761998"),
        "S": Decimal("32.06"),
        "Cl": Decimal("35.45"),
        "K": Decimal("39.0983"),
        "Ca": Decimal("40.078"),
        "Cr": Decimal("51.9961"),
        "Fe": Decimal("55.845"),
    }
)
"""g/mol, IUPAC/CIAAW abridged standard atomic weights 2021 (Ca from memory)."""

_ELECTRONS_TO_CO2 = {"C": 4, "H": 1, "Na": 1, "K": 1, "O": -2, "N": -3}
"""Electrons that each atom gives on oxidation to CO2, H2O, NH3 and alkali ions."""

_PIECE = re.compile(r"(?P<element>[A-Z][a-z]?)(?P<count>[0-9]*)|(?P<open>\()|\)(?P<times>[0-9]*)")

_LONGEST = 100


def atoms_of(formula: str) -> dict[str, int]:
    """Return how many atoms of each element a formula holds: "C8H5KO4" -> C 8, H 5, K 1, O 4.

    Groups may stand in parentheses, "(NH4)2SO4"; no charges, dots or spaces.

    Raises:
        ValueError: the text is no formula, or names an element without a weight here.

    """
    if not formula or len(formula) > _LONGEST:
        raise ValueError(f"a formula has 1 to {_LONGEST} characters; {len(formula)} given")
    groups: list[dict[str, int]] = [{}]
    place = 0
    while place < len(formula):
        piece = _PIECE.match(formula, place)
        if piece is None:
            raise ValueError(
                f"formula {formula!r}: {formula[place]!r} at place {place + 1} is not an element, "
                "a count or a parenthesis"
            )
        element = piece["element"]
        if element:
            if element not in ATOMIC_WEIGHTS:
                raise ValueError(
                    f"formula {formula!r}: no atomic weight for {element!r}; known are "
                    f"{', '.join(ATOMIC_WEIGHTS)}"
                )
            _add(groups[-1], element, _count(piece["count"], formula))
        elif piece["open"]:
            groups.append({})
        elif len(groups) == 1:
            raise ValueError(f"formula {formula!r}: parenthesis closed but never opened")
        else:
            times = _count(piece["times"], formula)
            for inner, atoms in groups.pop().items():
                _add(groups[-1], inner, atoms * times)
        place = piece.end()
    if len(groups) > 1:
        raise ValueError(f"formula {formula!r}: parenthesis opened but never closed")
    if not groups[0]:
        raise ValueError(f"formula {formula!r} holds no atom")
    return groups[0]


def _count(digits: str, formula: str) -> int:
    count = int(digits or 1)
    if count == 0:
        raise ValueError(f"formula {formula!r}: a count of zero")
    return count


def _add(atoms: dict[str, int], element: str, count: int) -> None:
    atoms[element] = atoms.get(element, 0) + count


def molar_mass(formula: str) -> Fraction:
    """Return the molar mass, g/mol, exact sum of the atomic weights.

    Raises:
        ValueError: as for `atoms_of`.

    """
    return sum(
        (count * exact(ATOMIC_WEIGHTS[element]) for element, count in atoms_of(formula).items()),
        Fraction(0),
    )


def oxygen_moles(formula: str) -> Fraction:
    """Return mol O2 per mol of an organic compound of C, H, O, N, Na and K, nitrogen as NH3.

    Raises:
        ValueError: no formula, an element outside these, or nothing left to oxidise.

    """
    atoms = atoms_of(formula)
    strange = [element for element in atoms if element not in _ELECTRONS_TO_CO2]
    if strange:
        raise ValueError(
            f"formula {formula!r}: no rule for the oxidation of {', '.join(strange)}; only "
            f"{', '.join(_ELECTRONS_TO_CO2)} are covered"
        )
    electrons = sum(_ELECTRONS_TO_CO2[element] * count for element, count in atoms.items())
    if electrons <= 0:
        raise ValueError(f"formula {formula!r} has nothing to oxidise: no oxygen demand")
    return Fraction(electrons, 4)


def theoretical_oxygen_demand(formula: str) -> Fraction:
    """Return mg O2 per mg of a compound, exact.

    Raises:
        ValueError: as for `oxygen_moles`.

    """
    return oxygen_moles(formula) * molar_mass("O2") / molar_mass(formula)


def mass_for(formula: str, wanted: Number, *, purity: Number = 1) -> Fraction:
    """Return mg of compound per litre for a wanted COD in mg/L.

    Args:
        formula: of the compound.
        wanted: COD of the solution, mg/L, above zero.
        purity: mass fraction of the compound in the chemical, above 0 and at most 1.

    Raises:
        ValueError: a number out of bounds, or as for `oxygen_moles`.

    """
    if exact(wanted) <= 0 or not 0 < exact(purity) <= 1:
        raise ValueError(
            f"COD of {wanted} mg/L at a purity of {purity}: the COD must be above zero and the "
            "purity above 0 and at most 1"
        )
    return exact(wanted) / theoretical_oxygen_demand(formula) / exact(purity)


def oxygen_equivalent(element: str, electrons: int) -> Fraction:
    """Return mg O2 per mg of an element that gives so many electrons per atom.

    Chloride to chlorine takes one, nitrite nitrogen to nitrate two, iron(II) to iron(III) one.

    Raises:
        ValueError: an element without a weight here, or fewer than one electron.

    """
    if element not in ATOMIC_WEIGHTS or electrons < 1:
        raise ValueError(
            f"{electrons} electrons of {element!r}: at least one electron of one of "
            f"{', '.join(ATOMIC_WEIGHTS)} is needed"
        )
    return Fraction(electrons, 4) * molar_mass("O2") / exact(ATOMIC_WEIGHTS[element])


def basis_factor(compound: str, element: str) -> Fraction:
    """Return mg of compound per mg of one of its elements: NH4 per N is 1.288.

    Raises:
        ValueError: no formula, or the element is not in it.

    """
    atoms = atoms_of(compound)
    if element not in atoms:
        raise ValueError(f"{compound!r} holds no {element!r}, so it has no value on that basis")
    return molar_mass(compound) / (atoms[element] * exact(ATOMIC_WEIGHTS[element]))
