"""One row of a bench sheet as a tube: its role, what the role needs, and its default label."""

import re
from collections.abc import Mapping
from typing import TypeVar

from pydantic import TypeAdapter

from ingestd.model import UNDILUTED, Method, Role, SitePolicy, Tube
from ingestd.plan.columns import BY_NAME
from ingestd.plan.constraints import constrain
from ingestd.plan.dilution import parse_dilution
from ingestd.plan.faults import ValueRefused, listed
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.observations import check_lot
from ingestd.plan.quantities import parse_quantity
from ingestd.plan.sheet_cells import Cell, SheetFaults, TubeRow
from ingestd.plan.texts import parse_name

T = TypeVar("T")

_TUBE = TypeAdapter(Tube)
_POSITION = re.compile(r"[1-9][0-9]{0,3}")

# Columns that these roles need and no other has.
_BELONGS_TO = {
    "sample": frozenset({Role.SAMPLE, Role.DUPLICATE, Role.SPIKE, Role.COLOUR_BLANK}),
    "standard": frozenset({Role.CONTROL_STANDARD}),
    "spike_added": frozenset({Role.SPIKE}),
}
_LABEL_SUFFIX = {
    Role.SAMPLE: "",
    Role.DUPLICATE: " dup",
    Role.SPIKE: " spike",
    Role.COLOUR_BLANK: " colour blank",
}


def plan_tube(
    row: TubeRow,
    method: Method | None,
    policy: SitePolicy,
    in_force: KnownInputs,
    faults: SheetFaults,
) -> Tube | None:
    """Return the tube of one row, None where it cannot be told."""
    cells, read = row.cells, faults.read
    role = read(cells.get("role"), parse_role)
    position = read(cells.get("position"), _parse_position)
    dilution = read(cells.get("dilution"), lambda text: parse_dilution(text, policy.one_to_n))
    texts = {
        column: read(cells.get(column), parse_name) or ""
        for column in ("label", "lot", "standard")
    }
    numbers = {
        column: read(cells.get(column), parse_quantity) for column in ("spike_added", "expected")
    }
    look_up(cells.get("standard"), in_force.standards, "control_standard", faults)
    if method is not None:
        read(cells.get("lot"), lambda lot: check_lot(lot, method.name, in_force.lots))
    if role is None or position is None:
        return None
    _check_belonging(row, role, faults)
    sample = row.text("sample") if role in _BELONGS_TO["sample"] else ""
    tube, broken = constrain(
        _TUBE,
        {
            "position": position,
            "role": role,
            "sample": sample,
            "dilution": dilution or UNDILUTED,
            "repeats": row.text("repeats"),
            **texts,
            **numbers,
            "label": texts["label"] or default_label(role, sample, position),
        },
    )
    for fault in broken or ():
        column = str(fault.path[0])
        faults.add(row.line, column, row.text(column), fault.problem, fault.remedy)
    return tube


def _check_belonging(row: TubeRow, role: Role, faults: SheetFaults) -> None:
    for column, roles in _BELONGS_TO.items():
        if role in roles and not row.is_filled(column):
            faults.add(
                row.line,
                column,
                "",
                f"the cell is empty, and the role {words(role)} needs it",
                f"fill it: {BY_NAME[column].meaning}",
            )
        elif role not in roles and column in row.cells:
            faults.add_at(
                row.cells[column],
                f"the role {words(role)} has no {words(column)}",
                "leave the cell empty, or correct the role",
            )


def default_label(role: Role, sample: str, position: int) -> str:
    """Return the label of a tube whose sheet gives none, e.g. `W-0417 dup` or `blank 1`.

    Where the role needs a sample and none is named there is nothing to call the tube: "".
    """
    if role in _LABEL_SUFFIX:
        return sample + _LABEL_SUFFIX[role] if sample else ""
    return f"{words(role)} {position}"


def look_up(
    cell: Cell | None, known: Mapping[str, T], table: str, faults: SheetFaults
) -> T | None:
    """Return what the cell names among what is known; a name not known is a fault."""
    if cell is not None and cell.text not in known:
        faults.add_at(
            cell,
            f"there is no such {words(table)}",
            f"use a known one ({listed(known)}), or load it as [[{table}]] first",
        )
    return known.get(cell.text) if cell else None


def parse_role(text: str) -> Role:
    """Return the role of that name; blanks and capitals are taken for what they are.

    Raises:
        ValueRefused: there is no such role.

    """
    word = folded(text)
    if word not in set(Role):
        raise ValueRefused("there is no such role", f"write one of {', '.join(Role)}")
    return Role(word)


def find_role(row: TubeRow) -> Role | None:
    """Return the role a row names, None where there is none such."""
    word = folded(row.text("role"))
    return Role(word) if word in set(Role) else None


def folded(text: str) -> str:
    """Return a word of ours as sheets may write it: `Colour blank` for colour_blank."""
    return "_".join(text.casefold().split())


def words(word: str) -> str:
    """Return a word of ours as people say it: `colour blank`."""
    return word.replace("_", " ")


def _parse_position(text: str) -> int:
    if not _POSITION.fullmatch(text):
        raise ValueRefused("this is not a position", "write a whole number from 1 to 9999")
    return int(text)
