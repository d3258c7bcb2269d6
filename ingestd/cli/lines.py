"""Serial lines at the desk: listen to one, find out its settings."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, cast

import click

from ingestd.cli.invocation import NO, WRONG_USE, Invocation, shown, with_invocation

if TYPE_CHECKING:
    from ingestd.sources.serial.settings import Parity

_CHANCE = click.FloatRange(min=0.0, max=1.0, max_open=True)


@click.command()
@click.argument("port")
@click.option("--form", "form_name", help="Frame what arrives by this form.")
@click.option("--baud", type=int, default=9600, show_default=True, help="Speed.")
@click.option("--bits", type=click.Choice(["7", "8"]), default="8", show_default=True)
@click.option(
    "--parity",
    type=click.Choice(["none", "even", "odd", "mark", "space"]),
    default="none",
    show_default=True,
)
@click.option("--seconds", type=float, help="How long; until ^C by default.")
@click.option("--guess", is_flag=True, help="Try the common settings and say which make sense.")
@with_invocation
def listen(
    _desk: Invocation,
    port: str,
    form_name: str | None,
    baud: int,
    bits: str,
    parity: str,
    seconds: float | None,
    *,
    guess: bool,
) -> None:
    """Show what arrives on PORT, raw and framed; nothing is stored and nothing acknowledged.

    PORT is a device, or socket://HOST:PORT or rfc2217://HOST:PORT of a network serial server.
    """
    from ingestd.cli.forms import load_named_form
    from ingestd.sources.serial import listen as listening
    from ingestd.sources.serial.settings import WireSettings

    form = load_named_form(_desk, form_name) if form_name else None
    if form is not None and form.frame is None:
        click.echo(f"form {form_name!r} is of shape {form.shape}, not frame", err=True)
        sys.exit(WRONG_USE)
    if guess:
        plausible = 0
        candidates = list(listening.common_settings(port))
        for trial in listening.guess_settings(candidates, form=form, seconds=seconds or 3.0):
            plausible += trial.is_plausible
            click.echo(str(trial))
        sys.exit(0 if plausible else NO)
    wire = WireSettings(
        port=port,
        baud=baud,
        bits=8 if bits == "8" else 7,
        parity=cast("Parity", parity),
    )
    try:
        for line in listening.listen(wire, form=form, seconds=seconds):
            click.echo(shown(line))
    except KeyboardInterrupt:
        click.echo("ended")


@click.command()
@click.argument("line")
@with_invocation
def ask(invocation: Invocation, line: str) -> None:
    """Have the running service ask the instrument at LINE, a source, for a reading now.

    The form of the line declares the request (frame.poll). What the instrument answers arrives as
    any other frame does.
    """
    from ingestd.service.ask_socket import ask_service

    ask_service(invocation.config.ledger.path, line)
    click.echo(f"{line} is asked; its answer arrives as any other frame")


@click.command()
@click.argument("port")
@click.option("--form", "form_name", required=True, help="The form it speaks, of shape frame.")
@click.option("--set", "pairs", multiple=True, metavar="FIELD=TEXT", help="In every reading.")
@click.option("--every", type=float, default=10.0, show_default=True, help="Seconds between two.")
@click.option("--count", type=click.IntRange(min=1), help="How many; until ^C by default.")
@click.option("--noise", type=_CHANCE, default=0.0, help="Chance that a byte is replaced.")
@click.option("--drop", type=_CHANCE, default=0.0, help="Chance that a byte is lost.")
@click.option("--repeat", type=_CHANCE, default=0.0, help="Chance that an answer is not heard.")
@click.option("--delay", type=float, default=0.0, help="Seconds between two bytes.")
@with_invocation
def speak(
    invocation: Invocation,
    port: str,
    form_name: str,
    pairs: tuple[str, ...],
    every: float,
    count: int | None,
    noise: float,
    drop: float,
    repeat: float,
    delay: float,
) -> None:
    """Play a photometer with invented readings at PORT, to try a configuration.

    PORT is a path where nothing is yet, which becomes a serial line, or socket://HOST:PORT as of
    a network serial server; the configuration to be tried names the same. Never on a ledger that
    counts: the readings are invented.
    """
    import threading

    from ingestd.cli.forms import load_named_form
    from ingestd.demo.photometer import SimulatedPhotometer
    from ingestd.demo.speaking import make_link
    from ingestd.demo.speaking import speak as spoken

    form = load_named_form(invocation, form_name)
    if form.frame is None:
        click.echo(f"form {form_name!r} is of shape {form.shape}, not frame", err=True)
        sys.exit(WRONG_USE)
    if wrong := [pair for pair in pairs if "=" not in pair]:
        click.echo(f"--set {wrong[0]}: give FIELD=TEXT", err=True)
        sys.exit(WRONG_USE)
    link = make_link(port)
    photometer = SimulatedPhotometer(
        form, link, noise=noise, drop=drop, repeat=repeat, delay_s=delay
    )
    click.echo(
        f'a photometer speaks {form_name} at port = "{link.port}"; its readings are invented'
    )
    try:
        for line in spoken(
            photometer,
            form,
            fixed=dict(pair.split("=", 1) for pair in pairs),
            begin=invocation.now().astimezone().replace(tzinfo=None),
            every_s=every,
            count=count,
            stopping=threading.Event(),
        ):
            click.echo(line)
    except KeyboardInterrupt:
        click.echo("ended")
    finally:
        link.close()
