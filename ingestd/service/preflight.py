"""Everything that would go wrong before the service starts, all faults at once."""

import os
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingestd.config import Config, FolderSource, LineSource
from ingestd.errors import IngestError
from ingestd.ledger.inputs import InForce, InForceCache
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import forms_in_force, shipped_forms
from ingestd.service.machine import CheckFault, check_machine, nearest
from parsers import FormError, load_form


def check_configuration(config: Config) -> list[CheckFault]:
    """Faults of the configuration and the forms it names, whatever machine it is on."""
    faults: list[CheckFault] = []
    shapes = _check_forms(config, faults)
    for source in config.source:
        faults += _check_source_forms(source, shapes)
    faults += _check_overlaps(config)
    return faults


def check_all(config: Config) -> list[CheckFault]:
    """All faults of configuration, folders, forms, ledger and machine; empty if none."""
    faults = check_configuration(config)
    in_force = _check_ledger(config, faults)
    for folder in config.folders:
        faults += _check_folder(f"source {folder.name}: path", folder.path)
    if in_force is not None:
        faults += _check_instruments(config, in_force)
    if config.plan.folder is not None:
        faults += _check_folder("plan.folder", config.plan.folder)
    faults += _check_delivery(config)
    faults += check_machine(config)
    return faults


def _check_delivery(config: Config) -> Iterator[CheckFault]:
    """The folder of daily files."""
    files = config.delivery.files
    if files is not None:
        yield from _check_folder("delivery.files.folder", files.folder)


def _check_ledger(config: Config, faults: list[CheckFault]) -> InForce | None:
    path = config.ledger.path
    folder = nearest(path.parent)
    if not os.access(folder, os.W_OK | os.X_OK):
        faults.append(
            CheckFault(
                what="ledger.path",
                problem=f"{folder} cannot be written",
                remedy="give the service's account write access, or name another path",
            )
        )
    if path.exists():
        files = (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm"))
        for file in files:
            if file.exists() and not os.access(file, os.R_OK | os.W_OK):
                faults.append(
                    CheckFault(
                        what="ledger.path",
                        problem=f"{file} cannot be written",
                        remedy="give it to the service's account: a command of root's made it",
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
        return InForceCache().current(ledger.conn)
    finally:
        ledger.close()


def _check_forms(config: Config, faults: list[CheckFault]) -> dict[str, str]:
    """Shape of each form by its name, nothing where it is wrong."""
    texts = shipped_forms()
    folder = config.plan.forms
    if folder is not None:
        folder_faults = list(_check_folder("plan.forms", folder))
        faults += folder_faults
        if not folder_faults:
            texts |= {path.stem: path.read_bytes() for path in sorted(folder.glob("*.toml"))}
    shapes = _forms_loaded(config) | dict.fromkeys(texts, "")
    for name, data in texts.items():
        try:
            shapes[name] = load_form(data, name).shape
        except FormError as error:
            faults.append(
                CheckFault(
                    what=f"form {name}", problem=str(error), remedy="mend the key in the form"
                )
            )
    return shapes


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


def _forms_loaded(config: Config) -> dict[str, str]:
    """Shapes of forms that were loaded into the ledger; none where it cannot be read."""
    try:
        ledger = Ledger.open_readonly(config.ledger.path)
    except IngestError:
        return {}
    try:
        forms = forms_in_force(InForceCache().current(ledger.conn))
        return {name: form.shape for name, form in forms.items()}
    finally:
        ledger.close()


def _check_source_forms(
    source: FolderSource | LineSource, shapes: dict[str, str]
) -> Iterator[CheckFault]:
    what = f"source {source.name}: forms"
    for form in source.forms:
        if form not in shapes:
            yield CheckFault(
                what=what,
                problem=f"there is no form {form!r}",
                remedy=f"use {', '.join(sorted(shapes))}, or put the form into plan.forms",
            )
        elif isinstance(source, LineSource) and shapes[form] not in ("", "frame"):
            yield CheckFault(
                what=what,
                problem=f"form {form!r} is of shape {shapes[form]}",
                remedy="a serial line needs a form of shape frame",
            )


def _check_overlaps(config: Config) -> Iterator[CheckFault]:
    """The same file by two sources, the same device by two names."""
    folders = [(f"source {one.name}", one.path, one.recursive) for one in config.folders]
    if config.plan.folder is not None:
        folders.append(("plan.folder", config.plan.folder, False))
    for what, path, _ in folders:
        inside = Path(os.path.realpath(path))
        for other, above, is_recursive in folders:
            outer = Path(os.path.realpath(above))
            if other != what and (
                (is_recursive and inside.is_relative_to(outer) and inside != outer)
                or (inside == outer and what < other)
            ):
                yield CheckFault(
                    what=f"{what}: path",
                    problem=f"{path} is watched by {other}, too",
                    remedy="every file would arrive twice: move it, or ignore it there",
                )
    devices: dict[str, str] = {}
    for line in config.lines:
        device = line.port if "://" in line.port else os.path.realpath(line.port)
        if device in devices:
            yield CheckFault(
                what=f"source {line.name}: port",
                problem=f"{line.port} is the same device as that of source {devices[device]}",
                remedy="one source a device",
            )
        devices[device] = line.name


def _check_instruments(config: Config, in_force: InForce) -> Iterator[CheckFault]:
    for source in config.source:
        if source.instrument and source.instrument not in in_force.instruments:
            yield CheckFault(
                what=f"source {source.name}: instrument",
                problem=f"the plan has no instrument {source.instrument!r}",
                remedy="load a plan file with it by `ingestd plan load`",
            )
    for name, instrument in in_force.instruments.items():
        try:
            ZoneInfo(instrument.time_zone)
        except (ZoneInfoNotFoundError, OSError, ValueError):
            yield CheckFault(
                what=f"instrument {name}",
                problem=f"this machine knows no time zone {instrument.time_zone!r}",
                remedy="install tzdata anew, or load the instrument with an IANA name",
            )
