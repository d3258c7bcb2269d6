"""What people do, as it must change the model."""

from collections.abc import Iterable
from dataclasses import replace

from tests.simulation.laboratory import MethodFacts
from tests.simulation.model import Key, Model, Run
from tests.simulation.truth import RunPlan


def load_sheet(model: Model, plans: Iterable[RunPlan]) -> None:
    """A bench sheet took effect."""
    plans = list(plans)
    changed = [p for p in plans if p.name not in model.runs or _differs(model, p)]
    samples = [
        sample
        for plan in plans
        for sample, chloride in plan.chlorides.items()
        if model.chlorides.get(sample) != chloride
    ]
    for plan in plans:
        model.chlorides.update(plan.chlorides)
    for plan in changed:
        _plan(model, plan)
    noted = []
    for plan in plans:
        run = model.runs[plan.name]
        for key, value in plan.notes.items():
            if plan in changed or (*key, value) not in run.said:
                run.notes[key] = value
                run.said.add((*key, value))
                noted.append(plan.name)
    names = list(dict.fromkeys([*(plan.name for plan in changed), *noted]))
    labels = [tube.label for name in names for tube in model.runs[name].plan.tubes]
    filled = model.retry(labels)
    touched = [
        name
        for name, run in model.runs.items()
        if is_unsettled(model, name) and any(t.sample in samples for t in run.plan.tubes)
    ]
    model.judge([*names, *filled, *touched])


def _differs(model: Model, plan: RunPlan) -> bool:
    return model.runs[plan.name].plan.body != plan.body


def _plan(model: Model, plan: RunPlan) -> None:
    run = model.runs.get(plan.name)
    if run is None:
        model.runs[plan.name] = Run(plan)
        return
    sense = {t.position: (t.label.casefold(), t.sample, t.role) for t in plan.tubes}
    for tube in run.plan.tubes:
        if sense.get(tube.position) != (tube.label.casefold(), tube.sample, tube.role):
            for reading in model.readings:
                if reading.place == (plan.name, tube.position):
                    reading.place = None
    run.plan = plan
    run.is_complete = False


def is_unsettled(model: Model, name: str) -> bool:
    """Whether a changed input still reaches a run: incomplete, or with a result not decided."""
    if not model.runs[name].is_complete:
        return True
    return any(
        standing.released is None and standing.withdrawn is None
        for (run, _), standing in model.results.items()
        if run == name
    )


def observe(model: Model, name: str, position: int | None, key: str, value: str) -> None:
    """Something was noted about a run or a tube."""
    run = model.runs[name]
    run.notes[position, key] = value
    run.said.add((position, key, value))
    filled = model.retry(tube.label for tube in run.plan.tubes)
    model.judge([name, *filled])


def add_lots(model: Model, lots: Iterable[str]) -> None:
    """Kit lots came on record."""
    fresh = [lot for lot in lots if lot not in model.lots]
    model.lots.update(fresh)
    model.judge(
        name
        for name, run in model.runs.items()
        if is_unsettled(model, name) and any(t.lot in fresh for t in run.plan.tubes)
    )


def revise_method(model: Model, method: MethodFacts) -> None:
    """A method says something else now."""
    model.methods[method.name] = method
    model.judge(
        name
        for name, run in model.runs.items()
        if run.plan.method == method.name and is_unsettled(model, name)
    )


def place_by_hand(model: Model, reading: int, name: str, position: int) -> None:
    """A person moved a reading to a tube."""
    one = model.readings[reading - 1]
    before = one.place
    one.place = (name, position)
    model.judge([name] if before is None or before[0] == name else [before[0], name])


def release(model: Model, key: Key, version: int) -> None:
    """A person released the newest version, of this number, of a result."""
    standing = model.results[key]
    standing.released = (version, standing.newest)
    standing.withdrawn = None
    standing.was_decided = True


def withdraw(model: Model, key: Key, newest: int) -> None:
    """A person withdrew a result whose newest version has this number."""
    standing = model.results[key]
    standing.released = None
    standing.withdrawn = newest
    standing.was_decided = True


def copy_of(plan: RunPlan, **changes: object) -> RunPlan:
    """A newer version of a plan."""
    own = {"chlorides": dict(plan.chlorides), "notes": dict(plan.notes)}
    return replace(plan, **{**own, **changes})  # type: ignore[arg-type]  # fields of the class
