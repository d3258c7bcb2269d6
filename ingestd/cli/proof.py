"""Commands of proof: verify, receipt, verify-receipt, consistency."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    json_option,
    plain_errors,
    print_json,
    with_invocation,
)

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
_OUT = click.Path(dir_okay=False, path_type=Path, allow_dash=True)


@click.command()
@click.option(
    "--rebuild", is_flag=True, help="Fold every table anew from the journal and compare."
)
@click.option(
    "--reenact",
    is_flag=True,
    help="Replay everything in order into an empty ledger, with today's program, and compare.",
)
@click.option(
    "--checkpoints",
    "folders",
    type=_FOLDER,
    multiple=True,
    help="Checkpoints kept elsewhere; repeatable.",
)
@click.option("--key", help="The published key; else that of the key beside the ledger.")
@click.option(
    "--archive", "archives", type=_FILE, multiple=True, help="An archive at hand; repeatable."
)
@click.option(
    "--central", is_flag=True, help="Check instead what the central database has of this site."
)
@json_option
@with_invocation
def verify(
    invocation: Invocation,
    folders: tuple[Path, ...],
    key: str | None,
    archives: tuple[Path, ...],
    *,
    rebuild: bool,
    reenact: bool,
    central: bool,
    as_json: bool,
) -> None:
    """Recompute the journal, compare it with the signed checkpoints, hash every capture.

    What proves most is a checkpoint that was kept where nobody who works on this ledger can
    write, with the public key as it was published.
    """
    from ingestd.audit.checkpoints import known_checkpoints
    from ingestd.audit.verify import verify_ledger

    if central:
        from ingestd.cli.delivery import reports_of_own_site, show_reports

        sys.exit(0 if show_reports(reports_of_own_site(invocation), as_json=as_json) else NO)
    checkpoints, complaints = known_checkpoints(invocation.config, folders=folders, verifier=key)
    report = verify_ledger(
        invocation.reading_ledger.conn, checkpoints=checkpoints, archives=archives, rebuild=rebuild
    )
    report.faults.extend(complaints)
    if reenact and report.holds:
        report.faults.extend(_reenacted(invocation))
    if as_json:
        print_json(
            {
                "holds": report.holds,
                "entries": report.size,
                "root": report.root,
                "captures": report.captures,
                "archived": report.archived,
                "archives_read": report.archives_read,
                "checkpoints": report.checkpoints,
                "rebuilt": report.rebuilt,
                "reenacted": reenact,
                "first_wrong_entry": report.entry,
                "faults": report.faults,
            }
        )
    elif report.holds:
        archived = (
            f" ({report.archived} of them in archives, {report.archives_read} archives read)"
            if report.archived
            else ""
        )
        click.echo(
            f"verified: {report.size} journal entries, root {report.root};"
            f" {report.captures} captures{archived}, {report.checkpoints} checkpoints agree"
            + ("; every table rebuilt from the journal without difference" if rebuild else "")
            + ("; everything replayed in order gives every value and finding" if reenact else "")
        )
    else:
        for fault in report.faults:
            click.echo(f"DOES NOT HOLD: {fault}", err=True)
    if not report.holds:
        sys.exit(NO)


def _reenacted(invocation: Invocation) -> list[str]:
    """What comes out otherwise when everything happens again, beside the ledger."""
    import logging
    import tempfile

    from ingestd.audit.compare import disagreements
    from ingestd.audit.reenact import reenact
    from ingestd.service.logs import make_log

    conn = invocation.reading_ledger.conn
    (size,) = conn.execute("SELECT size FROM frontier").fetchone()
    beside = invocation.config.ledger.path.parent
    with (
        tempfile.TemporaryDirectory(dir=beside, prefix="reenact-") as folder,
        click.progressbar(
            length=size, label="reenact", file=sys.stderr, hidden=not sys.stderr.isatty()
        ) as bar,
    ):
        again = reenact(
            conn,
            invocation.config,
            f"{folder}/again.db",
            log=make_log(level=logging.ERROR),
            progress=lambda done: bar.update(done - bar.pos),
        )
        try:
            return disagreements(conn, again.conn)
        finally:
            again.close()


@click.command()
@click.argument("result", type=int)
@click.option("--version", type=int, help="Another version than the one that stands.")
@click.option("--decision", is_flag=True, help="Of the newest decision on it instead.")
@click.option("--out", type=_OUT, default="-", help="The file to write; - prints it.")
@with_invocation
def receipt(
    invocation: Invocation, result: int, version: int | None, out: Path, *, decision: bool
) -> None:
    """Write the receipt of RESULT: its journal entry with the proof that it stands there.

    Anybody can check it with the public key that `ingestd status` shows and with
    `ingestd verify-receipt`, without this ledger.
    """
    from ingestd.audit.receipts import entry_of, receipt_of

    conn = invocation.reading_ledger.conn
    entry = entry_of(conn, result, version=version, decision=decision)
    _write(out, receipt_of(conn, invocation.config, entry))


@click.command()
@click.argument("older", type=_FILE)
@click.argument("newer", type=_FILE)
@click.option("--out", type=_OUT, default="-", help="The file to write; - prints it.")
@with_invocation
def consistency(invocation: Invocation, older: Path, newer: Path, out: Path) -> None:
    """Write the proof that checkpoint NEWER continues checkpoint OLDER.

    `ingestd verify-receipt` checks it, without this ledger.
    """
    from ingestd.audit.checkpoints import key_path, origin_of
    from ingestd.audit.receipts import consistency_of
    from ingestd.ledger.journal.checkpoints import load_key, public_key_text, verify_checkpoint

    key = public_key_text(
        load_key(key_path(invocation.config)), origin_of(invocation.config.site.name)
    )
    old, new = (verify_checkpoint(_note(path), key) for path in (older, newer))
    _write(out, consistency_of(invocation.reading_ledger.conn, old, new))


@click.command("verify-receipt")
@click.argument("file", type=_FILE)
@click.option("--key", required=True, help="The log's public key, as `ingestd status` shows it.")
@json_option
def verify_receipt(file: Path, key: str, *, as_json: bool) -> None:
    """Check a receipt, or a proof of consistency; needs neither ledger nor configuration."""
    import orjson

    from ingestd.ledger.journal.consistency import FORMAT, verify_consistency_file
    from ingestd.ledger.journal.receipts import RECEIPT_LIMIT
    from ingestd.ledger.journal.receipts import verify_receipt as check

    with file.open("rb") as opened:
        data = opened.read(RECEIPT_LIMIT + 1)
    with plain_errors():
        if FORMAT.encode() in data[:4096] and b'"old"' in data:
            old, new = verify_consistency_file(data, key)
            told: dict[str, object] = {"log": new.origin, "older": old.size, "newer": new.size}
            line = (
                f"holds: log {new.origin}, the {new.size} entries signed begin with the"
                f" {old.size} signed before"
            )
        else:
            found = check(data, key)
            told = {
                "log": found.origin,
                "entry": found.index,
                "entries_signed": found.checkpoint.size,
                "body": found.body,
            }
            body = orjson.dumps(found.body, option=orjson.OPT_INDENT_2).decode()
            line = (
                f"holds: entry {found.index} of log {found.origin}, among"
                f" {found.checkpoint.size} entries signed\n{body}"
            )
    if as_json:
        print_json({"holds": True, **told})
    else:
        click.echo(line)


def _note(path: Path) -> str:
    from ingestd.ledger.journal.checkpoints import CheckpointError

    try:
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise CheckpointError(str(path), "not UTF-8", "name a checkpoint file") from error


def _write(out: Path, data: bytes) -> None:
    with click.open_file(str(out), "wb") as file:
        file.write(data)
    if str(out) != "-":
        click.echo(f"{out}: {len(data)} bytes")
