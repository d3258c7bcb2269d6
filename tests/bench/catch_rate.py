"""How many laboratory faults the rules catch, and how many good runs they hold.

    python -m tests.bench.catch_rate [--runs 10000] [--seed 1] [--without-charts] [--json]

Half of the runs are good, the others carry one fault each, all kinds in turn. A fault counts
when it shifts a result by more than the laboratory's own expanded uncertainty; it is caught when
every result so shifted is held or refused. A caution is counted by itself: it blocks nothing.
"""

import argparse
import json
import random
import sys
from dataclasses import dataclass

from ingestd.evaluate import evaluate
from ingestd.model import RunOutcome, State, Verdict
from tests.bench.simulated_faults import FAULTS, Fault
from tests.bench.simulated_laboratory import Laboratory, Sheet

BLOCKED = (State.HELD, State.REFUSED)
LEAST_CAUGHT = 95.0
MOST_HELD = 2.0


@dataclass(slots=True, kw_only=True)
class Tally:
    """Counts of one kind of fault."""

    injected: int = 0
    shifting: int = 0
    caught: int = 0
    cautioned: int = 0

    @property
    def percent(self) -> float:
        """Caught of those that shift a result by more than its uncertainty."""
        return 100 * self.caught / self.shifting if self.shifting else 0.0


@dataclass(slots=True, kw_only=True)
class CatchRate:
    """The outcome of a simulation."""

    runs: int
    seed: int
    uncertainty: float
    kinds: dict[str, Tally]
    good_runs: int = 0
    good_runs_held: int = 0
    good_results: int = 0
    good_results_held: int = 0

    @property
    def observable(self) -> Tally:
        """All observable kinds together."""
        total = Tally()
        for fault in FAULTS:
            if fault.observable:
                kind = self.kinds[fault.name]
                total.injected += kind.injected
                total.shifting += kind.shifting
                total.caught += kind.caught
                total.cautioned += kind.cautioned
        return total

    @property
    def held_percent(self) -> float:
        """Good runs of which any result was held or refused, percent."""
        return 100 * self.good_runs_held / self.good_runs if self.good_runs else 0.0


def simulate(runs: int, seed: int, *, charts: bool = True, progress: bool = False) -> CatchRate:
    """Work so many runs through the rules and count.

    Without charts only the method's default limits judge its control standards.
    """
    laboratory = Laboratory(seed, charts=charts)
    chance = random.Random(seed + 1)
    found = CatchRate(
        runs=runs,
        seed=seed,
        uncertainty=laboratory.uncertainty,
        kinds={fault.name: Tally() for fault in FAULTS},
    )
    for number in range(runs):
        sheet = laboratory.work_a_run(number)
        if number % 2 == 0:
            _count_good(found, evaluate(laboratory.facts(sheet)))
        else:
            fault = FAULTS[number // 2 % len(FAULTS)]
            _count_fault(found, fault, laboratory, sheet, chance)
        if progress and number % 500 == 499:
            print(f"\r{number + 1} of {runs} runs", end="", file=sys.stderr, flush=True)
    if progress:
        print(file=sys.stderr)
    return found


def _count_good(found: CatchRate, outcome: RunOutcome) -> None:
    held = sum(r.state in BLOCKED for r in outcome.results)
    found.good_runs += 1
    found.good_runs_held += held > 0
    found.good_results += len(outcome.results)
    found.good_results_held += held


def _count_fault(
    found: CatchRate, fault: Fault, laboratory: Laboratory, sheet: Sheet, chance: random.Random
) -> None:
    spoilt = sheet.copy()
    shifts = fault.spoil(spoilt, chance)
    tally = found.kinds[fault.name]
    tally.injected += bool(shifts)
    shifted = {s for s, shift in shifts.items() if abs(shift) > laboratory.uncertainty}
    if not shifted:
        return
    tally.shifting += 1
    results = {r.sample: r for r in evaluate(laboratory.facts(spoilt)).results}
    if all(results[s].state in BLOCKED for s in shifted):
        tally.caught += 1
        return
    good = {r.sample: r for r in evaluate(laboratory.facts(sheet)).results}
    tally.cautioned += any(
        _cautions(results[s].findings) > _cautions(good[s].findings) for s in shifted
    )


def _cautions(findings: tuple[object, ...]) -> int:
    return sum(getattr(f, "verdict", None) is Verdict.CAUTION for f in findings)


def table(found: CatchRate) -> str:
    """The outcome as a Markdown table."""
    lines = [
        "| fault | seen by the rules | shift results | caught | of them | only cautioned |",
        "|---|---|---:|---:|---:|---:|",
    ]
    for fault in FAULTS:
        kind = found.kinds[fault.name]
        lines.append(
            f"| {fault.name} | {'yes' if fault.observable else 'no'} | {kind.shifting} | "
            f"{kind.caught} | {kind.percent:.1f} % | {kind.cautioned} |"
        )
    total = found.observable
    lines.append(
        f"| **all observable** | | {total.shifting} | {total.caught} | {total.percent:.1f} % | "
        f"{total.cautioned} |"
    )
    lines.append(
        f"\nGood runs held: {found.good_runs_held} of {found.good_runs} "
        f"({found.held_percent:.2f} %); of their results {found.good_results_held} of "
        f"{found.good_results}. Expanded uncertainty {100 * found.uncertainty:.1f} %. "
        f"Seed {found.seed}, {found.runs} runs."
    )
    lines.append(
        f"Targets: at least {LEAST_CAUGHT:.0f} % of the observable caught, at most "
        f"{MOST_HELD:.0f} % of good runs held."
    )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 0 if both targets are met, 1 if not."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without-charts", action="store_true")
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args(arguments)
    found = simulate(
        chosen.runs,
        chosen.seed,
        charts=not chosen.without_charts,
        progress=sys.stderr.isatty(),
    )
    if chosen.json:
        print(
            json.dumps(
                {
                    "runs": found.runs,
                    "seed": found.seed,
                    "uncertainty_percent": 100 * found.uncertainty,
                    "observable_caught_percent": found.observable.percent,
                    "good_runs_held_percent": found.held_percent,
                    "kinds": {
                        name: {
                            "injected": kind.injected,
                            "shifting": kind.shifting,
                            "caught": kind.caught,
                            "cautioned": kind.cautioned,
                        }
                        for name, kind in found.kinds.items()
                    },
                },
                indent=2,
            )
        )
    else:
        print(table(found))
    met = found.observable.percent >= LEAST_CAUGHT and found.held_percent <= MOST_HELD
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
