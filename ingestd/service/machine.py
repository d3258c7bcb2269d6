"""What a machine may lack for the service: room, watches, ports, the right time, open doors."""

import ctypes
import errno
import fcntl
import os
import shutil
import socket
import stat
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from ingestd.audit.checkpoints import key_path
from ingestd.config import Config, FolderSource, LineSource
from ingestd.config.operation import host_and_port
from ingestd.sources.folder.filesystem import filesystem_type, is_remote
from ingestd.sources.serial.port_faults import port_advice
from ingestd.sources.serial.settings import WireSettings

WATCHES = Path("/proc/sys/fs/inotify/max_user_watches")
INSTANCES = Path("/proc/sys/fs/inotify/max_user_instances")
PROCESSES = Path("/proc")
MOST_FOLDERS = 200_000  # counted no further
TIME_ERROR = 5  # Source: adjtimex(2): the clock is not synchronised
# Programs that talk to whatever serial adapter is plugged in.
MEDDLERS = ("ModemManager", "brltty")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFault:
    """One thing that is wrong: where, what, and the remedy.

    Attributes:
        is_advice: worth knowing, and nothing that speaks against starting.
    """

    what: str
    problem: str
    remedy: str
    is_advice: bool = False


def is_service_running(ledger: Path) -> bool:
    """Whether a service holds this ledger: then its ports and doors are taken by right."""
    try:
        descriptor = os.open(f"{ledger}.service", os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return False


def check_machine(config: Config) -> Iterator[CheckFault]:
    """Everything about this machine that would hinder the service, or its account."""
    is_running = is_service_running(config.ledger.path)
    yield from _check_account()
    yield from _check_clock()
    yield from _check_disk(config)
    yield from check_watches(config)
    for line in config.lines:
        yield from check_port(line, is_running=is_running)
    if config.lines:
        yield from _check_meddlers()
    if config.service.metrics and not is_running:
        yield from _check_door(config.service.metrics)
    yield from _check_secrets(config)
    yield from _check_checkpoints(config)


def _check_account() -> Iterator[CheckFault]:
    if os.geteuid() == 0:
        yield CheckFault(
            what="account",
            problem="root may do everything, so rights were not tried",
            remedy="check as the service's account: runuser -u ACCOUNT -- ingestd check",
            is_advice=True,
        )


def _check_clock() -> Iterator[CheckFault]:
    """The kernel knows whether anybody keeps its clock right."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return
    state = adjtimex(ctypes.create_string_buffer(512))  # modes = 0: only reads
    if state == TIME_ERROR:
        yield CheckFault(
            what="clock",
            problem="this machine's clock is not synchronised",
            remedy="switch time synchronisation on: arrivals and the journal bear its time",
            is_advice=True,
        )


def _check_disk(config: Config) -> Iterator[CheckFault]:
    folder = nearest(config.ledger.path.parent)
    free = shutil.disk_usage(folder).free >> 20
    if free < config.service.disk_low_mib:
        yield CheckFault(
            what="ledger.path",
            problem=f"only {free} MiB are free on its disk",
            remedy=f"make room for at least {config.service.disk_low_mib} MiB",
        )
    kind = filesystem_type(folder)
    if is_remote(kind):
        yield CheckFault(
            what="ledger.path",
            problem=f"{folder} is on a network share ({kind})",
            remedy="keep the ledger on a local disk: a share may lie about what it has written",
        )


def nearest(path: Path) -> Path:
    """The nearest folder above that exists."""
    while not path.exists() and path != path.parent:
        path = path.parent
    return path


def check_watches(
    config: Config, *, watches: Path = WATCHES, instances: Path = INSTANCES
) -> Iterator[CheckFault]:
    """Too few inotify watches or instances: files are then found by the scan alone, later."""
    native = [one for one in config.folders if _has_events(one)]
    needed = sum(_count_folders(one) for one in native)
    allowed = _number(watches)
    if allowed is not None and needed > allowed:
        yield CheckFault(
            what="inotify",
            problem=f"{needed} folders are to be watched and only {allowed} may be",
            remedy=f"raise fs.inotify.max_user_watches above {needed} by sysctl",
        )
    wanted = len(native) + (config.plan.folder is not None)
    allowed = _number(instances)
    if allowed is not None and wanted > allowed:
        yield CheckFault(
            what="inotify",
            problem=f"{wanted} sources need an instance each and only {allowed} may be had",
            remedy=f"raise fs.inotify.max_user_instances above {wanted} by sysctl",
        )
    elif native and _is_out_of_instances():
        yield CheckFault(
            what="inotify",
            problem="no instance is left for this account",
            remedy="raise fs.inotify.max_user_instances by sysctl, or end what uses them",
        )


def _has_events(source: FolderSource) -> bool:
    if source.backend == "auto":
        return source.path.is_dir() and not is_remote(filesystem_type(source.path))
    return source.backend == "native"


def _count_folders(source: FolderSource) -> int:
    if not source.recursive:
        return 1
    count = 0
    for _ in os.walk(source.path):
        count += 1
        if count >= MOST_FOLDERS:
            break
    return count


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def _is_out_of_instances() -> bool:
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = libc.inotify_init1(os.O_CLOEXEC)
    if descriptor < 0:
        return ctypes.get_errno() == errno.EMFILE
    os.close(descriptor)
    return False


def check_port(line: LineSource, *, is_running: bool) -> Iterator[CheckFault]:
    """A device that is absent, taken, no serial line, or may not be opened.

    Opening one would raise its lines and may reset the instrument; so it is only looked at, and
    locks on it are asked for. Network ports are tried when the service starts.
    """
    what = f"source {line.name}: port"
    if "://" not in line.port:
        yield from _check_device(what, Path(line.port), is_running=is_running)
    wire = WireSettings(port=line.port, baud=line.baud, bits=line.bits, parity=line.parity)
    for advice in port_advice(wire):
        if "not there" not in advice and "may not be" not in advice:  # these are faults, above
            yield CheckFault(what=what, problem=advice, remedy="", is_advice=True)


def _check_device(what: str, path: Path, *, is_running: bool) -> Iterator[CheckFault]:
    try:
        mode = path.stat().st_mode
    except OSError:
        yield CheckFault(
            what=what,
            problem=f"{path} is not there",
            remedy="plug it in, or name it as under /dev/serial/by-id",
        )
        return
    if not stat.S_ISCHR(mode):
        yield CheckFault(
            what=what, problem=f"{path} is no device", remedy="name the port of the instrument"
        )
    elif not os.access(path, os.R_OK | os.W_OK):
        yield CheckFault(
            what=what,
            problem=f"{path} may not be opened",
            remedy="put the service's account into the device's group (often dialout)",
        )
    elif not is_running and (holder := _holder(path)):
        yield CheckFault(
            what=what,
            problem=f"{path} is in use by {holder}",
            remedy="end that program; two readers steal each other's bytes",
        )


def _holder(path: Path) -> str:
    """The program that has a device open, as far as this account may see; "" for none."""
    device = path.resolve()
    for folder in PROCESSES.glob("[0-9]*/fd"):
        if folder.parent.name == str(os.getpid()):
            continue
        try:
            for link in folder.iterdir():
                if link.readlink() == device:
                    name = (folder.parent / "comm").read_text(encoding="utf-8", errors="replace")
                    return f"{name.strip()} (process {folder.parent.name})"
        except OSError:
            continue  # ended meanwhile, or of another account
    return ""


def _check_meddlers() -> Iterator[CheckFault]:
    for path in PROCESSES.glob("[0-9]*/comm"):
        try:
            name = path.read_text(encoding="utf-8", errors="replace").strip()
        except OSError:
            continue
        if name in MEDDLERS:
            yield CheckFault(
                what="serial lines",
                problem=f"{name} runs, which sends commands into serial adapters",
                remedy="switch it off, or install systemd/70-ingestd.rules",
                is_advice=True,
            )


def _check_door(address: str) -> Iterator[CheckFault]:
    host, port = host_and_port(address)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with closing(socket.socket(family, socket.SOCK_STREAM)) as door:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind((host, port))
        except OSError as error:
            yield CheckFault(
                what="service.metrics",
                problem=f"{address}: {error.strerror}",
                remedy="end what uses it, or name another port",
            )


def _check_secrets(config: Config) -> Iterator[CheckFault]:
    """Files that hold secrets: there, and nobody else's."""
    mail, hook, postgres = config.notices.mail, config.notices.webhook, config.delivery.postgres
    named = (
        ("notices.mail.password_file", mail.password_file if mail else None),
        ("notices.mail.ca", mail.ca if mail else None),
        ("notices.webhook.secret_file", hook.secret_file if hook else None),
        ("notices.webhook.ca", hook.ca if hook else None),
        ("delivery.postgres.password_file", postgres.password_file if postgres else None),
        ("delivery.postgres.key", postgres.key if postgres else None),
    )
    for what, path in named:
        if path is None:
            continue
        if not path.is_file() or not os.access(path, os.R_OK):
            yield CheckFault(
                what=what,
                problem=f"{path} cannot be read",
                remedy="make it, readable by the service's account alone, or name a credential",
            )
        elif not what.endswith(".ca") and path.stat().st_mode & 0o077:
            yield CheckFault(
                what=what,
                problem=f"{path} can be read by others",
                remedy=f"chmod 600 {path}, and change the secret",
            )


def _check_checkpoints(config: Config) -> Iterator[CheckFault]:
    ledger = config.ledger
    for what, folder in (("checkpoints", ledger.checkpoints), ("witness", ledger.witness)):
        if folder is not None and not os.access(nearest(folder), os.W_OK | os.X_OK):
            yield CheckFault(
                what=f"ledger.{what}",
                problem=f"{folder} cannot be written",
                remedy="give the service's account write access, or name another folder",
            )
    if ledger.witness is not None and not ledger.witness.is_dir():
        yield CheckFault(
            what="ledger.witness",
            problem=f"{ledger.witness} is not there",
            remedy="mount it, or it is made on this disk, where it witnesses little",
            is_advice=True,
        )
    key = key_path(config)
    if key.exists() and key.stat().st_mode & 0o077:
        yield CheckFault(
            what="journal's key",
            problem=f"{key} can be used by others",
            remedy=f"chmod 600 {key}; if somebody may have copied it, begin with a new one",
        )
