"""The targets of coverage: what a report that misses one is told."""

from typing import Any

from tests.coverage_targets import find_missed


def report(total: float = 99.0, **files: tuple[float, list[int], list[list[int]]]) -> Any:
    return {
        "files": {
            name: {
                "summary": {"percent_covered": percent},
                "missing_lines": lines,
                "missing_branches": branches,
            }
            for name, (percent, lines, branches) in files.items()
        },
        "totals": {"percent_covered": total},
    }


def test_report_that_holds_every_target_says_nothing() -> None:
    good = {
        "parsers/cells.py": (100.0, [], []),
        "ingestd/evaluate/rules/blank.py": (100.0, [], []),
        "ingestd/service.py": (85.0, [7], [[7, 9]]),
        "ingestd/steps.py": (20.0, [1, 2], []),
    }
    assert find_missed(report(90.0, **good)) == []


def test_every_target_that_is_missed_is_named_with_what_is_missing() -> None:
    bad = {
        "parsers/cells.py": (99.9, [], [[3, 5], [8, -1]]),
        "ingestd/evaluate/rules/blank.py": (99.0, [12], []),
        "ingestd/service.py": (84.9, [7], []),
    }
    assert find_missed(report(89.9, **bad)) == [
        "ingestd/evaluate/rules/blank.py: 99.0 %, all is asked: 12",
        "ingestd/service.py: 84.9 %, 85.0 % is asked of every module",
        "parsers/cells.py: 99.9 %, all is asked: 3->5, 8->exit",
        "all together: 89.9 %, 90.0 % is asked",
    ]
