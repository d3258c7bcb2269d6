"""The columns of a bench sheet: names, what they mean, and where they need be filled."""

from dataclasses import dataclass
from typing import Literal

Level = Literal["run", "tube", "sample"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a bench sheet.

    Attributes:
        name: as the header writes it.
        level: what it speaks of. A run or sample column need be filled on one row of that run or
            sample only; where it is filled again it must say the same.
        required: must be filled; the header must have it.
        meaning: one phrase, for people.
        example: a cell as it may be written.
    """

    name: str
    level: Level
    required: bool = False
    meaning: str
    example: str


def _column(
    name: str, level: Level, meaning: str, example: str, *, required: bool = False
) -> Column:
    return Column(name=name, level=level, required=required, meaning=meaning, example=example)


COLUMNS = (
    _column("run", "tube", "name of the run, on every row", "2026-03-02 COD A", required=True),
    _column("method", "run", "name of the method", "COD-HR", required=True),
    _column(
        "started", "run", "when the run was started, local time", "2026-03-02 08:15", required=True
    ),
    _column("instrument", "run", "photometer the tubes are read in, if fixed", "bench 1"),
    _column("analyst", "run", "account of the person who works the run", "mara"),
    _column("program", "run", "digestion program, by its name in the method", "standard"),
    _column(
        "prepared_at",
        "run",
        "when the samples were prepared (acid, filter, reagent)",
        "2026-03-02 08:05",
    ),
    _column(
        "order",
        "run",
        "`by_name` (the instrument prints labels; taken if empty) or `in_sheet_order` (it prints "
        "none, and tubes are read in the order of their positions)",
        "by_name",
    ),
    _column(
        "digestion_start", "run", "when the tubes went into the hot block", "2026-03-02 08:25"
    ),
    _column("digestion_end", "run", "when they came out", "2026-03-02 10:25"),
    _column("block", "run", "which block", "block 2"),
    _column("block_temperature", "run", "measured in the block, °C", "148"),
    _column(
        "reagent_added", "run", "when the reagent was added, without digestion", "2026-03-02 08:20"
    ),
    _column("turbidity", "run", "`clear`, `turbid` or NTU, for all tubes", "clear"),
    _column("zeroing", "run", "who zeroed the instrument, and on what", "mara on reagent blank"),
    _column("position", "tube", "place in the run, from 1", "3", required=True),
    _column(
        "role",
        "tube",
        "`sample`, `blank`, `colour_blank`, `control_standard`, `duplicate` or `spike`",
        "sample",
        required=True,
    ),
    _column("sample", "tube", "code of the sample; not for a blank or control standard", "W-0417"),
    _column(
        "label",
        "tube",
        "what the instrument prints for the tube. If empty: the sample code for a sample, "
        "`<sample> dup`, `<sample> spike`, `<sample> colour blank`, else `blank <position>` or "
        "`control standard <position>`",
        "W-0417",
    ),
    _column("point", "sample", "code of the sampling point", "inlet"),
    _column("matrix", "sample", "kind of water", "waste water"),
    _column("sampled_at", "sample", "when the sample was taken, local time", "2026-03-02 06:30"),
    _column("preserved_at", "sample", "when it was preserved, local time", "2026-03-02 06:40"),
    _column("preservation", "sample", "how it was preserved", "cooled"),
    _column("chloride", "sample", "chloride of the undiluted sample, mg/L", "350"),
    _column(
        "dilution", "tube", "`1+9`, `x10`, `10` or steps, `1+9 then 1+4`; empty: undiluted", "1+9"
    ),
    _column("lot", "tube", "lot number of the kit", "K2601"),
    _column("standard", "tube", "lot of the control standard, for that role", "CS-500-7"),
    _column("spike_added", "tube", "concentration a spike adds, in the method's unit", "200"),
    _column("expected", "tube", "value expected in the undiluted sample, method's unit", "1200"),
    _column("tube_turbidity", "tube", "`clear`, `turbid` or NTU, for this tube", "clear"),
    _column("homogenised", "tube", "`yes` or `no`", "yes"),
    _column(
        "repeats", "tube", "which result this tube repeats, and why", "above range this morning"
    ),
)

BY_NAME = {column.name: column for column in COLUMNS}
REQUIRED = tuple(column.name for column in COLUMNS if column.required)
RUN_COLUMNS = tuple(column.name for column in COLUMNS if column.level == "run")
SAMPLE_COLUMNS = tuple(column.name for column in COLUMNS if column.level == "sample")


def describe_columns() -> str:
    """Return the columns as a Markdown table."""
    lines = ["| column | speaks of | required | meaning | example |", "|---|---|---|---|---|"]
    for column in COLUMNS:
        needed = "yes" if column.required else ""
        lines.append(
            f"| `{column.name}` | {column.level} | {needed} | {column.meaning} "
            f"| `{column.example}` |"
        )
    return "\n".join(lines) + "\n"
