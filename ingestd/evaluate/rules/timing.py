"""Whether the tube was read at the right time, and prepared soon enough after sampling."""

from datetime import timedelta
from decimal import Decimal

from ingestd.evaluate.case import SAMPLE_LIKE, RunCase, TubeCase
from ingestd.evaluate.figures import (
    in_hours,
    in_minutes,
    minutes_between,
    on_the_clock,
    plain,
    span_of_minutes,
)
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, HoldingTime, Method, Sample, SitePolicy


def _window(low: Decimal | None, high: Decimal | None) -> str:
    if low is not None and high is not None:
        return f"{plain(low)} to {plain(high)} min"
    if low is not None:
        return f">= {plain(low)} min"
    return f"<= {plain(high)} min" if high is not None else "not stated"


def _cooling_parameters(method: Method, _site: SitePolicy) -> Parameters:
    return (("from end of digestion to reading", _window(method.cooling_min, method.cooling_max)),)


def _reaction_parameters(method: Method, _site: SitePolicy) -> Parameters:
    return (("from reagent to reading", _window(method.reaction_min, method.reaction_max)),)


def _holding_parameters(method: Method, _site: SitePolicy) -> Parameters:
    holding = method.holding
    if holding is None:
        return (("holding time", "not stated"),)
    parameters = [("holding time", f"{plain(holding.hours)} h")]
    if holding.preserved_hours is not None:
        how = f" ({holding.preservation})" if holding.preservation else ""
        parameters.append(("holding time preserved", f"{plain(holding.preserved_hours)} h{how}"))
    return tuple(parameters)


COOLING = Rule(
    name="cooling_time",
    question="Had the tube cooled when it was read, and was it not read too late?",
    formula="shortest <= minutes from the end of digestion to the reading <= longest",
    outcomes=(
        ("inside the window", PASS),
        ("end of digestion not noted", HOLD),
        ("read too hot, before the end of digestion, or too late", HOLD),
    ),
    source="window of the method; about 10 min of cooling, mixed once while warm, then to room "
    "temperature: common practice, no source",
    parameters=_cooling_parameters,
)

REACTION = Rule(
    name="reaction_time",
    question="Had the colour developed when the tube was read, and not yet faded?",
    formula="shortest <= minutes from the reagent to the reading <= longest",
    outcomes=(
        ("inside the window", PASS),
        ("time of the reagent not noted", HOLD),
        ("read too early, before the reagent, or too late", HOLD),
    ),
    source="window of the method",
    parameters=_reaction_parameters,
)

HOLDING = Rule(
    name="holding_time",
    question="Was the sample prepared within its holding time?",
    formula="preparation - sampling <= holding time, the longer one where the sample was "
    "preserved as the method says within the shorter one; instants, not wall clocks",
    outcomes=(
        ("within", PASS),
        ("time of sampling not known", CAUTION),
        ("exceeded", HOLD),
        ("sampled after it was prepared", HOLD),
    ),
    source="holding times of the method, such as 28 d for COD and ammonia cooled and acidified: "
    "40 CFR 136.3(e) Table II",
    parameters=_holding_parameters,
)


def judge_cooling(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether the tube was read inside the cooling window, None where none is stated."""
    method = run.method
    if not method.programs or (method.cooling_min is None and method.cooling_max is None):
        return None
    return _judge_window(
        run, tube, COOLING, method.cooling_min, method.cooling_max, "the end of its digestion"
    )


def judge_reaction(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether the tube was read inside the reaction window, None where none is stated."""
    method = run.method
    if method.programs or (method.reaction_min is None and method.reaction_max is None):
        return None
    return _judge_window(
        run, tube, REACTION, method.reaction_min, method.reaction_max, "the reagent was added"
    )


def _judge_window(
    run: RunCase,
    tube: TubeCase,
    rule: Rule,
    low: Decimal | None,
    high: Decimal | None,
    since: str,
) -> Finding:
    reading, position = tube.counted, tube.position
    window = _window(low, high)
    start = run.bench.instant(position, "digestion_end" if rule is COOLING else "reagent_added")
    if start is None:
        noun = "end of digestion" if rule is COOLING else "time of the reagent"
        return rule.answer(
            HOLD,
            f"The {noun} of tube {position} is not noted, so the time until it was read is not "
            f"known; note it (window {window}).",
            position=position,
            observed="not noted",
            limit=window,
        )
    elapsed = minutes_between(start, reading.measured_at)
    observed = in_minutes(elapsed)
    if elapsed < 0:
        return rule.answer(
            HOLD,
            f"Tube {position} was read {in_minutes(-elapsed)} before {since}; one of the two "
            "times is wrong, or the reading is of another tube.",
            position=position,
            observed=observed,
            limit=window,
        )
    if low is not None and elapsed < low:
        why = "it was still hot" if rule is COOLING else "the colour had not developed"
        return rule.answer(
            HOLD,
            f"Tube {position} was read {observed} after {since}, too early ({window}): {why}. "
            "Read it again inside the window.",
            position=position,
            observed=observed,
            limit=window,
        )
    if high is not None and elapsed > high:
        return rule.answer(
            HOLD,
            f"Tube {position} was read {observed} after {since}, too late ({window}); repeat it.",
            position=position,
            observed=observed,
            limit=window,
        )
    return rule.answer(
        PASS,
        f"Tube {position} was read {observed} after {since}, inside {window}.",
        position=position,
        observed=observed,
        limit=window,
    )


def judge_holding(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether the sample was prepared in time, None where the method sets no limit."""
    holding, sample = run.method.holding, tube.sample
    if holding is None or sample is None or tube.role not in SAMPLE_LIKE:
        return None
    position, zone = tube.position, run.site.time_zone
    if sample.sampled_at is None:
        return HOLDING.answer(
            CAUTION,
            f"The time of sampling of {sample.code} is not known, so its holding time cannot be "
            "judged; complete the sample's record.",
            position=position,
            observed="not known",
            limit=f"<= {plain(holding.hours)} h",
        )
    prepared = run.run.prepared_at or run.run.started_at
    kept = prepared - sample.sampled_at
    allowed, why = _allowed(holding, sample)
    hours = plain(allowed)
    limit = f"<= {hours} h"
    if kept < timedelta(0):
        return HOLDING.answer(
            HOLD,
            f"Sample {sample.code} is recorded as taken {on_the_clock(sample.sampled_at, zone)}, "
            f"after it was prepared at {on_the_clock(prepared, zone)}; correct the wrong one.",
            position=position,
            observed=in_hours(kept),
            limit=limit,
        )
    if kept > span_of_minutes(allowed * 60):
        return HOLDING.answer(
            HOLD,
            f"Sample {sample.code} was prepared {in_hours(kept)} after sampling, beyond "
            f"{hours} h {why}; take a new sample, or state the excess with the result.",
            position=position,
            observed=in_hours(kept),
            limit=limit,
        )
    return HOLDING.answer(
        PASS,
        f"Sample {sample.code} was prepared {in_hours(kept)} after sampling, within "
        f"{hours} h {why}.",
        position=position,
        observed=in_hours(kept),
        limit=limit,
    )


def _allowed(holding: HoldingTime, sample: Sample) -> tuple[Decimal, str]:
    """Return the hours allowed and why: the longer ones need preservation in time, as asked."""
    if holding.preserved_hours is None:
        return holding.hours, "(any preservation)"
    asked = holding.preservation.casefold()
    preserved = bool(sample.preservation) or sample.preserved_at is not None
    if not preserved:
        return holding.hours, "(not preserved)"
    if asked and asked not in sample.preservation.casefold():
        return holding.hours, f"(not preserved by {holding.preservation})"
    if (
        sample.preserved_at is not None
        and sample.sampled_at is not None
        and sample.preserved_at - sample.sampled_at > span_of_minutes(holding.hours * 60)
    ):
        return holding.hours, "(preserved too late)"
    return holding.preserved_hours, "(preserved)"
