"""Whether a tube has exactly one reading that can be trusted as it stands."""

from decimal import Decimal

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short_quotient
from ingestd.evaluate.limits_in_tube import lower_limit
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, REFUSE, Parameters, Rule
from ingestd.model import Finding, Method, SitePolicy, StoredReading

ONE_READING = Rule(
    name="one_reading",
    question="Has the tube exactly one reading that counts?",
    formula="readings placed on the tube = 1, or one of them chosen by a person",
    outcomes=(
        ("one reading", PASS),
        ("several, one chosen by a person", PASS),
        ("several, none chosen", HOLD),
        ("the chosen one is not among them", HOLD),
        ("the instrument sent the same identity with other content", HOLD),
    ),
)

READING_TIME = Rule(
    name="reading_time",
    question="Is the time of the reading certain?",
    formula="printed wall time in the instrument's zone = one instant",
    outcomes=(
        ("one instant", PASS),
        ("no time printed, the arrival stands for it", PASS),
        ("a time that the clock change leaves out", CAUTION),
        ("an hour that occurs twice, not settled by the arrival", HOLD),
    ),
    source="local times as the IANA time zone database has them; PEP 495",
)

NOISE_SHARE = Decimal("0.02")
ABSORBANCE_NOISE = Decimal("-0.05")


def _noise(method: Method) -> Decimal:
    limit, _ = lower_limit(method)
    return max(limit, method.range_high * NOISE_SHARE)


def _possible_parameters(method: Method, _site: SitePolicy) -> Parameters:
    return (
        ("lowest concentration in the tube", f"-{plain(_noise(method))} {method.unit}"),
        ("lowest absorbance", plain(ABSORBANCE_NOISE)),
    )


POSSIBLE = Rule(
    name="possible_value",
    question="Is the reading possible at all?",
    formula="concentration in the tube >= -(lower limit, at least 2 % of the range's upper end); "
    "absorbance >= -0.05",
    outcomes=(
        ("possible", PASS),
        ("further below zero than noise explains", REFUSE),
    ),
    parameters=_possible_parameters,
)


def choose_reading(run: RunCase, tube: TubeCase) -> None:
    """Set the reading that counts, or what is missing, or the hold."""
    readings = run.facts.readings.get(tube.position, ())
    if not readings:
        tube.missing = f"the reading of tube {tube.position} ({tube.tube.label or tube.role})"
        return
    position = tube.position
    chosen_text = run.bench.noted_on_tube(position, "use_reading")
    chosen: StoredReading | None = readings[0] if len(readings) == 1 else None
    if chosen_text is not None:
        chosen = next((r for r in readings if str(r.id) == chosen_text.strip()), None)
        if chosen is None:
            tube.findings.append(
                ONE_READING.answer(
                    HOLD,
                    f"Reading {chosen_text} was chosen for tube {position}, but it is not placed "
                    "on it; choose one that is.",
                    position=position,
                    observed=chosen_text,
                    limit=_numbers(readings),
                )
            )
            return
    if chosen is None:
        tube.findings.append(
            ONE_READING.answer(
                HOLD,
                f"Tube {position} has {len(readings)} readings ({_numbers(readings)}); a person "
                "must choose which counts.",
                position=position,
                observed=f"{len(readings)} readings",
                limit="1 reading",
            )
        )
        return
    tube.reading = chosen
    if chosen.conflict and chosen_text is None:
        tube.findings.append(
            ONE_READING.answer(
                HOLD,
                f"Reading {chosen.id} of tube {position} was sent twice under one identity with "
                "other content; compare with the instrument's memory and choose the one that "
                "counts.",
                position=position,
                observed="conflict",
                limit="one content",
            )
        )


def _numbers(readings: tuple[StoredReading, ...]) -> str:
    return ", ".join(str(number) for number in sorted(r.id for r in readings))


def judge_time(_run: RunCase, tube: TubeCase) -> Finding | None:
    """Return what the clock leaves in doubt, None where the time is certain."""
    reading = tube.counted
    if not reading.time_note:
        return None
    position = tube.position
    if reading.time_note == "ambiguous":
        return READING_TIME.answer(
            HOLD,
            f"The printed time of tube {position} falls in the hour that occurs twice and the "
            "arrival does not settle which; whoever measured it must say.",
            position=position,
            observed="ambiguous",
            limit="one instant",
        )
    if reading.time_note == "nonexistent":
        return READING_TIME.answer(
            CAUTION,
            f"The printed time of tube {position} does not exist: the clocks went forward over "
            "it. The arrival stands for it; set the instrument's clock.",
            position=position,
            observed="nonexistent",
            limit="one instant",
        )
    return READING_TIME.answer(
        PASS,
        f"The instrument printed no time for tube {position}; the arrival stands for it.",
        position=position,
        observed="missing",
        limit="one instant",
    )


def judge_possible(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return a refusal of a number further below zero than noise explains, else None."""
    reading = tube.counted
    if reading.absorbance is not None and reading.absorbance < ABSORBANCE_NOISE:
        return POSSIBLE.answer(
            REFUSE,
            f"The absorbance of tube {tube.position} is {plain(reading.absorbance)}, further "
            f"below zero than noise explains ({plain(ABSORBANCE_NOISE)}); zero the instrument "
            "anew and read again.",
            position=tube.position,
            observed=plain(reading.absorbance),
            limit=f">= {plain(ABSORBANCE_NOISE)}",
        )
    # Only a zero or negative number can be too low, so the usual tube costs one comparison.
    if tube.net is not None and tube.net < 0:
        noise = _noise(run.method)
        if tube.net < -noise * tube.factor:
            unit = run.method.unit
            in_tube = short_quotient(tube.net, tube.factor)
            return POSSIBLE.answer(
                REFUSE,
                f"Tube {tube.position} shows {in_tube} {unit}, further below zero than noise "
                f"explains (-{plain(noise)} {unit}); check the zeroing and the blank and read "
                "again.",
                position=tube.position,
                observed=f"{in_tube} {unit}",
                limit=f">= -{plain(noise)} {unit}",
            )
    return None
