"""The command that serves the live page, and those that give accounts a password or token."""

from __future__ import annotations

from pathlib import Path

import click

from ingestd.cli.invocation import Invocation, with_invocation


@click.command()
@click.option("--host", help="Address to listen on; else that of the section [web].")
@click.option("--port", type=click.IntRange(0, 65535), help="Else that of the section [web].")
@with_invocation
def web(invocation: Invocation, host: str | None, port: int | None) -> None:
    """Serve the live page, a process of its own. Ends cleanly on SIGTERM and ^C."""
    from ingestd.service.logs import make_log
    from ingestd.web.context import PageContext
    from ingestd.web.serving import serve

    given = {"host": host, "port": port}
    settings = invocation.config.web.model_copy(
        update={key: value for key, value in given.items() if value is not None}
    )
    log = make_log()
    serve(PageContext(invocation.config, settings, log=log), log=log)


@click.command("password")
@click.argument("account")
@click.option(
    "--file",
    "path",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Read it from the first line of this file; asked for otherwise.",
)
@with_invocation
def user_password(invocation: Invocation, account: str, path: Path | None) -> None:
    """Set the password by which ACCOUNT signs in on the page; its sessions end."""
    from ingestd.ledger.accounts import set_password
    from ingestd.web.passwords import hash_password

    _demand_account(invocation, account)
    if path is None:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    else:
        password = (path.read_text(encoding="utf-8").splitlines() or [""])[0]
    hashed = hash_password(password)
    with invocation.change(account) as change:
        set_password(change, account, hashed)
    click.echo(f"{account}: password set")


@click.command("token")
@click.argument("account")
@click.argument("name")
@click.option("--days", type=click.IntRange(1, 730), default=90, show_default=True)
@click.option("--may-change", is_flag=True, help="It may change things as the account may.")
@click.option("--end", is_flag=True, help="End the token instead.")
@with_invocation
def user_token(
    invocation: Invocation, account: str, name: str, days: int, *, may_change: bool, end: bool
) -> None:
    """Make a token by which a program acts as ACCOUNT; its secret is printed once."""
    import secrets
    from datetime import timedelta

    from ingestd.ledger.accounts import add_token, end_token
    from ingestd.web.signing_in import TOKEN_PREFIX

    _demand_account(invocation, account)
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    with invocation.change(account) as change:
        if end:
            end_token(change, account, name)
        else:
            add_token(
                change,
                secret,
                account,
                name,
                may_change=may_change,
                ends_at=invocation.now() + timedelta(days=days),
            )
    click.echo(f"token {name} has ended" if end else secret)


def _demand_account(invocation: Invocation, account: str) -> None:
    from ingestd.errors import Refused

    if account not in invocation.in_force_cache.current(invocation.ledger.conn).of("person"):
        raise Refused(f"account {account!r}", "there is none", "add it with `ingestd user add`")
