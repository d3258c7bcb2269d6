"""The derivation of one result: capture bytes, placements, rules, decisions, inputs pinned."""

from decimal import Decimal
from typing import Any

from ingestd.errors import Refused
from ingestd.evaluate.explain import explain
from ingestd.ledger.captures import content_from, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.results import entry_body, get_result, versions_of
from ingestd.model import Finding, ResultOutcome, State, Verdict
from ingestd.times import instant

SHOWN_BYTES = 240


def explain_result(conn: Connection, ident: int, *, version: int | None = None) -> list[str]:
    """Plain sentences, from the bytes of the capture to the last digit and the last decision.

    Args:
        ident: number of the result.
        version: which version; the one that stands by default.

    Raises:
        Refused: there is no such result.
    """
    row = get_result(conn, ident)
    versions = versions_of(conn, ident)
    chosen = next((v for v in versions if v.version == (version or row.version)), versions[-1])
    body = entry_body(conn, chosen.entry)
    outcome = outcome_from(body)
    lines = [f"Result {ident}, version {chosen.version} of {len(versions)}, run {row.run}."]
    for reading in outcome.readings:
        lines += _reading_lines(conn, reading)
    lines += explain(outcome)
    lines += [
        f"Version {v.version} ({v.verdict}{', ' + v.standing if v.standing else ''}):"
        f" {v.text or 'no value'} {v.unit}, made {v.made_at:%Y-%m-%d %H:%M:%S} UTC"
        f" because of {v.cause}{'; ' + v.reason if v.reason else ''}."
        for v in versions
    ]
    if row.proposed is not None:
        lines.append(
            f"Version {row.proposed} is proposed beside the released one; a reviewer decides."
        )
    lines.append(f"It stands as {row.state} (journal entry {chosen.entry}).")
    lines += [f"It used {name}: {value}." for name, value in sorted(chosen.pins.items())]
    return lines


def _reading_lines(conn: Connection, ident: int) -> list[str]:
    row = conn.execute(
        "SELECT r.capture, r.span_start, r.span_end, r.instrument, r.measured_at, p.run,"
        " p.position, p.how, p.reason, p.actor, c.name, c.source, c.arrived_at FROM readings r"
        " JOIN captures c ON c.id = r.capture LEFT JOIN placements p ON p.reading = r.id"
        " WHERE r.id = ?",
        (ident,),
    ).fetchone()
    if row is None:
        return []
    (capture, start, end, instrument, measured_at, run, position, how, reason, actor, name,
     source, arrived_at) = row  # fmt: skip
    text = _text_of(conn, capture, start, end)
    lines = [
        (
            f"Reading {ident}: bytes {start} to {end} of capture {capture} ({source}/{name},"
            f" arrived {instant(arrived_at):%Y-%m-%d %H:%M:%S} UTC) say: {text}"
        ),
        f"{instrument} measured it at {instant(measured_at):%Y-%m-%d %H:%M:%S} UTC.",
    ]
    if run is not None:
        why = f"; {reason}" if reason else ""
        lines.append(f"Placed on tube {position} of run {run} by {actor}: {how}{why}")
    return lines


def _text_of(conn: Connection, capture: int, start: int, end: int) -> str:
    """The bytes of a reading, made printable; where they are, if they are not here."""
    try:
        content = content_from(conn, get_capture(conn, capture), start)[: end - start]
    except Refused as absent:
        return f"({absent.problem})"
    return ascii(content[:SHOWN_BYTES].decode("latin-1"))[1:-1]


def outcome_from(body: dict[str, Any]) -> ResultOutcome:
    """The evaluated result that a `result_judged` journal entry holds."""
    return ResultOutcome(
        sample=body["sample"],
        analyte=body["analyte"],
        fraction=body["fraction"],
        basis=body["basis"],
        unit=body["unit"],
        value=_decimal(body["value"]),
        censored=body["censored"],
        text=body["text"],
        unrounded=_decimal(body["unrounded"]),
        uncertainty=_decimal(body["uncertainty"]),
        state=State(body["verdict"]),
        findings=tuple(
            Finding(**{**finding, "verdict": Verdict(finding["verdict"])})
            for finding in body["findings"]
        ),
        steps=tuple(body["steps"]),
        tubes=tuple(body["tubes"]),
        readings=tuple(body["readings"]),
        repeats=body["repeats"],
    )


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def deciding_findings(conn: Connection, entry: int) -> list[Finding]:
    """The findings of a judged version that are no pass, most severe first."""
    outcome = outcome_from(entry_body(conn, entry))
    return [finding for finding in outcome.findings if finding.verdict is not Verdict.PASS]
