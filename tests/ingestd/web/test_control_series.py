"""Charts of a method out of its ledger: standards, blanks, ranges and recoveries."""

from decimal import Decimal
from fractions import Fraction

from ingestd.model import ChartLimits
from ingestd.pipeline.inputs import observe as note
from ingestd.web.control_series import ControlSeries, control_series
from tests.conftest import EXPORT_HEAD, GOOD_ROWS, SHEET, SHEET_HEAD, Lab, row

HEAD = SHEET_HEAD.replace(",turbidity", ",turbidity,spike_added")
SPIKED = HEAD + "".join(
    line + ("," if not line.startswith("R1,,,,,,5") else "") + "\n"
    for line in SHEET.splitlines()[1:]
)


def charts(lab: Lab, *limits: ChartLimits, instrument: str = "") -> dict[str, ControlSeries]:
    found = control_series(lab.ledger.conn, "COD-HR", "mg/L", limits, instrument=instrument)
    return {one.key: one for one in found}


def observe(lab: Lab, run: str, position: int, *pairs: str) -> None:
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        note(change, run, position, pairs, lab.pipeline.in_force_cache, lab.config)


def work(lab: Lab, *more: str, rows: tuple[str, ...] = ()) -> None:
    lab.load("sheet.csv", SPIKED + "".join(more))
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS) + "".join(rows))


def test_standards_and_blanks_are_drawn_as_they_were_found(lab: Lab) -> None:
    work(lab)
    found = charts(lab)
    assert set(found) == {"mean-CS500", "blank-"}
    assert found["mean-CS500"].nominal == Decimal(500)
    (dot,) = found["mean-CS500"].dots
    assert (dot.run, dot.position, dot.text, dot.passed) == ("R1", 2, "498", True)
    assert found["mean-CS500"].title == "Control standard CS500, mg/L"
    assert charts(lab, instrument="P9") == {}
    assert set(charts(lab, instrument="P1")) == set(found)


def test_duplicates_are_drawn_in_percent_of_their_mean(lab: Lab) -> None:
    work(
        lab,
        "R1,,,,,,5,duplicate,W-2,D-2,,,,,K1,,,,,,\n",
        rows=(row(5, "D-2", "347"),),
    )
    (dot,) = charts(lab)["range-"].dots
    assert dot.value == Fraction(14 * 100, 340)  # |333 - 347| in percent of 340
    assert (dot.found, dot.text) == (Decimal(347), "4.118")


def test_spikes_are_drawn_as_percent_recovered(lab: Lab) -> None:
    work(
        lab,
        "R1,,,,,,5,spike,W-2,S-2,,,,,K1,,,,,,200\n",
        rows=(row(5, "S-2", "523"),),
    )
    (dot,) = charts(lab)["spike-"].dots
    assert dot.value == Fraction(95)  # (523 - 333) of 200
    assert dot.text == "95"


def test_pair_or_spike_of_which_the_sample_is_void_is_not_drawn(lab: Lab) -> None:
    work(
        lab,
        "R1,,,,,,5,duplicate,W-2,D-2,,,,,K1,,,,,,\n",
        "R1,,,,,,6,spike,W-2,S-2,,,,,K1,,,,,,200\n",
        rows=(row(5, "D-2", "347"), row(6, "S-2", "523")),
    )
    assert {"range-", "spike-"} <= set(charts(lab))
    observe(lab, "R1", 4, "void=spilt")
    assert not {"range-", "spike-"} & set(charts(lab))


def test_limits_of_the_instrument_go_before_those_of_all(lab: Lab) -> None:
    work(lab)
    everybody = ChartLimits(method="COD-HR", kind="mean", centre=Decimal(500))
    level = ChartLimits(method="COD-HR", kind="mean", level="500", centre=Decimal(501))
    ours = ChartLimits(method="COD-HR", kind="mean", instrument="P1", centre=Decimal(502))
    other = ChartLimits(method="NH4", kind="mean", centre=Decimal(503))
    assert charts(lab, other)["mean-CS500"].limits is None
    assert charts(lab, everybody, other)["mean-CS500"].limits == everybody
    assert charts(lab, everybody, level)["mean-CS500"].limits == level
    assert charts(lab, everybody, level, ours)["mean-CS500"].limits == level
    mine = charts(lab, everybody, level, ours, instrument="P1")
    assert mine["mean-CS500"].limits == ours
