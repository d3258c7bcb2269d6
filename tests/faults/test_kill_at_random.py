"""The service killed at random instants under load; the seed of a failure is in its message."""

import random
from pathlib import Path

import pytest

from tests.faults.killing import kill_at_random

KILLS = 3


@pytest.mark.parametrize("seed", [1])
def test_killed_at_random_instants_everything_arrives_exactly_once(
    tmp_path: Path, seed: int
) -> None:
    figures = kill_at_random(tmp_path / "lab", chance=random.Random(seed), kills=KILLS)
    assert figures.kills == KILLS
    assert figures.rounds >= KILLS
