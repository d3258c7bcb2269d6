"""Measurements and sheets as the bytes that instruments and people write.

Each print remembers where every reading ends, so that the model knows what stands in any part
of it without parsing anything.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from tests.simulation.truth import Measurement, RunPlan

POINT_HEAD = (
    "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,Stated in\n"
)
RENAMED_HEAD = POINT_HEAD.replace("Outcome", "Result in tube")
COMMA_HEAD = "Day;Clock;Sample label;Test;Thinned by;Finding (mg/L);Note\n"

# A form of the site's own, for the export whose column was renamed by an update.
RENAMED_FORM = """
shape = "table"
title = "The point table after an update"
identity = ["sequence"]
dilution_applied = false
blank_applied = true
[text]
encodings = ["utf-8"]
[numbers]
decimal = "."
[table]
delimiter = ","
[fields.sequence]
column = "Serial number of reading"
[fields.datetime]
column = "Read at"
patterns = ["YYYY-MM-DD hh:mm:ss"]
[fields.sample]
column = "Bottle"
[fields.method]
column = "Procedure"
[fields.dilution]
column = "Diluted"
required = "place"
[fields.absorbance]
column = "Extinction"
required = "place"
[fields.value]
column = "Result in tube"
below = ["low"]
above = ["high"]
[fields.unit]
column = "Stated in"
"""


@dataclass(slots=True)
class Printed:
    """Bytes with the readings in them: (measurement, where it is whole, end of its row).

    `layout` names the form that can read it, "" where none ever will.
    """

    layout: str
    data: bytes = b""
    rows: list[tuple[Measurement, int, int]] = field(default_factory=list)
    last: int = 0  # where the last row begins

    def copy(self) -> "Printed":
        return Printed(self.layout, self.data, list(self.rows), self.last)

    def complete(self, *, final: bool) -> list[Measurement]:
        """What certainly stands in it: terminated, or at its end once nothing more comes."""
        size = len(self.data)
        return [m for m, whole, ended in self.rows if ended <= size or (final and whole <= size)]

    def tells(self) -> bool:
        """Whether there is enough of it to tell its form by: one row with all its signs."""
        return bool(self.rows) and self.rows[0][1] <= len(self.data)

    def is_finished(self) -> bool:
        """Whether its last row is terminated, so that nothing in it waits for more."""
        return not self.rows or self.rows[-1][2] <= len(self.data)

    def is_whole(self) -> bool:
        """Whether its last row has all its signs, though perhaps no terminator."""
        return not self.rows or self.rows[-1][1] <= len(self.data)

    def add(self, measurement: Measurement, text: str, end: str, *, may_lack: int = 0) -> None:
        """Append a row of text and its terminator, of which the very last may lack some bytes."""
        self.last = len(self.data)
        self.data += text.encode() + end.encode()
        self.rows.append((measurement, len(self.data) - may_lack, len(self.data)))

    def cut(self, mark: str) -> bytes:
        """Cut the last row behind its third mark, as by a writer that is not done; the rest."""
        at = self.last
        for _ in range(3):
            at = self.data.index(mark.encode(), at) + 1
        rest, self.data = self.data[at:], self.data[:at]
        return rest


def _number(value: Decimal | None) -> str:
    return "" if value is None else format(value, "f")


def print_point(
    rows: Iterable[Measurement], onto: Printed | None = None, *, renamed: bool = False
) -> Printed:
    """The comma table with a counter."""
    page = onto or Printed("renamed_table" if renamed else "point_table")
    if not page.data:
        page.data = (RENAMED_HEAD if renamed else POINT_HEAD).encode()
    for m in rows:
        value = m.shown or {"<": "low", ">": "high"}[m.sign]
        page.add(
            m,
            f"{m.number},{m.wall:%Y-%m-%d %H:%M:%S},{m.label},{m.method},{_number(m.stated)},,"
            f"{value},mg/L",
            "\n",
        )
    return page


def print_comma(rows: Iterable[Measurement], onto: Printed | None = None) -> Printed:
    """The semicolon table without a counter; its note holds a letter that encodings differ in."""
    page = onto or Printed("comma_table")
    if not page.data:
        page.data = COMMA_HEAD.encode()
    for m in rows:
        value = m.shown.replace(".", ",") or {"<": "under", ">": "over"}[m.sign]
        page.add(
            m,
            f"{m.wall:%d.%m.%Y};{m.wall:%H:%M:%S};{m.label};{m.method};"
            f"{_number(m.stated).replace('.', ',')};{value};geprüft",
            "\r\n",
        )
    return page


def print_report(rows: Iterable[Measurement], onto: Printed | None = None) -> Printed:
    """Labelled lines, a blank line behind each block."""
    page = onto or Printed("labelled_report")
    for m in rows:
        value = f"{m.shown} mg/L" if m.shown else {"<": "below reach", ">": "beyond reach"}[m.sign]
        dilution = f"Dilution: {m.stated}\n" if m.stated is not None else ""
        page.add(
            m,
            f"Count: {m.number}\nOn: {m.wall:%Y-%m-%d}\nAt: {m.wall:%H:%M:%S}\n"
            f"Tube of: {m.label}\nLooked for: {m.method}\n{dilution}Found: {value}",
            "\n\n",
            may_lack=1,
        )
    return page


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 1021, start 0. Source: CRC-16/XMODEM, check value 31C3 over
    "123456789" (catalogue of parametrised CRC algorithms), tried in test_simulation."""
    crc = 0
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
            crc &= 0xFFFF
    return crc


def frame_of(m: Measurement) -> bytes:
    """One message of the checked line."""
    value = m.shown or {"<": "LO", ">": "HI"}[m.sign]
    cells = (
        str(m.number), f"{m.wall:%Y-%m-%d %H:%M:%S}", m.label, m.method, value, "mg/L",
        _number(m.stated), "", "",
    )  # fmt: skip
    inside = "|".join(cells).encode("ascii") + b"\x03"
    return b"\x02" + inside + f"{crc16(inside):04X}".encode() + b"\r"


COLUMNS = (
    "run", "method", "started", "instrument", "analyst", "program", "position", "role", "sample",
    "label", "point", "chloride", "dilution", "lot", "standard", "digestion_start",
    "digestion_end", "turbidity", "tube_turbidity",
)  # fmt: skip


def print_sheet(runs: Sequence[RunPlan], zone: str, *, digests: Iterable[str] = ("COD",)) -> bytes:
    """A bench sheet as CSV; what a run says stands on its first row."""
    lines = [",".join(COLUMNS)]
    for run in runs:
        for count, tube in enumerate(run.tubes):
            cells = dict.fromkeys(COLUMNS, "")
            cells |= {
                "run": run.name, "position": str(tube.position), "role": tube.role,
                "sample": tube.sample, "label": tube.label, "lot": tube.lot,
                "standard": tube.standard,
            }  # fmt: skip
            if tube.factor != 1:
                cells["dilution"] = f"1+{tube.factor - 1}"
            if tube.sample and tube.role == "sample":
                cells["point"] = "inlet"
                cells["chloride"] = _number(run.chlorides.get(tube.sample))
            if count == 0:
                cells |= {
                    "method": run.method, "started": _local(run.started, zone),
                    "instrument": run.instrument, "analyst": "mara",
                    "program": "standard" if run.method in digests else "",
                }  # fmt: skip
                for key in ("digestion_start", "digestion_end"):
                    if (None, key) in run.notes:
                        at = datetime.fromisoformat(run.notes[None, key])
                        cells[key] = _local(at, zone)
                cells["turbidity"] = run.notes.get((None, "turbidity"), "")
            cells["tube_turbidity"] = run.notes.get((tube.position, "turbidity"), "")
            lines.append(",".join(cells.values()))
    return ("\n".join(lines) + "\n").encode()


def _local(at: datetime, zone: str) -> str:
    return f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M:%S}"
