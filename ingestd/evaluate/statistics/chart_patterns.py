"""Patterns in a row of control values that chance alone seldom makes, each named in words.

A rule looks at signed distances from the centre in standard deviations, oldest first, and
signals at the value that completes its pattern. Beyond always means strictly beyond.

Sources: Western Electric, Statistical Quality Control Handbook (1956); the multirule chart of
clinical chemistry (Clin. Chem. 27, 1981, 493-501); ISO 7870-2:2013 (trend; from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from ingestd.evaluate.rounding import Number, exact

Pattern = Literal["one side", "both sides", "trend"]

WESTERN = "Western Electric, Statistical Quality Control Handbook, 1956"
MULTIRULE = "multirule chart of clinical chemistry, Clin. Chem. 27 (1981) 493-501"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRule:
    """A pattern: so many of the last values further out than so many standard deviations.

    Attributes:
        name: the pattern in words; also its key in configuration and findings.
        pattern: "one side": at least `needed` of the last `window` values lie beyond `beyond`
            on the side of the last one, which is among them. "both sides": two in a row, one
            beyond on each side. "trend": `window` values in a row, each above the one before,
            or each below.
        source: who describes it.

    """

    name: str
    pattern: Pattern
    needed: int
    window: int
    beyond: int
    source: str


ONE_BEYOND_THREE = RunRule(
    name="one beyond three standard deviations",
    pattern="one side",
    needed=1,
    window=1,
    beyond=3,
    source=f"{WESTERN}; {MULTIRULE}",
)
TWO_OF_THREE_BEYOND_TWO = RunRule(
    name="two of three beyond two standard deviations on one side",
    pattern="one side",
    needed=2,
    window=3,
    beyond=2,
    source=WESTERN,
)
FOUR_OF_FIVE_BEYOND_ONE = RunRule(
    name="four of five beyond one standard deviation on one side",
    pattern="one side",
    needed=4,
    window=5,
    beyond=1,
    source=WESTERN,
)
EIGHT_ON_ONE_SIDE = RunRule(
    name="eight in a row on one side of the centre",
    pattern="one side",
    needed=8,
    window=8,
    beyond=0,
    source=WESTERN,
)
ONE_BEYOND_TWO = RunRule(
    name="one beyond two standard deviations",
    pattern="one side",
    needed=1,
    window=1,
    beyond=2,
    source=f"{MULTIRULE} (a warning there)",
)
TWO_IN_A_ROW_BEYOND_TWO = RunRule(
    name="two in a row beyond two standard deviations on one side",
    pattern="one side",
    needed=2,
    window=2,
    beyond=2,
    source=MULTIRULE,
)
TWO_IN_A_ROW_ACROSS = RunRule(
    name="two in a row beyond two standard deviations on opposite sides",
    pattern="both sides",
    needed=2,
    window=2,
    beyond=2,
    # Readings differ: some apply it only between two materials of one run, some to any
    # difference above four. Here it looks at successive values of one chart, each of which is
    # beyond a warning limit and so suspect by itself: a lab with one control sees it too.
    source=f"{MULTIRULE}, read as one value beyond each limit",
)
FOUR_IN_A_ROW_BEYOND_ONE = RunRule(
    name="four in a row beyond one standard deviation on one side",
    pattern="one side",
    needed=4,
    window=4,
    beyond=1,
    source=MULTIRULE,
)
TEN_ON_ONE_SIDE = RunRule(
    name="ten in a row on one side of the centre",
    pattern="one side",
    needed=10,
    window=10,
    beyond=0,
    source=MULTIRULE,
)
SEVEN_RISING_OR_FALLING = RunRule(
    name="seven in a row rising or falling",
    pattern="trend",
    needed=7,
    window=7,
    beyond=0,
    source="ISO 7870-2:2013, trend rule (from memory)",
)

WESTERN_ELECTRIC_RULES = (
    ONE_BEYOND_THREE,
    TWO_OF_THREE_BEYOND_TWO,
    FOUR_OF_FIVE_BEYOND_ONE,
    EIGHT_ON_ONE_SIDE,
)
MULTIRULES = (
    ONE_BEYOND_TWO,
    ONE_BEYOND_THREE,
    TWO_IN_A_ROW_BEYOND_TWO,
    TWO_IN_A_ROW_ACROSS,
    FOUR_IN_A_ROW_BEYOND_ONE,
    TEN_ON_ONE_SIDE,
)
RUN_RULES = {
    rule.name: rule for rule in (*WESTERN_ELECTRIC_RULES, *MULTIRULES, SEVEN_RISING_OR_FALLING)
}
"""Every rule by its name."""


def signals(rule: RunRule, distances: Sequence[Number]) -> tuple[int, ...]:
    """Return the places (from 0) of the values that complete the rule's pattern.

    Args:
        rule: one of RUN_RULES, or a laboratory's own.
        distances: from the centre in standard deviations, signed, oldest first.

    """
    row = [exact(distance) for distance in distances]
    return tuple(
        place
        for place in range(len(row))
        if _completes(rule, row[max(place - rule.window + 1, 0) : place + 1])
    )


def signals_at_last(rule: RunRule, distances: Sequence[Number]) -> bool:
    """Say whether the latest value completes the rule's pattern."""
    recent = [exact(distance) for distance in distances[-rule.window :]]
    return bool(recent) and _completes(rule, recent)


def _completes(rule: RunRule, recent: Sequence[Fraction]) -> bool:
    if len(recent) < rule.needed:
        return False
    if rule.pattern == "trend":
        steps = [later - earlier for earlier, later in pairwise(recent)]
        return all(step > 0 for step in steps) or all(step < 0 for step in steps)
    last = recent[-1]
    if rule.pattern == "both sides":
        first = recent[0]
        return first * last < 0 and min(abs(first), abs(last)) > rule.beyond
    side = 1 if last > 0 else -1
    far = [distance for distance in recent if distance * side > rule.beyond]
    return last * side > rule.beyond and len(far) >= rule.needed
