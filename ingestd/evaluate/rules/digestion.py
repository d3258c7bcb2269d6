"""Whether the tube was digested as its program asks."""

from ingestd.evaluate.case import Answer, RunCase, TubeCase
from ingestd.evaluate.figures import in_minutes, minutes_between, plain
from ingestd.evaluate.observed import read_instant, read_number
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
    if not run.method.programs:
        return None
    bench, position = run.bench, tube.position
    start = bench.noted(position, "digestion_start")
    end = bench.noted(position, "digestion_end")
    measured = bench.noted(position, "block_temperature")
    # The tubes of a run usually share one block and one clock.
    known = run.digestions.get((start, end, measured))
    if known is None:
        known = run.digestions[start, end, measured] = _judge(run, start, end, measured)
    verdict, before, after, observed, limit = known
    return DIGESTION.answer(
        verdict, f"{before}{position}{after}", position=position, observed=observed, limit=limit
    )


def _judge(run: RunCase, start: str | None, end: str | None, measured: str | None) -> Answer:
    method = run.method
    program = program_of(run)
    if program is None:
        known = ", ".join(p.name for p in method.programs)
        named = f"program {run.run.program!r}" if run.run.program else "no digestion program"
        return (
            HOLD,
            f"Run {run.run.name} names {named} for tube ",
            f"; {method.name} has {known}. State which it was.",
            run.run.program or "none",
            known,
        )
    wanted = f"{plain(program.minutes)} ± {plain(program.tolerance_minutes)} min"
    if start is None or end is None:
        lacking = " and ".join(word for word, at in (("start", start), ("end", end)) if at is None)
        return (
            HOLD,
            f"The {lacking} of the digestion of tube ",
            f" is not noted, so its time is not known; note it ({program.name}: {wanted}).",
            "not noted",
            wanted,
        )
    lasted = minutes_between(
        read_instant(start, "digestion_start"), read_instant(end, "digestion_end")
    )
    time = in_minutes(lasted)
    if abs(lasted - program.minutes) > program.tolerance_minutes:
        way = "short" if lasted < program.minutes else "long"
        return (
            HOLD,
            "Tube ",
            f" was digested for {time}, too {way} for {program.name} ({wanted}); repeat it.",
            time,
            wanted,
        )
    degrees = f"{plain(program.temperature_c)} ± {plain(program.tolerance_c)} °C"
    if measured is None:
        return (
            PASS,
            "Tube ",
            f" was digested for {time} by {program.name} ({wanted}); no temperature noted.",
            time,
            wanted,
        )
    block = read_number(measured, "block_temperature")
    if abs(block - program.temperature_c) > program.tolerance_c:
        way = "cold" if block < program.temperature_c else "hot"
        return (
            HOLD,
            "The block of tube ",
            f" measured {plain(block)} °C, too {way} for {program.name} ({degrees}); repeat it.",
            f"{plain(block)} °C",
            degrees,
        )
    return (
        PASS,
        "Tube ",
        f" was digested for {time} at {plain(block)} °C by {program.name} ({wanted}, {degrees}).",
        f"{time}, {plain(block)} °C",
        f"{wanted}, {degrees}",
    )
