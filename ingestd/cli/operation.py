"""Commands that install, run, watch and keep the service: init, run, demo, check, status, tell,
backup, restore, archive.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    by_option,
    json_option,
    print_json,
    print_table,
    reason_option,
    with_invocation,
)

if TYPE_CHECKING:
    from datetime import datetime


@click.command()
@with_invocation
def run(invocation: Invocation) -> None:
    """Watch the sources, judge what arrives, keep the ledger. Ends cleanly on SIGTERM and ^C.

    SIGHUP reads the configuration again; a wrong one is refused and the old one stays in force.
    """
    import faulthandler

    from ingestd.service.daemon import Service
    from ingestd.service.logs import Calm, make_log

    faulthandler.enable()  # a watchdog that kills a stuck service leaves in the log where it hung
    calm = Calm()
    log = make_log(calm=calm)
    service = Service(
        invocation.config,
        log=log,
        config_path=invocation.config_path,
        on_turn=lambda: calm.summarise(log),
    )
    service.handle_signals()
    try:
        service.run()
    finally:
        calm.summarise(log, everything=True)


@click.command()
@click.option("--once", is_flag=True, help="Work one day through, print the results and end.")
@click.option(
    "--dir",
    "directory",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("demo-lab"),
    show_default=True,
    help="Where everything of the demo is kept.",
)
@with_invocation
def demo(_desk: Invocation, directory: Path, *, once: bool) -> None:
    """An invented waterworks with simulated photometers works one day through."""
    import logging

    from ingestd.demo.day import run_demo
    from ingestd.service.logs import make_log

    log = make_log(level=logging.WARNING if once else logging.INFO)
    sys.exit(run_demo(directory, once=once, echo=click.echo, log=log))


@click.command()
@click.option(
    "--only-configuration", is_flag=True, help="The configuration and forms, not the machine."
)
@json_option
@with_invocation
def check(invocation: Invocation, *, only_configuration: bool, as_json: bool) -> None:
    """Find everything that would go wrong before start, each fault with its remedy.

    What is only worth knowing is printed as advice and does not change the exit code.
    """
    from ingestd.service.preflight import check_all, check_configuration

    find = check_configuration if only_configuration else check_all
    faults = find(invocation.config)
    if as_json:
        print_json(
            [
                {"what": f.what, "problem": f.problem, "remedy": f.remedy, "advice": f.is_advice}
                for f in faults
            ]
        )
    else:
        for fault in faults:
            click.echo(
                f"{'advice: ' if fault.is_advice else ''}{fault.what}: {fault.problem};"
                f" {fault.remedy}"
            )
        if not any(not fault.is_advice for fault in faults):
            click.echo("nothing speaks against starting")
    if any(not fault.is_advice for fault in faults):
        sys.exit(NO)


@click.command()
@click.argument("unit")
@with_invocation
def tell(invocation: Invocation, unit: str) -> None:
    """Tell by mail and webhook that UNIT has failed, at most once an hour. Units run it.

    How it failed is read from the environment that systemd gives it; says nothing of a unit that
    ended as asked.
    """
    import os

    from ingestd.service.logs import make_log
    from ingestd.service.notices.unit_failure import failure_of, tell_failure

    if how := failure_of(os.environ):
        tell_failure(invocation.config, unit, how, at=invocation.now(), log=make_log())


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--site", required=True, metavar="NAME", help="The laboratory; for good.")
@click.option("--time-zone", required=True, metavar="ZONE", help="IANA name, as Europe/Lisbon.")
@click.option(
    "--exports",
    multiple=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="A folder that a photometer writes to; repeatable.",
)
@click.option(
    "--state",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where the ledger is kept; /var/lib/ingestd for /etc/ingestd, else inside FOLDER.",
)
@click.option("--account", default="ingestd", show_default=True, help="The service runs as it.")
@with_invocation
def init(
    _desk: Invocation,
    folder: Path,
    *,
    site: str,
    time_zone: str,
    exports: tuple[Path, ...],
    state: Path | None,
    account: str,
) -> None:
    """Write a commented configuration, methods, a form and the units into FOLDER.

    Nothing that is there is overwritten: a newer text is put beside it as NAME.new.
    """
    from ingestd.service.install import install, usual_places

    places = usual_places(folder, state=state, account=account)
    done = install(places, site=site, time_zone=time_zone, exports=exports)
    for path in done.written:
        click.echo(f"wrote {path}")
    for path in done.kept:
        click.echo(f"kept {path}")
    click.echo("Next, as root:")
    for step in done.steps:
        click.echo(f"  {step}")


@click.command()
@json_option
@with_invocation
def status(invocation: Invocation, *, as_json: bool) -> None:
    """What stands, what waits, what is wrong; exits 1 when something needs a hand."""
    from ingestd.service.status import standing

    now = standing(invocation.reading_ledger.conn, invocation.config)
    if as_json:
        print_json(now.as_dict())
    else:
        print_table(("what", "how many or which"), now.rows())
    if now.needs_a_hand:
        sys.exit(NO)


_NEW_FILE = click.Path(dir_okay=False, path_type=Path)
_COPY = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.argument("file", type=_NEW_FILE)
@json_option
@with_invocation
def backup(invocation: Invocation, file: Path, *, as_json: bool) -> None:
    """Copy the ledger to FILE while the service works, and verify the copy.

    The configuration, the forms and the signing key are files of their own: copy them too, the
    key to a safer place than the ledger.
    """
    from ingestd.audit.backup import back_up

    copied = back_up(invocation.config, file)
    if as_json:
        print_json(
            {
                "file": str(file),
                "bytes": copied.size,
                "sha256": copied.sha256,
                "entries": copied.report.size,
                "root": copied.report.root,
                "checkpoints": copied.report.checkpoints,
            }
        )
        return
    click.echo(
        f"{file}: {copied.size} bytes, sha256 {copied.sha256}; verified:"
        f" {copied.report.size} journal entries, {copied.report.checkpoints} checkpoints agree"
    )


@click.command()
@click.argument("file", type=_COPY)
@by_option
@reason_option
@with_invocation
def restore(invocation: Invocation, file: Path, by: str, reason: str) -> None:
    """Make the copy FILE the ledger, where there is none; verifies it first.

    Move the old ledger away before: nothing is ever overwritten. What came after the copy is
    lost, and the journal says so from then on.
    """
    from ingestd.audit.backup import restore as put_back
    from ingestd.ledger.store import system_user

    report, lost = put_back(
        invocation.config,
        file,
        by=by,
        reason=reason,
        at=invocation.now(),
        system_user=system_user(),
    )
    path = invocation.config.ledger.path
    click.echo(f"{path}: {report.size} journal entries verified and restored")
    if lost:
        click.echo(
            f"{lost} entries that checkpoints were signed over are lost; these checkpoints are"
            " set aside. A witness elsewhere refuses the journal until its keeper has been told."
        )


@click.command()
@click.argument("file", type=_NEW_FILE)
@click.option(
    "--before",
    required=True,
    type=click.DateTime(["%Y-%m-%d"]),
    help="Files that ended before this day, UTC.",
)
@by_option
@reason_option
@with_invocation
def archive(invocation: Invocation, file: Path, before: datetime, by: str, reason: str) -> None:
    """Move the bytes of old captures to the archive FILE; their hashes stay in the ledger.

    Verification holds with or without the archive at hand. Results, readings and the journal
    stay where they are.
    """
    from datetime import UTC

    from ingestd.audit.archive import archive_captures
    from ingestd.ledger.store import system_user
    from ingestd.model import PersonRole
    from ingestd.pipeline.decisions import authorise

    authorise(invocation.in_force_cache.current(invocation.ledger.conn), by, PersonRole.ADMIN)
    done = archive_captures(
        invocation.ledger,
        file,
        before=before.replace(tzinfo=UTC),
        reason=reason,
        at=invocation.now(),
        by=by,
        system_user=system_user(),
    )
    click.echo(f"{file}: {done.captures} captures, {done.size} bytes, sha256 {done.sha256}")
