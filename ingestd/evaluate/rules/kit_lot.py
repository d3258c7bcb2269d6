"""Whether the tube comes from a known box of this method, in date, and not oversold."""

from ingestd.evaluate.case import RunCase, TubeCase
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
    position, day, method = tube.position, run.day, run.method
    lot = run.lot_of(tube)
    if lot is None:
        noted = f"is of lot {tube.lot}, which is not on record" if tube.lot else "has no kit lot"
        remedy = "load the lot" if tube.lot else "note it from the box"
        return KIT_LOT.answer(
            HOLD,
            f"Tube {position} {noted}; {remedy}.",
            position=position,
            observed=tube.lot or "none",
            limit="a lot on record",
        )
    if lot.method != method.name:
        return KIT_LOT.answer(
            REFUSE,
            f"Lot {lot.lot} of tube {position} is of method {lot.method}, the run of "
            f"{method.name}; correct the lot, or void the tube and repeat it.",
            position=position,
            observed=f"lot of {lot.method}",
            limit=f"lot of {method.name}",
        )
    if lot.produced is not None and (lot.produced > lot.expires or lot.produced > day):
        against = (
            f"its expiry {lot.expires}" if lot.produced > lot.expires else f"the run of {day}"
        )
        return KIT_LOT.answer(
            REFUSE,
            f"Lot {lot.lot} of tube {position} is recorded as produced on {lot.produced}, after "
            f"{against}; correct the record from the box.",
            position=position,
            observed=f"produced {lot.produced}",
            limit=f"<= {min(day, lot.expires)}",
        )
    if day > lot.expires:
        return KIT_LOT.answer(
            HOLD,
            f"Lot {lot.lot} of tube {position} expired on {lot.expires}, the run is of {day}; "
            "repeat with a lot in date.",
            position=position,
            observed=f"run {day}",
            limit=f"<= {lot.expires}",
        )
    return KIT_LOT.answer(
        PASS,
        f"Lot {lot.lot} of tube {position} is in date until {lot.expires}.",
        position=position,
        observed=f"run {day}",
        limit=f"<= {lot.expires}",
    )


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
