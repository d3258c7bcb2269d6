"""What lines hand over at once costs two commits, and comes to what it comes to one by one."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from ingestd.audit.compare import disagreements
from ingestd.audit.reenact import reenact
from ingestd.audit.verify import verify_ledger
from ingestd.demo.rendering import render_frame
from ingestd.errors import IngestError, StoreFull
from ingestd.pipeline.pipeline import Pipeline
from ingestd.service.line_intake import MOST, LineIntake
from ingestd.sources.serial.settings import LineArrival
from tests.conftest import SHEET, Lab
from tests.ingestd.pipeline.test_lines_to_results import FORM, READINGS, values

LINES = "".join(
    f'[[source]]\nkind = "line"\nname = "wire{number}"\nport = "/dev/none{number}"\n'
    'form = "checked_line"\ninstrument = "P1"\n'
    for number in range(3)
)
NOON = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def arrival(name: str, data: bytes, *, wire: int = 0, **more: bool) -> LineArrival:
    known = {"is_frame": True} | more
    return LineArrival(source=f"wire{wire}", name=name, data=data, seen_at=NOON, **known)


def frame(number: str, sample: str, value: str) -> bytes:
    """A frame with a sequence number of its own."""
    return render_frame(FORM, values(number[-1], sample, value) | {"sequence": number})


def day() -> list[LineArrival]:
    """A run over three wires: repeated, read anew once complete, unreadable, damaged, noise."""
    run = [arrival(f"a-{n}", frame(*one), wire=n % 3) for n, one in enumerate(READINGS)]
    return [
        *run[:3],
        replace(run[2], name="b-1", again=True),
        run[3],
        arrival("b-2", frame("9", "W-1", "1300")),
        arrival("b-3", b"\x02no cells\x03ABCD\r", wire=1),
        arrival("b-4", b"\x02half", wire=2, is_frame=False, damaged=True),
        arrival("b-5", b"\xff\x00", wire=2, is_frame=False),
    ]


UNDERSTOOD = [True] * 6 + [False, False, True]


@pytest.fixture
def lines(make_lab: Callable[..., Lab]) -> Callable[[str], Lab]:
    def make(name: str) -> Lab:
        lab = make_lab(name=name, extra=LINES)
        lab.load("sheet.csv", SHEET)
        return lab

    return make


def answers(
    invocation: LineIntake, pipeline: Pipeline, arrivals: Sequence[LineArrival]
) -> list[bool | IngestError]:
    """Everything is handed over before the writer gets to the first of it."""
    told: list[bool | IngestError] = []
    for job in [invocation.job(one) for one in arrivals]:
        try:
            told.append(job(pipeline))
        except IngestError as error:
            told.append(error)
    return told


def commits(lab: Lab, kind: str) -> object:
    """Transactions that entries about wires came in: each has an instant of its own here."""
    return lab.one(
        "SELECT count(DISTINCT json_extract(j.body, '$.at')) FROM journal j JOIN captures c"
        " ON c.id = json_extract(j.body, '$.capture') AND c.source LIKE 'wire%'"
        " WHERE json_extract(j.body, '$.kind') = ?",
        kind,
    )


def test_together_they_come_to_what_they_come_to_alone(lines: Callable[[str], Lab]) -> None:
    alone, together = lines("alone"), lines("together")
    told = [alone.pipeline.arrive_line(one) for one in day()]
    assert told == UNDERSTOOD
    assert answers(LineIntake(), together.pipeline, day()) == UNDERSTOOD
    assert together.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert disagreements(alone.ledger.conn, together.ledger.conn) == []
    assert verify_ledger(together.ledger.conn, rebuild=True).faults == []


def test_together_they_cost_two_commits(lines: Callable[[str], Lab]) -> None:
    alone, together = lines("alone"), lines("together")
    frames = day()[:6]
    for one in frames:
        alone.pipeline.arrive_line(one)
    answers(LineIntake(), together.pipeline, frames)
    assert commits(alone, "capture_stored") == 6
    assert commits(alone, "capture_read") == 6
    assert commits(together, "capture_stored") == 1
    assert commits(together, "capture_read") == 1


def test_more_than_a_few_go_in_turns(lines: Callable[[str], Lab]) -> None:
    lab = lines("many")
    many = [
        arrival(f"a-{n}", frame(f"{n}0", f"X-{n}", "500"), wire=n % 3) for n in range(MOST + 8)
    ]
    invocation = LineIntake()
    jobs = [invocation.job(one) for one in many]
    assert jobs[0](lab.pipeline)
    assert lab.one("SELECT count(*) FROM readings") == MOST
    assert all(job(lab.pipeline) for job in jobs[1:])
    assert lab.one("SELECT count(*) FROM readings") == MOST + 8
    assert commits(lab, "capture_read") == 2


def test_full_disk_is_told_to_each_and_all_arrive_later_once(lines: Callable[[str], Lab]) -> None:
    lab = lines("full")
    invocation, frames = LineIntake(), day()[:5]
    pages = lab.one("PRAGMA page_count")
    lab.ledger.conn.execute(f"PRAGMA max_page_count = {pages}")
    # Enough of them that the pages at hand cannot hold all.
    stuffed = [replace(one, name=f"{one.name}+", data=b"\0" * 60_000) for one in frames]
    told = answers(invocation, lab.pipeline, [*stuffed, *frames])
    assert [type(one) for one in told] == [StoreFull] * 10
    assert lab.one("SELECT count(*) FROM captures WHERE source LIKE 'wire%'") == 0
    lab.ledger.conn.execute("PRAGMA max_page_count = 1000000")
    assert answers(invocation, lab.pipeline, frames) == [True] * 5
    assert lab.one("SELECT count(*) FROM readings") == 4
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def test_a_life_in_which_they_came_together_is_reenacted(lines: Callable[[str], Lab]) -> None:
    lab = lines("life")
    # A clock so coarse that storing and reading bear the same instant.
    lab.pipeline.clock = lambda: NOON
    assert answers(LineIntake(), lab.pipeline, day()) == UNDERSTOOD
    ledger = reenact(
        lab.ledger.conn, lab.config, str(lab.folder / "again.db"), log=lab.pipeline.log
    )
    assert disagreements(lab.ledger.conn, ledger.conn) == []
    assert ledger.conn.execute("SELECT count(*) FROM readings").fetchone() == (5,)
    ledger.close()
