"""Commands about arrivals: captures, replay."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    by_option,
    json_option,
    print_json,
    print_table,
    shown,
    with_invocation,
)

if TYPE_CHECKING:
    from datetime import datetime

    from click._termui_impl import ProgressBar

    from ingestd.ledger.captures import Capture
    from ingestd.pipeline.replay.replay import ReplayReport

_STATES = click.Choice(["stored", "read", "partly_read", "failed"])


@click.command()
@click.option("--state", type=_STATES, help="Only captures in this state.")
@click.option("--source", help="Only captures of this source.")
@click.option("--last", type=int, default=50, show_default=True, help="The newest so many.")
@click.option("--capture", "ident", type=int, help="One capture, with the faults in its bytes.")
@json_option
@with_invocation
def captures(
    invocation: Invocation,
    state: str | None,
    source: str | None,
    last: int,
    ident: int | None,
    *,
    as_json: bool,
) -> None:
    """What arrived and what became of it."""
    from ingestd.ledger.captures import find_captures, get_capture

    conn = invocation.reading_ledger.conn
    if ident is not None:
        _show_capture(invocation, get_capture(conn, ident).id, as_json=as_json)
        return
    found = find_captures(conn, state=state, source=source, newest=last)
    if as_json:
        print_json(
            [
                {
                    "capture": c.id,
                    "kind": c.kind,
                    "source": c.source,
                    "name": c.name,
                    "arrived_at": c.arrived_at.isoformat(),
                    "size": c.size,
                    "sha256": c.sha256,
                    "state": c.state,
                    "form": c.form,
                    "readings": c.readings,
                    "repeats": c.repeats,
                    "faults": c.faults,
                    "reason": c.reason,
                }
                for c in found
            ]
        )
        return
    print_table(
        ("id", "source", "name", "arrived", "bytes", "state", "form", "new", "faults", "reason"),
        [
            (
                c.id,
                c.source,
                c.name,
                f"{c.arrived_at:%Y-%m-%d %H:%M:%S}",
                c.size,
                c.state,
                c.form,
                c.readings,
                len(c.faults),
                c.reason,
            )
            for c in found
        ],
    )


def _show_capture(invocation: Invocation, ident: int, *, as_json: bool) -> None:
    from ingestd.ledger.captures import content_from, get_capture

    conn = invocation.reading_ledger.conn
    capture = get_capture(conn, ident)
    if as_json:
        print_json({"capture": capture.id, "state": capture.state, "faults": capture.faults})
        return
    click.echo(f"capture {capture.id}: {shown(capture.source)}/{shown(capture.name)}")
    click.echo(f"{capture.size} bytes, sha256 {capture.sha256}")
    click.echo(f"state {capture.state}, form {capture.form or '-'}. {shown(capture.reason)}")
    if capture.oversize or capture.archived:
        return
    data = content_from(conn, capture)
    for fault in capture.faults:
        offset = int(str(fault["offset"]))
        start, end = max(offset - 30, 0), offset + 40
        before = data[start:offset].decode("latin-1")
        behind = data[offset:end].decode("latin-1")
        click.echo(
            f"\nline {fault['line']}, byte {offset}, field {fault['field'] or '-'}:"
            f" expected {fault['expected']}, found {fault['found']!r}"
        )
        click.echo(f"  {ascii(before)[1:-1]}»{ascii(behind)[1:-1]}")


@click.command()
@click.option("--capture", "idents", type=int, multiple=True, help="This capture; repeatable.")
@click.option("--state", type=_STATES, help="All captures in this state.")
@click.option("--source", help="Captures of this source.")
@click.option(
    "--since", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%d %H:%M"]), help="From this time on, UTC."
)
@click.option("--form", "form_name", help="Captures read by this form.")
@click.option("--dry-run", is_flag=True, help="Show what would change; change nothing.")
@click.option(
    "--as-of",
    type=click.Choice(["now", "then"]),
    default="now",
    show_default=True,
    help="With the inputs now in force; or (with --dry-run only) those of when each result was"
    " made, to see what today's program alone does.",
)
@click.option("--reason", metavar="TEXT", help="Why; written into every change.")
@by_option
@json_option
@with_invocation
def replay(
    invocation: Invocation,
    idents: tuple[int, ...],
    state: str | None,
    source: str | None,
    since: datetime | None,
    form_name: str | None,
    as_of: str,
    reason: str | None,
    by: str,
    *,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Read captures again, with today's program and the inputs now in force."""
    from datetime import UTC

    from ingestd.errors import Refused
    from ingestd.ledger.captures import find_captures
    from ingestd.model import PersonRole
    from ingestd.pipeline.decisions import authorise
    from ingestd.pipeline.garbage import calm_collector

    is_then = as_of == "then"
    if reason is None and not is_then:
        raise click.UsageError("Missing option '--reason'.")
    if is_then and not dry_run:
        raise Refused(
            "replay --as-of then",
            "a version made from inputs that hold no more must not stand beside a result",
            "add --dry-run to see what differs; what is to be recorded, replay as of now",
        )
    ledger = invocation.reading_ledger if is_then else invocation.ledger
    authorise(invocation.in_force_cache.current(ledger.conn), by, PersonRole.ADMIN)
    if not (idents or state or source or since or form_name):
        raise Refused("replay", "of what?", "give --capture, --state, --source, --since or --form")
    found = find_captures(
        ledger.conn,
        state=state,
        source=source,
        since=since.replace(tzinfo=UTC) if since else None,
        idents=idents,
    )
    found = [c for c in found if c.source != "forms" and (not form_name or c.form == form_name)]
    if not found:
        raise Refused("replay", "no capture is chosen by that", "see `ingestd captures`")
    calm_collector()
    if is_then:
        report = _retrace(invocation, found)
    else:
        report = _replay(invocation, found, reason or "", by, dry_run=dry_run)
    _print_report(report, as_json=as_json)
    if report.failed or (is_then and not report.is_empty):
        sys.exit(NO)


def _replay(
    invocation: Invocation, found: list[Capture], reason: str, by: str, *, dry_run: bool
) -> ReplayReport:
    import logging

    from ingestd.ledger.store import system_user
    from ingestd.pipeline.replay.replay import dry_replay, replay
    from ingestd.service.logs import make_log

    with _bar(len(found), "replay") as bar:
        report = (dry_replay if dry_run else replay)(
            invocation.ledger,
            invocation.config,
            found,
            reason=reason,
            by=by,
            clock=invocation.now,
            log=make_log(level=logging.WARNING),
            system_user=system_user(),
            progress=lambda _count: bar.update(1),
        )
        bar.update(len(found) - bar.pos)  # of a file that grew, its last capture stands for all
    return report


def _retrace(invocation: Invocation, found: list[Capture]) -> ReplayReport:
    import logging

    from ingestd.pipeline.replay.as_of_then import retrace
    from ingestd.service.logs import make_log

    with _bar(1, "as of then") as bar:

        def progress(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        return retrace(
            invocation.reading_ledger,
            invocation.config,
            found,
            clock=invocation.now,
            log=make_log(level=logging.WARNING),
            progress=progress,
        )


def _bar(length: int, label: str) -> ProgressBar[int]:
    return click.progressbar(
        length=length, label=label, file=sys.stderr, hidden=not sys.stderr.isatty()
    )


def _print_report(report: ReplayReport, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "captures": report.captures,
                "dry_run": report.dry,
                "as_of": report.as_of,
                "used": report.used,
                "results_compared": report.compared,
                "readings_taken": report.taken,
                "readings_retired": report.retired,
                "failed": report.failed,
                "readings": [
                    {
                        "capture": r.capture,
                        "reading": r.reading,
                        "offset": r.offset,
                        "before": r.before,
                        "after": r.after,
                    }
                    for r in report.readings
                ],
                "results": [
                    {
                        "result": d.result,
                        "run": d.run,
                        "sample": d.sample,
                        "analyte": d.analyte,
                        "before": d.before,
                        "after": d.after,
                        "why": d.why,
                    }
                    for d in report.differences
                ],
            }
        )
        return
    click.echo(_headline(report))
    click.echo(report.used)
    if report.readings:
        print_table(
            ("capture", "byte", "reading", "then", "today"),
            [(r.capture, r.offset, r.reading or "-", r.before, r.after) for r in report.readings],
        )
    if report.differences:
        print_table(
            ("result", "run", "sample", "before", "after", "why"),
            [(d.result, d.run, d.sample, d.before, d.after, d.why) for d in report.differences],
        )
    for ident, why in report.failed:
        told = "is not read again" if report.as_of == "then" else "still cannot be read"
        click.echo(f"capture {ident} {told}: {shown(why)}", err=True)


def _headline(report: ReplayReport) -> str:
    if report.as_of == "then":
        if report.is_empty:
            return f"{report.compared} results say the same today, digit for digit"
        return (
            f"of {report.compared} results {len(report.differences)} would say something else"
            f" today; {len(report.readings)} readings differ"
        )
    would = "would be" if report.dry else "were"
    return (
        f"{report.captures} captures read again: {report.taken} readings {would} taken,"
        f" {report.retired} {would} retired, {len(report.differences)} results"
        f" {'would say' if report.dry else 'say'} something new"
    )
