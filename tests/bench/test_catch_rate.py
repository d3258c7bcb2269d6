"""The simulation kept small: same seed, same counts, both targets met."""

import json

import pytest

from tests.bench.catch_rate import LEAST_CAUGHT, MOST_HELD, CatchRate, main, simulate, table
from tests.bench.simulated_faults import FAULTS


@pytest.fixture(scope="module")
def found() -> CatchRate:
    return simulate(400, 1)


def test_observable_faults_are_caught_and_good_runs_let_through(found: CatchRate) -> None:
    assert found.observable.shifting > 100
    assert found.observable.percent >= LEAST_CAUGHT
    assert found.held_percent <= MOST_HELD


def test_what_no_rule_can_see_is_said_and_not_counted(found: CatchRate) -> None:
    hidden = [f for f in FAULTS if not f.observable]
    assert hidden
    shifting = sum(found.kinds[f.name].shifting for f in hidden)
    caught = sum(found.kinds[f.name].caught for f in hidden)
    assert caught < shifting / 2
    assert found.observable.shifting == sum(
        found.kinds[f.name].shifting for f in FAULTS if f.observable
    )


def test_every_kind_is_injected_and_listed(found: CatchRate) -> None:
    printed = table(found)
    for fault in FAULTS:
        assert found.kinds[fault.name].injected > 0, fault.name
        assert fault.name in printed


def test_one_seed_gives_one_outcome() -> None:
    assert simulate(60, 5) == simulate(60, 5)


def test_command_prints_the_counts_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["--runs", "100", "--seed", "2", "--json"])
    printed = json.loads(capsys.readouterr().out)
    assert printed["runs"] == 100
    met = (
        printed["observable_caught_percent"] >= LEAST_CAUGHT
        and printed["good_runs_held_percent"] <= MOST_HELD
    )
    assert code == (0 if met else 1)
