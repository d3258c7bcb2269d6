from fractions import Fraction

import pytest

from ingestd.evaluate.oxygen_demand import (
    atoms_of,
    basis_factor,
    mass_for,
    molar_mass,
    oxygen_equivalent,
    oxygen_moles,
    theoretical_oxygen_demand,
)
from tests.ingestd.evaluate.published import Check, checks


@pytest.mark.parametrize("row", checks("oxygen_demand"), ids=str)
def test_figure_is_as_published(row: Check) -> None:
    row.agrees(figure(row))


def figure(row: Check) -> Fraction:
    inputs = row.inputs
    match row.quantity:
        case "moles":
            return oxygen_moles(inputs["formula"])
        case "molar mass":
            return molar_mass(inputs["formula"])
        case "demand":
            return theoretical_oxygen_demand(inputs["formula"])
        case "from mass":
            return theoretical_oxygen_demand(inputs["formula"]) * Fraction(inputs["mg"])
        case "mass for":
            return mass_for(inputs["formula"], row.number("wanted"), purity=row.number("purity"))
        case "equivalent":
            return oxygen_equivalent(inputs["element"], int(inputs["electrons"]))
        case "basis":
            return basis_factor(inputs["compound"], inputs["element"])
        case "mmol per mg":
            return 1 / molar_mass(inputs["formula"])
        case other:
            raise AssertionError(f"no such quantity: {other}")


def test_groups_in_parentheses_multiply() -> None:
    assert atoms_of("(NH4)2SO4") == {"N": 2, "H": 8, "S": 1, "O": 4}
    assert atoms_of("Ca(C2H3O2)2") == {"Ca": 1, "C": 4, "H": 6, "O": 4}
    assert atoms_of("((CH3)2N)2(CH2)") == {"C": 5, "H": 14, "N": 2}


def test_mass_for_a_cod_gives_that_cod_back() -> None:
    mass = mass_for("C6H12O6", 1000, purity=Fraction(1, 2))
    assert mass / 2 * theoretical_oxygen_demand("C6H12O6") == 1000


@pytest.mark.parametrize(
    ("formula", "complaint"),
    [
        ("", "0 given"),
        ("C" * 101, "101 given"),
        ("C8H5KO4 ", "' ' at place 8"),
        ("c8", "'c' at place 1"),
        ("C8Xx", "no atomic weight for 'Xx'"),
        ("C0", "a count of zero"),
        ("(CH3", "opened but never closed"),
        ("CH3)2", "closed but never opened"),
        ("()", "holds no atom"),
    ],
)
def test_text_that_is_no_formula_is_refused(formula: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        atoms_of(formula)


def test_element_without_oxidation_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="no rule for the oxidation of Cl"):
        oxygen_moles("CHCl3")


@pytest.mark.parametrize("formula", ["CO2", "H2O", "NH3"])
def test_compound_with_nothing_to_oxidise_is_refused(formula: str) -> None:
    with pytest.raises(ValueError, match="nothing to oxidise"):
        theoretical_oxygen_demand(formula)


@pytest.mark.parametrize(("wanted", "purity"), [(0, 1), (500, 0), (500, 2)])
def test_mass_for_impossible_numbers_is_refused(wanted: int, purity: int) -> None:
    with pytest.raises(ValueError, match="the COD must be above zero"):
        mass_for("C8H5KO4", wanted, purity=purity)


@pytest.mark.parametrize(("element", "electrons"), [("Xx", 1), ("Cl", 0)])
def test_equivalent_of_nothing_is_refused(element: str, electrons: int) -> None:
    with pytest.raises(ValueError, match="at least one electron"):
        oxygen_equivalent(element, electrons)


def test_basis_that_is_not_in_the_compound_is_refused() -> None:
    with pytest.raises(ValueError, match="holds no 'P'"):
        basis_factor("NH4", "P")
