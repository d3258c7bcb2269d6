"""Whether the run's controls fit the laboratory's own control charts."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, as_digits, less, plain, short
from ingestd.evaluate.rules.duplicates import pairs_of
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Rule
from ingestd.evaluate.statistics.chart_patterns import (
    EIGHT_ON_ONE_SIDE,
    FOUR_OF_FIVE_BEYOND_ONE,
    SEVEN_RISING_OR_FALLING,
    TWO_OF_THREE_BEYOND_TWO,
    RunRule,
    signals_at_last,
)
from ingestd.model import ChartLimits, ControlPoint, Finding, Role

PATTERNS = (
    TWO_OF_THREE_BEYOND_TWO,
    FOUR_OF_FIVE_BEYOND_ONE,
    EIGHT_ON_ONE_SIDE,
    SEVEN_RISING_OR_FALLING,
)
_LONGEST = max(rule.window for rule in PATTERNS)

CONTROL_CHART = Rule(
    name="control_chart",
    question="Does the control fit the laboratory's own chart?",
    formula="lower action <= control <= upper action; warning limits inside; patterns of the "
    "latest values: " + "; ".join(rule.name for rule in PATTERNS) + ". A chart of means takes "
    "the control standard's value, of ranges the duplicate's relative range in percent, of "
    "blanks the blank",
    outcomes=(
        ("inside, no pattern", PASS),
        ("beyond a warning limit", CAUTION),
        ("a pattern that chance seldom makes", CAUTION),
        ("beyond an action limit", HOLD),
    ),
    source="warning and action limits at two and three standard deviations: ISO 7870-2:2013; "
    + "; ".join(dict.fromkeys(rule.source for rule in PATTERNS)),
    parameters=lambda _method, _site: (("patterns", ", ".join(r.name for r in PATTERNS)),),
)


def judge_charts(run: RunCase) -> None:
    """Add a finding for every control of the run that has a chart with frozen limits."""
    for chart in run.facts.chart_limits:
        if chart.method != run.method.name:
            continue
        if chart.kind == "mean":
            for tube in run.of_role(Role.CONTROL_STANDARD):
                if _speaks_of(chart, run, tube) and tube.usable and not tube.censored:
                    _judge(run, chart, tube, tube.value)
        elif chart.kind == "blank":
            for tube in run.of_role(Role.BLANK):
                if _speaks_of(chart, run, tube) and tube.usable and not tube.censored:
                    _judge(run, chart, tube, tube.value)
        else:
            for sample, duplicate in pairs_of(run):
                if (
                    _speaks_of(chart, run, duplicate)
                    and sample.usable
                    and duplicate.usable
                    and not (sample.censored or duplicate.censored)
                ):
                    _judge(run, chart, duplicate, _relative(sample.value, duplicate.value))


def _speaks_of(chart: ChartLimits, run: RunCase, tube: TubeCase) -> bool:
    reading = tube.reading
    if reading is None or (chart.instrument and chart.instrument != reading.instrument):
        return False
    if not chart.level or tube.role is not Role.CONTROL_STANDARD:
        return True
    standard = run.facts.standards.get(tube.tube.standard)
    if chart.level == tube.tube.standard:
        return True
    return standard is not None and chart.level == plain(
        _nominal(standard.value, standard.preparation_factor)
    )


def _nominal(value: Decimal, factor: Decimal) -> Exact:
    return value if factor == 1 else Fraction(value) / Fraction(factor)


def _relative(first: Exact | None, second: Exact | None) -> Fraction | None:
    if first is None or second is None or first + second <= 0:  # type: ignore[operator]  # both exact
        return None
    a, b = Fraction(first), Fraction(second)
    return abs(a - b) * 200 / (a + b)


def _judge(run: RunCase, chart: ChartLimits, tube: TubeCase, value: Exact | None) -> None:
    if value is not None:
        run.findings.append(_compare(run, chart, tube, value))


def _compare(run: RunCase, chart: ChartLimits, tube: TubeCase, value: Exact) -> Finding:
    unit = "%" if chart.kind == "range" else run.method.unit
    position = tube.position
    what = {
        "mean": "control standard",
        "range": "range of the duplicate",
        "blank": "blank",
    }[chart.kind]
    observed = f"{short(value)} {unit}"
    text = f"The {what} at position {position} is {observed}"
    action = _beyond(value, chart.action_low, chart.action_high)
    if action is not None:
        return CONTROL_CHART.answer(
            HOLD,
            f"{text}, beyond the action limit of {plain(action)} {unit} on the laboratory's "
            "chart; the method is out of control. Find the cause and repeat the run.",
            position=position,
            observed=observed,
            limit=_span(chart.action_low, chart.action_high, unit),
        )
    warning = _beyond(value, chart.warning_low, chart.warning_high)
    if warning is not None:
        return CONTROL_CHART.answer(
            CAUTION,
            f"{text}, beyond the warning limit of {plain(warning)} {unit} on the laboratory's "
            "chart; once in twenty is chance, watch the next one.",
            position=position,
            observed=observed,
            limit=_span(chart.warning_low, chart.warning_high, unit),
        )
    pattern = _pattern(run, chart, tube, value)
    if pattern:
        return CONTROL_CHART.answer(
            CAUTION,
            f"{text}, inside its limits, but completes a pattern: {pattern}. Look for a drift "
            "before it leaves the limits.",
            position=position,
            observed=observed,
            limit=pattern,
        )
    return CONTROL_CHART.answer(
        PASS,
        f"{text}, inside the limits of the laboratory's chart.",
        position=position,
        observed=observed,
        limit=_span(chart.action_low, chart.action_high, unit),
    )


def _beyond(value: Exact, low: Decimal | None, high: Decimal | None) -> Decimal | None:
    if low is not None and value < low:
        return low
    if high is not None and value > high:
        return high
    return None


def _span(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{plain(low)} to {plain(high)} {unit}"
    if high is not None:
        return f"<= {plain(high)} {unit}"
    return f">= {plain(low)} {unit}" if low is not None else ""


def _pattern(run: RunCase, chart: ChartLimits, tube: TubeCase, value: Exact) -> str:
    """Return the name of the first pattern the value completes, "" for none."""
    deviation = _deviation(chart)
    if deviation is None:
        return ""
    earlier: list[Exact] = []
    nominal = _nominal_of(run, tube)
    instrument = tube.counted.instrument
    for point in run.newest_controls():
        if len(earlier) == _LONGEST - 1:
            break
        if point.role is tube.role and (not chart.instrument or point.instrument == instrument):
            before = _charted(chart, point, nominal)
            if before is not None:
                earlier.append(before)
    row = [less(v, chart.centre) for v in (*reversed(earlier), value)]
    for rule in PATTERNS:
        # Ratios are dear, so the whole rule is asked only where its ends do not rule it out.
        if _may_complete(rule, row[-rule.window :], deviation) and signals_at_last(
            rule, [Fraction(v) / deviation for v in row[-rule.window :]]
        ):
            return rule.name
    return ""


def _may_complete(rule: RunRule, recent: Sequence[Exact], deviation: Fraction) -> bool:
    """Say whether the first and last two values leave the pattern possible."""
    if len(recent) < max(rule.needed, 2):
        return False
    first, before, last = recent[0], recent[-2], recent[-1]
    if rule.pattern == "trend":
        rises = last > before
        return (last > first) is rises and (recent[1] > first) is rises
    above = last > 0
    if rule.needed == rule.window and not ((first > 0) is above is (before > 0)):
        return False
    return abs(Fraction(last)) > rule.beyond * deviation


def _charted(chart: ChartLimits, point: ControlPoint, nominal: Decimal | None) -> Exact | None:
    if chart.kind == "range":
        return _relative(point.value, point.partner)
    if chart.kind == "mean" and not _same(point.nominal, nominal):
        return None
    return point.value


def _same(one: Decimal | None, other: Decimal | None) -> bool:
    """Say whether two nominal values are one, whatever digits a division left them with."""
    if one is None or other is None:
        return one is other
    return abs(one - other) <= abs(other) * Decimal("1e-9")


def _nominal_of(run: RunCase, tube: TubeCase) -> Decimal | None:
    standard = run.facts.standards.get(tube.tube.standard)
    return (
        None
        if standard is None
        else as_digits(_nominal(standard.value, standard.preparation_factor))
    )


def _deviation(chart: ChartLimits) -> Fraction | None:
    """Return one standard deviation of the chart, None where no limit gives it."""
    for limit, parts in ((chart.action_high, 3), (chart.warning_high, 2)):
        if limit is not None and limit > chart.centre:
            return Fraction(limit - chart.centre) / parts
    for limit, parts in ((chart.action_low, 3), (chart.warning_low, 2)):
        if limit is not None and limit < chart.centre:
            return Fraction(chart.centre - limit) / parts
    return None
