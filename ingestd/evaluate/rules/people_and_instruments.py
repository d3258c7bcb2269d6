"""Whether the analyst may work the method and the instruments' verification is in date."""

from datetime import datetime

from ingestd.evaluate.case import RunCase
from ingestd.evaluate.local_time import local_day
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Rule

COMPETENCE = Rule(
    name="competence",
    question="May the analyst work this method on the day of the run?",
    formula="day of the run <= last day of the analyst's competence for the method",
    outcomes=(
        ("competence valid", PASS),
        ("no analyst named", HOLD),
        ("no competence on record, or run out", HOLD),
    ),
    source="authorised persons per method: the practice of ISO/IEC 17025; common practice, "
    "no source for the rule's form",
    parameters=lambda method, _site: (
        ("competence required", "yes" if method.competence_required else "no"),
    ),
)

VERIFICATION = Rule(
    name="instrument_verification",
    question="Was the instrument's verification in date when it read?",
    formula="day of the reading <= day the verification of wavelength and absorbance is due",
    outcomes=(
        ("in date", PASS),
        ("the instrument is not on record, or no due day is kept", CAUTION),
        ("overdue", HOLD),
    ),
)


def judge_competence(run: RunCase) -> None:
    """Add whether the run's analyst may work the method, where the method asks."""
    if not run.method.competence_required:
        return
    analyst, method, day = run.run.analyst, run.method.name, run.day
    if not analyst:
        run.findings.append(
            COMPETENCE.answer(
                HOLD,
                f"Run {run.run.name} names no analyst, and {method} asks for a competent one; "
                "name who worked it.",
                observed="no analyst",
                limit="a competent analyst",
            )
        )
        return
    until = max(
        (
            c.until
            for c in run.facts.competences
            if c.person.casefold() == analyst.casefold() and c.method == method
        ),
        default=None,
    )
    if until is None or until < day:
        state = "is not on record" if until is None else f"ran out on {until}"
        run.findings.append(
            COMPETENCE.answer(
                HOLD,
                f"The competence of {analyst} for {method} {state}, the run is of {day}; have the "
                "work checked by a competent person.",
                observed="none" if until is None else f"until {until}",
                limit=f">= {day}",
            )
        )
        return
    run.findings.append(
        COMPETENCE.answer(
            PASS,
            f"Analyst {analyst} is competent for {method} until {until}.",
            observed=f"until {until}",
            limit=f">= {day}",
        )
    )


def judge_verification(run: RunCase) -> None:
    """Add whether each instrument that read a tube of the run was verified in time."""
    latest: dict[str, datetime] = {}
    for tube in run.tubes:
        reading = tube.reading
        if reading is not None:
            known = latest.get(reading.instrument)
            if known is None or reading.measured_at > known:
                latest[reading.instrument] = reading.measured_at
    for name in sorted(latest):
        instrument = run.facts.instruments.get(name)
        due = instrument.verification_due if instrument else None
        if due is None:
            run.findings.append(
                VERIFICATION.answer(
                    CAUTION,
                    f"No day is kept on which the verification of {name} is due; keep one.",
                    observed="not known",
                    limit="verified",
                )
            )
            continue
        day = local_day(latest[name], run.site.time_zone).date()
        overdue = day > due
        run.findings.append(
            VERIFICATION.answer(
                HOLD if overdue else PASS,
                f"The verification of {name} was due on {due}, it read on {day}; verify it, and "
                "repeat the run if it fails."
                if overdue
                else f"The verification of {name} is in date until {due}.",
                observed=f"read {day}",
                limit=f"<= {due}",
            )
        )
