"""Why a port cannot be used, and what to do about it.

A port that is gone shows itself as any of half a dozen exceptions, by platform, adapter and
moment. They are translated here, once: `PortLost` (the wire will come back) or `PortRefused`
(a person has to act).
"""

import contextlib
import errno
import grp
import os
import re
import termios
from collections.abc import Iterator
from pathlib import Path

import serial

from ingestd.errors import IngestError
from ingestd.sources.serial.settings import WireSettings

GONE = (serial.SerialException, OSError, termios.error, TypeError, ValueError)
_ABSENT = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO)
_STICKY = 0o10000000000  # CMSPAR of Linux: the parity bit is always mark or always space


class PortLost(IngestError):
    """The port is not there, or went away.

    The line tries again for ever; whoever pulled the plug can put it back.
    """

    disposition = "retry"


class PortRefused(IngestError):
    """The port is there and may not be used so.

    The line tries again for ever; lab IT gives the permission, ends the other program or mends
    the settings named.
    """

    disposition = "retry"


@contextlib.contextmanager
def using(wire: WireSettings) -> Iterator[None]:
    """Whatever goes wrong with an open port means that it is gone."""
    try:
        yield
    except GONE as error:
        raise PortLost(wire.port, _reason(error), _check(wire)) from error


@contextlib.contextmanager
def opening(wire: WireSettings) -> Iterator[None]:
    """Tells a port that is not there from one that must not be used."""
    try:
        yield
    except GONE as error:
        number = _number(error)
        if number in _ABSENT or (wire.is_network and number is not None):
            raise PortLost(wire.port, _reason(error), _check(wire)) from error
        if number in (errno.EACCES, errno.EPERM):
            group = _group(wire.port)
            raise PortRefused(
                wire.port,
                "no permission",
                f"put the account of the service into the group {group} "
                f"(usermod -aG {group} ACCOUNT, or SupplementaryGroups={group} in its unit)",
            ) from error
        if number in (errno.EBUSY, errno.EAGAIN):
            raise PortRefused(
                wire.port,
                "another program has it open",
                f"end that program; `fuser {wire.port}` names it",
            ) from error
        raise PortRefused(
            wire.port, f"cannot be opened with {wire}: {_reason(error)}", "check port and settings"
        ) from error


def check_settings(wire: WireSettings, flags: int, speed: int) -> None:
    """Refuse a device that silently did not take what it was asked for.

    Args:
        wire: what was asked for.
        flags, speed: control flags and output speed as tcgetattr gives them. Speeds without a
            number of their own in termios are not judged.

    Raises:
        PortRefused: names every setting that the device does not do.
    """
    wrong = []
    if flags & termios.CSIZE != getattr(termios, f"CS{wire.bits}"):
        wrong.append(f"{wire.bits} bits")
    parity, mask = 0, termios.PARENB
    if wire.parity != "none":
        mask |= termios.PARODD | _STICKY
        parity = termios.PARENB
        parity |= termios.PARODD if wire.parity in ("odd", "mark") else 0
        parity |= _STICKY if wire.parity in ("mark", "space") else 0
    if flags & mask != parity:
        wrong.append(f"parity {wire.parity}")
    if bool(flags & termios.CSTOPB) != (wire.stop_bits != 1):
        wrong.append(f"{wire.stop_bits} stop bits")
    wanted = getattr(termios, f"B{wire.baud}", None)
    if wanted is not None and speed != wanted:
        wrong.append(f"{wire.baud} baud")
    if wrong:
        raise PortRefused(
            wire.port,
            f"the device does not do {' and '.join(wrong)}",
            "use settings that it can do, or another adapter",
        )


def port_advice(wire: WireSettings, *, by_id: Path = Path("/dev/serial/by-id")) -> list[str]:
    """What is worth saying about a port before it is opened; a sentence each.

    Args:
        wire: how it would be opened.
        by_id: folder of links that lead to adapters by their own serial numbers.
    """
    if wire.is_network:
        is_told = (wire.baud, wire.bits, wire.parity) != (9600, 8, "none")
        if wire.port.startswith("socket://") and is_told:
            return [f"{wire.port} takes no settings from here: set {wire} on the server itself"]
        return []
    path = Path(wire.port)
    advice = []
    if not path.exists():
        advice.append(f"{wire.port} is not there at present; it is waited for")
    elif not os.access(path, os.R_OK | os.W_OK):
        advice.append(
            f"{wire.port} may not be read and written by this account; it belongs to the group "
            f"{_group(wire.port)}"
        )
    if re.fullmatch(r"/dev/tty(USB|ACM)[0-9]+", wire.port):
        links = by_id.iterdir() if by_id.is_dir() else ()
        names = sorted(str(link) for link in links if link.resolve() == path)
        better = names[0] if names else f"a link of {by_id} or by-path"
        advice.append(f"{wire.port} may have another number after replugging; use {better}")
    return advice


def _check(wire: WireSettings) -> str:
    return "check server and network" if wire.is_network else "check cable and adapter"


def _number(error: BaseException) -> int | None:
    """The number of the operating system's error behind `error`."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.errno is not None:
            return cause.errno
        if isinstance(cause, TimeoutError):
            return errno.ETIMEDOUT
        if isinstance(cause, termios.error) and isinstance(cause.args[0], int):
            return cause.args[0]
        cause = cause.__context__
    return None


def _reason(error: BaseException) -> str:
    number = _number(error)
    return os.strerror(number).lower() if number and number > 0 else str(error)


def _group(path: str) -> str:
    with contextlib.suppress(OSError, KeyError):
        return grp.getgrgid(Path(path).stat().st_gid).gr_name
    return "dialout"
