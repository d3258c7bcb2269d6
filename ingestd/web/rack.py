"""A run as it is drawn: a rack of tubes, each with what was read in it and what rules say.

A complete run is shown as it was judged, from the journal. One that is under way is judged on
the spot by the same pure call, because nothing about it stands in the journal yet.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from ingestd.audit.derivation import outcome_from
from ingestd.evaluate import evaluate
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce
from ingestd.ledger.results import ResultRow, entry_body, find_results
from ingestd.model import (
    Finding,
    Method,
    Observation,
    ResultOutcome,
    SitePolicy,
    StoredReading,
    Tube,
    Verdict,
)
from ingestd.pipeline.run_facts import gather_run

GLASS = 100  # a tube's measuring range from its lower to its upper end, in drawing units
SEVERITY = {Verdict.PASS: 0, Verdict.CAUTION: 1, Verdict.HOLD: 2, Verdict.REFUSE: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeView:
    """One tube.

    Attributes:
        fill: height of the reading within the measuring range, 0 to GLASS; None without one.
        beyond: "above" or "below" the range, "" within.
        standing: one word: empty, void, read, passed, caution, held, refused.
        shown: the reading as printed, with unit; "" without one.
        findings: those that speak of this tube and are no pass, most severe first.
    """

    tube: Tube
    readings: tuple[StoredReading, ...]
    notes: tuple[Observation, ...]
    fill: int | None
    beyond: str
    standing: str
    shown: str
    findings: tuple[Finding, ...]

    @property
    def liquid(self) -> str:
        """The outline of what is in the glass, which is round at its bottom: an SVG path."""
        return _outline(self.fill or 1)

    @property
    def name(self) -> str:
        """What the tube is called at the bench."""
        return self.tube.sample or self.tube.standard or self.tube.label


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultView:
    """One result of a run: as it stands, and all that the judgement said."""

    row: ResultRow
    outcome: ResultOutcome

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Those that are no pass."""
        return tuple(f for f in self.outcome.findings if f.verdict is not Verdict.PASS)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """One run.

    Attributes:
        standing: open, complete or closed.
        missing: what an open run still lacks, one phrase each.
        findings: those of the run as a whole that are no pass.
        notes: observations of the run as a whole.
        releasable: how many results a reviewer can release with the run.
    """

    stored: work.StoredRun
    method: Method
    standing: str
    missing: tuple[str, ...]
    tubes: tuple[TubeView, ...]
    results: tuple[ResultView, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Observation, ...]

    @property
    def name(self) -> str:
        """Of the run."""
        return self.stored.run.name

    @property
    def read(self) -> int:
        """Tubes that have a reading."""
        return sum(1 for tube in self.tubes if tube.readings)

    @property
    def releasable(self) -> int:
        """Accepted results, and accepted proposals beside released ones."""
        return sum(
            1
            for result in self.results
            if result.row.state == "accepted"
            or (result.row.proposed is not None and result.outcome.state == "accepted")
        )

    def count(self, state: str) -> int:
        """How many of its results stand so."""
        return sum(1 for result in self.results if result.row.state == state)


def view_run(
    conn: Connection, stored: work.StoredRun, in_force: InForce, site: SitePolicy
) -> RunView:
    """The run as it can be drawn."""
    run = stored.run
    method = in_force.methods[run.method]
    readings = work.placed_readings(conn, run.name)
    notes = work.current_observations(conn, run.name)
    results = tuple(_result(conn, row) for row in find_results(conn, run=run.name))
    missing: tuple[str, ...] = ()
    said: list[Finding] = []
    if stored.complete and results:
        for result in results:
            said += result.outcome.findings
    else:
        outcome = evaluate(gather_run(conn, stored, in_force, site))
        missing = outcome.missing
        said += outcome.findings
        for tube in outcome.tubes:
            said += tube.findings
    said = list(dict.fromkeys(said))
    return RunView(
        stored=stored,
        method=method,
        standing="closed" if stored.closed else "complete" if stored.complete else "open",
        missing=missing,
        tubes=tuple(
            _tube(tube, readings.get(tube.position, ()), notes, said, method) for tube in run.tubes
        ),
        results=results,
        findings=_telling(f for f in said if f.position is None),
        notes=tuple(note for note in notes if note.position is None),
    )


def _result(conn: Connection, row: ResultRow) -> ResultView:
    entry = row.entry
    if row.proposed is not None:
        found = conn.execute(
            "SELECT entry FROM result_versions WHERE result = ? AND version = ?",
            (row.id, row.proposed),
        ).fetchone()
        entry = found[0] if found else entry
    return ResultView(row=row, outcome=outcome_from(entry_body(conn, entry)))


# The glass as it is drawn: inner width 22 about x = 22, a half circle of radius 11 at its bottom.
_RADIUS, _MIDDLE, _BOTTOM = 11, 22, 127


def _outline(height: int) -> str:
    top = _BOTTOM - height
    centre = _BOTTOM - _RADIUS
    left = _MIDDLE - _RADIUS
    if top <= centre:
        return f"M{left} {top}V{centre}a11 11 0 0 0 22 0V{top}z"
    half = math.sqrt(_RADIUS**2 - (top - centre) ** 2)
    return f"M{_MIDDLE - half:.1f} {top}A11 11 0 0 0 {_MIDDLE + half:.1f} {top}z"


def _telling(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    kept = [finding for finding in findings if finding.verdict is not Verdict.PASS]
    return tuple(sorted(kept, key=lambda f: (-SEVERITY[f.verdict], f.rule)))


def _tube(
    tube: Tube,
    readings: tuple[StoredReading, ...],
    notes: Sequence[Observation],
    said: Sequence[Finding],
    method: Method,
) -> TubeView:
    own = tuple(note for note in notes if note.position == tube.position)
    findings = [finding for finding in said if finding.position == tube.position]
    void = any(note.key == "void" for note in notes if note.position in (None, tube.position))
    counted = _counted(readings, own)
    fill, beyond = _fill(counted, method)
    return TubeView(
        tube=tube,
        readings=readings,
        notes=own,
        fill=fill,
        beyond=beyond,
        standing=_standing(readings, findings, void=void),
        shown=f"{counted.raw} {counted.unit or ''}".strip() if counted else "",
        findings=_telling(findings),
    )


def _counted(
    readings: tuple[StoredReading, ...], notes: Sequence[Observation]
) -> StoredReading | None:
    """The reading a person chose, else the newest."""
    chosen = {note.value for note in notes if note.key == "use_reading"}
    for reading in readings:
        if str(reading.id) in chosen:
            return reading
    return readings[-1] if readings else None


def _standing(
    readings: tuple[StoredReading, ...], findings: Sequence[Finding], *, void: bool
) -> str:
    if void:
        return "void"
    if not readings:
        return "empty"
    worst = max((SEVERITY[finding.verdict] for finding in findings), default=-1)
    return {-1: "read", 0: "passed", 1: "caution", 2: "held", 3: "refused"}[worst]


def _fill(reading: StoredReading | None, method: Method) -> tuple[int | None, str]:
    """Height in the glass and whether it lies beyond the range, from what stood in the tube."""
    if reading is None:
        return None, ""
    if reading.value is None or reading.censored:
        return (GLASS, "above") if reading.censored == ">" else (0, "below")
    in_tube = reading.value
    if reading.dilution_applied and reading.dilution:
        in_tube = reading.value / reading.dilution
    if in_tube > method.range_high:
        return GLASS, "above"
    beyond = "below" if in_tube < method.range_low else ""
    height = in_tube / method.range_high * GLASS
    return int(min(max(height, Decimal(0)), Decimal(GLASS))), beyond
