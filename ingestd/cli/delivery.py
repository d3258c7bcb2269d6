"""Commands of delivery: deliver, and central for whoever owns the central database."""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    json_option,
    plain_errors,
    print_json,
    print_table,
    with_invocation,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ingestd.config import PostgresTarget
    from ingestd.delivery.central_proof import CentralReport
    from ingestd.delivery.connecting import Connection
    from ingestd.delivery.targets import Target
    from ingestd.ledger.store import Ledger


@click.command()
@click.option("--once", is_flag=True, help="Deliver what there is and end.")
@click.option("--retry", is_flag=True, help="Offer what was set aside once more, and end.")
@json_option
@with_invocation
def deliver(invocation: Invocation, *, once: bool, retry: bool, as_json: bool) -> None:
    """Deliver released results to the targets of [delivery]; without --once until ^C.

    `ingestd run` does this by itself. Exits 1 when rows are set aside.
    """
    from ingestd.delivery.worker import make_targets
    from ingestd.errors import ConfigError
    from ingestd.ledger.deliveries import delivery_standings

    def apply(job: Callable[[Ledger], None]) -> None:
        job(invocation.ledger)

    targets = make_targets(invocation.config, apply=apply, clock=invocation.now)
    if not targets:
        raise ConfigError(
            "[delivery]", "no target is configured", "add [delivery.postgres] or [delivery.files]"
        )
    if not once and not retry:
        _deliver_on(invocation)
        return
    for target in targets:
        try:
            if retry:
                target.retry(invocation.ledger.conn)
            _deliver_all(target, invocation.ledger)
        finally:
            target.close()
    standings = delivery_standings(invocation.ledger.conn, [target.name for target in targets])
    if as_json:
        from dataclasses import asdict

        print_json([asdict(one) for one in standings])
    else:
        print_table(
            ("target", "journal entries there", "rows sent", "results behind", "set aside"),
            [
                (one.target, one.up_to, one.delivered, one.results_behind, one.set_aside)
                for one in standings
            ],
        )
    if any(one.set_aside for one in standings):
        sys.exit(NO)


def _deliver_all(target: Target, ledger: Ledger) -> None:
    from ingestd.delivery.targets import Progress

    while target.step(ledger.conn) != Progress():
        pass


def _deliver_on(invocation: Invocation) -> None:
    """Until SIGTERM or ^C; marks go through a connection of their own, one at a time."""
    import signal

    from ingestd.delivery.worker import make_couriers
    from ingestd.ledger.store import Ledger as Opened
    from ingestd.service.logs import make_log

    stop = threading.Event()
    failures: list[BaseException] = []
    turn = threading.Lock()

    def apply(job: Callable[[Ledger], None]) -> None:
        with turn:
            ledger = Opened.open(invocation.config.ledger.path)
            try:
                job(ledger)
            finally:
                ledger.close()

    def fail(error: BaseException) -> None:
        failures.append(error)
        stop.set()

    workers = make_couriers(
        invocation.config, apply=apply, fail=fail, log=make_log(), clock=invocation.now
    )
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    for worker in workers:
        worker.start()
    stop.wait()
    for worker in workers:
        worker.stop()
    for worker in workers:
        worker.join()
    if failures:
        raise failures[0]


@click.group()
def central() -> None:
    """The central PostgreSQL, for its owner: schema, sites, proof."""


def _with_central(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say where the central database is; no configuration of a site is needed."""
    for option in (
        click.option("--ca", default="system", help="File of certificates to trust."),
        click.option(
            "--tls",
            type=click.Choice(["verify-full", "verify-ca", "require", "disable"]),
            default="verify-full",
            show_default=True,
        ),
        click.option(
            "--password-file", type=click.Path(path_type=Path), help="Holds the password."
        ),
        click.option(
            "--conninfo",
            required=True,
            help="host=… port=… dbname=… user=… of its owner, or of a reader to verify.",
        ),
    ):
        command = option(command)
    return command


def _settings(
    conninfo: str,
    password_file: Path | None,
    tls: Literal["verify-full", "verify-ca", "require", "disable"],
    ca: str,
) -> PostgresTarget:
    from pydantic import ValidationError

    from ingestd.config import PostgresTarget
    from ingestd.errors import ConfigError

    try:
        return PostgresTarget(
            conninfo=conninfo,
            password_file=password_file,
            tls=tls,
            ca="system" if ca == "system" else Path(ca),
            deadline_s=3600,
        )
    except ValidationError as error:
        said = "; ".join(fault["msg"].removeprefix("Value error, ") for fault in error.errors())
        raise ConfigError("central database", said, "mend the options") from error


def _connect(settings: PostgresTarget) -> Connection:
    try:
        from ingestd.delivery.connecting import connect
    except ImportError as error:
        from ingestd.errors import ConfigError

        raise ConfigError(
            "central database", f"psycopg is needed: {error}", "pip install ingestd[postgres]"
        ) from error
    return connect(settings)


@central.command()
@_with_central
def migrate(
    conninfo: str,
    password_file: Path | None,
    tls: Literal["verify-full", "verify-ca", "require", "disable"],
    ca: str,
) -> None:
    """Make the central schema, or bring it up to this program's."""
    with plain_errors(), _connect(_settings(conninfo, password_file, tls, ca)) as conn:
        from ingestd.delivery.schema import migrate as bring_up

        done = bring_up(conn)
        click.echo("\n".join(f"applied {name}" for name in done) or "up to date already")


@central.command()
@click.argument("site")
@click.option("--role", required=True, help="Login role that writes for this site only.")
@click.option(
    "--role-password-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Holds the password to give to that role.",
)
@click.option("--public-key", default="", help="The site's, as its `ingestd status` prints it.")
@_with_central
def admit(
    site: str,
    role: str,
    role_password_file: Path | None,
    public_key: str,
    conninfo: str,
    password_file: Path | None,
    tls: Literal["verify-full", "verify-ca", "require", "disable"],
    ca: str,
) -> None:
    """Let SITE (its name as configured there) deliver; again to change role or key."""
    with plain_errors(), _connect(_settings(conninfo, password_file, tls, ca)) as conn:
        from ingestd.delivery.schema import admit_site

        password = ""
        if role_password_file is not None:
            password = role_password_file.read_text(encoding="utf-8").rstrip("\r\n")
        admit_site(conn, site, role, password=password, public_key=public_key)
        click.echo(f"{site}: role {role} may deliver")


@central.command(name="verify")
@click.option("--site", help="Only this one.")
@click.option(
    "--key",
    "keys",
    multiple=True,
    metavar="SITE=KEY",
    help="A site's public key, trusted more than the one on record; may be repeated.",
)
@json_option
@_with_central
def verify_all(
    site: str | None,
    keys: Sequence[str],
    conninfo: str,
    password_file: Path | None,
    tls: Literal["verify-full", "verify-ca", "require", "disable"],
    ca: str,
    *,
    as_json: bool,
) -> None:
    """Prove from the central database alone that every site's journal and tables are whole."""
    pairs = dict(pair.partition("=")[::2] for pair in keys)
    if not all(pairs.values()):
        raise click.BadParameter("write SITE=KEY", param_hint="--key")
    with plain_errors(), _connect(_settings(conninfo, password_file, tls, ca)) as conn:
        from ingestd.delivery.central_proof import verify_central

        holds = show_reports(verify_central(conn, site=site, keys=pairs), as_json=as_json)
    if not holds:
        sys.exit(NO)


def reports_of_own_site(invocation: Invocation) -> list[CentralReport]:
    """What the centre has of this site, checked there: for `ingestd verify --central`.

    Raises:
        ConfigError: there is no [delivery.postgres] section.
        TargetUnavailable, TargetRejected: the centre.
    """
    from ingestd.audit.checkpoints import key_path, origin_of
    from ingestd.errors import ConfigError
    from ingestd.ledger.journal.checkpoints import load_key, public_key_text

    settings = invocation.config.delivery.postgres
    if settings is None:
        raise ConfigError(
            "[delivery.postgres]", "there is none", "configure it, or leave --central"
        )
    site, path = invocation.config.site.name, key_path(invocation.config)
    keys = {site: public_key_text(load_key(path), origin_of(site))} if path.exists() else {}
    with _connect(settings.model_copy(update={"deadline_s": 3600.0})) as conn:
        from ingestd.delivery.central_proof import verify_central

        return verify_central(conn, site=site, keys=keys)


def show_reports(reports: Sequence[CentralReport], *, as_json: bool) -> bool:
    """Print what was found at the centre; returns whether all of it holds."""
    if as_json:
        from dataclasses import asdict

        print_json([{**asdict(report), "holds": report.holds} for report in reports])
    else:
        for report in reports:
            if report.holds:
                click.echo(
                    f"{report.site}: {report.entries} journal entries, root {report.root};"
                    f" {report.checkpoints} checkpoints agree, {report.rows} rows as the journal"
                    " says"
                )
            for caution in report.cautions:
                click.echo(f"{report.site}: {caution}")
            for fault in report.faults:
                click.echo(f"{report.site}: DOES NOT HOLD: {fault}", err=True)
    return all(report.holds for report in reports)
