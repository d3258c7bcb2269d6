"""Commands that decide: release, withdraw, choose, policy, user."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    Invocation,
    by_option,
    json_option,
    print_json,
    print_table,
    reason_option,
    with_invocation,
)
from ingestd.cli.web import user_password, user_token

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingestd.pipeline.decisions import Decided


@click.command()
@click.argument("subject", metavar="RUN-OR-RESULT")
@by_option
@reason_option
@with_invocation
def release(invocation: Invocation, subject: str, by: str, reason: str) -> None:
    """Release what is accepted in a run, or one result by its number.

    A held result is released by its number and with a reason, which is printed with it. A
    refused one never is. Nobody releases their own work.
    """
    from ingestd.pipeline.decisions import release as decide

    in_force = invocation.in_force_cache.current(invocation.ledger.conn)
    with invocation.change(by) as change:
        decided = decide(change, in_force, subject, reason=reason)
    _say(decided)


@click.command()
@click.argument("subject", metavar="RUN-OR-RESULT")
@by_option
@reason_option
@with_invocation
def withdraw(invocation: Invocation, subject: str, by: str, reason: str) -> None:
    """Withdraw a released result, or every released one of a run; a reason is needed."""
    from ingestd.pipeline.decisions import withdraw as decide

    in_force = invocation.in_force_cache.current(invocation.ledger.conn)
    with invocation.change(by) as change:
        decided = decide(change, in_force, subject, reason=reason)
    _say(decided)


def _say(decided: Sequence[Decided]) -> None:
    for one in decided:
        click.echo(f"result {one.result}: {one.sample} {one.text} {one.what}")


@click.command()
@click.argument("result", type=int)
@by_option
@reason_option
@with_invocation
def choose(invocation: Invocation, result: int, by: str, reason: str) -> None:
    """Say that RESULT is the reported value of its sample, among several released."""
    from ingestd.pipeline.decisions import choose_reported

    in_force = invocation.in_force_cache.current(invocation.ledger.conn)
    with invocation.change(by) as change:
        choose_reported(change, in_force, result, reason=reason)
    click.echo(f"result {result} is the reported value")


@click.command()
@click.argument("mode", type=click.Choice(["automatic", "by_reviewer"]))
@by_option
@reason_option
@with_invocation
def policy(invocation: Invocation, mode: str, by: str, reason: str) -> None:
    """Sign the release policy: accepted results released at once, or by a reviewer."""
    from ingestd.pipeline.decisions import set_release_policy

    in_force = invocation.in_force_cache.current(invocation.ledger.conn)
    with invocation.change(by) as change:
        set_release_policy(change, in_force, mode=mode, by=by, reason=reason)
    click.echo(f"release policy: {mode}, signed by {by}")


@click.group()
def user() -> None:
    """Accounts and their roles."""


@user.command("add")
@click.argument("account")
@click.option(
    "--role",
    "roles",
    multiple=True,
    required=True,
    type=click.Choice(["viewer", "analyst", "reviewer", "admin"]),
    help="May be given several times.",
)
@click.option("--name", default="", help="The person's full name.")
@click.option("--inactive", is_flag=True, help="The account no longer acts.")
@click.option("--by", help="The admin who adds it; the first account adds itself.")
@with_invocation
def user_add(
    invocation: Invocation,
    account: str,
    roles: tuple[str, ...],
    name: str,
    by: str | None,
    *,
    inactive: bool,
) -> None:
    """Add ACCOUNT, or change its roles; the first account of a ledger must be an admin."""
    from ingestd.model import Person
    from ingestd.pipeline.decisions import add_person, roles_from

    person = Person(account=account, roles=roles_from(roles), full_name=name, active=not inactive)
    in_force = invocation.in_force_cache.current(invocation.ledger.conn)
    actor = by or account
    with invocation.change(actor) as change:
        add_person(change, in_force, person, by=actor)
    click.echo(f"{account}: {', '.join(roles)}{' (inactive)' if inactive else ''}")


user.add_command(user_password)
user.add_command(user_token)


@user.command("list")
@json_option
@with_invocation
def user_list(invocation: Invocation, *, as_json: bool) -> None:
    """Show all accounts."""
    people = (
        invocation.in_force_cache.current(invocation.reading_ledger.conn).of("person").values()
    )
    if as_json:
        print_json(
            [{"account": p.account, "roles": list(p.roles), "active": p.active} for p in people]
        )
        return
    print_table(
        ("account", "roles", "name", "active"),
        [(p.account, ", ".join(p.roles), p.full_name, p.active) for p in people],
    )
