"""A reading attached to the one tube it can belong to, or left waiting with the reasons.

Candidates are tubes of open runs. They are looked up by what the instrument printed (method
and sample text, blanks collapsed, upper and lower case alike), then narrowed by the instrument
the sheet names and by time: a tube cannot be read before its digestion or reaction had ended.
Exactly one left: placed. None or several: a person decides, and is told why each does not fit.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from ingestd.evaluate.figures import span_of_minutes
from ingestd.evaluate.observed import BenchNotes
from ingestd.model import Method, Observation, Run, StoredReading, Tube
from ingestd.model.labels import label_key
from parsers.frozen import frozen


@frozen
class Candidate:
    """A tube of an open run; `ready_at` is when it can be read at the earliest."""

    run: Run
    tube: Tube
    method: Method
    ready_at: datetime | None = None


@frozen
class Placed:
    """The tube a reading belongs to, and how that was decided."""

    run: str
    position: int
    reason: str


@frozen
class NearMiss:
    """A tube that was considered, and why it was not (or not alone) the one."""

    run: str
    position: int
    reason: str


@frozen
class Waiting:
    """No certain tube: what was considered, and why a person must decide."""

    reason: str
    candidates: tuple[NearMiss, ...] = ()


@frozen
class OrderProposal:
    """A block of readings against the tubes of a sheet, for a person to confirm."""

    run: str
    pairs: tuple[tuple[int, int], ...]
    """(reading id, position), in the sheet's order."""
    reason: str


def ready_at(
    run: Run, method: Method, bench: BenchNotes | Iterable[Observation], tube: Tube
) -> datetime:
    """Return when the tube can be read at the earliest, as far as is known.

    The observed end of digestion; else its start (observed, or the run's) plus the program's
    minutes; for a method without digestion the time of the reagent, else the start of the run.
    """
    notes = bench if isinstance(bench, BenchNotes) else BenchNotes(bench)
    if not method.programs:
        return notes.instant(tube.position, "reagent_added") or run.started_at
    end = notes.instant(tube.position, "digestion_end")
    if end is not None:
        return end
    start = notes.instant(tube.position, "digestion_start") or run.started_at
    named = [p.minutes for p in method.programs if p.name == run.program]
    shortest = min(named or [p.minutes for p in method.programs])
    return start + span_of_minutes(shortest)


class TubeIndex:
    """The tubes of all open runs, indexed once for many readings.

    `place` costs two dictionary look-ups where the answer is certain.
    """

    __slots__ = ("_by_label", "_by_method_and_label", "_in_order")

    def __init__(self, tubes: Iterable[Candidate]) -> None:
        self._by_method_and_label: dict[tuple[str, str], list[Candidate]] = {}
        self._by_label: dict[str, list[Candidate]] = {}
        self._in_order: list[Candidate] = []
        names_of: dict[str, tuple[str, ...]] = {}
        for candidate in tubes:
            method = candidate.method
            names = names_of.get(method.name)
            if names is None:
                # dict.fromkeys: a method printed under its own name is entered once only.
                names = tuple(
                    dict.fromkeys(label_key(n) for n in (method.name, *method.printed_names))
                )
                names_of[method.name] = names
            if candidate.run.order == "in_sheet_order":
                self._in_order.append(candidate)
            label = label_key(candidate.tube.label)
            if not label:
                continue
            self._by_label.setdefault(label, []).append(candidate)
            for name in names:
                self._by_method_and_label.setdefault((name, label), []).append(candidate)

    def place(self, reading: StoredReading) -> Placed | Waiting:
        """Return the one tube the reading belongs to, or why it waits."""
        if reading.conflict:
            return Waiting(
                reason="The instrument sent the same identity with other content; "
                "a person must say which of the two counts before either is placed."
            )
        label = label_key(reading.sample) if reading.sample else ""
        if not label:
            return self._wait_without_label(reading)
        if reading.method:
            found = self._by_method_and_label.get((label_key(reading.method), label), ())
        else:
            found = self._by_label.get(label, ())
        fitting = []
        misses = []
        for candidate in found:
            objection = _objection(candidate, reading)
            if objection:
                misses.append(_near_miss(candidate, objection))
            else:
                fitting.append(candidate)
        if reading.time_note == "ambiguous":
            return Waiting(
                reason=f"The printed time falls in the hour that occurs twice and the arrival "
                f"does not settle which; a person must place sample {reading.sample!r}.",
                candidates=(*(_near_miss(c, "Fits by name.") for c in fitting), *misses),
            )
        if len(fitting) == 1:
            return Placed(
                run=fitting[0].run.name,
                position=fitting[0].tube.position,
                reason=_placed_reason(reading, fitting[0]),
            )
        if fitting:
            return Waiting(
                reason=f"{len(fitting)} tubes of open runs fit sample {reading.sample!r}; "
                "a person must choose.",
                candidates=tuple(_near_miss(c, "Fits as well as the others.") for c in fitting),
            )
        return self._wait_without_fit(reading, label, misses)

    def _wait_without_label(self, reading: StoredReading) -> Waiting:
        method = label_key(reading.method) if reading.method else ""
        ordered = [
            _near_miss(c, "Its run is read in the order of the sheet; confirm the whole block.")
            for c in self._in_order
            if c.run.instrument == reading.instrument
            and (not method or method in _printed(c.method))
        ]
        reason = "The reading prints no sample identity"
        if ordered:
            return Waiting(
                reason=f"{reason}; a run in sheet order can take it once a person confirms.",
                candidates=tuple(ordered),
            )
        return Waiting(
            reason=f"{reason}, and no open run on {reading.instrument} is declared to be read "
            "in the order of its sheet."
        )

    def _wait_without_fit(
        self, reading: StoredReading, label: str, misses: list[NearMiss]
    ) -> Waiting:
        if misses:
            return Waiting(
                reason=f"Sample {reading.sample!r} is planned, but no tube of it fits.",
                candidates=tuple(misses),
            )
        others = tuple(
            _near_miss(c, f"Is a tube of {c.method.name}, the reading says {reading.method}.")
            for c in self._by_label.get(label, ())
        )
        wanted = f" of method {reading.method!r}" if reading.method else ""
        return Waiting(
            reason=f"No open run has a tube labelled {reading.sample!r}{wanted}.",
            candidates=others,
        )


def place(reading: StoredReading, tubes: Sequence[Candidate]) -> Placed | Waiting:
    """Return the one tube the reading belongs to, or why it waits.

    For many readings build a `TubeIndex` once instead.
    """
    return TubeIndex(tubes).place(reading)


def propose_in_order(
    readings: Sequence[StoredReading], run: Run, method: Method, tubes: Sequence[Tube]
) -> OrderProposal | str:
    """Return readings paired with tubes in the sheet's order, or the reason why not.

    Args:
        readings: waiting readings without sample identity; any order.
        run: declared "in_sheet_order" on one instrument.
        method: the run's.
        tubes: those of the run still without reading, void ones left out.

    The proposal takes effect only when a person confirms it.

    """
    if run.order != "in_sheet_order":
        return f"Run {run.name} is not declared to be read in the order of its sheet."
    if not run.instrument:
        return f"Run {run.name} names no instrument, so no block of readings can be its own."
    names = _printed(method)
    for reading in readings:
        if reading.instrument != run.instrument:
            return f"Reading {reading.id} is of {reading.instrument}, the run of {run.instrument}."
        if reading.method and label_key(reading.method) not in names:
            return f"Reading {reading.id} is of {reading.method}, the run of {method.name}."
        if reading.conflict:
            return f"Reading {reading.id} contradicts another of the same identity."
        if reading.time_note == "ambiguous":
            return f"The time of reading {reading.id} is not certain, so neither is its order."
    if not readings:
        return f"No reading waits for run {run.name}."
    if len(readings) != len(tubes):
        return (
            f"Run {run.name} has {len(tubes)} tubes without reading, but {len(readings)} "
            "readings wait; the counts must agree before the order can be trusted."
        )
    in_time = sorted(readings, key=lambda r: (r.measured_at, r.id))
    in_sheet = sorted(tubes, key=lambda t: t.position)
    return OrderProposal(
        run=run.name,
        pairs=tuple((r.id, t.position) for r, t in zip(in_time, in_sheet, strict=True)),
        reason=f"{len(tubes)} readings of {run.instrument} in order of time against "
        f"{len(tubes)} tubes of run {run.name} in the order of its sheet.",
    )


def _printed(method: Method) -> set[str]:
    return {label_key(name) for name in (method.name, *method.printed_names)}


def _objection(candidate: Candidate, reading: StoredReading) -> str:
    """Return why the tube cannot be the reading's, "" if nothing speaks against it."""
    run = candidate.run
    if run.instrument and run.instrument != reading.instrument:
        return f"Its run is planned on {run.instrument}, the reading is of {reading.instrument}."
    if not reading.method and not run.instrument:
        return (
            "The reading prints no method, so only a run that names the instrument can "
            "take it, and this one names none."
        )
    ready = candidate.ready_at
    if ready is not None and reading.measured_at < ready:
        early = (ready - reading.measured_at).total_seconds() / 60
        return f"The reading is {early:.0f} min older than the end of its digestion or reaction."
    return ""


def _near_miss(candidate: Candidate, reason: str) -> NearMiss:
    return NearMiss(run=candidate.run.name, position=candidate.tube.position, reason=reason)


def _placed_reason(reading: StoredReading, candidate: Candidate) -> str:
    by = f"method {reading.method} and " if reading.method else ""
    return (
        f"The only tube of an open run with {by}label {candidate.tube.label!r} "
        "that was ready before the reading."
    )
