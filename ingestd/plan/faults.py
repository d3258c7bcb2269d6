"""What is wrong with a plan, where it stands and what to do; all of it at once."""

from collections.abc import Iterable
from dataclasses import dataclass

SHOWN_LIMIT = 40


class ValueRefused(ValueError):
    """One text is not what its place asks for: the problem, and the remedy."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFault:
    """One thing that keeps a plan from being loaded.

    Attributes:
        file: name of the bench sheet or plan file, "" for an observation.
        line: 1-based line (row of a worksheet), 0 where none can be named.
        column: name of the column or key, "" for the row or file itself.
        value: what stands there as written, at most 40 characters, "" for nothing.
        problem: what is wrong, without a full stop.
        remedy: what to do, as an instruction.
    """

    file: str
    line: int
    column: str
    value: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        parts = [self.file, f"line {self.line}" if self.line else "", self.column]
        place = ", ".join(part for part in parts if part)
        found = f" (found {self.value!r})" if self.value else ""
        head = f"{place}: " if place else ""
        return f"{head}{self.problem}{found}; {self.remedy}"


class PlanError(ValueError):
    """A plan was not loaded, and nothing of it was: every fault found, in file order.

    The file is kept as it came; whoever wrote it mends the places named and loads it again.
    """

    def __init__(self, faults: Iterable[PlanFault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


def shown(value: object) -> str:
    """Return the value as text of at most 40 characters, for a fault."""
    text = str(value)
    return text if len(text) <= SHOWN_LIMIT else text[: SHOWN_LIMIT - 1] + "…"


def listed(names: Iterable[str], limit: int = 12) -> str:
    """Return names in alphabetical order, comma between; the rest counted where too many."""
    ordered = sorted(names)
    if not ordered:
        return "none"
    more = len(ordered) - limit
    return ", ".join(ordered[:limit]) + (f" and {more} more" if more > 0 else "")
