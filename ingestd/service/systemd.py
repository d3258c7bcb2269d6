"""Words to the service manager over NOTIFY_SOCKET; silent where there is none."""

import os
import socket
import time


def notify(*words: str) -> None:
    """Send READY=1, STATUS=…, WATCHDOG=1 and the like in one datagram.

    A service manager that takes nothing just now (its queue is full, it is being replaced) loses
    a word of no consequence: the next one follows. The service never waits for it.

    Source: sd_notify(3); a leading @ stands for an abstract socket.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    kind = socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK
    with socket.socket(socket.AF_UNIX, kind) as channel:
        try:
            channel.connect(address)
            channel.send("\n".join(words).encode())
        except OSError:
            return


def status_word(text: str) -> str:
    """STATUS=… of one line, whatever the text holds."""
    return f"STATUS={' '.join(text.split())}"


def reloading_words() -> tuple[str, str]:
    """Say that a reload begins; READY=1 ends it.

    Source: sd_notify(3): RELOADING=1 goes with MONOTONIC_USEC in the same datagram, microseconds
    of CLOCK_MONOTONIC.
    """
    return "RELOADING=1", f"MONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}"


def watchdog_interval_s() -> float | None:
    """Seconds between two pings: half of what the service manager allows; None if it asks none.

    Source: sd_watchdog_enabled(3); WATCHDOG_PID names the process that is asked.
    """
    allowed = os.environ.get("WATCHDOG_USEC")
    asked = os.environ.get("WATCHDOG_PID")
    if not allowed or (asked and asked != str(os.getpid())):
        return None
    return int(allowed) / 2_000_000
