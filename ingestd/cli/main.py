"""The command line: one group, its commands found by name and imported when called."""

from importlib import import_module
from pathlib import Path

import click

from ingestd import __version__
from ingestd.cli.invocation import Invocation

# command -> (module, attribute, one line for `ingestd --help`)
_COMMANDS = {
    "init": ("operation", "init", "A configuration folder and units, to begin with."),
    "run": ("operation", "run", "The service: watch sources, judge, keep the ledger."),
    "demo": ("operation", "demo", "An invented waterworks works one day through."),
    "check": ("operation", "check", "Find everything that would go wrong before start."),
    "status": ("operation", "status", "What stands, what waits, what is wrong."),
    "tell": ("operation", "tell", "Tell that a unit has failed; units run it."),
    "plan": ("planning", "plan", "Bench sheets, methods, lots, samples: load and show."),
    "observe": ("planning", "observe", "Note what was seen about a run or a tube."),
    "captures": ("captures", "captures", "What arrived and what became of it."),
    "replay": ("captures", "replay", "Read captures again after a cause was mended."),
    "readings": ("placing", "readings", "Readings, and those that wait for a tube."),
    "place": ("placing", "place", "Place a reading on its tube by hand."),
    "results": ("results", "results", "Results, for people, spreadsheets and programs."),
    "explain": ("results", "explain", "The whole derivation of one result."),
    "release": ("deciding", "release", "Release a run or a result."),
    "withdraw": ("deciding", "withdraw", "Withdraw a released run or result."),
    "choose": ("deciding", "choose", "Say which of several released results is reported."),
    "policy": ("deciding", "policy", "Sign the release policy."),
    "user": ("deciding", "user", "Accounts and their roles."),
    "compute": ("computing", "compute", "Detection limits, oxygen demand, digestions compared."),
    "rules": ("results", "rules", "Every rule: question, formula, limits in force, source."),
    "verify": ("proof", "verify", "Prove that ledger and journal were not altered."),
    "web": ("web", "web", "The live page, a process of its own."),
    "deliver": ("delivery", "deliver", "Released results to PostgreSQL or daily files."),
    "central": ("delivery", "central", "For whoever owns the central database."),
    "listen": ("lines", "listen", "What arrives on a serial line; nothing is stored."),
    "ask": ("lines", "ask", "Ask an instrument on a serial line for a reading."),
    "speak": ("lines", "speak", "Play a photometer, to try a configuration."),
    "receipt": ("proof", "receipt", "Proof of one result that anybody can check."),
    "verify-receipt": ("proof", "verify_receipt", "Check a receipt; needs no ledger."),
    "consistency": ("proof", "consistency", "Proof that one checkpoint continues another."),
    "backup": ("operation", "backup", "A verified copy of the ledger, while it works."),
    "restore": ("operation", "restore", "Make a verified copy the ledger."),
    "archive": ("operation", "archive", "Move the bytes of old captures to an archive."),
    "form": ("forms", "form", "Forms at the desk: recognise, parse."),
}


class _Late(click.Group):
    """A group that imports a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's interface
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's interface
        if cmd_name not in _COMMANDS:
            return None
        module, attribute, _ = _COMMANDS[cmd_name]
        command: click.Command = getattr(import_module(f"ingestd.cli.{module}"), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's interface
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in _COMMANDS.items()])


@click.group(cls=_Late)
@click.option(
    "--config",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Configuration; else INGESTD_CONFIG, else ./ingestd.toml, else /etc/ingestd.",
)
@click.version_option(__version__, prog_name="ingestd")
@click.pass_context
def main(context: click.Context, config: Path | None) -> None:
    """Photometer readings in, explained and audited laboratory results out.

    Exit codes: 0 done, 1 the answer is no, 2 wrong use.
    """
    context.obj = Invocation(config)
