"""Limits of a control chart, computed from a period of its values and frozen by a reviewer."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.evaluate.figures import plain
from ingestd.evaluate.rounding import round_significant
from ingestd.evaluate.statistics import control_charts
from ingestd.evaluate.statistics.spread import mean
from ingestd.ledger.inputs import InForceCache, take_input
from ingestd.ledger.store import Change
from ingestd.model import ChartLimits, PersonRole
from ingestd.pipeline.decisions import authorise
from ingestd.pipeline.inputs import touched_runs
from ingestd.pipeline.judge import judge_runs
from ingestd.web.control_series import ControlSeries

DIGITS = 4  # significant digits of a frozen limit


def propose_limits(
    series: ControlSeries,
    *,
    since: datetime,
    until: datetime,
    period: str,
    instrument: str = "",
    about_nominal: bool = False,
) -> ChartLimits:
    """Limits from the values of a period; values that a rule held or refused are left out.

    Args:
        series: the chart's values.
        since, until: the period; until is not included.
        period: the same in words, kept with the limits.
        about_nominal: the standard's value in the middle, not the mean of the period.

    Raises:
        Refused: too few values, no scatter, or a chart that has no limits.
    """
    dots = [dot for dot in series.dots if dot.passed and since <= dot.at < until]
    values = [dot.value for dot in dots]
    if series.kind == "spike":
        raise Refused(
            series.title, "spikes are judged by the method's own limits", "nothing to do"
        )
    try:
        if series.kind == "range":
            found = _range_limits(values)
        else:
            centre = series.nominal if about_nominal else None
            found = control_charts.limits_from_period(values, centre=centre)
    except ValueError as error:
        raise Refused(series.title, str(error), "choose a longer period") from error
    if found.upper_action == found.centre:
        raise Refused(series.title, "the values do not scatter at all", "choose a longer period")
    kind = series.kind
    return ChartLimits(
        method=series.method,
        kind="range" if kind == "range" else "blank" if kind == "blank" else "mean",
        level=series.level,
        instrument=instrument,
        centre=_rounded(found.centre),
        warning_low=None if kind == "range" else _rounded(found.lower_warning),
        warning_high=_rounded(found.upper_warning),
        action_low=None if kind == "range" else _rounded(found.lower_action),
        action_high=_rounded(found.upper_action),
        period=f"{period}, {len(values)} values",
    )


def _range_limits(ranges: Sequence[Decimal | Fraction]) -> control_charts.ChartLimits:
    """Limits of a chart of relative ranges of pairs, from no fewer of them than for a mean."""
    fewest = control_charts.FEWEST_IN_PERIOD
    if len(ranges) < fewest:
        raise ValueError(
            f"{len(ranges)} in the period; at least {fewest} are needed to set limits"
        )
    return control_charts.range_limits(mean(ranges), 2)


def _rounded(value: Fraction) -> Decimal:
    return Decimal(0) if value == 0 else Decimal(plain(round_significant(value, DIGITS)))


def freeze_limits(
    change: Change, limits: ChartLimits, in_force_cache: InForceCache, config: Config
) -> int:
    """Put limits into force and judge the runs they touch anew; returns how many those are.

    Raises:
        Refused: the account is no reviewer, or these limits are in force already.
    """
    authorise(in_force_cache.current(change.conn), change.by, PersonRole.REVIEWER)
    if not take_input(change, "chart_limits", limits, capture=None):
        raise Refused("limits", "the very same are in force already", "nothing to do")
    runs = touched_runs(change, [("chart_limits", limits)])
    judge_runs(change, runs, in_force_cache, config.site.policy, cause="limits of a control chart")
    return len(runs)
