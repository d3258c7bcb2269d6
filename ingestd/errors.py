"""What can go wrong outside the bytes and the chemistry, and what the service does about it.

First line of each docstring: what happened. Second: what the service does and who can mend it.
"""

from typing import ClassVar, Literal

Disposition = Literal["retry", "hold", "stop"]


class IngestError(Exception):
    """Base of ingestd's own errors; never raised itself.

    Attributes:
        subject: what it is about (file, folder, table, key).
        hint: what to do.
        disposition: what the service does: retry later, hold the matter for a person, or stop.
    """

    disposition: ClassVar[Disposition]

    def __init__(self, subject: str, problem: str, hint: str = "") -> None:
        if type(self) is IngestError:
            raise TypeError("IngestError is abstract: raise one of its children")
        self.subject = subject
        self.problem = problem
        self.hint = hint
        super().__init__(f"{subject}: {problem}" + (f"; {hint}" if hint else ""))


class ConfigError(IngestError):
    """The configuration is wrong.

    The service does not start (or keeps the old one on reload); lab IT mends the key named.
    """

    disposition = "stop"


class LedgerBusy(IngestError):
    """Another process held the ledger's write lock for too long.

    The service tries again; if it lasts, lab IT ends the process that holds it.
    """

    disposition = "retry"


class LedgerMismatch(IngestError):
    """The ledger is not ours, is newer than this program, or contradicts itself.

    The service stops; lab IT checks path and version, or restores a backup.
    """

    disposition = "stop"


class StoreFull(IngestError):
    """There is no room to commit.

    Intake pauses, source files stay where they are; it goes on once lab IT has made room.
    """

    disposition = "retry"


class CommitUnknown(IngestError):
    """A commit or a sync failed, so nobody knows whether it stands.

    The service stops at once; on restart it verifies and resumes by identity.
    """

    disposition = "stop"


class Refused(IngestError):
    """A person asked for something the rules forbid, or that does not exist.

    Nothing is changed; the message says what would be possible.
    """

    disposition = "hold"


class TargetUnavailable(IngestError):
    """A delivery target cannot be reached or cannot take anything just now.

    Delivery waits longer each time and goes on by itself; nothing is lost meanwhile.
    """

    disposition = "retry"


class TargetRejected(IngestError):
    """A delivery target answers, but refuses us: password, rights, schema, another history.

    Delivery to it stands and looks again now and then; lab IT mends what the message names.
    """

    disposition = "hold"
