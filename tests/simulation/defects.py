"""Defects put into the program on purpose: each must be noticed by the simulation.

Each is a change to one function of the program while it is in force.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import ingestd.evaluate.concentration
import ingestd.evaluate.identity
import ingestd.evaluate.result
import ingestd.ledger.connection
import ingestd.ledger.deliveries
import ingestd.ledger.fold
import ingestd.pipeline.capture_store
import ingestd.pipeline.identify
import ingestd.pipeline.inputs
import ingestd.pipeline.judge
import ingestd.pipeline.place
import ingestd.pipeline.replay.replay
from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, times
from ingestd.evaluate.identity import NEW, Recognised
from ingestd.sources.arrivals import Arrival

Wrap = Callable[[Callable[..., Any]], Callable[..., Any]]


def _diluted_twice(right: Callable[..., Any]) -> Callable[..., Any]:
    def apply(run: RunCase, tube: TubeCase, printed: Exact | None) -> Exact | None:
        once: Exact | None = right(run, tube, printed)
        return None if once is None else times(once, tube.factor)

    return apply


def _loses_a_reading(right: Callable[..., Any]) -> Callable[..., Any]:
    def see(readings: Any, **how: Any) -> Any:
        several = list(readings)
        return right(several[:-1] if len(several) > 4 else several, **how)

    return see


def _forgets_the_value(right: Callable[..., Any]) -> Callable[..., Any]:
    def identity_key(instrument: str, reading: Any, ordinal: int = 0) -> str:
        key: str = right(instrument, reading, ordinal)
        return key if reading.sequenced else key.rsplit("\x1f", 2)[0]

    return identity_key


def _same_is_same(_right: Callable[..., Any]) -> Callable[..., Any]:
    def number(seen: Any, before: Any) -> Any:
        return list(seen)

    return number


def _contradiction_is_new(right: Callable[..., Any]) -> Callable[..., Any]:
    def recognise(text: str, known: Any) -> Recognised:
        answer: Recognised = right(text, known)
        return NEW if answer.sameness == "conflict" else answer

    return recognise


def _released_is_replaced(right: Callable[..., Any]) -> Callable[..., Any]:
    def stored_results(change: Any, run: str) -> Any:
        found = right(change, run)
        for one in found.values():
            object.__setattr__(one, "released", None)
        return found

    return stored_results


def _nothing_is_tried_again(_right: Callable[..., Any]) -> Callable[..., Any]:
    return lambda *_: []


def _loses_a_byte(right: Callable[..., Any]) -> Callable[..., Any]:
    def part(self: Arrival, start: int, stop: int | None = None) -> bytes:
        data: bytes = right(self, start, stop)
        return data if stop is not None or start == 0 else data[:-1] + b" "

    return part


def _keeps_half(_right: Callable[..., Any]) -> Callable[..., Any]:
    def roll_back(conn: Any) -> None:
        if conn.in_transaction:
            conn.execute("COMMIT")

    return roll_back


def _delivers_no_withdrawal(right: Callable[..., Any]) -> Callable[..., Any]:
    def rows(*args: Any, **how: Any) -> Any:
        return (row for row in right(*args, **how) if row.standing != "withdrawn")

    return rows


def _rounds_up(right: Callable[..., Any]) -> Callable[..., Any]:
    return lambda value, step, _mode: right(value, step, "half_up")


def _damaged_counts(_right: Any) -> Any:
    return "a kind that no capture has"


def _doubt_is_absence(_right: Any) -> Any:
    return property(lambda self: self.is_judged)


# Where each defect is put in, and what it makes of what stands there.
DEFECTS: Mapping[str, tuple[Any, str, Callable[[Any], Any]]] = {
    "dilution applied twice": (ingestd.evaluate.concentration, "apply_dilution", _diluted_twice),
    "a reading dropped": (ingestd.pipeline.place, "see", _loses_a_reading),
    "identity without its value": (ingestd.pipeline.identify, "identity_key", _forgets_the_value),
    "identical rows taken for one": (ingestd.pipeline.place, "number", _same_is_same),
    "contradiction taken for new": (ingestd.pipeline.identify, "recognise", _contradiction_is_new),
    "released result replaced": (ingestd.pipeline.judge, "_stored_results", _released_is_replaced),
    "waiting readings forgotten": (
        ingestd.pipeline.inputs,
        "retry_waiting",
        _nothing_is_tried_again,
    ),
    "a byte of a growing file altered": (Arrival, "part", _loses_a_byte),
    "half a transaction kept": (ingestd.ledger.connection, "_roll_back", _keeps_half),
    "withdrawals not delivered": (
        ingestd.ledger.deliveries, "outbox_in_time", _delivers_no_withdrawal,
    ),
    "half way always rounded up": (ingestd.evaluate.result, "round_decimal", _rounds_up),
    "damaged frames read by a replay": (ingestd.pipeline.replay.replay, "NOISE", _damaged_counts),
    "control in doubt passed over": (TubeCase, "is_to_answer", _doubt_is_absence),
}  # fmt: skip


@contextmanager
def defect(name: str) -> Iterator[None]:
    """The program with one defect."""
    where, what, spoil = DEFECTS[name]
    with patch.object(where, what, spoil(getattr(where, what))):
        yield
