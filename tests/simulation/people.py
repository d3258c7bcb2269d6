"""Analysts at work: sheets, observations, placing by hand, and their mistakes."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from ingestd.errors import StoreFull
from ingestd.pipeline.decisions import place_reading
from ingestd.pipeline.inputs import PLAN_SOURCE, load_file
from ingestd.pipeline.inputs import observe as observe_run
from ingestd.plan.faults import PlanError
from tests.simulation import model_acts as acts
from tests.simulation.arriving import load
from tests.simulation.invariants import must
from tests.simulation.life import Life, act
from tests.simulation.printing import Printed, print_sheet
from tests.simulation.truth import RunPlan, TubePlan


class People:
    """The persons of a site."""

    def __init__(self, life: Life) -> None:
        self.life = life
        self.sheets = 0
        self.last_sheets: list[tuple[str, bytes, RunPlan]] = []

    # --- sheets -----------------------------------------------------------------------------

    def hand_in(self, plan: RunPlan, *, name: str = "") -> None:
        """A bench sheet is loaded by command or dropped into the plan folder."""
        life = self.life
        if not name:
            self.sheets += 1
            name = f"sheet-{self.sheets}.csv"
        data = print_sheet([plan], life.site.zone)
        self.last_sheets.append((name, data, plan))

        def then() -> None:
            acts.load_sheet(life.site.model, [plan])

        if life.chance.random() < 0.5:
            life.write(PLAN_SOURCE, name, Printed("", data), then)
        else:
            self._load(name, data, then)

    def _load(self, name: str, data: bytes, then: Callable[[], None]) -> None:
        life = self.life
        try:
            if life.chance.random() < life.weather.full:
                with life.site.full_disk(life.chance.randrange(4)):
                    load(life.site, name, data, then=then)
            else:
                load(life.site, name, data, then=then)
        except StoreFull:
            life.note("  the disk is full; the command is given again")
            load(life.site, name, data, then=then)

    def hand_in_again(self) -> None:
        """The same sheet once more, under its own name or another."""
        if not self.last_sheets:
            return
        life = self.life
        name, data, plan = life.chance.choice(self.last_sheets)
        run = life.site.model.runs.get(plan.name)
        if run is None or run.plan.body != plan.body:
            return  # an older version: it would bring the older plan back, as it would in life
        name = name if life.chance.random() < 0.5 else f"copy-{name}"
        self._load(name, data, lambda: acts.load_sheet(life.site.model, [plan]))

    def hand_in_wrong(self) -> None:
        """A sheet with a fault is refused whole."""
        life = self.life
        self.sheets += 1
        name = f"sheet-{self.sheets}.csv"
        data = (
            b"run,method,started,position,role,sample,dilution\nX,COD,2026-01-01,1,sample,S,1:10\n"
        )
        at = life.site.clock()
        site = life.site
        try:
            load_file(
                site.ledger,
                name,
                data,
                site.pipeline.in_force_cache,
                site.config,
                at=at,
                by="mara",
            )
        except PlanError:
            site.model.store(PLAN_SOURCE, name, data, at, None).state = "failed"
        else:
            must(False, "a sheet with a fault was taken")  # noqa: FBT003 - a claim that fails

    def revise(self) -> None:
        """A newer version of a sheet: another dilution, a label, a tube more or less."""
        life, chance = self.life, self.life.chance
        if not life.site.model.runs:
            return
        plan = life.site.model.runs[chance.choice(list(life.site.model.runs))].plan
        tubes = list(plan.tubes)
        match chance.choice(("dilution", "swap", "drop", "add", "instrument")):
            case "dilution":
                at = chance.randrange(len(tubes))
                if tubes[at].role == "sample":
                    tubes[at] = replace(tubes[at], factor=Decimal(chance.choice((1, 2, 5))))
            case "swap" if len(tubes) > 1:
                one, other = chance.sample(range(len(tubes)), 2)
                a, b = tubes[one], tubes[other]
                tubes[one] = replace(b, position=a.position)
                tubes[other] = replace(a, position=b.position)
            case "drop" if len(tubes) > 2 and not _is_needed(tubes):
                tubes.pop()
            case "add":
                code = f"{plan.name}-extra-{len(tubes) + 1}"
                tubes.append(
                    replace(
                        tubes[-1], position=tubes[-1].position + 1, role="sample", sample=code,
                        label=code, standard="",
                    )
                )  # fmt: skip
            case _:
                plan = acts.copy_of(plan, instrument="")
        kept = {tube.sample for tube in tubes}
        chlorides = {s: c for s, c in plan.chlorides.items() if s in kept}
        positions = {None, *(tube.position for tube in tubes)}
        notes = {key: value for key, value in plan.notes.items() if key[0] in positions}
        newer = acts.copy_of(plan, tubes=tuple(tubes), chlorides=chlorides, notes=notes)
        self.hand_in(newer)

    # --- the bench --------------------------------------------------------------------------

    def observe(self, run: str, position: int | None, key: str, value: str, shown: str) -> None:
        """Something is noted; `shown` is how the person writes it."""
        site = self.life.site

        def note(change: Any) -> None:
            observe_run(
                change,
                run,
                position,
                [f"{key}={shown}"],
                site.pipeline.in_force_cache,
                site.config,
            )

        if act(self.life, "mara", note):
            acts.observe(site.model, run, position, key, value)

    def attend(self) -> None:
        """Somebody settles one thing that waits for a hand."""
        life, chance = self.life, self.life.chance
        model = life.site.model
        things: list[Callable[[], None]] = []
        for name, run in model.runs.items():
            for tube in run.plan.tubes:
                here = [r for r in model.readings if r.place == (name, tube.position)]
                if len(here) > 1 or any(r.conflict for r in here):
                    one = str(chance.choice(here).id)
                    things.append(self._noting(name, tube.position, "use_reading", one))
                if chance.random() < 0.1:
                    things.append(self._noting(name, tube.position, "void", "spilt"))
                if chance.random() < 0.1:
                    factor = str(chance.choice((int(tube.factor), 2)))
                    things.append(self._noting(name, tube.position, "dilution", factor))
                if chance.random() < 0.05 and run.plan.method == "COD":
                    word = chance.choice(("clear", "turbid"))
                    things.append(self._noting(name, tube.position, "turbidity", word))
            is_old = life.site.now - run.plan.started > timedelta(days=3)
            if not run.is_complete and is_old and (None, "closed") not in run.notes:
                things.append(self._noting(name, None, "closed", "nothing more comes"))
        for reading in model.readings:
            meant, position = life.sent[reading.sent]
            run_or_none = model.runs.get(meant)
            if (
                run_or_none is not None
                and reading.place != (meant, position)
                and position in {t.position for t in run_or_none.plan.tubes}
            ):
                things.append(self._placing(reading.id, meant, position))
        if things:
            chance.choice(things)()

    def _noting(self, run: str, position: int | None, key: str, value: str) -> Callable[[], None]:
        def do() -> None:
            self.life.note(f"  {run} {position}: {key}={value}")
            self.observe(run, position, key, value, value)

        return do

    def _placing(self, reading: int, run: str, position: int) -> Callable[[], None]:
        def do() -> None:
            site = self.life.site
            self.life.note(f"  reading {reading} placed on {run} {position}")

            def place(change: Any) -> None:
                place_reading(
                    change, reading, run, position, site.pipeline.in_force_cache, site.config,
                    reason="seen at the bench",
                )  # fmt: skip

            if act(self.life, "mara", place):
                acts.place_by_hand(site.model, reading, run, position)

        return do

    def correct_times(self) -> None:
        """A sheet is handed in again with the end of its digestion corrected."""
        runs = [
            run.plan
            for run in self.life.site.model.runs.values()
            if (None, "digestion_end") in run.plan.notes
        ]
        if runs:
            newer = acts.copy_of(self.life.chance.choice(runs))
            end = datetime.fromisoformat(newer.notes[None, "digestion_end"])
            end += timedelta(minutes=self.life.chance.choice((-25, -4, 4)))
            newer.notes[None, "digestion_end"] = end.isoformat()
            self.hand_in(newer)

    def finish_digestion(self, plan: RunPlan, end: datetime) -> None:
        """The end of a digestion is noted after all, by observation or by the sheet again."""
        self.life.note(f"  {plan.name}: end of digestion noted")
        model = self.life.site.model
        run = model.runs.get(plan.name)
        if run is None:
            return
        if self.life.chance.random() < 0.5 and run.plan.body == plan.body:
            newer = acts.copy_of(plan)
            newer.notes[None, "digestion_end"] = end.isoformat()
            self.hand_in(newer)
        else:
            self.observe(plan.name, None, "digestion_end", end.isoformat(), end.isoformat())


def _is_needed(tubes: Sequence[TubePlan]) -> bool:
    """Whether a sheet without its last tube would lack its blank, or the sample of a duplicate."""
    last = tubes[-1]
    if last.role == "blank":
        return True
    return last.role == "sample" and any(tube.sample == last.sample for tube in tubes[:-1])
