"""Whether two ledgers say the same of the laboratory: every capture, reading, place and result.

Numbers of entries and versions, and times of making, are left out.
"""

from typing import Any

import orjson

from ingestd.ledger.connection import Connection

_SAID = (
    "verdict", "text", "value", "censored", "unit", "unrounded", "uncertainty", "findings",
    "steps", "tubes", "repeats",
)  # fmt: skip


def disagreements(old: Connection, new: Connection) -> list[str]:
    """What two ledgers say differently, in sentences, none if they agree."""
    found = []
    for what, query in _COMPARED.items():
        before, after = old.execute(query).fetchall(), new.execute(query).fetchall()
        if before != after:
            only = [row for row in before if row not in after][:1]
            extra = [row for row in after if row not in before][:1]
            found.append(f"{what}: then {only or len(before)}, now {extra or len(after)}")
    before_results, after_results = _results(old), _results(new)
    for key in sorted({*before_results, *after_results}):
        then, now = before_results.get(key), after_results.get(key)
        if then != now:
            found.append(f"result {key}: then {then}, now {now}")
    return found


_COMPARED = {
    "captures": (
        "SELECT c.kind, c.source, c.name, c.sha256, s.state, s.form, s.form_sha256,"
        " s.complete_to, s.readings, s.repeats, s.faults FROM captures c"
        " JOIN capture_states s ON s.capture = c.id ORDER BY c.id"
    ),
    "readings": (
        "SELECT instrument, identity, ordinal, digits, method, sample, raw, value, censored, unit,"
        " basis, measured_at, time_note, absorbance, dilution, dilution_applied, conflict,"
        " span_start, span_end, form, retired FROM readings ORDER BY capture, span_start, id"
    ),
    "places": (
        "SELECT d.sample, d.raw, p.run, p.position FROM placements p"
        " JOIN readings d ON d.id = p.reading ORDER BY p.run, p.position, d.capture, d.span_start"
    ),
    "waiting": (
        "SELECT d.sample, d.raw, w.reason, w.candidates FROM waiting w"
        " JOIN readings d ON d.id = w.reading ORDER BY d.capture, d.span_start, d.id"
    ),
    "runs": "SELECT name, sha256, complete, closed FROM runs ORDER BY name",
    "controls": (
        "SELECT run, position, role, level, instrument, lot, at, value, nominal, partner, passed"
        " FROM control_values ORDER BY run, position"
    ),
    "inputs": "SELECT kind, name, version, sha256 FROM inputs ORDER BY kind, name, version",
}


def _results(conn: Connection) -> dict[tuple[str, ...], list[Any]]:
    """State, what stands and what is proposed of each result, with every finding and step."""
    found: dict[tuple[str, ...], list[Any]] = {}
    rows = conn.execute(
        "SELECT r.run, r.sample, r.analyte, r.fraction, r.basis, r.state, v.standing, v.reason,"
        " v.version = r.version, j.body FROM results r"
        " JOIN result_versions v ON v.result = r.id AND v.version IN (r.version, r.proposed)"
        " JOIN journal j ON j.idx = v.entry ORDER BY r.id, v.version"
    )
    for run, sample, analyte, fraction, basis, state, standing, reason, stands, text in rows:
        body = orjson.loads(text)
        said = [body[name] for name in _SAID]
        key = (run, sample, analyte, fraction, basis)
        found.setdefault(key, []).append([state, bool(stands), standing, reason, *said])
    return found
