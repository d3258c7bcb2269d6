"""What the rules answered and what is stated: findings, outcomes of tubes, results and runs."""

from decimal import Decimal
from typing import Literal

from ingestd.model.vocabulary import Role, State, Verdict
from parsers.frozen import frozen


@frozen
class Finding:
    """A rule's answer.

    Attributes:
        rule: name of the rule, e.g. `kit_lot_in_date`.
        position: the tube it speaks of, None for the run or the sample.
        observed, limit: as text with unit, "" where there is none.
        version: version of the rule, raised whenever its answer can change.
        sentence: what was asked and found, and what to do; one or two plain sentences.
    """

    rule: str
    verdict: Verdict
    position: int | None = None
    observed: str = ""
    limit: str = ""
    version: int = 1
    sentence: str


@frozen
class TubeOutcome:
    """What one tube came to.

    Attributes:
        value: concentration in the sample, unrounded, dilution applied; None if there is none.
        reading: id of the reading that counts, None if none does.
        steps: how the value came about, one plain sentence a step.
    """

    position: int
    role: Role
    reading: int | None
    value: Decimal | None
    censored: Literal["", "<", ">"]
    findings: tuple[Finding, ...]
    steps: tuple[str, ...]
    void: bool = False


@frozen
class ResultOutcome:
    """The value of one (sample, analyte with fraction and basis) in one run.

    Attributes:
        value: rounded once, as stated; None if there is none. For `<` and `>` the limit.
        text: the statement, e.g. `< 150`, `1480`, `> 1500`; "" if there is none.
        uncertainty: expanded (k = 2), rounded as stated, in the result's unit; None if the
            data do not suffice.
        findings: those of its tubes, of the run and its own, most severe first.
        steps: the derivation from reading to statement.
    """

    sample: str
    analyte: str
    fraction: str
    basis: str
    unit: str
    value: Decimal | None
    censored: Literal["", "<", ">"]
    text: str
    unrounded: Decimal | None
    uncertainty: Decimal | None
    state: State
    findings: tuple[Finding, ...]
    steps: tuple[str, ...]
    tubes: tuple[int, ...]
    readings: tuple[int, ...]
    repeats: str = ""


@frozen
class RunOutcome:
    """The judgement of one run.

    Attributes:
        complete: every planned tube has a reading or is void, and every control is met, or a
            person has closed the run.
        missing: what is still lacking, one phrase each.
        findings: those of the run as a whole (controls, completeness).
    """

    run: str
    complete: bool
    missing: tuple[str, ...]
    tubes: tuple[TubeOutcome, ...]
    results: tuple[ResultOutcome, ...]
    findings: tuple[Finding, ...]
