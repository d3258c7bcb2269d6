"""What every target of delivery can do, and what one step came to."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from ingestd.ledger.connection import Connection


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What a step brought: entries passed, rows added, entries refused with what was said."""

    entries: int = 0
    rows: int = 0
    refused: Mapping[int, str] = field(default_factory=dict)


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
