"""Placing: every case is made up; the rules are the laboratory's own, no published values."""

from dataclasses import replace
from datetime import timedelta
from time import perf_counter

from ingestd.evaluate.observed import BenchNotes
from ingestd.evaluate.placing import (
    Candidate,
    OrderProposal,
    Placed,
    TubeIndex,
    Waiting,
    place,
    propose_in_order,
    ready_at,
)
from ingestd.model import Role, Run, StoredReading
from ingestd.model.labels import label_key
from tests.ingestd.evaluate.bench_day import (
    COD,
    DIGESTED,
    NOTES,
    READ,
    RUN,
    START,
    TUBES,
    note,
    reading,
    tube,
)

AMMONIUM = replace(COD, name="nh4", printed_names=("NH4 40",), analyte="ammonium", programs=())


def candidates(run: Run = RUN) -> list[Candidate]:
    return [Candidate(run=run, tube=t, method=COD, ready_at=DIGESTED) for t in run.tubes]


def of(label: str | None, **changes: object) -> StoredReading:
    return replace(reading(3, "407"), sample=label, **changes)  # type: ignore[arg-type]  # by name


def test_reading_with_one_fitting_tube_is_placed() -> None:
    found = place(of("W-101"), candidates())
    assert isinstance(found, Placed)
    assert (found.run, found.position) == ("R-1", 3)


def test_label_is_compared_with_blanks_collapsed_and_case_folded() -> None:
    assert isinstance(place(of("  blank   1 "), candidates()), Placed)
    assert isinstance(place(of("BLANK 1"), candidates()), Placed)
    assert label_key("STRASSE  7") == label_key("Straße 7")


def test_method_matches_its_own_name_and_its_printed_names() -> None:
    for name in ("COD 1500", "cod-high", "Cod  1500"):
        assert isinstance(place(of("W-101", method=name), candidates()), Placed)


def test_unknown_label_waits_and_says_so() -> None:
    found = place(of("W-999"), candidates())
    assert isinstance(found, Waiting)
    assert "W-999" in found.reason
    assert found.candidates == ()


def test_tube_of_another_method_is_named_as_a_candidate() -> None:
    found = place(of("W-101", method="NH4 40"), candidates())
    assert isinstance(found, Waiting)
    assert [c.position for c in found.candidates] == [3]
    assert "cod-high" in found.candidates[0].reason


def test_run_on_another_instrument_is_no_candidate() -> None:
    found = place(of("W-101", instrument="meter-2"), candidates())
    assert isinstance(found, Waiting)
    assert "meter-1" in found.candidates[0].reason


def test_run_that_names_no_instrument_takes_any() -> None:
    run = replace(RUN, instrument="")
    assert isinstance(place(of("W-101", instrument="meter-9"), candidates(run)), Placed)


def test_reading_older_than_the_end_of_digestion_waits() -> None:
    early = DIGESTED - timedelta(seconds=1)
    assert isinstance(place(of("W-101", measured_at=early), candidates()), Waiting)
    assert isinstance(place(of("W-101", measured_at=DIGESTED), candidates()), Placed)


def test_label_reused_in_a_later_run_is_settled_by_time() -> None:
    later = replace(RUN, name="R-2")
    both = [
        *candidates(),
        *(replace(c, run=later, ready_at=READ + timedelta(hours=3)) for c in candidates()),
    ]
    found = place(of("W-101"), both)
    assert isinstance(found, Placed)
    assert found.run == "R-1"


def test_two_fitting_tubes_wait_for_a_person() -> None:
    found = place(of("W-101"), [*candidates(), *candidates(replace(RUN, name="R-2"))])
    assert isinstance(found, Waiting)
    assert {c.run for c in found.candidates} == {"R-1", "R-2"}


def test_conflict_and_ambiguous_time_wait() -> None:
    assert isinstance(place(of("W-101", conflict=True), candidates()), Waiting)
    found = place(of("W-101", time_note="ambiguous"), candidates())
    assert isinstance(found, Waiting)
    assert [c.position for c in found.candidates] == [3]


def test_second_reading_of_a_tube_is_placed_on_it_too() -> None:
    index = TubeIndex(candidates())
    first, second = (index.place(of("W-101", id=n)) for n in (1, 2))
    assert first == second


def test_without_method_only_runs_that_name_the_instrument_count() -> None:
    assert isinstance(place(of("W-101", method=None), candidates()), Placed)
    nameless = candidates(replace(RUN, instrument=""))
    found = place(of("W-101", method=None), nameless)
    assert isinstance(found, Waiting)
    assert "names" in found.candidates[0].reason


def test_without_label_nothing_is_placed_but_sheet_order_is_named() -> None:
    assert isinstance(place(of(None), candidates()), Waiting)
    assert place(of("  "), candidates()) == place(of(None), candidates())
    ordered = candidates(replace(RUN, order="in_sheet_order"))
    found = place(of(None), ordered)
    assert isinstance(found, Waiting)
    assert len(found.candidates) == len(TUBES)
    elsewhere = place(of(None, instrument="meter-2"), ordered)
    assert isinstance(elsewhere, Waiting)
    assert elsewhere.candidates == ()


def test_ready_at_is_the_observed_end_of_digestion() -> None:
    assert ready_at(RUN, COD, NOTES, RUN.tubes[2]) == DIGESTED
    own = note("digestion_end", (DIGESTED + timedelta(minutes=5)).isoformat(), 3, number=9)
    assert ready_at(RUN, COD, (*NOTES, own), RUN.tubes[2]) == DIGESTED + timedelta(minutes=5)


def test_ready_at_without_an_end_is_start_plus_program() -> None:
    assert ready_at(RUN, COD, (), RUN.tubes[2]) == START + timedelta(minutes=120)
    assert ready_at(replace(RUN, program="fast"), COD, (), RUN.tubes[2]) == START + timedelta(
        minutes=30
    )
    started = note("digestion_start", (START + timedelta(minutes=15)).isoformat())
    assert ready_at(RUN, COD, BenchNotes([started]), RUN.tubes[2]) == START + timedelta(
        minutes=135
    )
    # An unnamed program could be the shortest, so that no reading is barred without reason.
    assert ready_at(replace(RUN, program=""), COD, (), RUN.tubes[2]) == START + timedelta(
        minutes=30
    )


def test_ready_at_without_digestion_is_reagent_or_start() -> None:
    assert ready_at(RUN, AMMONIUM, (), RUN.tubes[2]) == START
    added = note("reagent_added", (START + timedelta(minutes=3)).isoformat())
    assert ready_at(RUN, AMMONIUM, (added,), RUN.tubes[2]) == START + timedelta(minutes=3)


ORDERED = replace(RUN, order="in_sheet_order")
BLOCK = [replace(reading(p, "400"), sample=None) for p in range(1, 7)]


def test_block_in_sheet_order_is_paired_by_time_against_position() -> None:
    found = propose_in_order(BLOCK[::-1], ORDERED, COD, TUBES[::-1])
    assert isinstance(found, OrderProposal)
    assert found.pairs == tuple((100 + p, p) for p in range(1, 7))


def test_block_is_not_proposed_when_something_does_not_agree() -> None:
    def refusal(readings: list[StoredReading], run: Run = ORDERED) -> str:
        found = propose_in_order(readings, run, COD, TUBES)
        assert isinstance(found, str)
        return found

    assert "6 tubes" in refusal(BLOCK[:5])
    assert "not declared" in refusal(BLOCK, RUN)
    assert "names no instrument" in refusal(BLOCK, replace(ORDERED, instrument=""))
    assert "meter-2" in refusal([*BLOCK[:5], replace(BLOCK[5], instrument="meter-2")])
    assert "NH4 40" in refusal([*BLOCK[:5], replace(BLOCK[5], method="NH4 40")])
    assert "not certain" in refusal([*BLOCK[:5], replace(BLOCK[5], time_note="ambiguous")])
    assert "contradicts" in refusal([*BLOCK[:5], replace(BLOCK[5], conflict=True)])
    assert "No reading" in refusal([])


def test_label_may_be_empty_and_then_matches_nothing() -> None:
    unlabelled = replace(RUN, tubes=(tube(1, Role.SAMPLE, ""),))
    assert isinstance(place(of("W-101"), candidates(unlabelled)), Waiting)


def test_one_index_answers_ten_thousand_readings_in_a_second() -> None:
    runs = [
        replace(
            RUN,
            name=f"R-{n}",
            tubes=tuple(tube(p, Role.SAMPLE, f"W-{n}-{p}") for p in range(1, 26)),
        )
        for n in range(200)
    ]
    index = TubeIndex(c for run in runs for c in candidates(run))
    wanted = of("W-150-7")
    started = perf_counter()
    for _ in range(10_000):
        assert isinstance(index.place(wanted), Placed)
    assert perf_counter() - started < 1
