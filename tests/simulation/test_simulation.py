"""A few dozen seeds are lived through, the same seed gives the same journal, defects are noticed.

The values that are expected come from the simulation's own truth, worked out with exact
fractions; the check value is the published one of CRC-16/XMODEM ("123456789" gives 31C3,
catalogue of parametrised CRC algorithms), the tree hashes those of RFC 6962, section 2.1, for
no leaf and for one leaf that is empty (SHA-256 of nothing, and of one zero byte).
"""

import os
import subprocess
import sys
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from tests.simulation.defects import DEFECTS, defect
from tests.simulation.invariants import Tree
from tests.simulation.living import Lived, live
from tests.simulation.printing import crc16

ROOT = Path(__file__).parents[2]
SEEDS = 20
MOST = 40  # seeds in which a defect must have shown

# Where each defect shows first when seeds are lived through from 1 on; the test begins there, so
# that it costs little, and goes on to MOST if the history of that seed has changed meanwhile.
SHOWS_AT = {
    "identity without its value": 7,
    "identical rows taken for one": 7,
    "contradiction taken for new": 2,
    "half a transaction kept": 2,
    "control in doubt passed over": 3,
}


@cache
def _lived(seed: int) -> Lived:
    """A seed lived through, once for all tests of this process."""
    return live(seed)


@pytest.mark.parametrize("seed", range(1, SEEDS + 1))
def test_every_invariant_holds_after_every_event(seed: int) -> None:
    lived = _lived(seed)
    assert not lived.broken, "\n".join(
        [*lived.trace[-30:], lived.broken, f"python -m tests.simulation --seed {seed} --trace"]
    )
    assert lived.counts["results"] > 0


def test_seeds_hold_the_faults_they_are_for() -> None:
    counts: Counter[str] = Counter()
    for seed in range(1, 9):
        counts.update(_lived(seed).counts)
    wanted = ("power cuts", "full disks", "contradictions", "placed by hand", "superseded",
              "withdrawn")  # fmt: skip
    assert not [name for name in wanted if not counts[name]]


def _root(seed: int, hash_seed: str, folder: Path) -> str:
    ended = subprocess.run(
        [
            sys.executable, "-m", "tests.simulation", "--seed", str(seed), "--roots", "--folder",
            str(folder),
        ],
        capture_output=True, text=True, check=False, cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return ended.stdout.splitlines()[0]


def test_same_seed_gives_the_same_journal_in_another_process(tmp_path: Path) -> None:
    here = ["5", *_lived(5).roots]
    assert len(here[1]) == 64
    assert _root(5, "1", tmp_path).split() == here


@pytest.mark.parametrize("name", DEFECTS)
def test_defect_is_noticed(name: str, tmp_path: Path) -> None:
    first = SHOWS_AT.get(name, 1)
    with defect(name):
        assert any(live(seed, folder=tmp_path).broken for seed in range(first, MOST + 1))


def test_check_value_is_the_published_one() -> None:
    assert crc16(b"123456789") == 0x31C3


def test_tree_hashes_are_those_of_the_standard() -> None:
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    one_empty_leaf = "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
    tree = Tree()
    assert tree.root().hex() == empty
    tree.add(bytes.fromhex(one_empty_leaf))
    assert tree.root().hex() == one_empty_leaf
