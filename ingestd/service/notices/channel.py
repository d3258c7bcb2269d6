"""What a way to tell somebody is: it takes a notice, certainly does not, or nobody knows."""

from typing import Protocol

from ingestd.service.notices.letter import Letter


class NotTaken(Exception):
    """The notice did not go out for certain; it may be tried again."""


class MaybeTaken(Exception):
    """The answer was lost: it may have gone out, and is not tried again."""


class Channel(Protocol):
    """One way to tell somebody."""

    name: str

    def send(self, letter: Letter) -> None:
        """Send it.

        Raises:
            NotTaken, MaybeTaken: with what the other side said.
        """
