"""What was scripted for the day against what the ledger holds: each trouble, each repair."""

from collections.abc import Iterator
from dataclasses import dataclass

from ingestd.demo.benchwork import AMMONIUM, COD_LOW, PHOSPHATE, BenchRun
from ingestd.demo.closing import Echo
from ingestd.demo.day_runs import MISTYPED, DayRuns
from ingestd.ledger.captures import find_captures
from ingestd.ledger.connection import Connection
from ingestd.ledger.results import ResultRow, entry_body, find_results
from ingestd.ledger.work import waiting_readings
from ingestd.model import Role, State


@dataclass(slots=True)
class Sightings:
    """What was seen while the day went on and is over at its end.

    Attributes:
        waited: (method, printed label) of readings that waited at noon.
        failed: captures of the portable photometer set aside at noon.
        placed_by_hand: the reading a person placed, None if none was.
        replayed: readings that the replay brought.
    """

    waited: frozenset[tuple[str, str]]
    failed: int
    placed_by_hand: int | None = None
    replayed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One scripted case: what it is, and "" or what the ledger holds instead."""

    title: str
    otherwise: str


def judge_script(conn: Connection, runs: DayRuns, seen: Sightings, echo: Echo) -> list[str]:
    """Print every scripted case and how it ended; returns those that ended otherwise."""
    cases = [*_troubles(conn, runs), *_placements(conn, runs, seen), *_files(conn, seen)]
    cases.append(_the_rest(conn, runs))
    echo("What was scripted")
    for case in cases:
        echo(f"  {'no ' if case.otherwise else 'yes'}  {case.title}")
    echo("")
    return [f"{case.title}: {case.otherwise}" for case in cases if case.otherwise]


def deciding_finding(conn: Connection, row: ResultRow) -> dict[str, str]:
    """The most severe finding on a result, the first where several are."""
    found: list[dict[str, str]] = entry_body(conn, row.entry)["findings"]
    return found[0] if found else {"rule": "", "verdict": "pass", "sentence": ""}


def _troubles(conn: Connection, runs: DayRuns) -> Iterator[Case]:
    high, repeats = runs.cod_high, runs.repeats
    yield _stands(
        conn,
        "a dilution that the photometer states otherwise than the sheet is held",
        high,
        "S-0415",
        State.HELD,
        rule="dilution_once",
        says="is planned with a dilution factor of 5, the instrument states 10",
    )
    yield _stands(
        conn,
        "a tube above the range is held, with the least dilution to repeat it at",
        high,
        "S-0414",
        State.HELD,
        rule="measuring_range",
        text="> 1650",
        says="Repeat at a factor of at least 2 (1+1)",
    )
    yield _stands(
        conn,
        "its repeat in a later run names what it repeats, and is released",
        repeats,
        "S-0414",
        State.RELEASED,
        repeats="COD high 1, above the range",
    )
    yield _stands(
        conn,
        "a turbid tube is refused",
        high,
        "S-0416",
        State.REFUSED,
        rule="tube_clear",
    )
    yield _stands(
        conn,
        "its repeat, diluted and clear, is released",
        repeats,
        "S-0416",
        State.RELEASED,
        repeats="COD high 1, turbid",
    )
    yield _stands(
        conn,
        "a tube of an expired lot is held",
        runs.ammonium,
        "S-0412",
        State.HELD,
        rule="kit_lot_in_date",
    )
    yield _stands(
        conn,
        "a fast digestion without comparison for the matrix is held",
        runs.fast,
        "S-0420",
        State.HELD,
        rule="fast_digestion",
    )
    yield _stands(
        conn,
        "a fast digestion with one is released",
        runs.fast,
        "S-0419",
        State.RELEASED,
    )
    yield _stands(
        conn,
        "a tube below the range is stated as less than its limit",
        runs.walk,
        "S-0422",
        State.RELEASED,
        text="< 0.07",
    )


def _stands(
    conn: Connection,
    title: str,
    run: BenchRun,
    sample: str,
    state: State,
    *,
    rule: str = "",
    text: str = "",
    says: str = "",
    repeats: str = "",
) -> Case:
    rows = find_results(conn, run=run.name, sample=sample)
    if len(rows) != 1:
        return Case(title=title, otherwise=f"{len(rows)} results of {sample} in {run.name}")
    row = rows[0]
    finding = deciding_finding(conn, row)
    wrong = []
    if row.state != state:
        wrong.append(f"{sample} in {run.name} is {row.state}, not {state}")
    if rule and finding["rule"] != rule:
        wrong.append(f"decided by {finding['rule'] or 'no rule'}, not {rule}")
    if says and says not in finding["sentence"]:
        wrong.append(f"the finding says: {finding['sentence']}")
    if text and row.text != text:
        wrong.append(f"stated as {row.text!r}, not {text!r}")
    if repeats and repeats not in str(entry_body(conn, row.entry)["repeats"]):
        wrong.append("it does not name what it repeats")
    return Case(title=title, otherwise="; ".join(wrong))


def _placements(conn: Connection, runs: DayRuns, seen: Sightings) -> Iterator[Case]:
    late = {(PHOSPHATE, pour.tube.label) for pour in runs.phosphate.pours}
    yield Case(
        title="readings that came before their sheet waited, and were placed by it",
        otherwise=_placed(conn, runs.phosphate) if late <= seen.waited else "they did not wait",
    )
    yield Case(
        title="an unknown sample waited, and was placed by a late sheet",
        otherwise=_placed(conn, runs.overflow)
        if (AMMONIUM, "S-0418") in seen.waited
        else "it did not wait",
    )
    how = conn.execute(
        "SELECT p.run, p.position, p.how FROM placements p WHERE p.reading = ?",
        (seen.placed_by_hand,),
    ).fetchone()
    by_hand = how is not None and how[0] == runs.cod_low.name and how[2] == "placed by hand"
    yield Case(
        title="a mistyped sample waited, and was placed by hand",
        otherwise=""
        if by_hand and (COD_LOW, MISTYPED) in seen.waited
        else f"its placement is {how}",
    )
    waiting = [
        (one.reading.sample, [near["reason"] for near in one.candidates])
        for one in waiting_readings(conn)
    ]
    early = len(waiting) == 1 and waiting[0][0] == "S-0423" and len(waiting[0][1]) == 1
    yield Case(
        title="a tube read while still in the block waits, with its candidate",
        otherwise=""
        if early and "older than the end of its digestion" in waiting[0][1][0]
        else f"{waiting} wait",
    )


def _placed(conn: Connection, run: BenchRun) -> str:
    placed = conn.execute("SELECT count(*) FROM placements WHERE run = ?", (run.name,)).fetchone()[
        0
    ]
    wanted = len(run.run.tubes)
    return "" if placed == wanted else f"{placed} of {wanted} tubes of {run.name} have a reading"


def _files(conn: Connection, seen: Sightings) -> Iterator[Case]:
    grown = [c for c in find_captures(conn, source="bench-a") if c.continues is not None]
    counted = conn.execute("SELECT count(*) FROM readings WHERE instrument = 'Bench A'").fetchone()
    yield Case(
        title="a growing file was read as it grew, every row once",
        otherwise=""
        if grown and counted[0] == 15
        else f"{len(grown)} continuations, {counted[0]} of 15 readings",
    )
    states = [(c.name, c.state) for c in find_captures(conn, source="portable")]
    read = [state for name, state in states if name.startswith("walk-")]
    yield Case(
        title="a file that no form fitted was read once its form was mended",
        otherwise=""
        if seen.failed == 1 and seen.replayed == 3 and read == ["read"]
        else f"{seen.failed} set aside, {seen.replayed} readings replayed, now {read}",
    )
    stray = [(name, state) for name, state in states if not name.startswith("walk-")]
    yield Case(
        title="a file that is no export is kept and marked as failed",
        otherwise="" if stray == [("shopping.txt", "failed")] else f"there are {stray}",
    )


def _the_rest(conn: Connection, runs: DayRuns) -> Case:
    """Every planned sample has a result, and those without a scripted fault are released."""
    faulty = {
        (runs.cod_high.name, "S-0414"),
        (runs.cod_high.name, "S-0415"),
        (runs.cod_high.name, "S-0416"),
        (runs.ammonium.name, "S-0412"),
        (runs.fast.name, "S-0420"),
    }
    every = (
        runs.cod_low, runs.cod_high, runs.ammonium, runs.phosphate, runs.walk, runs.overflow,
        runs.repeats, runs.fast,
    )  # fmt: skip
    planned = {
        (run.name, tube.sample)
        for run in every
        for tube in run.run.tubes
        if tube.role is Role.SAMPLE
    }
    released = {(row.run, row.sample) for row in find_results(conn, state=State.RELEASED.value)}
    missing = sorted(" ".join(one) for one in planned - faulty - released)
    surplus = sorted(" ".join(one) for one in released - (planned - faulty))
    wrong = [f"not released: {', '.join(missing)}"] if missing else []
    wrong += [f"released: {', '.join(surplus)}"] if surplus else []
    return Case(title="everything else is released", otherwise="; ".join(wrong))
