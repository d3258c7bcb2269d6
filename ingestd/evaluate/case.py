"""The facts of one run looked up once, and what is being found about each of its tubes.

These two are the only mutable values of the judgement. They live inside one call of `evaluate`
and never leave it.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Literal

from ingestd.evaluate.figures import Exact, plain
from ingestd.evaluate.limits_in_tube import lower_limit
from ingestd.evaluate.local_time import local_day
from ingestd.evaluate.observed import BenchNotes
from ingestd.evaluate.rules.rule import HOLD, REFUSE
from ingestd.evaluate.uncertainty.dilution import DilutionShare
from ingestd.evaluate.uncertainty.own_controls import NOT_STATED
from ingestd.model import (
    ControlPoint,
    Finding,
    KitLot,
    Role,
    RunFacts,
    Sample,
    StoredReading,
    Tube,
    Verdict,
)

SAMPLE_LIKE = (Role.SAMPLE, Role.DUPLICATE, Role.SPIKE)
"""Tubes that hold sample water and reagent, so that everything asked of a sample is asked."""


Answer = tuple[Verdict, str, str, str, str]
"""What a rule answers for every tube that shares its facts: verdict, the sentence up to and
after the tube's number, observed, limit."""


class TubeCase:
    """One tube while it is judged.

    Attributes:
        reading: the reading that counts, None while none does.
        factor: total dilution, >= 1.
        net: concentration in the undiluted sample, method's unit, dilution applied once,
            blanks subtracted, not yet compared with the range. None while there is none.
        gross: the same before blanks were subtracted.
        shown: "<" or ">" where the display says less or more, "" for a number.
        place: power of ten of the last printed digit, in the undiluted sample.
        value: `net`, or the limit where `censored` is "<" or ">".
        missing: what is not there yet, "" for nothing.
        void: why the tube does not count, None if it does.
    """

    __slots__ = (
        "censored",
        "factor",
        "findings",
        "gross",
        "lot",
        "missing",
        "net",
        "place",
        "position",
        "reading",
        "role",
        "sample",
        "shown",
        "steps",
        "tube",
        "value",
        "void",
    )

    def __init__(self, tube: Tube, lot: str, sample: Sample | None, void: str | None) -> None:
        self.tube = tube
        self.position = tube.position
        self.role = tube.role
        self.sample = sample
        self.lot = lot
        self.void = void
        self.reading: StoredReading | None = None
        self.factor: Decimal = tube.dilution.factor
        self.gross: Exact | None = None
        self.net: Exact | None = None
        self.shown: Literal["", "<", ">"] = ""
        self.place: int | None = None
        self.value: Exact | None = None
        self.censored: Literal["", "<", ">"] = ""
        self.findings: list[Finding] = []
        self.steps: list[str] = []
        self.missing = ""

    @property
    def counted(self) -> StoredReading:
        """The reading that counts, for what is only ever asked of a tube that has one.

        Raises:
            LookupError: none counts, so nothing can be asked.

        """
        if self.reading is None:
            raise LookupError(f"tube {self.position} has no reading that counts")
        return self.reading

    @property
    def is_judged(self) -> bool:
        """True when a reading counts and nothing it needs is still to come."""
        return self.reading is not None and not self.missing

    @property
    def is_to_answer(self) -> bool:
        """True when the tube is judged, or has readings of which none may be counted yet: a
        control in doubt must hold its run and not pass for one that nobody asked for.
        """
        return self.is_judged or (bool(self.findings) and not self.missing)

    @property
    def usable(self) -> bool:
        """True when the tube has a value that no rule refuses or holds."""
        return self.value is not None and all(
            f.verdict is not REFUSE and f.verdict is not HOLD for f in self.findings
        )


class RunCase:
    """One run while it is judged.

    Attributes:
        day: the day the run started, in the laboratory's zone.
        findings: those of the run as a whole; a hold among them holds every sample result.
        missing: what is still lacking, one phrase each.
        closed: why a person closed the run, None while it is open.
        of_sample: the tubes of each sample, by position.
        of_its_own: findings that speak of one sample only.
        chloride: the method's word on chloride, None where it says nothing.
        high, low: ends of the range in the tube; `low` is the limit printed after `<`, and
            `low_name` what it is called.
        lots: answers by kit lot, as they are found.
        digestions: answers by what was noted of start, end and temperature, as they are found.
        dilutions: what each dilution adds to the uncertainty, by the factors of its steps, as
            they are asked for.
        histories: earlier numbers of each sampling point, sorted; None until they are asked for.
        uncertainty: what the control history says of the method's results.
        coloured: the colour blank of each sample that has one.
    """

    __slots__ = (
        "_controls",
        "bench",
        "chloride",
        "closed",
        "coloured",
        "day",
        "digestions",
        "dilutions",
        "facts",
        "findings",
        "high",
        "histories",
        "lots",
        "low",
        "low_name",
        "method",
        "missing",
        "of_its_own",
        "of_sample",
        "range_text",
        "run",
        "site",
        "tubes",
        "uncertainty",
    )

    def __init__(self, facts: RunFacts) -> None:
        self.facts = facts
        self.run = facts.run
        self.method = facts.method
        self.site = facts.site
        self.bench = BenchNotes(facts.observations)
        self.day: date = local_day(facts.run.started_at, facts.site.time_zone).date()
        self.closed = self.bench.noted(None, "closed")
        self.findings: list[Finding] = []
        self.missing: list[str] = []
        self.tubes: list[TubeCase] = []
        self.of_sample: dict[str, list[TubeCase]] = {}
        self.of_its_own: dict[str, list[Finding]] = {}
        self.coloured: dict[str, TubeCase] = {}
        self.histories: dict[str, list[Decimal]] | None = None
        self.digestions: dict[tuple[str | None, str | None, str | None], Answer] = {}
        self.dilutions: dict[tuple[Decimal, ...], DilutionShare] = {}
        self._controls: list[ControlPoint] | None = None
        self.lots: dict[str, Answer] = {}
        self.uncertainty = NOT_STATED
        self.high = facts.method.range_high
        self.low, self.low_name = lower_limit(facts.method)
        self.chloride = next(
            (i for i in facts.method.interferents if i.name.casefold() == "chloride"), None
        )
        self.range_text = f"{plain(self.low)} to {plain(self.high)} {facts.method.unit}"
        for tube in sorted(facts.run.tubes, key=_position):
            case = TubeCase(
                tube,
                self.bench.noted(tube.position, "lot") or tube.lot,
                facts.samples.get(tube.sample) if tube.sample else None,
                self.bench.noted(tube.position, "void"),
            )
            self.tubes.append(case)
            if tube.sample:
                self.of_sample.setdefault(tube.sample, []).append(case)
                if tube.role is Role.COLOUR_BLANK and case.void is None:
                    self.coloured.setdefault(tube.sample, case)

    def newest_controls(self) -> list[ControlPoint]:
        """Return earlier control values, newest first, whatever order they came in."""
        if self._controls is None:
            self._controls = sorted(self.facts.control_history, key=_when, reverse=True)
        return self._controls

    def lot_of(self, tube: TubeCase) -> KitLot | None:
        """Return the kit lot of the tube, None where it is unknown."""
        return self.facts.lots.get(tube.lot) if tube.lot else None

    def matrix_of(self, tube: TubeCase) -> str:
        """Return the matrix of the tube's sample, else of its sampling point, else ""."""
        sample = tube.sample
        if sample is None:
            return ""
        if sample.matrix:
            return sample.matrix
        point = self.facts.points.get(sample.point)
        return point.matrix if point else ""

    def of_role(self, role: Role) -> list[TubeCase]:
        """Return the tubes of one role that are not void, in order of position."""
        return [t for t in self.tubes if t.role is role and t.void is None]


def _when(point: ControlPoint) -> tuple[datetime, str, int]:
    return point.at, point.run, point.position


def _position(tube: Tube) -> int:
    return tube.position
