"""Rows a second and peak memory of each shape, beside `csv.reader` over the same bytes.

Each shape is measured in a process of its own, by processor time, which neighbours on the
machine disturb least: floor and figure take turns, and the best of each counts.
"""

import csv
import gc
import io
import multiprocessing
import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from multiprocessing.connection import Connection
from pathlib import Path

from ingestd.pipeline.garbage import calm_collector
from parsers import Form, load_form, parse, parse_in_parts, recognise
from parsers.checksums import CHECKSUMS
from tests.bench.figures import Figure

FORMS = Path(__file__).parents[2] / "parsers" / "forms"
NAMES = {"table": "point_table", "report": "labelled_report", "frame": "checked_line"}
REPEATS = 3
OFTEN = 50
RECOGNISE_MS = 5.0
LONE_MS = 0.5
TABLE_RATIO = 4.0
MEMORY_RATIO = 8.0  # of the file; "a small multiple"
_CRC = CHECKSUMS["CRC-16/XMODEM"].compute
_HEADER = (
    "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,Stated in\n"
)


def _forms() -> list[Form]:
    return [load_form(path.read_bytes(), path.stem) for path in sorted(FORMS.glob("*.toml"))]


def _row(at: int) -> tuple[str, ...]:
    """Number, date and time, sample, dilution, absorbance and value of an invented reading."""
    day, second = divmod(at * 40, 86_400)
    moment = (
        f"{2031 + day // 336}-{day // 28 % 12 + 1:02}-{day % 28 + 1:02} "
        f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"
    )
    value = f"{at * 7919 % 15_000 / 100:.2f}"
    return str(at), moment, f"Basin {at % 60}", f"1+{at % 4}", f"0.{at * 31 % 1000:03}", value


def _table_row(at: int) -> str:
    number, moment, sample, dilution, absorbance, value = _row(at)
    return f"{number},{moment},{sample},COD,{dilution},{absorbance},{value},mg/L O2\n"


def _block(at: int) -> str:
    number, moment, sample, _, _, value = _row(at)
    day, clock = moment.split()
    return (
        f"Count: {number}\nOn: {day}\nAt: {clock}\nTube of: {sample}\nLooked for: COD\n"
        f"Found: {value} mg/L\n\n"
    )


def _frame(at: int) -> str:
    number, moment, sample, dilution, absorbance, value = _row(at)
    body = f"{number}|{moment}|{sample}|COD|{value}|mg/L O2|{dilution}|{absorbance}|\x03"
    return f"\x02{body}{_CRC(body.encode()):04X}\r"


def sample_of(shape: str, rows: int) -> bytes:
    """So many invented readings in a layout of this shape."""
    written = {"table": _table_row, "report": _block, "frame": _frame}[shape]
    head = _HEADER if shape == "table" else ""
    return (head + "".join(map(written, range(rows)))).encode()


def _seconds(work: Callable[[], object]) -> float:
    gc.collect()
    begun = time.process_time()
    work()
    return time.process_time() - begun


def _read_bare(data: bytes) -> None:
    for _ in csv.reader(io.TextIOWrapper(io.BytesIO(data), "utf-8", newline="")):
        pass


def _reading(data: bytes, form: Form, rows: int) -> None:
    count = 0
    for part in parse_in_parts(data, form):
        if part.faults:
            raise AssertionError(f"a fault in whole rows: {part.faults[0]}")
        count += len(part.readings)
    if count != rows:
        raise AssertionError(f"{count} readings came out of {rows} rows")


def _memory(name: str) -> int:
    """A figure of this process's memory, bytes: VmRSS is the present one, VmHWM the peak."""
    status = Path("/proc/self/status").read_text("ascii")
    line = next(line for line in status.splitlines() if line.startswith(name))
    return int(line.split()[1]) * 1024


def _measure_shape(shape: str, rows: int, answer: Connection) -> None:
    data = sample_of(shape, rows)
    form = next(form for form in _forms() if form.name == NAMES[shape])
    calm_collector()
    Path("/proc/self/clear_refs").write_text("5", "ascii")  # forget the peak of making the data
    before = _memory("VmRSS")
    taken = [_seconds(lambda: _reading(data, form, rows))]
    peak = _memory("VmHWM") - before
    floor = [_seconds(lambda: _read_bare(data))]
    for _ in range(REPEATS - 1):
        taken.append(_seconds(lambda: _reading(data, form, rows)))
        floor.append(_seconds(lambda: _read_bare(data)))
    answer.send((floor, taken, peak, len(data)))


def _shape(shape: str, rows: int) -> Iterator[Figure]:
    context = multiprocessing.get_context("spawn")
    answer, other = context.Pipe(duplex=False)
    worker = context.Process(target=_measure_shape, args=(shape, rows, other))
    worker.start()
    other.close()
    try:
        floor, taken, peak, size = answer.recv()
    except EOFError:
        raise AssertionError(f"the {shape} could not be measured; its process says why") from None
    finally:
        worker.join()
    is_asked = shape == "table"
    yield Figure(
        name=f"{shape} of {rows} readings, time against csv.reader",
        unit="µs a reading",
        floor=min(floor) / rows * 1e6,
        figure=min(taken) / rows * 1e6,
        target=f"≤ {TABLE_RATIO:g} ×" if is_asked else "stated",
        met=min(taken) <= TABLE_RATIO * min(floor) if is_asked else None,
        spread=f"{rows / min(taken):.0f} readings/s, {rows / max(taken):.0f} at the slowest"
        f" of {REPEATS}",
    )
    yield Figure(
        name=f"{shape} of {rows} readings, peak memory beside the file",
        unit="× the file",
        floor=None,
        figure=peak / size,
        target=f"≤ {MEMORY_RATIO:g} × the file",
        met=peak <= MEMORY_RATIO * size,
        spread=f"{peak / 2**20:.1f} MiB for a file of {size / 2**20:.1f} MiB",
    )


def _recognising(repeats: int) -> Iterator[Figure]:
    """How long a form is looked at, and what a lone reading costs all in all."""
    forms = _forms()
    large = {shape: sample_of(shape, 2000) for shape in NAMES}
    for shape, data in large.items():
        if recognise(data, forms).matches != (NAMES[shape],):
            raise AssertionError(f"the {shape} was not recognised")
    taken = [
        _seconds(partial(recognise, data, [form]))
        for data in large.values()
        for form in forms
        for _ in range(repeats)
    ]
    yield Figure(
        name="recognise by one form, 2000 readings",
        unit="ms",
        floor=None,
        figure=max(_best(taken, repeats)) * 1000,
        target=f"≤ {RECOGNISE_MS:g} ms",
        met=max(_best(taken, repeats)) * 1000 <= RECOGNISE_MS,
        spread=f"the slowest of {len(taken) // repeats} pairs of form and file, best of {repeats}",
    )
    for shape, name in NAMES.items():
        work = partial(_read_lone, sample_of(shape, 1), name, forms)
        once = [_seconds(partial(_often, work)) / OFTEN for _ in range(repeats)]
        yield Figure(
            name=f"recognise among {len(forms)} forms and read a lone reading, {shape}",
            unit="ms",
            floor=None,
            figure=min(once) * 1000,
            target=f"≤ {LONE_MS:g} ms",
            met=min(once) * 1000 <= LONE_MS,
            spread=f"{OFTEN} in a row, {max(once) * 1000:.2f} ms at the slowest of {repeats}",
        )


def _read_lone(data: bytes, name: str, forms: list[Form]) -> None:
    """What the service does with the first row of an unknown file."""
    if recognise(data, forms).matches != (name,):
        raise AssertionError(f"the form {name} was not recognised")
    form = next(form for form in forms if form.name == name)
    if len(parse(data, form).readings) != 1:
        raise AssertionError(f"no lone reading came out by the form {name}")


def _often(work: Callable[[], None]) -> None:
    for _ in range(OFTEN):
        work()


def _best(taken: list[float], repeats: int) -> list[float]:
    return [min(taken[at:end]) for at, end in pairwise(range(0, len(taken) + 1, repeats))]


def measure(*, short: bool) -> list[Figure]:
    """Each shape on a million rows, and the time before a form is known."""
    rows = 50_000 if short else 1_000_000
    figures = [figure for shape in NAMES for figure in _shape(shape, rows)]
    return [*figures, *_recognising(5)]
