"""Journal entries of a ledger, made into a batch for the centre."""

from collections.abc import Sequence
from pathlib import Path

import orjson

from ingestd.delivery.entry_rows import (
    Judgement,
    Row,
    decision_rows,
    month_of,
    rows_of,
)
from ingestd.delivery.merging import Batch
from ingestd.ledger.connection import Connection
from ingestd.ledger.deliveries import Entry, entries_of, outbox_rows, read_entries
from ingestd.ledger.journal.checkpoints import CheckpointError, parse_checkpoint
from ingestd.ledger.journal.merkle import Frontier
from ingestd.times import instant

MOST_BYTES = 8 * 2**20  # of journal bodies in one batch: memory stays flat
MOST_CHECKPOINTS = 200


def next_batch(
    conn: Connection, site: str, start: Frontier, *, most: int, checkpoints: Path, sent: int
) -> Batch:
    """The next entries from a frontier on with all their rows; empty if there is nothing.

    Args:
        most: entries at most.
        checkpoints: folder of the site's signed checkpoints; those that end within what the
            centre has after this batch go along.
        sent: size of the newest checkpoint the centre has, 0 if none.
    """
    entries = read_entries(conn, start.size, most=most, most_bytes=MOST_BYTES)
    after = start.extend(entry.leaf for entry in entries)
    batch = Batch(site=site, before=start, after=after)
    _add_rows(batch, conn, entries)
    for row in _checkpoint_rows(conn, site, checkpoints, sent, after.size):
        batch.checkpoints.append(row)
        batch.months.add(row[1])
    return batch


def batch_of(conn: Connection, site: str, abouts: Sequence[int]) -> Batch:
    """The rows of single entries, to be sent without moving the cursor."""
    batch = Batch(site=site, before=Frontier(), after=Frontier())
    _add_rows(batch, conn, entries_of(conn, abouts))
    batch.journal.clear()
    return batch


def _add_rows(batch: Batch, conn: Connection, entries: Sequence[Entry]) -> None:
    if not entries:
        return
    site = batch.site
    judged: dict[int, Judgement] = {}
    for row in outbox_rows(conn, entries[0].index, entries[-1].index + 1):
        if row.standing != "superseded":
            (entry,) = entries_of(conn, [row.judged])
            judged[row.entry] = Judgement(row.judged, orjson.loads(entry.text))
    for entry in entries:
        index, text = entry.index, entry.text
        body = orjson.loads(text)
        month = month_of(body["at"])
        batch.months.add(month)
        at = instant(body["at"])
        batch.journal.append((site, at.date().replace(day=1), index, at, body["kind"], text))
        if index in judged:
            made = decision_rows(site, index, body, judged[index])
        else:
            made = rows_of(site, index, body)
        for table, row_ in made:
            batch.add(index, table, row_)


def _checkpoint_rows(
    conn: Connection, site: str, folder: Path, above: int, up_to: int
) -> list[Row]:
    """Checkpoint files signed over more than `above` and at most `up_to` entries, in order."""
    found: list[Row] = []
    for path in sorted(folder.glob("checkpoint-*.txt")) if folder.is_dir() else ():
        size = path.stem.removeprefix("checkpoint-")
        if not size.isdecimal() or not above < int(size) <= up_to:
            continue
        try:
            checkpoint = parse_checkpoint(path.read_text(encoding="utf-8"))
        except (CheckpointError, OSError, UnicodeDecodeError):
            continue  # `ingestd verify` speaks of it; the centre gets what can be read
        last = entries_of(conn, [checkpoint.size - 1])
        if last:
            month = month_of(orjson.loads(last[0].text)["at"])
            found.append((site, month, checkpoint.size, checkpoint.root, checkpoint.text))
        if len(found) == MOST_CHECKPOINTS:
            break
    return found
