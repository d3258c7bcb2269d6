from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.plan_file import read_plan_file
from ingestd.plan.references import missing_references
from tests.ingestd.plan.laboratory import BOOK, waterworks

PLAN = b"""
[[kit_lot]]
lot = "K1"
method = "COD-XR"
expires = 2027-01-31

[[kit_lot]]
lot = "K2"
method = "COD-HR"
expires = 2027-01-31

[[competence]]
person = "mara"
method = "COD-XR"
until = 2026-12-31

[[digestion_comparison]]
name = "D"
method = "COD-HR"
program = "slow"
matrix = "waste water"
pairs = [{ sample = "P1", standard = 310, fast = 305 }]
valid_from = 2026-01-01
valid_until = 2026-12-31

[[sample]]
code = "W-1"
point = "river"

[[sample]]
code = "W-2"
"""


def test_plan_that_refers_to_itself_only_misses_nothing() -> None:
    assert missing_references(waterworks(), KnownInputs(), "plan.toml") == ()


def test_name_that_leads_nowhere_is_a_fault_with_the_names_there_are() -> None:
    faults = missing_references(read_plan_file(PLAN, "plan.toml"), BOOK, "plan.toml")
    assert [str(fault) for fault in faults] == [
        (
            "plan.toml, [[kit_lot]] 1, method: there is no such method (found 'COD-XR'); "
            "name one that is there (COD-HR, NH4-LR), or state it first"
        ),
        (
            "plan.toml, [[competence]] 1, method: there is no such method (found 'COD-XR'); "
            "name one that is there (COD-HR, NH4-LR), or state it first"
        ),
        (
            "plan.toml, [[digestion_comparison]] 1, program: there is no such program "
            "(found 'slow'); name one that is there (fast, standard), or state it first"
        ),
        (
            "plan.toml, [[sample]] 1, point: there is no such sampling point (found 'river'); "
            "name one that is there (inlet, outlet), or state it first"
        ),
    ]


def test_comparison_of_an_unknown_method_is_one_fault_not_two() -> None:
    items = read_plan_file(PLAN.replace(b'"COD-HR"\nprogram', b'"X"\nprogram'), "plan.toml")
    faults = missing_references(items, BOOK, "plan.toml")
    assert [fault.column for fault in faults if "comparison" in fault.column] == [
        "[[digestion_comparison]] 1, method"
    ]
