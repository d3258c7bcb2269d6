"""Bytes made up by chance and by coverage: nothing breaks, and values are what stands there."""

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import Parsed, parse
from tests.fuzz.inputs import SHAPES, capture_of, known_forms, seeds, words
from tests.fuzz.invariants import Broken, check, check_reading, codecs_of

ROOT = Path(__file__).parents[2]
SECONDS = "5"


@pytest.mark.parametrize("shape", SHAPES)
def test_every_fixture_holds_what_must_hold(shape: str) -> None:
    readings = 0
    for data in seeds(shape):
        outcome = check(*capture_of(data, shape))
        readings += len(outcome.readings) if isinstance(outcome, Parsed) else 0
    assert readings > 50


@st.composite
def mutated(draw: st.DrawFn, shape: str) -> bytes:
    """A fixture with pieces put in, taken out and put in other places."""
    data = draw(st.sampled_from(seeds(shape)))
    for _ in range(draw(st.integers(0, 5))):
        at, end = sorted(draw(st.tuples(*[st.integers(1, len(data))] * 2)))
        piece = draw(
            st.sampled_from(words(shape))
            | st.binary(max_size=3)
            | st.just(data[at:end])
            | st.sampled_from(data.splitlines(keepends=True) or [b""])
        )
        data = (
            data[:at] + piece + data[draw(st.sampled_from([at, min(at + len(piece), end), end])) :]
        )
    return data


@pytest.mark.parametrize("shape", SHAPES)
@given(st.data())
def test_mutated_fixture_holds_what_must_hold(shape: str, data: st.DataObject) -> None:
    check(*capture_of(data.draw(mutated(shape)), shape))


def test_value_that_is_not_what_stands_there_is_noticed() -> None:
    known = known_forms("table")[0]
    sample = next(data for data in known.samples if parse(data, known.form).readings)
    reading = parse(sample, known.form).readings[0]
    codecs = codecs_of(sample, known.form)
    check_reading(reading, sample, known.form, codecs)
    changed = bytearray(sample)
    start = reading.spans["value"].start
    changed[start] ^= 1
    with pytest.raises(Broken, match="value is not what stands there"):
        check_reading(reading, bytes(changed), known.form, codecs)


if importlib.util.find_spec("atheris"):  # there are wheels for Linux on x86-64 only

    @pytest.mark.parametrize("shape", SHAPES)
    def test_guided_by_coverage_for_some_seconds_nothing_breaks(shape: str) -> None:
        done = subprocess.run(
            [sys.executable, "-m", "tests.fuzz", shape, "--seconds", SECONDS],
            cwd=ROOT,
            env=os.environ,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert int(re.findall(r"(\d+) inputs", done.stdout)[-1]) > len(seeds(shape))
