"""Whether the blanks of the run are low enough, and what is subtracted from the other tubes."""

from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, less, plain, short, times
from ingestd.evaluate.limits_in_tube import lower_limit
from ingestd.evaluate.rules.control import unusable
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, Method, Role, SitePolicy


def blank_limit(method: Method) -> Decimal:
    """Return the highest acceptable blank, method's unit: stated, else the lower limit."""
    stated = method.limits.blank_max
    return lower_limit(method)[0] if stated is None else stated


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    return (
        ("highest blank", f"{plain(blank_limit(method))} {method.unit}"),
        ("subtracted", "by the instrument" if method.blank_in_instrument else "by ingestd"),
    )


BLANK = Rule(
    name="blank",
    version=2,
    question="Is every blank of the run low enough?",
    formula="|blank| <= limit; the lower limit of the method stands where none is stated",
    outcomes=(
        ("not above the limit", PASS),
        ("shown only as below a bound that is above the limit", CAUTION),
        ("above the limit", HOLD),
        ("the blank tube itself cannot be used", HOLD),
    ),
    source="limit of the method; a blank no higher than the lower limit: common practice, "
    "no source",
    parameters=_parameters,
)

BLANK_SUBTRACTED = Rule(
    name="blank_subtracted",
    question="Was the blank subtracted, once?",
    formula="value in the tube - mean of the run's blanks (or the lot's own blank value), unless "
    "the instrument was zeroed on it; value - colour blank of the same sample",
    outcomes=(
        ("subtracted", PASS),
        ("the colour blank cannot be used", HOLD),
        ("the blank cannot be used", HOLD),
    ),
)


def judge_blanks(run: RunCase) -> None:
    """Add a finding for every blank tube that has a reading, and every lot value used."""
    method, limit = run.method, blank_limit(run.method)
    allowed = f"<= {plain(limit)} {method.unit}"
    for tube in run.of_role(Role.BLANK):
        if tube.is_to_answer:
            run.findings.append(
                unusable(BLANK, tube, "blank") or _judge_blank(tube, limit, allowed, method.unit)
            )
    for name in sorted({t.lot for t in run.tubes if t.lot and t.void is None}):
        lot = run.facts.lots.get(name)
        if lot is None or lot.blank_value is None or not _lot_value_counts(method):
            continue
        high = abs(lot.blank_value) > limit
        observed = f"{plain(lot.blank_value)} {method.unit}"
        run.findings.append(
            BLANK.answer(
                HOLD if high else PASS,
                f"The blank value of lot {name} is {observed}, "
                + (
                    f"above {plain(limit)} {method.unit}; use another lot."
                    if high
                    else f"not above {plain(limit)} {method.unit}."
                ),
                observed=observed,
                limit=allowed,
            )
        )


def _lot_value_counts(method: Method) -> bool:
    return any(n.role is Role.BLANK and "lot" in n.accept for n in method.needs)


def _judge_blank(tube: TubeCase, limit: Decimal, allowed: str, unit: str) -> Finding:
    value, position = tube.value, tube.position
    if value is None or tube.censored == ">":
        return BLANK.answer(
            HOLD,
            f"The blank at position {position} reads above the range; find the contamination, "
            "repeat the run.",
            position=position,
            observed="> range",
            limit=allowed,
        )
    observed = f"{'< ' if tube.censored else ''}{plain(value)} {unit}"
    if tube.censored and value > limit:
        return BLANK.answer(
            CAUTION,
            f"The instrument shows the blank at position {position} only as {observed}; whether "
            f"it is below {plain(limit)} {unit} cannot be seen.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if abs(Fraction(value)) > limit:
        return BLANK.answer(
            HOLD,
            f"The blank at position {position} is {observed}, above {plain(limit)} {unit}; check "
            "water, glassware and zeroing, and repeat the run.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    return BLANK.answer(
        PASS,
        f"The blank at position {position} is {observed}, not above {plain(limit)} {unit}.",
        position=position,
        observed=observed,
        limit=allowed,
    )


def state_blank(run: RunCase, tube: TubeCase) -> None:
    """Set the value of a blank or colour blank: its number as shown, not cut at a limit."""
    if tube.shown:
        high = times(run.method.range_high, tube.factor)
        low = times(lower_limit(run.method)[0], tube.factor)
        tube.censored = tube.shown
        tube.value = tube.gross if tube.gross is not None else high if tube.shown == ">" else low
    else:
        tube.value = tube.gross
    tube.net = tube.gross


def subtract_blanks(run: RunCase, tube: TubeCase) -> None:
    """Set the tube's `net` concentration: `gross` less blank and colour blank, where they apply.

    Leaves `net` at None, and says what is missing or held, while a blank is needed and absent.
    """
    net = tube.gross
    if net is None:
        return
    if not run.method.blank_in_instrument:
        blank = _blank_in_tube(run, tube)
        if blank is None:
            return
        net = less(net, times(blank, tube.factor))
        tube.steps.append(
            f"Less the blank of {short(blank)} {run.method.unit} in the tube: "
            f"{plain(net)} {run.method.unit} in the sample."
        )
        tube.findings.append(
            BLANK_SUBTRACTED.answer(
                PASS,
                f"A blank of {short(blank)} {run.method.unit} is subtracted from tube "
                f"{tube.position}.",
                position=tube.position,
                observed=f"{short(blank)} {run.method.unit}",
            )
        )
    if tube.role is not Role.CONTROL_STANDARD and tube.tube.sample in run.coloured:
        colour = _colour_blank(run, tube)
        if colour is None:
            return
        net = less(net, colour)
        tube.steps.append(
            f"Less the colour blank of {plain(colour)} {run.method.unit}: "
            f"{plain(net)} {run.method.unit} in the sample."
        )
        tube.findings.append(
            BLANK_SUBTRACTED.answer(
                PASS,
                f"The colour blank of sample {tube.tube.sample}, {plain(colour)} "
                f"{run.method.unit}, is subtracted from tube {tube.position}.",
                position=tube.position,
                observed=f"{plain(colour)} {run.method.unit}",
            )
        )
    tube.net = net


def _blank_in_tube(run: RunCase, tube: TubeCase) -> Exact | None:
    """Return the blank to subtract in the tube, None (with the reason noted) while none is."""
    blanks = run.of_role(Role.BLANK)
    if blanks:
        values = [b.value for b in blanks if b.usable and not b.censored]
        if any(b.reading is None for b in blanks):
            tube.missing = f"the blank to subtract from tube {tube.position}"
            return None
        numbers = [v for v in values if v is not None]
        if len(numbers) == len(blanks):
            if len(numbers) == 1:
                return numbers[0]
            return sum((Fraction(n) for n in numbers), Fraction(0)) / len(numbers)
    else:
        lot = run.lot_of(tube)
        if lot is not None and lot.blank_value is not None:
            return lot.blank_value
        if run.closed is None:
            tube.missing = f"the blank to subtract from tube {tube.position}"
            return None
    tube.findings.append(
        BLANK_SUBTRACTED.answer(
            HOLD,
            f"The blank to subtract from tube {tube.position} is no usable number; repeat the "
            "run with a good blank.",
            position=tube.position,
            observed="none",
            limit="a usable blank",
        )
    )
    return None


def _colour_blank(run: RunCase, tube: TubeCase) -> Exact | None:
    """Return the sample's colour blank in the undiluted sample, None while it cannot be used."""
    colour = run.coloured[tube.tube.sample]
    if colour.reading is None:
        tube.missing = f"the colour blank of sample {tube.tube.sample}"
        return None
    if colour.usable and not colour.censored:
        return colour.value
    if colour.usable and colour.censored == "<":
        # Below what the instrument states there is no colour to speak of.
        return Decimal(0)
    tube.findings.append(
        BLANK_SUBTRACTED.answer(
            HOLD,
            f"The colour blank of sample {tube.tube.sample} at position {colour.position} cannot "
            "be used; read it again, or dilute the sample until its colour does not matter.",
            position=tube.position,
            observed="none",
            limit="a usable colour blank",
        )
    )
    return None
