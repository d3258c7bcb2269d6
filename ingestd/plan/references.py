"""What a plan file names and neither it nor the plan in force has."""

from collections.abc import Collection, Iterator, Sequence

from ingestd.model import Calibration, Competence, DigestionComparison, KitLot
from ingestd.plan.faults import PlanFault, listed, shown
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.plan_file import PlanItems

_OfMethod = KitLot | Competence | Calibration | DigestionComparison


def missing_references(
    items: PlanItems, in_force: KnownInputs, file: str
) -> tuple[PlanFault, ...]:
    """Return a fault for every name in a plan file that leads nowhere.

    Lots, competences, calibrations and comparisons name a method, comparisons one of its
    programs, samples a sampling point. Each may stand in the same file or be in force already.

    Args:
        items: what the file states.
        book: what is in force.
        file: the file's name, for the faults. No line is named: the table's number is.

    """
    methods = {**in_force.methods, **{method.name: method for method in items.methods}}
    points = {*in_force.points, *(point.code for point in items.sampling_points)}

    def check(
        table: str, index: int, key: str, name: str, known: Collection[str]
    ) -> Iterator[PlanFault]:
        if name not in known:
            yield PlanFault(
                file=file,
                line=0,
                column=f"[[{table}]] {index + 1}, {key}",
                value=shown(name),
                problem=f"there is no such {'sampling point' if key == 'point' else key}",
                remedy=f"name one that is there ({listed(known)}), or state it first",
            )

    def check_all() -> Iterator[PlanFault]:
        of_a_method: tuple[tuple[str, Sequence[_OfMethod]], ...] = (
            ("kit_lot", items.kit_lots),
            ("competence", items.competences),
            ("calibration", items.calibrations),
            ("digestion_comparison", items.digestion_comparisons),
        )
        for table, named in of_a_method:
            for index, item in enumerate(named):
                yield from check(table, index, "method", item.method, methods)
        for index, comparison in enumerate(items.digestion_comparisons):
            if comparison.method in methods:
                programs = [program.name for program in methods[comparison.method].programs]
                yield from check(
                    "digestion_comparison", index, "program", comparison.program, programs
                )
        for index, sample in enumerate(items.samples):
            if sample.point:
                yield from check("sample", index, "point", sample.point, points)

    return tuple(check_all())
