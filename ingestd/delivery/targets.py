"""What every target of delivery can do, and what one step came to."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What a step brought: entries passed, rows added, entries refused with what was said.

    `more` says that the next step has something to do at once.
    """

    entries: int = 0
    rows: int = 0
    more: bool = False
    refused: Mapping[int, str] = field(default_factory=dict)


# Runs a job on the ledger that may write, and returns when it has.
Apply = Callable[[Callable[[Ledger], None]], None]


class Target(Protocol):
    """A place that results are delivered to."""

    name: str

    def step(self, ledger: Connection) -> Progress:
        """Deliver the next batch and mark it; nothing new: an empty Progress.

        Raises:
            TargetUnavailable, TargetRejected: nothing is lost, step again later.
        """
        ...

    def retry(self, ledger: Connection) -> Progress:
        """Offer what was refused once more."""
        ...

    def interrupt(self) -> None:
        """End a step under way, from another thread."""
        ...

    def close(self) -> None:
        """Leave the target."""
        ...
