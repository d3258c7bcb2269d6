"""Whether the tube was digested as its program asks."""

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import in_minutes, minutes_between, plain
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.model import DigestionProgram, Finding, Method, SitePolicy


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    if not method.programs:
        return (("programs", "none: the method does not digest"),)
    return tuple(
        (
            f"program {p.name}",
            f"{plain(p.temperature_c)} ± {plain(p.tolerance_c)} °C for {plain(p.minutes)} ± "
            f"{plain(p.tolerance_minutes)} min"
            + (", only after a comparison" if p.needs_comparison else ""),
        )
        for p in method.programs
    )


DIGESTION = Rule(
    name="digestion_program",
    question="Was the tube digested by a known program, for its time and at its temperature?",
    formula="|end - start - program's minutes| <= tolerance; |block temperature - program's| <= "
    "tolerance, where it was measured",
    outcomes=(
        ("as the program asks", PASS),
        ("no program named, or one the method does not have", HOLD),
        ("start or end not noted", HOLD),
        ("too short, too long, too cold or too hot", HOLD),
    ),
    source="program and tolerances of the method; 150 °C for 2 h with photometry at 600 nm: "
    "EPA Method 410.4 rev. 2.0 (1993); tolerances of 5 °C and 10 min as in ISO 15705 are "
    "from memory; 148 °C for 120 min: common practice, no source",
    parameters=_parameters,
)


def program_of(run: RunCase) -> DigestionProgram | None:
    """Return the run's program: the one it names, or the method's only one."""
    programs = run.method.programs
    if not run.run.program:
        return programs[0] if len(programs) == 1 else None
    return next((p for p in programs if p.name == run.run.program), None)


def judge_digestion(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether time and temperature fit the program, None for methods without one."""
    method, position = run.method, tube.position
    if not method.programs:
        return None
    program = program_of(run)
    known = ", ".join(p.name for p in method.programs)
    if program is None:
        named = f"program {run.run.program!r}" if run.run.program else "no digestion program"
        return DIGESTION.answer(
            HOLD,
            f"Run {run.run.name} names {named}; {method.name} has {known}. State which it was.",
            position=position,
            observed=run.run.program or "none",
            limit=known,
        )
    start = run.bench.instant(position, "digestion_start")
    end = run.bench.instant(position, "digestion_end")
    wanted = f"{plain(program.minutes)} ± {plain(program.tolerance_minutes)} min"
    if start is None or end is None:
        lacking = " and ".join(word for word, at in (("start", start), ("end", end)) if at is None)
        return DIGESTION.answer(
            HOLD,
            f"The {lacking} of the digestion of tube {position} is not noted, so its time is "
            f"not known; note it ({program.name}: {wanted}).",
            position=position,
            observed="not noted",
            limit=wanted,
        )
    lasted = minutes_between(start, end)
    if abs(lasted - program.minutes) > program.tolerance_minutes:
        way = "short" if lasted < program.minutes else "long"
        return DIGESTION.answer(
            HOLD,
            f"Tube {position} was digested for {in_minutes(lasted)}, too {way} for "
            f"{program.name} ({wanted}); repeat it.",
            position=position,
            observed=in_minutes(lasted),
            limit=wanted,
        )
    measured = run.bench.number(position, "block_temperature")
    degrees = f"{plain(program.temperature_c)} ± {plain(program.tolerance_c)} °C"
    if measured is None:
        return DIGESTION.answer(
            PASS,
            f"Tube {position} was digested for {in_minutes(lasted)} by {program.name} ({wanted}); "
            "the block's temperature was not measured.",
            position=position,
            observed=in_minutes(lasted),
            limit=wanted,
        )
    if abs(measured - program.temperature_c) > program.tolerance_c:
        way = "cold" if measured < program.temperature_c else "hot"
        return DIGESTION.answer(
            HOLD,
            f"The block of tube {position} measured {plain(measured)} °C, too {way} for "
            f"{program.name} ({degrees}); have the block checked and repeat the tube.",
            position=position,
            observed=f"{plain(measured)} °C",
            limit=degrees,
        )
    return DIGESTION.answer(
        PASS,
        f"Tube {position} was digested for {in_minutes(lasted)} at {plain(measured)} °C by "
        f"{program.name} ({wanted}, {degrees}).",
        position=position,
        observed=f"{in_minutes(lasted)}, {plain(measured)} °C",
        limit=f"{wanted}, {degrees}",
    )
