"""Forms at the desk: which form a file is in, and what a form reads from it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    json_option,
    print_json,
    print_table,
    with_invocation,
)

if TYPE_CHECKING:
    from parsers import Form

_FILE = click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))


@click.group()
def form() -> None:
    """Forms at the desk; nothing is stored."""


def _forms(invocation: Invocation) -> dict[str, bytes]:
    """Shipped forms, and the site's where a configuration is found."""
    from ingestd.errors import ConfigError
    from ingestd.pipeline.forms import shipped_forms

    texts = shipped_forms()
    try:
        folder = invocation.config.plan.forms
    except ConfigError:
        folder = None
    if folder is not None and folder.is_dir():
        texts |= {path.stem: path.read_bytes() for path in sorted(folder.glob("*.toml"))}
    return texts


def load_named_form(invocation: Invocation, name: str) -> Form:
    """A form by its name, or from a .toml file.

    Raises:
        Refused: there is none. FormError: it is wrong.
    """
    import parsers
    from ingestd.errors import Refused

    texts = _forms(invocation)
    path = Path(name)
    if name in texts:
        return parsers.load_form(texts[name], name)
    if path.suffix == ".toml" and path.is_file():
        return parsers.load_form(path.read_bytes(), path.stem)
    raise Refused(f"form {name!r}", "there is none", f"use {', '.join(texts)} or a file")


@form.command("recognise")
@_FILE
@json_option
@with_invocation
def form_recognise(invocation: Invocation, file: Path, *, as_json: bool) -> None:
    """Say which form FILE is in, and why each other one does not fit."""
    import parsers

    loaded = [parsers.load_form(data, name) for name, data in _forms(invocation).items()]
    answer = parsers.recognise(file.read_bytes()[: 1 << 16], loaded)
    if as_json:
        print_json({"matches": answer.matches, "reasons": dict(answer.reasons)})
    else:
        print_table(
            ("form", "fits", "why"),
            [
                (name, "yes" if name in answer.matches else "no", why)
                for name, why in answer.reasons.items()
            ],
        )
    if len(answer.matches) != 1:
        sys.exit(NO)


@form.command("parse")
@_FILE
@click.option("--form", "form_name", required=True, help="Name of a form, or a .toml file.")
@json_option
@with_invocation
def form_parse(invocation: Invocation, file: Path, form_name: str, *, as_json: bool) -> None:
    """Show every field of every reading in FILE beside the bytes it came from."""
    import parsers

    loaded = load_named_form(invocation, form_name)
    data = file.read_bytes()
    parsed = parsers.parse(data, loaded)
    rows = []
    for number, reading in enumerate(parsed.readings, 1):
        for name, text in reading.fields.items():
            span = reading.spans.get(name)
            where = f"{span.start}-{span.end}" if span else "constant"
            raw = ascii(data[span.start : span.end].decode("latin-1"))[1:-1] if span else ""
            rows.append((number, reading.line, name, text, where, raw))
    if as_json:
        print_json(
            {
                "readings": [
                    {
                        "line": r.line,
                        "fields": dict(r.fields),
                        "value": None if r.value is None else str(r.value),
                        "censored": r.censored,
                        "unit": r.unit,
                        "basis": r.basis,
                        "measured_at": r.measured_at and r.measured_at.isoformat(),
                    }
                    for r in parsed.readings
                ],
                "faults": [str(fault) for fault in parsed.faults],
            }
        )
    else:
        print_table(("reading", "line", "field", "text", "bytes", "as they stand"), rows)
        for fault in parsed.faults:
            click.echo(str(fault), err=True)
    if parsed.faults:
        sys.exit(NO)


@form.command("propose")
@_FILE
@with_invocation
def form_propose(_desk: Invocation, file: Path) -> None:
    """Draft a commented form from a sample export, to be corrected by a person."""
    from parsers.propose import propose

    click.echo(propose(file.read_bytes(), file.stem), nl=False)
