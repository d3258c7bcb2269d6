"""Whether the clocks of the instruments agree with the time their readings arrived."""

from datetime import datetime

from ingestd.evaluate.case import RunCase
from ingestd.evaluate.clock import LEAST_PAIRS, RULE, TOLERANCE, clock_offset, judge_clock, spoken
from ingestd.evaluate.rules.rule import CAUTION, PASS, Rule

CLOCK = Rule(
    name=RULE,
    question="Does the instrument's clock agree with ours?",
    formula=f"|median of (stated - arrived)| over at least {LEAST_PAIRS} readings of the run"
    f" <= {spoken(TOLERANCE)}; by exported files only a clock that runs ahead can be told",
    outcomes=(
        ("within what is allowed", PASS),
        ("ahead or behind by more", CAUTION),
    ),
    parameters=lambda _method, _site: (("largest offset", spoken(TOLERANCE)),),
)


def judge_clocks(run: RunCase) -> None:
    """Add a finding for each instrument whose readings in this run speak for its clock."""
    pairs: dict[str, list[tuple[datetime, datetime]]] = {}
    late: set[str] = set()
    for tube in run.tubes:
        for reading in run.facts.readings.get(tube.position, ()):
            if reading.time_note:
                continue
            instant = (reading.measured_at, reading.arrived_at)
            pairs.setdefault(reading.instrument, []).append(instant)
            if reading.form not in run.facts.prompt_forms:
                late.add(reading.instrument)
    for instrument in sorted(pairs):
        offset = clock_offset(pairs[instrument])
        finding = judge_clock(instrument, offset, is_prompt=instrument not in late)
        if finding is not None:
            run.findings.append(finding)
