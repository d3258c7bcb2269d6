"""What commands share: finding the configuration, opening the ledger, printing, exit codes."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property, update_wrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

if TYPE_CHECKING:
    from datetime import datetime

    from ingestd.config import Config
    from ingestd.ledger.inputs import InForceCache
    from ingestd.ledger.store import Change, Ledger

P = ParamSpec("P")
R = TypeVar("R")

NO = 1  # the answer is no
WRONG_USE = 2


class Invocation:
    """One command's view of configuration and ledger; each is opened when first needed."""

    def __init__(self, config_path: Path | None) -> None:
        self._config_path = config_path

    @cached_property
    def config_path(self) -> Path:
        """Where the configuration is."""
        from ingestd.config import find_config

        return find_config(self._config_path).absolute()

    @cached_property
    def config(self) -> Config:
        """The checked configuration."""
        from ingestd.config import load_config

        return load_config(self.config_path)

    @cached_property
    def reading_ledger(self) -> Ledger:
        """The ledger, for reading only."""
        from ingestd.ledger.store import Ledger

        return Ledger.open_readonly(self.config.ledger.path)

    @cached_property
    def ledger(self) -> Ledger:
        """The ledger, for changing it; made if it is not there yet."""
        from ingestd.ledger.store import Ledger
        from ingestd.pipeline.inputs import take_configured

        path = self.config.ledger.path
        path.parent.mkdir(parents=True, exist_ok=True)
        ledger = Ledger.open(path, site=self.config.site.name, at=self.now())
        take_configured(ledger, self.config, at=self.now(), by="ingestd")
        return ledger

    @cached_property
    def in_force_cache(self) -> InForceCache:
        """The inputs in force."""
        from ingestd.ledger.inputs import InForceCache

        return InForceCache()

    def now(self) -> datetime:
        """The present instant, UTC."""
        from datetime import UTC, datetime

        return datetime.now(UTC)

    @contextmanager
    def change(self, by: str) -> Iterator[Change]:
        """A transaction by an account; the operating-system user is recorded too."""
        from ingestd.ledger.store import system_user

        with self.ledger.change(at=self.now(), by=by, system_user=system_user()) as change:
            yield change


def with_invocation(command: Callable[..., R]) -> Callable[..., R]:
    """Hand the Desk to a command, and turn our own errors into a message and an exit code."""

    @click.pass_context
    def wrapped(context: click.Context, *args: Any, **kwargs: Any) -> R:
        invocation = context.find_object(Invocation)
        if invocation is None:  # a command called outside the group, as in a test of it alone
            invocation = Invocation(None)
        with plain_errors():
            return context.invoke(command, invocation, *args, **kwargs)

    return update_wrapper(wrapped, command)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Our own errors end the command with their message; anything else is a bug and shows."""
    from ingestd.errors import ConfigError, IngestError
    from ingestd.ledger.connection import DatabaseError, translate
    from ingestd.plan.faults import PlanError
    from parsers import FormError, ParseError

    try:
        yield
    except ConfigError as error:
        click.echo(str(error), err=True)
        sys.exit(WRONG_USE)
    except (IngestError, PlanError, FormError, ParseError) as error:
        click.echo(str(error), err=True)
        sys.exit(NO)
    except DatabaseError as error:
        told = translate(error)
        if told is error:
            raise
        click.echo(str(told), err=True)
        sys.exit(NO)


def print_table(headers: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """A table for a person; says so where it is empty."""
    from tabulate import tabulate

    if not rows:
        click.echo("none")
        return
    last = max(shutil.get_terminal_size().columns - 60, 40)
    click.echo(
        tabulate(
            [[shown(cell) for cell in row] for row in rows],
            headers=headers,
            tablefmt="simple",
            disable_numparse=True,
            maxcolwidths=[None] * (len(headers) - 1) + [last],
        )
    )


def shown(cell: object) -> str:
    """A cell's text with control characters made visible, so that no file can play tricks."""
    text = "" if cell is None else str(cell)
    return "".join(c if c.isprintable() or c == "\n" else ascii(c)[1:-1] for c in text)


def print_json(value: object) -> None:
    """One JSON document for a program."""
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, default=str))


by_option = click.option(
    "--by", required=True, metavar="ACCOUNT", help="The account that decides."
)
reason_option = click.option("--reason", default="", metavar="TEXT", help="Why; kept for ever.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
