"""Mutants of a package: places in its source where one token can be changed, drawn by a seed.

A place counts once, however many replacements it has (a `+` has eleven), so that a sample is
spread over the decisions of the code and not over its arithmetic alone.
"""

import random
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast_from_path
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

# `X | None` in annotations is a binary operator too; the packages have no other `|` to speak of.
_SKIPPED = "_BitOr_"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change of one token: which operator makes it, and where it stands.

    Attributes:
        module: path from the root of the project, "ingestd/evaluate/rounding.py".
        operator: its name in cosmic-ray.
        occurrence: which of the operator's places in the module.
        first, last: lines it touches, counted from 1.
    """

    module: str
    operator: str
    occurrence: int
    first: int
    last: int

    def __str__(self) -> str:
        return f"{self.module}:{self.first} {self.operator.removeprefix('core/')}"


def sample_of(root: Path, package: str, *, size: int, seed: int) -> list[Mutant]:
    """Return at most `size` mutants of the package, each of another place; all alike likely.

    A replacement that is no Python (`**` of an argument is taken for a power) is drawn again.
    """
    places = places_of(root, package)
    sources = {path: (root / path).read_text(encoding="utf-8") for path, *_ in places}
    chance = random.Random(seed)
    keys = sorted(places)
    found = []
    for key in chance.sample(keys, len(keys)):
        if len(found) == size:
            break
        for one in chance.sample(places[key], len(places[key])):
            if _is_python(mutated(sources[key[0]], one)):
                found.append(one)
                break
    return found


def places_of(root: Path, package: str) -> dict[tuple[str, int, int, str], list[Mutant]]:
    """Return every mutant of the package by its place: module, line, column, kind of change."""
    found: dict[tuple[str, int, int, str], list[Mutant]] = defaultdict(list)
    operators = [
        (name, get_operator(name)()) for name in sorted(operator_names()) if not _is_skipped(name)
    ]
    for path in sorted((root / package).rglob("*.py")):
        module = path.relative_to(root).as_posix()
        nodes = list(ast_nodes(get_ast_from_path(path)))
        for name, operator in operators:
            spans = (span for node in nodes for span in operator.mutation_positions(node))
            for occurrence, (start, end) in enumerate(spans):
                kind = name.partition("_")[0]
                found[module, start[0], start[1], kind].append(
                    Mutant(
                        module=module,
                        operator=name,
                        occurrence=occurrence,
                        first=start[0],
                        last=end[0],
                    )
                )
    return found


def mutated(source: str, mutant: Mutant) -> str:
    """Return the source with the one change made.

    Raises:
        LookupError: the source has no such place; it is not the one the mutant was drawn from.

    """
    changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
    if changed is None:
        raise LookupError(f"{mutant}: no such place; draw the mutants again from this source")
    return str(changed)


def _is_python(source: str) -> bool:
    try:
        compile(source, "mutant", "exec")
    except SyntaxError:
        return False
    return True


def _is_skipped(name: str) -> bool:
    return _SKIPPED in name or bool(get_operator(name).arguments())
