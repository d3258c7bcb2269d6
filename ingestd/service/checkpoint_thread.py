"""Checkpoints now and then, on a thread of their own.

A witness folder may be on a share that hangs: nothing else may wait for it. Signing reads through
a connection that cannot write; SQLite shows a commit to it only once that is durable.
"""

import threading
from typing import Any

from ingestd import events
from ingestd.audit.checkpoints import write_checkpoint
from ingestd.config import Config
from ingestd.errors import IngestError
from ingestd.ledger.journal.checkpoints import CheckpointError
from ingestd.ledger.store import Ledger

WAIT_S = 20.0  # at start and stop; a witness that takes longer gets the next one


class Signing:
    """Writes checkpoints of one ledger.

    Args:
        log: a structlog logger.
    """

    def __init__(self, log: Any) -> None:
        self._log = log
        self._thread: threading.Thread | None = None
        self.refused = ""  # why the last one could not be written, "" if it could

    def begin(self, config: Config) -> None:
        """Sign the journal as it stands, without waiting for it."""
        if self._thread is not None and self._thread.is_alive():
            self.refused = "the one before is still being written; check the witness folder"
            self._log.warning(events.CHECKPOINT_REFUSED, problem=self.refused)
            return
        self._thread = threading.Thread(
            target=self._sign, args=(config,), name="signing", daemon=True
        )
        self._thread.start()

    def wait(self) -> None:
        """Wait until it is written, or WAIT_S."""
        if self._thread is not None:
            self._thread.join(WAIT_S)

    def _sign(self, config: Config) -> None:
        try:
            ledger = Ledger.open_readonly(config.ledger.path)
            try:
                checkpoint = write_checkpoint(ledger.conn, config)
            finally:
                ledger.close()
        except CheckpointError as error:
            self.refused = str(error)
            self._log.error(events.CHECKPOINT_REFUSED, problem=self.refused)
        except (OSError, IngestError) as error:
            self.refused = str(error)
            self._log.warning(events.CHECKPOINT_REFUSED, problem=self.refused)
        else:
            self.refused = ""
            self._log.info(events.CHECKPOINT_WRITTEN, size=checkpoint.size)
