"""Plain files as a target: one file a day of everything released, withdrawn and superseded.

A day's file is always written whole from the ledger and put in place by a rename, so it can be
neither torn nor doubled, and delivering again gives the same bytes.
"""

import csv
import io
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import IO, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import orjson

from ingestd.config import Config, FilesTarget
from ingestd.delivery.targets import Apply, Progress
from ingestd.errors import TargetRejected, TargetUnavailable
from ingestd.ledger import deliveries
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Ledger
from ingestd.steps import step
from ingestd.times import instant

# Column and what it holds, for formats that know kinds.
COLUMNS = (
    ("site", "text"), ("entry", "whole"), ("result", "whole"), ("version", "whole"),
    ("standing", "text"), ("replaces", "whole"), ("replaced_by", "whole"), ("reason", "text"),
    ("decided_by", "text"), ("decided_at", "instant"), ("run", "text"), ("method", "text"),
    ("sample", "text"), ("point", "text"), ("analyte", "text"), ("fraction", "text"),
    ("basis", "text"), ("sampled_at", "instant"), ("statement", "text"), ("value", "number"),
    ("censored", "text"), ("unit", "text"), ("uncertainty", "number"), ("verdict", "text"),
    ("findings", "text"),
)  # fmt: skip
CHUNK = 5_000  # rows held at a time
# A cell that begins so would be run as a formula by a spreadsheet; it is given as text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Row = tuple[Any, ...]


class DailyFiles:
    """Delivers to a folder.

    Args:
        config: of the site, with a [delivery.files] section.
        apply: runs a job on the ledger that may write, and returns when it has.
        clock: the present instant, UTC.
    """

    name = "files"

    def __init__(self, config: Config, *, apply: Apply, clock: Callable[[], datetime]) -> None:
        settings = config.delivery.files
        if settings is None:
            raise TargetRejected("delivery", "there is no [delivery.files] section", "add it")
        self.settings: FilesTarget = settings
        self._site = config.site.name
        self._zone = ZoneInfo(config.site.time_zone)
        self._apply = apply
        self._clock = clock

    def step(self, ledger: Connection) -> Progress:
        """Write anew the files of the days on which something was decided since the last step."""
        before = deliveries.delivered_up_to(ledger, self.name)
        size = deliveries.journal_size(ledger)
        times = deliveries.outbox_times(ledger, before.size, size)
        count = 0
        days: set[date] = set()
        for at in times:
            count += 1
            days.add(instant(at).astimezone(self._zone).date())
        if not days:
            return Progress()
        for day in sorted(days):
            self._write_day(ledger, day, size)
        frontier = deliveries.frontier_at(ledger, size, before)

        def mark(writing: Ledger) -> None:
            with writing.change(at=self._clock(), by="ingestd") as change:
                deliveries.mark_delivered(change, self.name, frontier, rows=count, set_aside={})
                change.flush()
                step("mark_written")

        self._apply(mark)
        step("mark_committed")
        return Progress(entries=size - before.size, rows=count)

    def retry(self, ledger: Connection) -> Progress:  # noqa: ARG002 - a folder refuses no single row
        """Nothing: a folder refuses no single row."""
        return Progress()

    def interrupt(self) -> None:
        """Nothing: a file write ends by itself."""

    def close(self) -> None:
        """Nothing is kept open."""

    def path_of(self, day: date) -> Path:
        """The file of a day."""
        name = f"results-{quote(self._site, safe='')}-{day.isoformat()}.{self.settings.format}"
        return self.settings.folder / name

    def _write_day(self, ledger: Connection, day: date, below: int) -> None:
        since = datetime.combine(day, time(), self._zone)
        until = datetime.combine(day + timedelta(days=1), time(), self._zone)
        rows = deliveries.outbox_in_time(ledger, since, until, below=below)
        write = _write_csv if self.settings.format == "csv" else _write_parquet
        whole = (self._row(ledger, row) for row in rows)
        try:
            write_atomically(self.path_of(day), lambda file: write(file, _chunks(whole)))
        except OSError as error:
            raise TargetUnavailable(
                str(self.settings.folder),
                f"{error.strerror or error}",
                "delivery tries again by itself once the folder can be written",
            ) from error

    def _row(self, ledger: Connection, row: deliveries.OutboxRow) -> Row:
        decided, judged = (
            orjson.loads(entry.text)
            for entry in deliveries.entries_of(ledger, [row.entry, row.judged])
        )
        findings = "; ".join(
            finding["sentence"] for finding in judged["findings"] if finding["verdict"] != "pass"
        )
        return (
            self._site, row.entry, row.result, row.version, row.standing, row.replaces,
            row.replaced_by, decided["reason"], decided["by"], decided["at"], judged["run"],
            judged["method"], judged["sample"], judged["point"], judged["analyte"],
            judged["fraction"], judged["basis"], judged["sampled_at"], judged["text"],
            judged["value"], judged["censored"], judged["unit"], judged["uncertainty"],
            judged["verdict"], findings,
        )  # fmt: skip


def write_atomically(path: Path, write: Callable[[IO[bytes]], None]) -> None:
    """Put a whole file in place, on disk for good when this returns; else the old one stays.

    Raises:
        OSError: the disk or share refused; nothing of the attempt is left.
    """
    fresh = path.with_name(f".{path.name}.part")
    try:
        with fresh.open("wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        step("day_written")
        fresh.replace(path)
        step("day_renamed")
    except BaseException:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise
    descriptor = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _chunks(rows: Iterable[Row]) -> Iterator[list[Row]]:
    chunk: list[Row] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _write_csv(file: IO[bytes], chunks: Iterable[Sequence[Row]]) -> None:
    """CSV after RFC 4180, UTF-8, header first."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    try:
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow([name for name, _ in COLUMNS])
        for chunk in chunks:
            writer.writerows([_safe(cell) for cell in row] for row in chunk)
    finally:
        text.detach()  # flushes, and leaves the file open for its sync


def _safe(cell: object) -> object:
    if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS):
        return f"'{cell}"
    return cell


def _write_parquet(file: IO[bytes], chunks: Iterable[Sequence[Row]]) -> None:
    """Parquet with whole numbers, instants and exact decimals as such."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, needed by this format only
        from pyarrow import parquet  # noqa: PLC0415 - the same
    except ImportError as error:
        raise TargetRejected(
            "[delivery.files] format", "Parquet needs pyarrow", "pip install 'ingestd[parquet]'"
        ) from error
    kinds = {
        "text": pa.string(),
        "whole": pa.int64(),
        "instant": pa.timestamp("us", tz="UTC"),
        "number": pa.decimal128(38, 12),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in COLUMNS])
    with parquet.ParquetWriter(file, schema) as writer:
        for chunk in chunks:
            columns = [
                pa.array([_typed(cell, kind) for cell in column], type=kinds[kind])
                for column, (_, kind) in zip(zip(*chunk, strict=True), COLUMNS, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))


def _typed(cell: Any, kind: str) -> Any:
    if cell is None or kind in ("text", "whole"):
        return cell
    return instant(cell) if kind == "instant" else Decimal(cell)
