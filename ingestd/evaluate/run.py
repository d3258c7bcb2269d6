"""The judgement of one run: `evaluate(facts) -> outcome`.

Controls speak for the whole run and blanks are subtracted from the other tubes, so blanks are
judged first, then every other tube by itself, then the controls, then whether the run has all
it needs, and last the results are stated from what was found.
"""

from collections.abc import Callable
from decimal import Context, Decimal, localcontext

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.concentration import state_concentration
from ingestd.evaluate.figures import as_digits
from ingestd.evaluate.observed import UnreadableNoteError
from ingestd.evaluate.result import state_results
from ingestd.evaluate.rules.blank import judge_blanks, state_blank, subtract_blanks
from ingestd.evaluate.rules.charts import judge_charts
from ingestd.evaluate.rules.completeness import judge_completeness
from ingestd.evaluate.rules.control_standard import judge_control_standards, nominal_of
from ingestd.evaluate.rules.digestion import judge_digestion
from ingestd.evaluate.rules.duplicates import judge_duplicates
from ingestd.evaluate.rules.fast_digestion import judge_fast_digestion
from ingestd.evaluate.rules.instrument_clock import judge_clocks
from ingestd.evaluate.rules.interferents import judge_chloride, judge_other_interferents
from ingestd.evaluate.rules.kit_lot import judge_box_counts, judge_kit_lot
from ingestd.evaluate.rules.measuring_range import judge_range
from ingestd.evaluate.rules.note import READABLE_NOTE
from ingestd.evaluate.rules.people_and_instruments import judge_competence, judge_verification
from ingestd.evaluate.rules.reading import choose_reading, judge_possible, judge_time
from ingestd.evaluate.rules.replicates import (
    judge_homogenised,
    judge_replicates,
    judge_uneven_pairs,
)
from ingestd.evaluate.rules.rule import HOLD
from ingestd.evaluate.rules.spike import judge_spikes
from ingestd.evaluate.rules.timing import judge_cooling, judge_holding, judge_reaction
from ingestd.evaluate.rules.turbidity import judge_turbidity
from ingestd.evaluate.uncertainty.own_controls import OwnUncertainty, own_uncertainty
from ingestd.model import Finding, Role, RunFacts, RunOutcome, TubeOutcome
from parsers.units import UnitError

ARITHMETIC = Context(prec=60)
"""What every plain Decimal operation of a judgement runs in, whatever the caller's thread has
set: wide enough that no product of printed digits is ever rounded."""

TubeRule = Callable[[RunCase, TubeCase], Finding | None]

Applies = Callable[[RunCase], bool]

TUBE_RULES: tuple[tuple[TubeRule, Applies], ...] = (
    (judge_time, lambda _run: True),
    (judge_kit_lot, lambda _run: True),
    (judge_homogenised, lambda run: "homogenised" in run.bench.keys),
    (judge_turbidity, lambda run: run.method.turbidity_check or "turbidity" in run.bench.keys),
    (judge_chloride, lambda run: run.chloride is not None),
    (
        judge_other_interferents,
        lambda run: any(i is not run.chloride for i in run.method.interferents),
    ),
    (judge_digestion, lambda run: bool(run.method.programs)),
    (judge_fast_digestion, lambda run: any(p.needs_comparison for p in run.method.programs)),
    (judge_cooling, lambda run: bool(run.method.programs)),
    (judge_reaction, lambda run: not run.method.programs),
    (judge_holding, lambda run: run.method.holding is not None),
)
"""Every rule that judges a tube by itself, and whether it has anything to ask of a run. A rule
that applies may still have nothing to say of a tube; skipping it only saves the call."""


def evaluate(facts: RunFacts) -> RunOutcome:
    """Return the judgement of a run: what each tube came to, the results, and why.

    The outcome depends on the facts alone, not on the order in which they arrived.

    Args:
        facts: everything the judgement depends on, gathered before it is made.

    """
    with localcontext(ARITHMETIC):
        return _evaluate(RunCase(facts))


def _evaluate(run: RunCase) -> RunOutcome:
    blanks: list[TubeCase] = []
    others: list[TubeCase] = []
    for tube in run.tubes:
        is_blank = tube.role is Role.BLANK or tube.role is Role.COLOUR_BLANK
        (blanks if is_blank else others).append(tube)
    rules = [rule for rule, applies in TUBE_RULES if applies(run)]
    for tube in blanks:
        _judge_tube(run, tube, rules)
    for tube in others:
        _judge_tube(run, tube, rules)
    judge_competence(run)
    judge_verification(run)
    judge_clocks(run)
    judge_box_counts(run)
    judge_blanks(run)
    judge_control_standards(run)
    judge_duplicates(run)
    judge_charts(run)
    judge_spikes(run)
    judge_replicates(run)
    judge_uneven_pairs(run)
    judge_completeness(run)
    run.uncertainty = _uncertainty_of(run)
    results = state_results(run)
    return RunOutcome(
        run=run.run.name,
        complete=not run.missing,
        missing=tuple(run.missing),
        tubes=tuple(_tube_outcome(tube) for tube in run.tubes),
        results=tuple(results),
        findings=tuple(run.findings),
    )


def _uncertainty_of(run: RunCase) -> OwnUncertainty:
    """Return what the control history says of results, by the control standard in use."""
    for tube in run.of_role(Role.CONTROL_STANDARD):
        standard = run.facts.standards.get(tube.tube.standard)
        if standard is None:
            continue
        try:
            nominal, half_interval = nominal_of(run.method, standard)
        except UnitError:
            continue  # the control standard's own finding says so
        return own_uncertainty(
            run.facts.control_history, as_digits(nominal), as_digits(half_interval)
        )
    return own_uncertainty(run.facts.control_history, None, Decimal(0))


def _judge_tube(run: RunCase, tube: TubeCase, rules: list[TubeRule]) -> None:
    if tube.void is not None:
        tube.steps.append(f"Void: {tube.void}.")
        return
    choose_reading(run, tube)
    if tube.reading is None:
        if tube.missing and run.closed is not None:
            # Nothing more will come: the tube counts as little as one voided by hand.
            tube.void = f"no reading when the run was closed: {run.closed}"
            tube.missing = ""
        return
    state_concentration(run, tube)
    if tube.role is Role.BLANK or tube.role is Role.COLOUR_BLANK:
        state_blank(run, tube)
        own: tuple[TubeRule, ...] = (judge_possible,)
    else:
        subtract_blanks(run, tube)
        own = (judge_possible, judge_range)
    for rule in (*own, *rules):
        try:
            finding = rule(run, tube)
        except UnreadableNoteError as unreadable:
            finding = READABLE_NOTE.answer(
                HOLD,
                f"A note on tube {tube.position} cannot be read: {unreadable}; note it again.",
                position=tube.position,
            )
        if finding is not None:
            tube.findings.append(finding)


def _tube_outcome(tube: TubeCase) -> TubeOutcome:
    return TubeOutcome(
        position=tube.position,
        role=tube.role,
        reading=tube.reading.id if tube.reading is not None else None,
        value=None if tube.value is None else as_digits(tube.value),
        censored=tube.censored,
        findings=tuple(tube.findings),
        steps=tuple(tube.steps),
        void=tube.void is not None,
    )
