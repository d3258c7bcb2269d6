"""Figures a laboratory asks for beside its runs: limits from blanks, control standards, pairs."""

from __future__ import annotations

import sys
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    NO,
    WRONG_USE,
    Invocation,
    json_option,
    print_json,
    print_table,
    with_invocation,
)

if TYPE_CHECKING:
    from collections.abc import Sequence


@click.group()
def compute() -> None:
    """Detection limits, oxygen demand of a standard, equivalence of digestions; nothing stored."""


def _numbers(text: str, what: str) -> list[Decimal]:
    try:
        return [Decimal(part) for part in text.split(",") if part.strip()]
    except InvalidOperation:
        click.echo(f"{what}: {text!r} is no list of numbers; write 1.2,0.9,…", err=True)
        sys.exit(WRONG_USE)


def _show(rows: Sequence[tuple[str, object]], *, as_json: bool) -> None:
    if as_json:
        print_json({name: None if value is None else str(value) for name, value in rows})
    else:
        print_table(("what", "value"), [(name, "-" if v is None else v) for name, v in rows])


def _short(value: Decimal | Fraction, digits: int = 4) -> str:
    from ingestd.evaluate.rounding import round_significant

    return str(round_significant(value, digits))


@compute.command("limits")
@click.argument("method")
@click.option("--spikes", help="Results of at least seven low spikes: 1.2,0.9,…")
@click.option("--blanks", help="Blank results; those of the method on record by default.")
@json_option
@with_invocation
def limits(
    invocation: Invocation, method: str, spikes: str | None, blanks: str | None, *, as_json: bool
) -> None:
    """Detection limits of METHOD, in its unit, from blanks on record and from low spikes."""
    from ingestd.errors import Refused
    from ingestd.evaluate.statistics.detection_limits import method_detection_limit
    from ingestd.ledger.work import control_history
    from ingestd.model import Role

    conn = invocation.reading_ledger.conn
    in_force = invocation.in_force_cache.current(conn)
    if method not in in_force.methods:
        raise Refused(f"method {method!r}", "there is none", "see `ingestd plan show`")
    if blanks is None:
        history = control_history(conn, method, before=invocation.now(), newest=2000)
        values = [point.value for point in history if point.role is Role.BLANK]
    else:
        values = _numbers(blanks, "--blanks")
    if spikes is None:
        raise click.UsageError("give --spikes: the rule asks for at least seven low spikes")
    try:
        found = method_detection_limit(_numbers(spikes, "--spikes"), values)
    except ValueError as error:
        raise Refused(
            f"limits of {method}", str(error), "measure more, or give --blanks"
        ) from error
    _show(
        (
            ("unit", in_force.methods[method].unit),
            ("blanks", len(values)),
            ("from spikes", _short(found.from_spikes)),
            ("from blanks", None if found.from_blanks is None else _short(found.from_blanks)),
            ("method detection limit", _short(found.value)),
            ("source", "40 CFR 136 appendix B, revision 2 (formulas from memory)"),
        ),
        as_json=as_json,
    )


@compute.command("oxygen-demand")
@click.argument("formula")
@click.option("--cod", help="Wanted COD in mg/L: how much to weigh in for a litre.")
@click.option("--purity", default="1", show_default=True, help="Mass fraction of the compound.")
@json_option
@with_invocation
def oxygen_demand(
    _desk: Invocation, formula: str, cod: str | None, purity: str, *, as_json: bool
) -> None:
    """Theoretical oxygen demand of a pure compound, such as C8H5KO4, for a control standard."""
    from ingestd.errors import Refused
    from ingestd.evaluate.oxygen_demand import mass_for, molar_mass, theoretical_oxygen_demand

    try:
        rows: list[tuple[str, object]] = [
            ("molar mass, g/mol", _short(molar_mass(formula), 6)),
            ("mg O2 per mg", _short(theoretical_oxygen_demand(formula), 5)),
        ]
        if cod is not None:
            mass = mass_for(
                formula, _numbers(cod, "--cod")[0], purity=_numbers(purity, "--purity")[0]
            )
            rows.append((f"mg per litre for {cod} mg/L COD", _short(mass, 5)))
    except ValueError as error:
        raise Refused(formula, str(error), "write a formula such as C8H5KO4") from error
    rows.append(("nitrogen", "counted as leaving as NH3; standard atomic weights 2021, IUPAC"))
    _show(rows, as_json=as_json)


@compute.command("comparison")
@click.argument("name")
@json_option
@with_invocation
def comparison(invocation: Invocation, name: str, *, as_json: bool) -> None:
    """Whether the digestion comparison NAME of the plan admits the fast program, and why."""
    from ingestd.errors import Refused
    from ingestd.evaluate.statistics.digestion_comparison import compare_digestions

    in_force = invocation.in_force_cache.current(invocation.reading_ledger.conn)
    record = in_force.of("digestion_comparison").get(name)
    if record is None:
        raise Refused(f"comparison {name!r}", "there is none", "load it by `ingestd plan load`")
    try:
        found = compare_digestions(
            [pair.standard for pair in record.pairs],
            [pair.fast for pair in record.pairs],
            fewest=invocation.config.site.minimum_comparison_pairs,
        )
    except ValueError as error:
        raise Refused(f"comparison {name!r}", str(error), "measure more pairs") from error
    _show(
        (
            ("method, program, matrix", f"{record.method}, {record.program}, {record.matrix}"),
            ("pairs", len(record.pairs)),
            ("equivalent", "yes" if found.equivalent else "no"),
            *((f"reason {number}", reason) for number, reason in enumerate(found.reasons, 1)),
            ("valid", f"{record.valid_from} to {record.valid_until}"),
        ),
        as_json=as_json,
    )
    if not found.equivalent:
        sys.exit(NO)
