"""Whether the tube comes from a known box of this method, in date, and not oversold."""

from ingestd.evaluate.case import Answer, RunCase, TubeCase
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, REFUSE, Rule
from ingestd.model import Finding

KIT_LOT = Rule(
    name="kit_lot_in_date",
    question="Is the tube's kit lot known, of this method, and in date on the day of the run?",
    formula="produced <= day of the run <= expiry; the day is that of the run's start in the "
    "laboratory's zone, and a lot is usable to the end of its day of expiry",
    outcomes=(
        ("known and in date", PASS),
        ("no lot noted, or not on record", HOLD),
        ("expired", HOLD),
        ("of another method", REFUSE),
        ("produced after its expiry or after the day of the run", REFUSE),
    ),
)

BOX_COUNT = Rule(
    name="kit_lot_box_count",
    question="Were more determinations booked on the lot than were bought?",
    formula="determinations booked <= determinations a box x boxes",
    outcomes=(("no more than bought", PASS), ("more than bought", CAUTION)),
)


def judge_kit_lot(run: RunCase, tube: TubeCase) -> Finding:
    """Return whether the tube's lot can be trusted on the day of the run."""
    known = run.lots.get(tube.lot)  # the tubes of a run usually share one box
    if known is None:
        known = run.lots[tube.lot] = _judge(run, tube)
    verdict, before, after, observed, limit = known
    return KIT_LOT.answer(
        verdict,
        f"{before}{tube.position}{after}",
        position=tube.position,
        observed=observed,
        limit=limit,
    )


def _judge(run: RunCase, tube: TubeCase) -> Answer:
    day, method = run.day, run.method
    lot = run.lot_of(tube)
    if lot is None:
        noted = f" is of lot {tube.lot}, which is not on record" if tube.lot else " has no kit lot"
        remedy = "load the lot" if tube.lot else "note it from the box"
        return HOLD, "Tube ", f"{noted}; {remedy}.", tube.lot or "none", "a lot on record"
    before = f"Lot {lot.lot} of tube "
    if lot.method != method.name:
        return (
            REFUSE,
            before,
            f" is of method {lot.method}, the run of {method.name}; correct it, or void the tube.",
            f"lot of {lot.method}",
            f"lot of {method.name}",
        )
    if lot.produced is not None and (lot.produced > lot.expires or lot.produced > day):
        against = (
            f"its expiry {lot.expires}" if lot.produced > lot.expires else f"the run of {day}"
        )
        return (
            REFUSE,
            before,
            f" is recorded as produced on {lot.produced}, after {against}; correct the record.",
            f"produced {lot.produced}",
            f"<= {min(day, lot.expires)}",
        )
    in_date = f"<= {lot.expires}"
    if day > lot.expires:
        after = f" expired on {lot.expires}, the run is of {day}; repeat with a lot in date."
        return HOLD, before, after, f"run {day}", in_date
    return PASS, before, f" is in date until {lot.expires}.", f"run {day}", in_date


def judge_box_counts(run: RunCase) -> None:
    """Add a caution for every lot of the run with more determinations booked than bought."""
    for name in sorted({t.lot for t in run.tubes if t.lot and t.void is None}):
        lot, used = run.facts.lots.get(name), run.facts.lot_use.get(name)
        if lot is None or used is None or lot.determinations is None:
            continue
        bought = lot.determinations * lot.boxes
        if used > bought:
            run.findings.append(
                BOX_COUNT.answer(
                    CAUTION,
                    f"{used} determinations are booked on lot {name}, but {lot.boxes} x "
                    f"{lot.determinations} = {bought} were bought; a tube may be of another lot.",
                    observed=f"{used} determinations",
                    limit=f"<= {bought} determinations",
                )
            )
