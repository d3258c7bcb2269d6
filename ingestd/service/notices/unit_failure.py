"""Telling that a unit of the service manager has failed: run by that unit's end, not by itself."""

import json
import os
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from ingestd import events
from ingestd.config import Config
from ingestd.service.notices.channel import Channel, MaybeTaken, NotTaken
from ingestd.service.notices.letter import write_letter
from ingestd.service.notices.matters import Matter, printable
from ingestd.service.notices.sender import make_channels
from ingestd.times import instant, stamp

AGAIN = timedelta(hours=1)  # a unit that fails again and again is told once an hour


def failure_of(environment: Mapping[str, str]) -> str:
    """How a unit ended, in a few words; "" if it ended as asked.

    Source: systemd.exec(5): SERVICE_RESULT, EXIT_CODE and EXIT_STATUS in ExecStopPost=; with
    MONITOR_ before them in a unit started by OnFailure= (systemd 251 and newer).
    """
    for prefix in ("MONITOR_", ""):
        result = environment.get(f"{prefix}SERVICE_RESULT", "")
        if result:
            code = environment.get(f"{prefix}EXIT_CODE", "")
            status = environment.get(f"{prefix}EXIT_STATUS", "")
            words = f"{result} ({code} {status})" if code or status else result
            return "" if result == "success" else words
    return "it is in state failed"


def tell_failure(
    config: Config,
    unit: str,
    how: str,
    *,
    at: datetime,
    log: Any,
    channels: Sequence[Channel] | None = None,
) -> bool:
    """Tell by every configured way that a unit has failed.

    False where it was told lately, or where nobody takes it: the log has it in any case.

    Args:
        how: as `failure_of` says.
        at: the present instant, UTC.
    """
    log.error(events.UNIT_FAILED, unit=unit, how=how)
    path = Path(f"{config.ledger.path}.told")
    told = _told(path)
    last = told.get(unit)
    if last is not None and at - instant(last) < AGAIN:
        return False
    text = (
        f"unit {unit} has failed: {how}. `journalctl -u {unit}` says why; what arrives meanwhile"
        " waits in its folders"
    )
    matter = Matter(key=f"unit:{unit}", kind="operation", text=printable(text))
    letter = write_letter(config.site.name, [matter], at=at)
    ways = make_channels(config.notices, now=lambda: at) if channels is None else channels
    is_told = False
    for channel in ways:
        try:
            channel.send(letter)
        except NotTaken as error:
            log.warning(events.NOTICE_DEFERRED, channel=channel.name, problem=str(error))
        except MaybeTaken as error:
            log.warning(events.NOTICE_UNCERTAIN, channel=channel.name, problem=str(error))
            is_told = True
        else:
            log.info(events.NOTICE_SENT, channel=channel.name, matters=1)
            is_told = True
    if is_told:
        _keep(path, told | {unit: stamp(at)}, log)
    return is_told


def _told(path: Path) -> dict[str, str]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _keep(path: Path, told: Mapping[str, str], log: Any) -> None:
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        beside.write_text(json.dumps(told), encoding="utf-8")
        beside.replace(path)
    except OSError as error:  # told rather twice than not at all
        log.warning(events.NOTICE_DEFERRED, problem=f"{path}: {error.strerror}")
