"""Words to the service manager over NOTIFY_SOCKET; silent where there is none."""

import os
import socket


def notify(*words: str) -> None:
    """Send READY=1, STATUS=…, WATCHDOG=1 and the like in one datagram.

    Source: sd_notify(3); a leading @ stands for an abstract socket.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
        channel.connect(address)
        channel.sendall("\n".join(words).encode())


def watchdog_interval_s() -> float | None:
    """Seconds between two pings: half of what the service manager allows; None if it asks none."""
    allowed = os.environ.get("WATCHDOG_USEC")
    return int(allowed) / 2_000_000 if allowed else None
