"""Named points between durable steps, at which a test can end the program as a power cut would.

In service these calls do nothing. With INGESTD_KILL_AT=name (or name:n, the n-th time the point
is passed) in the environment the process ends itself there with SIGKILL: no handler runs and
nothing is flushed that the program had not made durable itself. A simulation that lives many
lives in one process says with `end_at` what is to happen there instead.
"""

import os
import signal
from collections.abc import Callable

ENVIRONMENT_KEY = "INGESTD_KILL_AT"

# In the order in which an arrival passes them, from start of the service to its end.
STEPS = (
    "ledger_opened",  # made or brought up to date; nothing taken in yet
    "forms_taken",  # the forms in force are on record
    "capture_written",  # inside the transaction that stores an arrival
    "capture_committed",  # the arrival's bytes are durable, nobody has looked inside
    "attempt_counted",  # a capture is taken up again after a stop
    "slice_judged",  # inside the transaction of a slice: readings, places, results written
    "slice_committed",  # a slice of a capture is durable with what it means
    "plan_committed",  # an input is in force, with all that it judged anew
    "capture_failed",  # a capture is set aside with its reason
    "delivered",  # the source is about to hear that the arrival was taken over
    "key_made",  # the signing key is on disk, no checkpoint yet
    "checkpoint_written",  # a signed checkpoint is in one of its folders
    "sources_stopped",  # stopping: the writer still works
    "writer_stopped",  # stopping: the ledger is closed
)
# In the order in which a released result passes them, on the threads of the targets.
DELIVERY_STEPS = (
    "batch_written",  # the centre: all rows of a batch are there, inside its transaction
    "batch_committed",  # the centre has the batch, nobody here has marked it
    "day_written",  # daily files: a day is on disk for good, under a name of its own
    "day_renamed",  # daily files: it is in the place of the one before
    "mark_written",  # inside the transaction that marks what a target has
    "mark_committed",  # the mark is durable
)
_ALL = (*STEPS, *DELIVERY_STEPS)


def _end_for_good() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


_wanted, _, _count = os.environ.get(ENVIRONMENT_KEY, "").partition(":")
if _wanted and _wanted not in _ALL:
    raise RuntimeError(f"{ENVIRONMENT_KEY}: there is no step {_wanted!r}; use {', '.join(_ALL)}")
_left = int(_count or 1)
_end: Callable[[], None] = _end_for_good


def step(name: str) -> None:
    """Pass a named point; ends the process there if a test asked for it."""
    global _left  # noqa: PLW0603 - one countdown a process, set once by its environment
    if name == _wanted:
        _left -= 1
        if _left == 0:
            _end()


def end_at(name: str, *, by: Callable[[], None] = _end_for_good) -> None:
    """Have the next passing of a point end by this; "" for none, as in service.

    Raises:
        ValueError: there is no such point.
    """
    global _wanted, _left, _end
    if name and name not in _ALL:
        raise ValueError(f"there is no step {name!r}; use {', '.join(_ALL)}")
    _wanted, _left, _end = name, 1, by
