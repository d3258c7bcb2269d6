"""Work that takes longer than a page may: replays and verification, one at a time.

Each runs on a thread of its own with a ledger of its own; its page shows how far it is and, at
the end, what came of it. Jobs live in memory: what they did stands in the journal.
"""

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ingestd import events
from ingestd.errors import IngestError, Refused
from ingestd.plan.faults import PlanError
from ingestd.web.context import PageContext
from parsers import FormError

MOST_KEPT = 40


@dataclass(slots=True)
class Job:
    """One piece of work.

    Attributes:
        what: in words, for its page.
        asked: what it was asked with, so that a dry run can be followed by the real one.
        done, of: how far it is; `of` 0 where that is not known.
        outcome: what it came to; None while it runs or where it was refused.
        problem: why it was refused, "" otherwise.
    """

    id: str
    kind: str
    what: str
    by: str
    began_at: datetime
    asked: dict[str, Any] = field(default_factory=dict)
    done: int = 0
    of: int = 0
    outcome: Any = None
    problem: str = ""
    finished: threading.Event = field(default_factory=threading.Event)


class Jobs:
    """The jobs of one office."""

    def __init__(self, context: PageContext) -> None:
        self._office = context
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(
        self,
        kind: str,
        what: str,
        by: str,
        work: Callable[[Job], Any],
        *,
        asked: dict[str, Any] | None = None,
    ) -> Job:
        """Begin a job.

        Raises:
            Refused: another one is under way.
        """
        with self._lock:
            running = next((j for j in self._jobs.values() if not j.finished.is_set()), None)
            if running is not None:
                raise Refused("job", f"{running.what} is under way", "wait until it is done")
            job = Job(
                secrets.token_hex(8), kind, what, by, self._office.clock(), asked=asked or {}
            )
            self._jobs[job.id] = job
            for old in list(self._jobs)[:-MOST_KEPT]:
                del self._jobs[old]
        threading.Thread(target=self._run, args=(job, work), name="job", daemon=True).start()
        return job

    def _run(self, job: Job, work: Callable[[Job], Any]) -> None:
        try:
            job.outcome = work(job)
        except (Refused, PlanError, FormError) as error:
            job.problem = str(error)
        except IngestError as error:
            job.problem = str(error)
            if error.disposition == "stop":
                self._office.fail(error)
        except Exception as error:
            job.problem = "Something went wrong here; see the log."
            self._office.log.exception(
                events.REQUEST_FAILED, path=job.kind, kind=type(error).__name__
            )
        finally:
            job.finished.set()

    def get(self, ident: str) -> Job:
        """The job of this name.

        Raises:
            Refused: there is none, or not any more.
        """
        with self._lock:
            job = self._jobs.get(ident)
        if job is None:
            raise Refused("job", "there is none of this name any more", "start it again")
        return job
