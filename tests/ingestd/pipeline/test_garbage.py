"""Nothing is looked for amid a capture, and everything afterwards, whatever ended it."""

import gc

import pytest

from ingestd.pipeline import pipeline
from ingestd.pipeline.garbage import undisturbed
from tests.conftest import GOOD_EXPORT, SHEET, Lab


def test_collector_rests_within_and_works_again_after_an_error() -> None:
    with undisturbed():
        assert not gc.isenabled()
        with undisturbed():
            assert not gc.isenabled()
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ValueError, match="x"), undisturbed():
        raise ValueError("x")
    assert gc.isenabled()


def test_collector_rests_while_a_capture_is_read(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    judge = pipeline.judge_runs

    def judging(*args: object, **how: object) -> object:
        seen.append(gc.isenabled())
        return judge(*args, **how)  # type: ignore[arg-type]  # handed on as they came

    monkeypatch.setattr(pipeline, "judge_runs", judging)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    assert seen == [False]
    assert gc.isenabled()
