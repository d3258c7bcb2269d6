"""Limits of a chart from a period: their values against published factors, and refusals."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from ingestd.errors import Refused
from ingestd.web.control_series import ControlDot, ControlSeries
from ingestd.web.limit_setting import propose_limits

BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
END = BEGIN + timedelta(days=60)


def series(
    *values: str, kind: str = "mean", nominal: str | None = "500", failed: int = 0
) -> ControlSeries:
    dots = tuple(
        ControlDot(
            run=f"R{n}", position=2, at=BEGIN + timedelta(days=n), instrument="P1",
            value=Decimal(text), found=Decimal(text), passed=n >= failed,
        )
        for n, text in enumerate(values)
    )  # fmt: skip
    return ControlSeries(
        method="COD-HR", kind=kind, level="CS500" if kind == "mean" else "", unit="mg/L",
        nominal=None if nominal is None else Decimal(nominal), dots=dots, limits=None,
    )  # fmt: skip


def propose(one: ControlSeries, **how: bool) -> object:
    return propose_limits(one, since=BEGIN, until=END, period="January", **how)


ALIKE = ("490", "510") * 10
"""Mean 500; standard deviation (n - 1) root(20 x 100 / 19) = 10.2598."""


def test_limits_of_means_stand_at_two_and_three_standard_deviations() -> None:
    """Two and three standard deviations: ISO 7870-2:2013; 10.25978 computed by hand."""
    found = propose_limits(series(*ALIKE), since=BEGIN, until=END, period="January")
    assert (found.warning_low, found.centre, found.warning_high) == (
        Decimal("479.5"),
        Decimal(500),
        Decimal("520.5"),
    )
    assert (found.action_low, found.action_high) == (Decimal("469.2"), Decimal("530.8"))
    assert (found.kind, found.level, found.period) == ("mean", "CS500", "January, 20 values")


def test_certified_value_may_stand_in_the_middle() -> None:
    one = series(*ALIKE, nominal="504")
    found = propose_limits(one, since=BEGIN, until=END, period="January", about_nominal=True)
    assert found.centre == Decimal(504)
    assert propose_limits(one, since=BEGIN, until=END, period="J").centre == Decimal(500)


def test_limits_of_ranges_stand_above_by_the_tabulated_factor() -> None:
    """D4 for pairs is 3.267: ISO 7870-2:2013; the same in the NIST/SEMATECH e-Handbook 6.3.2.1."""
    found = propose_limits(
        series(*(["1", "3"] * 10), kind="range"), since=BEGIN, until=END, period="January"
    )
    assert (found.kind, found.centre, found.action_high) == (
        "range",
        Decimal(2),
        Decimal("6.534"),
    )
    assert found.warning_low is found.action_low is None


def test_blanks_have_limits_on_both_sides() -> None:
    found = propose_limits(
        series(*(["-1", "1"] * 10), kind="blank"), since=BEGIN, until=END, period="January"
    )
    assert (found.kind, found.centre) == ("blank", Decimal(0))
    assert found.action_low is not None
    assert found.action_high is not None
    assert found.action_low == -found.action_high


def test_values_outside_the_period_or_held_by_a_rule_are_left_out() -> None:
    found = propose_limits(
        series("900", *ALIKE, failed=1), since=BEGIN, until=END, period="January"
    )
    assert found.centre == Decimal(500)
    one = series(*ALIKE, "900")
    last = one.dots[-1].at
    assert propose_limits(one, since=BEGIN, until=last, period="J").period == "J, 20 values"
    later = propose_limits(one, since=BEGIN, until=last + timedelta(seconds=1), period="J")
    assert later.period == "J, 21 values"


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (series(*ALIKE[:19]), "at least 20"),
        (series(*ALIKE[:19], kind="range"), "at least 20"),
        (series(*(["500"] * 20)), "do not scatter"),
        (series(*(["0"] * 20), kind="range"), "do not scatter"),
        (series(*ALIKE, kind="spike"), "spikes are judged by the method's own limits"),
    ],
    ids=["few", "few ranges", "alike", "no ranges", "spikes"],
)
def test_period_that_gives_no_limits_is_refused(one: ControlSeries, said: str) -> None:
    with pytest.raises(Refused, match=said) as caught:
        propose(one)
    assert one.title in str(caught.value)
