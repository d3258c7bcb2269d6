"""The rows that journal entries become at the centre: a pure function of the entries.

Nothing but an entry (and, for a decision, the entry of the judgement decided on) goes into a row,
so the site makes them from its ledger and the centre can make them again from its copy of the
journal and compare. Numbers and instants stay the texts they are in the journal; PostgreSQL reads
them by the column's type, exactly.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Body = Mapping[str, Any]
Row = tuple[Any, ...]
Made = tuple[str, Row]  # table, row

# Columns by table, in the order of the rows made here; `site` and `month` stand in front of each.
COLUMNS: dict[str, tuple[str, ...]] = {
    "captures": (
        "entry", "capture", "kind", "source", "name", "arrived_at", "size", "sha256", "continues",
    ),
    "samples": (
        "entry", "sample", "version", "point", "matrix", "sampled_at", "preserved_at",
        "preservation", "chloride_mg_l",
    ),
    "runs": (
        "entry", "run", "version", "method", "day", "started_at", "instrument", "analyst", "tubes",
    ),
    "readings": (
        "entry", "reading", "capture", "source", "instrument", "method", "sample", "raw", "value",
        "censored", "unit", "basis", "measured_at", "arrived_at", "time_note", "absorbance",
        "dilution", "dilution_applied", "conflict", "form",
    ),
    "placements": ("entry", "reading", "what", "run", "position", "reason", "actor"),
    "results": (
        "result", "version", "entry", "run", "method", "sample", "point", "analyte", "fraction",
        "basis", "sampled_at", "verdict", "text", "value", "censored", "unit", "uncertainty",
        "repeats", "cause", "made_at",
    ),
    "findings": (
        "result", "version", "ordinal", "rule", "rule_version", "verdict", "position", "observed",
        "limit_text", "sentence",
    ),
    "standings": (
        "result", "version", "entry", "standing", "replaces", "replaced_by", "reason", "actor",
        "at",
    ),
    "reported": (
        "entry", "sample", "analyte", "fraction", "basis", "result", "reason", "actor", "at",
    ),
}  # fmt: skip
JOURNAL = ("entry", "at", "kind", "body")
CHECKPOINTS = ("size", "root", "note")


@dataclass(frozen=True, slots=True)
class Judgement:
    """The journal entry that a decision decides on."""

    entry: int
    body: Body


def month_of(at: str) -> str:
    """First day of the month of an instant as the journal writes it, e.g. `2026-03-01`."""
    return f"{at[:7]}-01"


def rows_of(site: str, entry: int, body: Body) -> list[Made]:
    """Rows of an entry that is no decision, each beginning with site and month."""
    make = _KINDS.get(body["kind"])
    if make is None:
        return []
    front = (site, month_of(body["at"]))
    return [(table, front + row) for table, row in make(entry, body)]


def decision_rows(site: str, entry: int, body: Body, judged: Judgement) -> list[Made]:
    """Rows of a decision: the version decided on with its findings, and what was decided.

    Args:
        entry, body: the `decided` entry.
        judged: the `result_judged` entry of that version.
    """
    result, version, replaces = body["result"], body["version"], body["replaces"]
    standing = body["standing"]
    if standing not in ("released", "withdrawn"):
        return []
    made = [(table, (site, month_of(judged.body["at"]), *row)) for table, row in _version(judged)]
    front = (site, month_of(body["at"]))
    end = (body["reason"], body["by"], body["at"])
    made.append(
        ("standings", (*front, result, version, entry, standing, replaces, None, *end)),
    )
    if standing == "released" and replaces is not None:
        made.append(
            ("standings", (*front, result, replaces, entry, "superseded", None, version, *end))
        )
    return made


def _version(judged: Judgement) -> list[Made]:
    body = judged.body
    result, version = body["result"], body["version"]
    made: list[Made] = [
        (
            "results",
            (
                result, version, judged.entry, body["run"], body["method"], body["sample"],
                body["point"], body["analyte"], body["fraction"], body["basis"],
                body["sampled_at"], body["verdict"], body["text"], body["value"],
                body["censored"], body["unit"], body["uncertainty"], body["repeats"],
                body["cause"], body["at"],
            ),
        )
    ]  # fmt: skip
    made += [
        (
            "findings",
            (
                result, version, ordinal, finding["rule"], finding["version"], finding["verdict"],
                finding["position"], finding["observed"], finding["limit"], finding["sentence"],
            ),
        )
        for ordinal, finding in enumerate(body["findings"])
    ]  # fmt: skip
    return made


def _capture(entry: int, body: Body) -> list[Made]:
    return [
        (
            "captures",
            (
                entry, body["capture"], body["capture_kind"], body["source"], body["name"],
                body["arrived_at"], body["size"], body["sha256"], body["continues"],
            ),
        )
    ]  # fmt: skip


def _input(entry: int, body: Body) -> list[Made]:
    if body["input"] != "sample":
        return []
    sample = body["body"]
    return [
        (
            "samples",
            (
                entry, sample["code"], body["version"], sample["point"], sample["matrix"],
                sample["sampled_at"], sample["preserved_at"], sample["preservation"],
                sample["chloride_mg_l"],
            ),
        )
    ]  # fmt: skip


def _run(entry: int, body: Body) -> list[Made]:
    run = body["body"]
    return [
        (
            "runs",
            (
                entry, run["name"], body["version"], run["method"], body["day"],
                body["started_at"], run["instrument"], run["analyst"], len(run["tubes"]),
            ),
        )
    ]  # fmt: skip


def _reading(entry: int, body: Body) -> list[Made]:
    reading, by = body["id"], body["by"]
    made: list[Made] = [
        (
            "readings",
            (
                entry, reading, body["capture"], body["source"], body["instrument"],
                body["method"], body["sample"], body["raw"], body["value"], body["censored"],
                body["unit"], body["basis"], body["measured_at"], body["arrived_at"],
                body["time_note"], body["absorbance"], body["dilution"],
                body["dilution_applied"], body["conflict"], body["form"],
            ),
        )
    ]  # fmt: skip
    place, wait = body["placed"], body["waits"]
    if place is not None:
        where = ("placed", place["run"], place["position"], place["how"], by)
    else:
        where = ("waits", None, None, wait["reason"], by)
    made.append(("placements", (entry, reading, *where)))
    return made


def _placed(entry: int, body: Body) -> list[Made]:
    why = "; ".join(text for text in (body["how"], body["reason"]) if text)
    place = (body["run"], body["position"], why, body["by"])
    return [("placements", (entry, body["reading"], "placed", *place))]


def _unplaced(what: str) -> Callable[[int, Body], list[Made]]:
    def make(entry: int, body: Body) -> list[Made]:
        row = (entry, body["reading"], what, None, None, body["reason"], body["by"])
        return [("placements", row)]

    return make


def _choice(entry: int, body: Body) -> list[Made]:
    return [
        (
            "reported",
            (
                entry, body["sample"], body["analyte"], body["fraction"], body["basis"],
                body["result"], body["reason"], body["by"], body["at"],
            ),
        )
    ]  # fmt: skip


_KINDS: dict[str, Callable[[int, Body], list[Made]]] = {
    "capture_stored": _capture,
    "input_taken": _input,
    "run_planned": _run,
    "reading_taken": _reading,
    "reading_placed": _placed,
    "reading_waits": _unplaced("waits"),
    "reading_retired": _unplaced("retired"),
    "reported_chosen": _choice,
}
