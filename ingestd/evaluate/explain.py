"""The whole derivation of a result in plain sentences, from the display to the state."""

from ingestd.evaluate.rules.registry import RULES
from ingestd.model import Finding, ResultOutcome, State, Verdict

_STATES = {
    State.ACCEPTED: "No rule objects; it is accepted and waits for release.",
    State.AWAITING: "The run is not complete, so nothing is decided yet.",
    State.HELD: "It is held: a person must settle what is named above, or release it with a "
    "reason that is printed with it.",
    State.REFUSED: "It is refused and can never be released as it stands.",
}
_HEADINGS = (
    (Verdict.REFUSE, "Refused by"),
    (Verdict.HOLD, "Held by"),
    (Verdict.CAUTION, "Caution of"),
    (Verdict.PASS, "Passed"),
)


def explain(result: ResultOutcome, missing: tuple[str, ...] = ()) -> list[str]:
    """Return the derivation: what is stated, how it came about, what each rule said, the state.

    Args:
        result: as judged.
        missing: what the run still lacks, from its outcome.

    """
    what = f"{result.analyte}, {result.fraction}" + (
        f", as {result.basis}" if result.basis else ""
    )
    if result.text:
        spread = f" ± {result.uncertainty:f}" if result.uncertainty is not None else ""
        head = f"Sample {result.sample}: {what} is {result.text}{spread} {result.unit}."
    else:
        head = f"Sample {result.sample}: {what} has no value."
    sentences = [head]
    if result.repeats:
        sentences.append(f"It repeats: {result.repeats}.")
    sentences += result.steps
    for verdict, heading in _HEADINGS:
        sentences += [
            f"{heading} {finding.rule} (version {finding.version}): {finding.sentence}"
            f"{_source(finding)}"
            for finding in result.findings
            if finding.verdict is verdict
        ]
    sentences += [f"Still missing: {what}." for what in missing]
    sentences.append(_STATES.get(result.state, f"It is {result.state}."))
    return sentences


def _source(finding: Finding) -> str:
    """Return where the rule of a finding that is no pass comes from, so that it can be argued."""
    rule = RULES.get(finding.rule)
    if rule is None or finding.verdict is Verdict.PASS:
        return ""
    return f" [{rule.source}]"
