"""What a reading or a result says otherwise than then, in words."""

from typing import Any

Body = dict[str, Any]

# What a reading says; where it lies is compared beside it.
SAID = (
    "method", "sample", "raw", "value", "censored", "unit", "basis", "measured_at", "time_note",
    "absorbance", "dilution", "dilution_applied", "conflict", "ordinal", "span_end", "identity",
    "digits",
)  # fmt: skip
DIGESTS = ("identity", "digits")


def differing_readings(old: Body | None, new: Body | None) -> tuple[str, str]:
    """What two entries of a reading say differently, each in words; equal if nothing."""
    if old is None or new is None:
        return _summary(old), _summary(new)
    names = [name for name in SAID if old[name] != new[name]]
    names = [name for name in names if name not in DIGESTS] or names
    moved = _place(old) != _place(new)
    return _shown(old, names, moved=moved), _shown(new, names, moved=moved)


def _summary(one: Body | None) -> str:
    if one is None:
        return "not read"
    return " ".join(filter(None, (one["sample"], one["censored"], one["value"], one["unit"])))


def _shown(one: Body, names: list[str], *, moved: bool) -> str:
    said = [f"{name} {'-' if one[name] is None else one[name]}" for name in names]
    return ", ".join([*said, _place(one)] if moved else said)


def _place(one: Body) -> str:
    placed = one["placed"]
    return f"run {placed['run']} tube {placed['position']}" if placed else "waits"


def statement(body: Body | None) -> str:
    """A version's verdict and value with its uncertainty, of a `result_judged` entry."""
    if not body:
        return ""
    spread = f"± {body['uncertainty']}" if body["uncertainty"] else ""
    return " ".join(f"{body['verdict']} {body['text']} {spread} {body['unit']}".split())


def why_judged_otherwise(then: Body, now: Body | None, made_by: str, program: str) -> str:
    """Rules whose findings differ, with their versions, and the versions of the program.

    Args:
        then, now: `result_judged` entries of the same result by the same inputs.
        made_by, program: versions of the program of then and of today.
    """
    parts: dict[str, None] = {}  # each once, in order
    before, after = _findings(then), _findings(now)
    for rule, position in [*before, *(key for key in after if key not in before)]:
        one, other = before.get((rule, position)), after.get((rule, position))
        if one != other:
            numbers = [str(found["version"]) if found else "none" for found in (one, other)]
            changed = f" {numbers[0]} → {numbers[1]}" if numbers[0] != numbers[1] else ""
            parts[f"rule {rule}{changed}"] = None
    if made_by != program:
        parts[f"program {made_by} → {program}"] = None
    else:
        parts[f"the code of program {program}, or [site] where the ledger held none then"] = None
    return ", ".join(parts)


def _findings(body: Body | None) -> dict[tuple[str, int | None], Body]:
    return {(one["rule"], one["position"]): one for one in body["findings"]} if body else {}
