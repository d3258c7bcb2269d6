"""What was noted at the bench, looked up by tube and key.

The newest observation of one key counts; a tube's own beats the run's.
"""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal, InvalidOperation
from functools import lru_cache

from ingestd.model import Observation, ObservationKey


class UnreadableNoteError(ValueError):
    """A note's text is not the number or instant its key asks for.

    The tube is held until someone notes it again.
    """


class BenchNotes:
    """The observations of one run, indexed once.

    Attributes:
        keys: every key of which there is a note, for the run or any tube.
    """

    __slots__ = ("_of_run", "_of_tubes", "keys")

    def __init__(self, observations: Iterable[Observation]) -> None:
        newest: dict[tuple[int | None, str], Observation] = {}
        for observation in observations:
            place = (observation.position, observation.key)
            known = newest.get(place)
            if known is None or observation.id > known.id:
                newest[place] = observation
        self._of_run: dict[str, str] = {}
        self._of_tubes: dict[tuple[int, str], str] = {}
        for (position, key), observation in newest.items():
            if position is None:
                self._of_run[key] = observation.value
            else:
                self._of_tubes[position, key] = observation.value
        self.keys = frozenset(key for _, key in newest)

    def noted(self, position: int | None, key: ObservationKey) -> str | None:
        """Return the text noted for the tube, else for the run, else None."""
        if self._of_tubes and position is not None:
            own = self._of_tubes.get((position, key))
            if own is not None:
                return own
        return self._of_run.get(key)

    def noted_on_tube(self, position: int, key: ObservationKey) -> str | None:
        """Return the text noted for this very tube, else None."""
        return self._of_tubes.get((position, key)) if self._of_tubes else None

    def instant(self, position: int | None, key: ObservationKey) -> datetime | None:
        """Return the noted instant, aware, or None where none is noted.

        Raises:
            UnreadableNoteError: the noted text is not an instant with its offset.

        """
        text = self.noted(position, key)
        return None if text is None else read_instant(text, key)

    def number(self, position: int | None, key: ObservationKey) -> Decimal | None:
        """Return the noted number, or None where none is noted.

        Raises:
            UnreadableNoteError: the noted text is not a finite decimal number.

        """
        text = self.noted(position, key)
        return None if text is None else read_number(text, key)


@lru_cache(maxsize=1024)
def read_instant(text: str, key: str) -> datetime:
    """Return the noted text as an aware instant.

    Raises:
        UnreadableNoteError: the text is not an instant with its offset.

    """
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise UnreadableNoteError(f"{key} {text!r} is not a date and time") from None
    if instant.tzinfo is None:
        raise UnreadableNoteError(f"{key} {text!r} has no offset from UTC")
    return instant


def read_number(text: str, key: str) -> Decimal:
    """Return the noted text as an exact number.

    Raises:
        UnreadableNoteError: the text is not a finite decimal number.

    """
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise UnreadableNoteError(f"{key} {text!r} is not a number") from None
    if not number.is_finite():
        raise UnreadableNoteError(f"{key} {text!r} is not a finite number")
    return number
