"""A small ledger that has seen a bit of everything, as files that can be copied and spoiled."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog

from ingestd.audit.archive import archive_captures
from ingestd.audit.backup import back_up
from ingestd.audit.checkpoints import write_checkpoint
from ingestd.config import load_config
from ingestd.ledger.journal.checkpoints import Checkpoint
from ingestd.ledger.store import Ledger, content_sha256
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, place_reading, release, withdraw
from ingestd.pipeline.inputs import load_file, observe, take_configured
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.arrivals import Arrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, row
from tests.ingestd.service.service_process import CONFIG

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def make_small_ledger(folder: Path) -> tuple[Path, Path, Checkpoint]:
    """The ledger in one file, an older state of it, and a checkpoint over the newer one."""
    folder.mkdir(parents=True)
    (folder / "ingestd.toml").write_text(CONFIG.format(extra=""))
    config = load_config(folder / "ingestd.toml")
    ledger = Ledger.open(config.ledger.path, site=config.site.name, at=START)
    minutes = iter(range(1, 10_000))

    def clock() -> datetime:
        return START + timedelta(minutes=next(minutes))

    def drop_all(_logger: object, _name: object, _event: object) -> object:
        raise structlog.DropEvent

    log = structlog.wrap_logger(None, processors=[drop_all])  # type: ignore[list-item]  # drops all
    pipeline = Pipeline(ledger, config, clock=clock, log=log)
    in_force_cache = pipeline.in_force_cache

    def arrive(text: str, name: str) -> None:
        data = text.encode()
        pipeline.arrive(
            Arrival(
                source="p1",
                name=name,
                pieces=(data,),
                size=len(data),
                sha256=content_sha256(data),
                final=True,
                seen_at=clock(),
            )
        )

    take_configured(ledger, config, at=clock(), by="ingestd")
    for account, role in (("ada", "admin"), ("rita", "reviewer"), ("mara", "analyst")):
        with ledger.change(at=clock(), by="ada") as change:
            person = Person(account=account, roles=(PersonRole(role),))
            add_person(change, in_force_cache.current(ledger.conn), person, by="ada")
    load_file(ledger, "plan.toml", PLAN.encode(), in_force_cache, config, at=clock(), by="mara")
    arrive("an old memo\n", "memo.txt")
    arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:2]), "day.csv")
    back_up(config, folder / "older.db")
    archive_captures(
        ledger, folder / "old.zip", before=clock(), reason="old", at=clock(), by="ada"
    )
    load_file(ledger, "sheet.csv", SHEET.encode(), in_force_cache, config, at=clock(), by="mara")
    arrive(GOOD_EXPORT, "day.csv")
    arrive(GOOD_EXPORT, "copy.csv")
    arrive(EXPORT_HEAD + row(9, "W-9", "7") + row(4, "W-2", "334"), "odd.csv")
    with ledger.change(at=clock(), by="mara") as change:
        observe(change, "R1", 3, ["turbidity=clear"], in_force_cache, config)
    with ledger.change(at=clock(), by="rita") as change:
        release(change, in_force_cache.current(ledger.conn), "1", reason="")
    with ledger.change(at=clock(), by="rita") as change:
        withdraw(change, in_force_cache.current(ledger.conn), "1", reason="two bottles swapped")
    with ledger.change(at=clock(), by="mara") as change:
        place_reading(change, 5, "R1", 4, in_force_cache, config, reason="typed 9 for 2")
    kept = write_checkpoint(ledger.conn, config)
    back_up(config, folder / "original.db")
    ledger.close()
    return folder / "original.db", folder / "older.db", kept
