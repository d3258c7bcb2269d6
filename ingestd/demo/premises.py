"""The folder a demonstration lives in: checked, cleared of an earlier one, laid out anew."""

import fcntl
import os
import shutil
from importlib.resources import files
from pathlib import Path
from string import Template

from ingestd.config import FILE_NAME, Config, load_config
from ingestd.errors import ConfigError

MARKER = "demonstration.txt"
_MARK = "This folder was made by `ingestd demo`; the next one may clear it."
PHOTOMETERS = ("bench-a", "bench-b", "bench-c", "portable")
# All that a demonstration makes; nothing else is ever removed.
_FOLDERS = ("plan", "forms", "exports", "checkpoints")
_FILES = (
    "ledger.db",
    "ledger.db-wal",
    "ledger.db-shm",
    "ledger.db.service",
    "ledger.db.ask",
    "journal.key",
    FILE_NAME,
)


def data_text(name: str) -> str:
    """A text file of the demonstration's own."""
    return (files("ingestd.demo") / "data" / name).read_text(encoding="utf-8")


def walk_form(value_column: str) -> str:
    """The form of the portable photometer, with the title of its column of values."""
    return Template(data_text("walk_table.toml")).substitute(value_column=value_column)


def lay_out(directory: Path) -> tuple[Config, bool]:
    """A fresh demonstration in this folder; True with it if an earlier one was cleared away.

    Raises:
        ConfigError: the folder holds something else, or a demonstration that still runs.
    """
    cleared = _clear(directory)
    directory.mkdir(parents=True, exist_ok=True)
    (directory / MARKER).write_text(_MARK + "\n", encoding="utf-8")
    for name in ("plan", "forms", *(f"exports/{one}" for one in PHOTOMETERS)):
        (directory / name).mkdir(parents=True)
    (directory / FILE_NAME).write_text(data_text(FILE_NAME), encoding="utf-8")
    # As it was before the portable photometer's settings were changed.
    (directory / "forms" / "walk_table.toml").write_text(
        walk_form("Concentration"), encoding="utf-8"
    )
    return load_config(directory / FILE_NAME), cleared


def _clear(directory: Path) -> bool:
    if directory.exists() and not directory.is_dir():
        raise ConfigError(str(directory), "is a file", "name a folder with --dir")
    if not directory.is_dir() or not any(directory.iterdir()):
        return False
    marker = directory / MARKER
    if not marker.is_file() or _MARK not in marker.read_text(encoding="utf-8", errors="replace"):
        raise ConfigError(
            str(directory),
            "the folder is not empty and holds no demonstration",
            "name an empty or a new folder with --dir",
        )
    _refuse_if_running(directory)
    for name in _FOLDERS:
        if (directory / name).is_dir():
            shutil.rmtree(directory / name)
    for name in _FILES:
        (directory / name).unlink(missing_ok=True)
    return True


def _refuse_if_running(directory: Path) -> None:
    """The service holds a lock on a file beside its ledger as long as it runs."""
    try:
        descriptor = os.open(directory / "ledger.db.service", os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        return
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise ConfigError(
            str(directory),
            "a demonstration still runs in this folder",
            "stop it first, or name another folder with --dir",
        ) from error
    finally:
        os.close(descriptor)
