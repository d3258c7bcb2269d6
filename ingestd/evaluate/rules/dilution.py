"""Whether the dilution is known and is applied exactly once."""

from decimal import Decimal

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, plain, times
from ingestd.evaluate.observed import UnreadableNoteError
from ingestd.evaluate.rules.rule import HOLD, PASS, REFUSE, Rule
from ingestd.model import Dilution
from ingestd.plan.dilution import parse_dilution

AGREEMENT = Decimal("0.005")

DILUTION_ONCE = Rule(
    name="dilution_once",
    question="Is the dilution known, and applied exactly once?",
    formula="value in the sample = value in the tube x factor; a value the instrument has "
    "multiplied already is not multiplied again. Planned and instrument factor agree "
    "within 0.5 %, which covers the digits an instrument prints",
    outcomes=(
        ("applied once", PASS),
        ("planned and instrument factor differ", HOLD),
        ("diluted, and not known whether the instrument has applied it", HOLD),
        ("a factor below 1", REFUSE),
        ("the noted dilution cannot be read", HOLD),
    ),
    parameters=lambda _method, site: (
        ("reading of 1:10", site.one_to_n or "refused"),
        ("agreement of factors", "0.5 %"),
    ),
)


def planned_dilution(run: RunCase, tube: TubeCase) -> Dilution:
    """Return the tube's dilution with its steps: as corrected at the bench, else as planned.

    Raises:
        UnreadableNoteError: the noted correction is no dilution.

    """
    noted = run.bench.noted_on_tube(tube.position, "dilution")
    if noted is None:
        return tube.tube.dilution
    try:
        return parse_dilution(noted, run.site.one_to_n)
    except ValueError as refused:
        raise UnreadableNoteError(f"dilution {noted!r}: {refused}") from refused


def apply_dilution(run: RunCase, tube: TubeCase, printed: Exact | None) -> Exact | None:
    """Return the concentration in the undiluted sample, or None where the factor is in doubt.

    Sets `tube.factor` and adds the finding. `printed` is the display in the method's unit, or
    None where it showed only a token.
    """
    position = tube.position
    try:
        factor = planned_dilution(run, tube).factor
    except UnreadableNoteError as unreadable:
        tube.findings.append(
            DILUTION_ONCE.answer(
                HOLD, f"Tube {position}: {unreadable}; note the dilution again.", position=position
            )
        )
        return None
    reading = tube.counted
    stated = reading.dilution
    if factor < 1 or (stated is not None and stated < 1):
        wrong = factor if factor < 1 else stated
        tube.findings.append(
            DILUTION_ONCE.answer(
                REFUSE,
                f"A dilution factor of {wrong} for tube {position} is impossible: the least is "
                "1, undiluted. Correct the plan or the instrument and read again.",
                position=position,
                observed=f"factor {wrong}",
                limit="factor >= 1",
            )
        )
        return None
    tube.factor = factor
    if stated is not None and stated != factor and abs(stated - factor) > AGREEMENT * factor:
        tube.findings.append(
            DILUTION_ONCE.answer(
                HOLD,
                f"Tube {position} is planned with a dilution factor of {plain(factor)}, the "
                f"instrument states {plain(stated)}. Ask whoever diluted it; note the true "
                "dilution, or void the tube and repeat it.",
                position=position,
                observed=f"factor {plain(stated)}",
                limit=f"factor {plain(factor)}",
            )
        )
        return None
    # A concentration computed from the absorbance is always that of the tube.
    shows_value = reading.value is not None or bool(reading.censored)
    applied = reading.dilution_applied if shows_value else False
    if factor == 1 and (stated is None or stated == 1):
        tube.findings.append(
            DILUTION_ONCE.answer(
                PASS,
                f"Tube {position} is undiluted.",
                position=position,
                observed="factor 1",
                limit="factor 1",
            )
        )
        return printed
    if applied is None or (applied and stated is None):
        doubt = (
            "which factor the instrument applied"
            if applied
            else "whether the instrument has applied the factor already"
        )
        tube.findings.append(
            DILUTION_ONCE.answer(
                HOLD,
                f"Tube {position} is diluted by {plain(factor)}, and it is not known {doubt}. "
                "State it in the form that reads this export and replay.",
                position=position,
                observed="not stated",
                limit=f"factor {plain(factor)} once",
            )
        )
        return None
    text = plain(factor)
    if applied:
        tube.findings.append(
            DILUTION_ONCE.answer(
                PASS,
                f"The instrument has already multiplied tube {position} by its dilution factor "
                f"of {text}; it is not applied again.",
                position=position,
                observed=f"factor {text}",
                limit=f"factor {text} once",
            )
        )
        return printed
    tube.findings.append(
        DILUTION_ONCE.answer(
            PASS,
            f"The display of tube {position} is multiplied once by its dilution factor of {text}.",
            position=position,
            observed=f"factor {text}",
            limit=f"factor {text} once",
        )
    )
    return None if printed is None else times(printed, factor)
