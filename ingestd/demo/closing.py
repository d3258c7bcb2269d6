"""What the day came to, on a terminal of 80 columns."""

import textwrap
from collections.abc import Callable, Iterator

from ingestd.audit.checkpoints import key_path, origin_of
from ingestd.audit.verify import verify_ledger
from ingestd.config import Config
from ingestd.evaluate.local_time import local_day
from ingestd.ledger.captures import find_captures
from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.checkpoints import load_key, read_checkpoints
from ingestd.ledger.journal.signed_notes import public_key_text
from ingestd.ledger.results import ResultRow, entry_body, find_results
from ingestd.ledger.work import waiting_readings

Echo = Callable[[str], None]

WIDTH = 80
_ROW = "{:<8} {:<8} {:<9} {:>12} {:<8} {}"


def print_day(conn: Connection, config: Config, echo: Echo) -> None:
    """The table of results, what waits and why, and what could not be read."""
    rows = find_results(conn)
    echo("")
    echo("Results")
    echo(_ROW.format("sample", "point", "analyte", "result", "state", "why"))
    echo(_ROW.format("-" * 8, "-" * 8, "-" * 9, "-" * 12, "-" * 8, "-" * 28))
    for row in rows:
        echo(result_line(conn, row))
    echo("")
    for title, lines in (
        ("What is held or refused, and why", _undecided(conn, rows)),
        ("Readings that wait for a tube", _waiting(conn, config)),
        ("Files that could not be read", _failed(conn)),
    ):
        echo(title)
        for line in [*lines] or ["  none"]:
            echo(line)
        echo("")


def result_line(conn: Connection, row: ResultRow) -> str:
    """One result in one line."""
    statement = f"{row.text} {row.unit}" if row.text else "no value"
    return _ROW.format(
        row.sample, row.point, row.analyte, statement, row.state, _why(conn, row)
    ).rstrip()


def _why(conn: Connection, row: ResultRow) -> str:
    """The rule that decided, or that none objects."""
    body = entry_body(conn, row.entry)
    found = body["findings"]
    if not found or found[0]["verdict"] == "pass":
        return "repeat; every rule passed" if body["repeats"] else "every rule passed"
    return f"{found[0]['verdict']}: {found[0]['rule']}"


def _undecided(conn: Connection, rows: list[ResultRow]) -> Iterator[str]:
    for row in rows:
        if row.state in ("held", "refused"):
            finding = entry_body(conn, row.entry)["findings"][0]
            yield from _wrapped(
                f"{row.sample} {row.analyte}, {row.state}: {finding['sentence']} [{row.run}]"
            )


def _waiting(conn: Connection, config: Config) -> Iterator[str]:
    for one in waiting_readings(conn):
        reading = one.reading
        at = local_day(reading.measured_at, config.site.time_zone)
        yield from _wrapped(
            f"reading {reading.id}: {reading.sample}, {reading.method}, {reading.raw} "
            f"{reading.unit or ''}, {reading.instrument} at {at:%H:%M}. {one.reason}"
        )
        for candidate in one.candidates:
            yield from _wrapped(
                f"candidate: {candidate['run']}, tube {candidate['position']}. "
                f"{candidate['reason']}",
                indent="    ",
            )


def _failed(conn: Connection) -> Iterator[str]:
    for capture in find_captures(conn, state="failed"):
        yield from _wrapped(f"capture {capture.id}, {capture.name}: {capture.reason}")


def _wrapped(text: str, *, indent: str = "  ") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False
    )


def proof_of(conn: Connection, config: Config, echo: Echo) -> bool:
    """Verify the whole ledger against its journal and checkpoints; True if all of it holds."""
    origin = origin_of(config.site.name)
    key = public_key_text(load_key(key_path(config)), origin)
    folder = config.ledger.checkpoints
    checkpoints = read_checkpoints(folder, key) if folder is not None else ()
    report = verify_ledger(conn, checkpoints=checkpoints, rebuild=True)
    for fault in report.faults:
        for line in _wrapped(f"not verified: {fault}", indent=""):
            echo(line)
    if report.holds:
        echo(f"journal verified: {report.size} entries, root {report.root[:24]}…")
        agree = "checkpoint agrees" if report.checkpoints == 1 else "checkpoints agree"
        echo(
            f"{report.captures} captures fit their hashes, {report.checkpoints} signed {agree}, "
            "all tables rebuild."
        )
        echo(f"Full root: {report.root}")
    return report.holds
