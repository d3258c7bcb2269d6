"""Clocks that are off are noticed; late arrivals are not taken for it."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.clock import TOLERANCE, ClockOffset, clock_offset, judge_clock, spoken
from ingestd.model import Verdict

NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


def pairs(*seconds: float) -> list[tuple[datetime, datetime]]:
    return [(NOW + timedelta(seconds=off), NOW) for off in seconds]


def test_without_readings_there_is_no_offset() -> None:
    assert clock_offset([]) is None


# NIST/SEMATECH e-Handbook 1.3.5.1: the median is the middle value of the ordered data, or the
# mean of the two middle ones.
@pytest.mark.parametrize(
    ("seconds", "median"),
    [
        ([3.0], 3.0),
        ([-2.0, 5.0], 1.5),
        ([10.0, -3600.0, 12.0], 10.0),
        ([1.0, 2.0, 3.0, -86_400.0], 1.5),
        ([0.000001, 0.000002], 0.000002),
    ],
)
def test_offset_is_the_median_of_the_differences(seconds: list[float], median: float) -> None:
    offset = clock_offset(pairs(*seconds))
    assert offset == ClockOffset(median=timedelta(seconds=median), count=len(seconds))


@given(
    error=st.integers(-86_400, 86_400),
    late=st.lists(st.integers(0, 7 * 86_400), max_size=10),
)
def test_less_than_half_late_arrivals_hide_no_error(error: int, late: list[int]) -> None:
    prompt = [error - 2.0] * (len(late) + 1)
    offset = clock_offset(pairs(*prompt, *[error - 2.0 - delay for delay in late]))
    assert offset is not None
    assert offset.median == timedelta(seconds=error - 2)


@pytest.mark.parametrize(
    ("seconds", "is_prompt", "verdict"),
    [
        (0, True, Verdict.PASS),
        (TOLERANCE.seconds, True, Verdict.PASS),
        (-TOLERANCE.seconds, True, Verdict.PASS),
        (TOLERANCE.seconds + 1, True, Verdict.CAUTION),
        (-TOLERANCE.seconds - 1, True, Verdict.CAUTION),
        (TOLERANCE.seconds + 1, False, Verdict.CAUTION),
        (-7200, False, None),
    ],
)
def test_clock_is_judged_by_its_median(
    seconds: int, is_prompt: object, verdict: Verdict | None
) -> None:
    finding = judge_clock("North", clock_offset(pairs(*[seconds] * 5)), is_prompt=bool(is_prompt))
    assert (finding and finding.verdict) == verdict


def test_few_readings_say_nothing() -> None:
    assert judge_clock("North", clock_offset(pairs(9000, 9000)), is_prompt=True) is None
    assert judge_clock("North", None, is_prompt=True) is None


def test_finding_says_how_far_which_way_and_what_to_do() -> None:
    finding = judge_clock("North", clock_offset(pairs(3601, 3590, 3605)), is_prompt=True)
    assert finding is not None
    assert (finding.rule, finding.observed, finding.limit) == ("instrument_clock", "+1 h", "5 min")
    assert finding.sentence == (
        "The clock of North is 1 h ahead of the time of arrival (median of 3 readings); set it, "
        "and check the times of readings made meanwhile. Whole hours look like daylight-saving "
        "time or a wrong time zone."
    )
    behind = judge_clock("North", clock_offset(pairs(*[-1000] * 3)), is_prompt=True)
    assert behind is not None
    assert behind.observed == "-17 min"
    assert "behind" in behind.sentence
    assert "Whole hours" not in behind.sentence


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (119, "119 s"),
        (120, "2 min"),
        (-3600, "1 h"),
        (3930, "1 h 6 min"),
        (86_400, "1 d"),
        (93_600, "1 d 2 h"),
        (86_399, "1 d"),
    ],
)
def test_spans_are_said_as_people_say_them(seconds: int, text: str) -> None:
    assert spoken(timedelta(seconds=seconds)) == text
