"""Everything that would go wrong before the service starts, all faults at once."""

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ingestd.config import Config, FolderSource, LineSource
from ingestd.errors import IngestError
from ingestd.forms import shipped_forms
from ingestd.ledger.plan import Book, BookKeeper
from ingestd.ledger.store import Ledger
from parsers import FormError, load_form

LOW_DISK_MIB = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFault:
    """One thing that is wrong: where, what, and the remedy."""

    what: str
    problem: str
    remedy: str


def check_all(config: Config) -> list[CheckFault]:
    """All faults of configuration, folders, forms and ledger; empty if none."""
    faults: list[CheckFault] = []
    book = _check_ledger(config, faults)
    names = _check_forms(config, faults)
    for source in config.source:
        faults += _check_source(source, names, book)
    for line in config.lines:
        faults += _check_port(line)
    if config.plan.folder is not None:
        faults += _check_folder("plan.folder", config.plan.folder)
    faults += _check_delivery(config)
    return faults


def _check_delivery(config: Config) -> Iterator[CheckFault]:
    """The password's file and the folder of daily files."""
    files, postgres = config.delivery.files, config.delivery.postgres
    if files is not None:
        yield from _check_folder("delivery.files.folder", files.folder)
    secret = postgres.password_file if postgres is not None else None
    if secret is not None and not os.access(secret, os.R_OK):
        yield CheckFault(
            what="delivery.postgres.password_file",
            problem=f"{secret} cannot be read",
            remedy="make it, readable by the service's account alone, or name a credential",
        )


def _check_ledger(config: Config, faults: list[CheckFault]) -> Book | None:
    path = config.ledger.path
    folder = _nearest(path.parent)
    if not os.access(folder, os.W_OK | os.X_OK):
        faults.append(
            CheckFault(
                what="ledger.path",
                problem=f"{folder} cannot be written",
                remedy="give the service's account write access, or name another path",
            )
        )
    free = shutil.disk_usage(folder).free >> 20
    if free < LOW_DISK_MIB:
        faults.append(
            CheckFault(
                what="ledger.path",
                problem=f"only {free} MiB are free on its disk",
                remedy=f"make room for at least {LOW_DISK_MIB} MiB",
            )
        )
    if not path.is_file():
        return None
    try:
        ledger = Ledger.open_readonly(path)
    except IngestError as error:
        faults.append(CheckFault(what="ledger.path", problem=str(error), remedy=error.hint))
        return None
    try:
        if ledger.site and ledger.site != config.site.name:
            faults.append(
                CheckFault(
                    what="site.name",
                    problem=f"the ledger belongs to {ledger.site!r}, not {config.site.name!r}",
                    remedy="mend the name or ledger.path",
                )
            )
        return BookKeeper().current(ledger.conn)
    finally:
        ledger.close()


def _nearest(path: Path) -> Path:
    while not path.exists() and path != path.parent:
        path = path.parent
    return path


def _check_forms(config: Config, faults: list[CheckFault]) -> set[str]:
    texts = shipped_forms()
    folder = config.plan.forms
    if folder is not None:
        folder_faults = list(_check_folder("plan.forms", folder))
        faults += folder_faults
        if not folder_faults:
            texts |= {path.stem: path.read_bytes() for path in sorted(folder.glob("*.toml"))}
    for name, data in texts.items():
        try:
            load_form(data, name)
        except FormError as error:
            faults.append(
                CheckFault(
                    what=f"form {name}", problem=str(error), remedy="mend the key in the form"
                )
            )
    return set(texts)


def _check_folder(what: str, path: Path) -> Iterator[CheckFault]:
    if not path.is_dir():
        yield CheckFault(
            what=what, problem=f"{path} is no folder", remedy="make it, mount it or mend the path"
        )
    elif not os.access(path, os.R_OK | os.X_OK):
        yield CheckFault(
            what=what,
            problem=f"{path} cannot be read",
            remedy="give the service's account read access",
        )


def _check_source(
    source: FolderSource | LineSource, forms: set[str], book: Book | None
) -> Iterator[CheckFault]:
    what = f"source {source.name}"
    if isinstance(source, FolderSource):
        yield from _check_folder(f"{what}: path", source.path)
    for form in source.forms:
        if form not in forms:
            yield CheckFault(
                what=f"{what}: forms",
                problem=f"there is no form {form!r}",
                remedy=f"use {', '.join(sorted(forms))}, or put the form into plan.forms",
            )
    if book is not None and source.instrument and source.instrument not in book.instruments:
        yield CheckFault(
            what=f"{what}: instrument",
            problem=f"the plan has no instrument {source.instrument!r}",
            remedy="load a plan file with it by `ingestd plan load`",
        )


def _check_port(line: LineSource) -> Iterator[CheckFault]:
    """A device that is absent or may not be opened; network ports are tried when it starts."""
    what = f"source {line.name}: port"
    if "://" in line.port:
        return
    if not os.path.exists(line.port):  # noqa: PTH110 - a device's name, as it is configured
        yield CheckFault(
            what=what,
            problem=f"{line.port} is not there",
            remedy="plug it in, or name it as under /dev/serial/by-id",
        )
    elif not os.access(line.port, os.R_OK | os.W_OK):
        yield CheckFault(
            what=what,
            problem=f"{line.port} may not be opened",
            remedy="put the service's account into the device's group (often dialout)",
        )
