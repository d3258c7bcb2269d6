"""One more row in a file that grows: at 10 MB beside 10 kB, from closing it to its result.

The real service watches one folder with both files; a row is appended to each in turn. The rows
that were there before wait for a tube. In the short form they are wide, with a remark that no form
asks for, so that 10 MB are read in seconds.
"""

import tempfile
import time
from datetime import timedelta
from pathlib import Path

from ingestd.ledger.store import Ledger
from ingestd.service.daemon import Service
from tests.bench.bulk_work import START, bare_runs, load, make_folder, open_lab, silent_log
from tests.bench.figures import Figure, quantile
from tests.conftest import EXPORT_HEAD

SMALL = 10_000  # bytes
LARGE = 10_000_000
PATIENCE_S = 600.0
HEAD = EXPORT_HEAD.rstrip("\n") + ",Remark\n"


def measure(*, short: bool) -> list[Figure]:
    """Latency of a row appended to a large file against one appended to a small one."""
    rows = 40 if short else 200
    width = 2000 if short else 100
    with tempfile.TemporaryDirectory() as name:
        config = make_folder(Path(name), settle_s=60.0)
        pipeline = open_lab(config)
        sheet, lines = bare_runs(0, 2 * rows)
        load(pipeline, "bare.csv", sheet)
        pipeline.ledger.close()
        folder = config.source[0].path
        files = [folder / "small.csv", folder / "large.csv"]
        service = Service(config, log=silent_log())
        service.start()
        try:
            conn = Ledger.open_readonly(config.ledger.path).conn

            def wait_for(query: str, wanted: int) -> None:
                begun = time.perf_counter()
                while conn.execute(query).fetchone()[0] < wanted:
                    if time.perf_counter() - begun > PATIENCE_S:
                        raise TimeoutError(f"not {wanted} after {PATIENCE_S:.0f} s: {query}")
                    time.sleep(0.0001)

            before = 0
            for path, size in zip(files, (SMALL, LARGE), strict=True):
                text, count = _content(size, min(width, size // 5), before)
                path.write_text(text)
                before += count
                wait_for("SELECT count(*) FROM waiting", before)
            taken: tuple[list[float], ...] = ([], [])
            for number, line in enumerate(lines):
                which = number % 2
                with files[which].open("a") as file:
                    file.write(line.rstrip("\n") + ",\n")
                closed = time.perf_counter()
                wait_for("SELECT count(*) FROM results", number + 1)
                taken[which].append((time.perf_counter() - closed) * 1000)
            states = dict(conn.execute("SELECT state, count(*) FROM results GROUP BY state"))
            conn.close()
        finally:
            service.stop()
        sizes = [path.stat().st_size for path in files]
    if states != {"accepted": 2 * rows}:
        raise AssertionError(f"the rows did not become accepted results: {states}")
    small, large = (quantile(one, 0.5) for one in taken)
    return [
        Figure(
            name=f"appended row to result committed, p50, file of {sizes[1] / 1e6:.1f} MB with"
            f" {before} rows beside one of {sizes[0] / 1e3:.0f} kB",
            unit="ms",
            floor=small,
            figure=large,
            target="≤ 3 ×",
            met=large <= 3 * small,
            spread=f"p95 {quantile(taken[1], 0.95):.1f} beside {quantile(taken[0], 0.95):.1f};"
            f" {rows} rows each",
        )
    ]


def _content(size: int, width: int, first: int) -> tuple[str, int]:
    """A file of about so many bytes whose rows wait, and how many rows it has."""
    rows = [HEAD]
    length = len(HEAD)
    count = 0
    while length < size:
        number = first + count
        at = START + timedelta(seconds=number)
        row = f"{number},{at:%Y-%m-%d %H:%M:%S},stranger {number},BARE,,,33,mg/L,B1,"
        row += "x" * max(width - len(row), 0) + "\n"
        rows.append(row)
        length += len(row)
        count += 1
    return "".join(rows), count
