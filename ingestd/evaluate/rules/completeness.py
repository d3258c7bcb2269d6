"""Whether the run has everything its method demands."""

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain
from ingestd.evaluate.local_time import local_day
from ingestd.evaluate.rules.duplicates import pairs_of
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.model import ControlElsewhere, ControlNeed, Method, Role, SitePolicy

_WORDS = {
    Role.BLANK: "a blank",
    Role.CONTROL_STANDARD: "a control standard",
    Role.DUPLICATE: "a duplicate",
    Role.SPIKE: "a spike",
    Role.COLOUR_BLANK: "a colour blank",
    Role.SAMPLE: "a sample",
}


def span_of(need: ControlNeed) -> str:
    """Return the span one control covers, in words."""
    if need.per == "tubes":
        return f"for every {need.tubes or 1} sample tubes"
    return f"per {need.per.replace('_', ' ')}"


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    return tuple(
        (
            _WORDS[need.role],
            span_of(need)
            + (f", as {' or '.join(need.accept)}" if need.role is Role.BLANK else ""),
        )
        for need in method.needs
    ) or (("controls", "none demanded"),)


COMPLETENESS = Rule(
    name="controls_complete",
    question="Has the run every control its method demands?",
    formula="controls read >= controls needed, per run, day, kit lot or number of sample tubes; "
    "a control met elsewhere on that day or lot covers only if it passed",
    outcomes=(
        ("met in the run, or covered from elsewhere", PASS),
        ("not there yet: the run waits", PASS),
        ("the run was closed without it", HOLD),
    ),
    source="how often: the method's own demand",
    parameters=_parameters,
)


def judge_completeness(run: RunCase) -> None:
    """Add what is missing to the run, or the holds of a run closed without it."""
    for tube in run.tubes:
        if tube.missing and tube.void is None and tube.missing not in run.missing:
            run.missing.append(tube.missing)
    samples = run.of_role(Role.SAMPLE)
    if not samples:
        return
    for need in run.method.needs:
        _judge_need(run, need, samples)


def _judge_need(run: RunCase, need: ControlNeed, samples: list[TubeCase]) -> None:
    what, span = _WORDS[need.role], span_of(need)
    if need.role is Role.BLANK and _covered_otherwise(run, need, samples):
        return
    planned = _controls_here(run, need.role)
    read = [t for t in planned if t.reading is not None]
    unread = len(planned) - len(read)
    if need.per == "kit_lot":
        for lot in sorted({t.lot for t in samples}):
            here = [t for t in read if t.lot == lot]
            coming = [t for t in planned if t.lot == lot]
            if not here and not _covers(run, need, lot=lot):
                _lack(run, f"{what} with kit lot {lot or '(none)'}", coming=bool(coming))
        return
    if need.per == "tubes":
        wanted = -(-len(samples) // (need.tubes or 1))
        short = wanted - len(read)
        if short > 0:
            _lack(
                run,
                f"{what} {span} ({len(samples)} sample tubes need {wanted}, {len(read)} read)",
                coming=unread >= short,
            )
        return
    if not read and not (need.per == "day" and _covers(run, need)):
        _lack(run, f"{what} {span}", coming=unread > 0)


def _controls_here(run: RunCase, role: Role) -> list[TubeCase]:
    if role is Role.DUPLICATE:
        return [duplicate for _, duplicate in pairs_of(run)]
    return run.of_role(role)


def _covered_otherwise(run: RunCase, need: ControlNeed, samples: list[TubeCase]) -> bool:
    """Return whether a lot value or an attested zeroing stands for the blank, and note it."""
    if "zeroing" in need.accept:
        attested = run.bench.noted(None, "zeroing")
        if attested is not None:
            run.findings.append(
                COMPLETENESS.answer(
                    PASS,
                    f"The zeroing of the instrument is attested ({attested}); it stands for the "
                    "blank.",
                    observed="zeroing",
                    limit=f"a blank {span_of(need)}",
                )
            )
            return True
    if "lot" in need.accept:
        values = []
        for tube in samples:
            lot = run.lot_of(tube)
            if lot is None or lot.blank_value is None:
                return False
            values.append((lot.lot, lot.blank_value))
        text = ", ".join(f"{name}: {plain(value)}" for name, value in sorted(set(values)))
        run.findings.append(
            COMPLETENESS.answer(
                PASS,
                f"The blank value of the kit lot ({text} {run.method.unit}) stands for the blank.",
                observed="lot value",
                limit=f"a blank {span_of(need)}",
            )
        )
        return True
    return False


def _covers(run: RunCase, need: ControlNeed, lot: str | None = None) -> bool:
    """Return whether a control that passed in another run covers this one, and note it."""
    zone = run.site.time_zone
    for control in sorted(run.facts.controls_elsewhere, key=_when):
        if control.role is not need.role or not control.passed or control.run == run.run.name:
            continue
        if lot is not None:
            if control.lot != lot:
                continue
        elif local_day(control.started_at, zone).date() != run.day:
            continue
        run.findings.append(
            COMPLETENESS.answer(
                PASS,
                f"{_WORDS[need.role].capitalize()} {span_of(need)} was met in run {control.run}.",
                observed=f"run {control.run}",
                limit=span_of(need),
            )
        )
        return True
    return False


def _when(control: ControlElsewhere) -> tuple[object, ...]:
    return (control.started_at, control.run)


def _lack(run: RunCase, what: str, *, coming: bool) -> None:
    """Note what is lacking: the run waits for it, or is held if it was closed without it."""
    if run.closed is not None:
        run.findings.append(
            COMPLETENESS.answer(
                HOLD,
                f"The run was closed ({run.closed}) without {what}; its method demands one.",
                observed="none",
                limit=what,
            )
        )
    elif not coming:  # a planned tube is listed as missing by itself already
        run.missing.append(what)
