"""A rule as it is printed and as it answers.

A rule never decides by itself what follows: it answers `pass`, `caution`, `hold` or `refuse`
with the observed value, the limit and a sentence, and the state of a result follows from all
answers together.
"""

from collections.abc import Callable
from dataclasses import dataclass

from ingestd.model import Finding, Method, SitePolicy, Verdict

Parameters = tuple[tuple[str, str], ...]
"""(what, its value with unit) pairs in force for one method at one site."""

PRACTICE = "common practice, no source"


def _no_parameters(_method: Method, _site: SitePolicy) -> Parameters:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What is asked, how it is answered, and on whose authority.

    Attributes:
        name: as findings carry it.
        version: raised whenever an answer can change for the same facts.
        question: what the rule asks, for a person at the bench.
        formula: how it is computed or compared, in words.
        outcomes: (case, verdict) pairs, every case the rule can meet.
        source: published document, or "common practice, no source".
        parameters: the values in force for a method at a site.
    """

    name: str
    version: int = 1
    question: str
    formula: str
    outcomes: tuple[tuple[str, Verdict], ...]
    source: str = PRACTICE
    parameters: Callable[[Method, SitePolicy], Parameters] = _no_parameters

    def answer(
        self,
        verdict: Verdict,
        sentence: str,
        *,
        position: int | None = None,
        observed: str = "",
        limit: str = "",
    ) -> Finding:
        """Return the rule's answer as a finding."""
        return Finding(
            rule=self.name,
            verdict=verdict,
            position=position,
            observed=observed,
            limit=limit,
            version=self.version,
            sentence=sentence,
        )


PASS = Verdict.PASS
CAUTION = Verdict.CAUTION
HOLD = Verdict.HOLD
REFUSE = Verdict.REFUSE
