"""From a plan file with dilution steps to the uncertainty of results, their pins and replays.

The glassware is that of Eurachem/CITAC QUAM, examples A2 (± 0.03 mL) and A1 (100 mL ± 0.1 mL),
both triangular (from memory): root((0.03/10)^2 + (0.1/100)^2) / root 6 = 0.1291 %, computed by
hand.
"""

import pytest

from ingestd.audit.derivation import explain_result
from ingestd.audit.verify import verify_ledger
from ingestd.ledger.captures import find_captures
from ingestd.ledger.results import versions_of
from ingestd.pipeline.decisions import release
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.replay.replay import ReplayReport, dry_replay, replay
from tests.conftest import EXPORT_HEAD, GOOD_ROWS, PLAN, SHEET, SHEET_HEAD, Lab, row

TEN = """
[[dilution_step]]
name = "one in ten"
factor = 10
aliquot_ml = 10
aliquot_tolerance_ml = 0.03
flask_ml = 100
flask_tolerance_ml = 0.1
"""
ROUGH = TEN.replace("0.03", "0.5")
FIVE = (
    TEN.replace("one in ten", "one in five")
    .replace("factor = 10", "factor = 5")
    .replace("= 10\n", "= 20\n")
)
DILUTED = SHEET.replace("1+1", "1+9")
EXPORT = EXPORT_HEAD + "".join([*GOOD_ROWS[:2], row(3, "W-1", "128", dilution="10"), GOOD_ROWS[3]])


@pytest.fixture(autouse=True)
def proven(lab: Lab) -> object:
    yield
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


@pytest.fixture
def judged(lab: Lab) -> Lab:
    """A day before of eight control standards and eight duplicates, then W-1, diluted by ten.

    Own: 2 x root(0 + 1^2 + 0 + 0 + (10/1.96/500)^2) = 2.857 %, by hand: the standards agree, the
    duplicates differ by 1.128 % each, the certificate says ± 10 of 500.
    """
    rows, readings = [], []
    for n in range(8):
        tubes = (
            ("control_standard", "", "CS500"),
            ("sample", f"H-{n}", ""),
            ("duplicate", f"H-{n}", ""),
        )
        for m, (role, code, standard) in enumerate(tubes):
            position, label = 2 + 3 * n + m, f"T{n}{m}"
            point, chloride = ("inlet", "200") if code else ("", "")
            rows.append(
                f"R0,,,,,,{position},{role},{code},{label},{point},,{chloride},,K1,{standard},,,,\n"
            )
            readings.append(row(100 + position, label, ("500", "502.82", "497.18")[m]))
    head = SHEET.splitlines(keepends=True)[1].replace("R1", "R0").replace("B1", "B0")
    lab.load("before.csv", (SHEET_HEAD + head + "".join(rows)).replace("03-02", "03-01"))
    before = EXPORT_HEAD + row(101, "B0", "2") + "".join(readings)
    lab.arrive(before.replace("03-02", "03-01"), name="before.csv")
    lab.load("sheet.csv", DILUTED)
    lab.arrive(EXPORT)
    return lab


def spread(lab: Lab, sample: str = "W-1") -> str:
    result = lab.results()[sample]
    return f"{result.state} {result.text} ± {result.uncertainty}"


def told(lab: Lab, sample: str = "W-1") -> list[str]:
    return explain_result(lab.ledger.conn, lab.results()[sample].id)


def again(lab: Lab, *, dry: bool) -> ReplayReport:
    return (dry_replay if dry else replay)(
        lab.ledger,
        lab.config,
        find_captures(lab.ledger.conn, source="p1"),
        reason="glassware checked",
        by="ada",
        clock=lab.clock,
        log=lab.pipeline.log,
    )


def test_dilution_not_on_record_is_said_and_the_result_is_accepted_as_before(judged: Lab) -> None:
    assert spread(judged) == "accepted 1280 ± 40"  # 2.857 % of 1280, to tens
    assert (
        "The dilution's own uncertainty is not on record and not in the figure: the plan has no "
        "dilution step of factor 10."
    ) in told(judged)
    assert not [line for line in told(judged, "W-2") if "dilution's own" in line]


def test_step_that_is_loaded_widens_the_result_in_the_same_moment(judged: Lab) -> None:
    loaded = judged.load("steps.toml", TEN)
    assert loaded.inputs == ("dilution_step one in ten",)
    assert loaded.judged == ("R1",)
    lines = told(judged)
    assert (
        "With the dilution it is 2 x root(1.429^2 + 0.1291^2) = 2.869 %: 1.429 % by the "
        "laboratory's own controls, 0.1291 % by glassware, one in ten (factor 10): 10 ± 0.03 mL "
        "made up to 100 ± 0.1 mL, triangular."
    ) in lines
    assert not [line for line in lines if "not on record" in line]
    pin = judged.one("SELECT sha256 FROM inputs WHERE kind = 'dilution_step'")
    assert f"It used dilution_step one in ten: {pin}." in lines
    judged.load("steps.toml", ROUGH)
    assert spread(judged) == "accepted 1280 ± 60"  # 2 root(1.429^2 + 2.0817^2) = 5.05 % of 1280


def test_undiluted_result_of_the_same_run_gets_no_new_version(judged: Lab) -> None:
    judged.load("steps.toml", TEN)
    results = judged.results()
    assert len(versions_of(judged.ledger.conn, results["W-1"].id)) == 2
    assert len(versions_of(judged.ledger.conn, results["W-2"].id)) == 1


def test_step_of_a_factor_that_no_tube_has_touches_no_run(judged: Lab) -> None:
    assert judged.load("steps.toml", FIVE).judged == ()
    assert "dilution_step one in five" not in versions_of(judged.ledger.conn, 1)[-1].pins


def test_step_that_gets_another_factor_is_taken_from_the_runs_that_used_it(judged: Lab) -> None:
    judged.load("steps.toml", TEN)
    moved = FIVE.replace("one in five", "one in ten")
    assert judged.load("steps.toml", moved).judged == ("R1",)
    assert [line for line in told(judged) if "not on record" in line]


def test_dilution_corrected_at_the_bench_takes_the_steps_it_was_corrected_to(judged: Lab) -> None:
    judged.load("steps.toml", TEN + FIVE)
    with judged.ledger.change(at=judged.clock(), by="mara") as change:
        observe(
            change,
            "R1",
            4,
            ["dilution=1+9 then 1+4"],
            judged.pipeline.in_force_cache,
            judged.config,
        )
    (said,) = [line for line in told(judged, "W-2") if line.startswith("With the dilution")]
    assert "one in ten (factor 10): " in said
    assert ", then one in five (factor 5): 20 ± 0.03 mL made up to 100 ± 0.1 mL" in said
    pins = versions_of(judged.ledger.conn, judged.results()["W-2"].id)[-1].pins
    assert {"dilution_step one in ten", "dilution_step one in five"} <= set(pins)


def test_replay_proposes_the_wider_figure_and_names_the_step_that_changed(judged: Lab) -> None:
    judged.load("steps.toml", TEN)
    with judged.ledger.change(at=judged.clock(), by="rita") as change:
        release(
            change, judged.pipeline.in_force_cache.current(judged.ledger.conn), "R1", reason=""
        )
    assert judged.load("steps.toml", ROUGH).judged == (), "a settled run is not judged by itself"
    shown, done = again(judged, dry=True), again(judged, dry=False)
    assert shown.differences == done.differences
    (difference,) = done.differences
    assert (difference.sample, difference.before, difference.after, difference.why) == (
        "W-1",
        "accepted 1280 ± 40 mg/L",
        "accepted 1280 ± 60 mg/L",
        "dilution_step one in ten",
    )
    assert spread(judged) == "released 1280 ± 40"


def test_step_whose_volumes_contradict_its_factor_leaves_the_old_one_in_force(judged: Lab) -> None:
    judged.load("steps.toml", TEN)
    before = told(judged)
    with pytest.raises(ValueError, match=r"line 4.*the volumes give a factor of 10.*found '9'"):
        judged.load("steps.toml", TEN.replace("factor = 10", "factor = 9") + PLAN)
    assert told(judged) == before
