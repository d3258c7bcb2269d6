"""Several changes of the ledger may share one transaction, and so one durable commit.

Who makes a change asks for `change` and need not know whether others are in the same
transaction. What is to be said of it is said once it is durable.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

from ingestd.ledger.store import Change


class Together:
    """Transactions on one ledger, on one thread.

    Args:
        begin: a transaction of its own, in the name of an account.
    """

    def __init__(self, begin: Callable[[str], AbstractContextManager[Change]]) -> None:
        self._begin = begin
        self._shared: Change | None = None
        self._afterwards: list[Callable[[], None]] = []

    @contextmanager
    def share(self, by: str) -> Iterator[None]:
        """One transaction for every change made within; all of them or, on an error, none."""
        try:
            with self._begin(by) as change:
                self._shared = change
                try:
                    yield
                finally:
                    self._shared = None
            for tell in self._afterwards:
                tell()
        finally:
            self._afterwards.clear()

    @contextmanager
    def change(self, by: str) -> Iterator[Change]:
        """The transaction under way, else one of its own."""
        if self._shared is None:
            with self._begin(by) as change:
                yield change
        else:
            yield self._shared
            self._shared.flush()

    def once_durable(self, tell: Callable[[], None]) -> None:
        """Call `tell` when what was changed last is committed."""
        if self._shared is None:
            tell()
        else:
            self._afterwards.append(tell)
