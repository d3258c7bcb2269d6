"""A control tube that cannot speak for the run because something is wrong with itself."""

from ingestd.evaluate.case import TubeCase
from ingestd.evaluate.rules.rule import HOLD, REFUSE, Rule
from ingestd.model import Finding


def unusable(rule: Rule, tube: TubeCase, noun: str) -> Finding | None:
    """Return the hold that follows when the control tube itself is held or refused, else None."""
    for finding in tube.findings:
        if finding.verdict is HOLD or finding.verdict is REFUSE:
            return rule.answer(
                HOLD,
                f"The {noun} at position {tube.position} cannot be used ({finding.sentence}); "
                "settle that, or repeat the run.",
                position=tube.position,
                observed=finding.rule,
                limit=f"a usable {noun}",
            )
    return None
