"""Judge runs and record what changed: gather facts, one pure call, journal entries.

A result gets a new version only where evaluation says something new. A released version stays
in force, a withdrawn one withdrawn: what would replace it stands beside it as a proposal until a
person decides.
"""

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

from ingestd.evaluate import evaluate
from ingestd.evaluate.control_values import control_values
from ingestd.evaluate.rules.completeness import COMPLETENESS
from ingestd.evaluate.rules.sum_checks import SUM_CHECKS
from ingestd.ledger import work
from ingestd.ledger.inputs import InForce, InForceCache
from ingestd.ledger.journal.canonical import canonical_unchecked
from ingestd.ledger.store import Change
from ingestd.model import (
    Finding,
    ResultOutcome,
    RunFacts,
    RunOutcome,
    SitePolicy,
    State,
    Verdict,
)
from ingestd.pipeline.run_facts import gather_run
from ingestd.times import stamp
from parsers.frozen import frozen


@frozen
class StoredResult:
    """A result's standing before this judgement.

    Attributes:
        stands: the version that stands; `released` the one in force, None if there is none.
        newest, digest: its last version and what that said.
        said: verdict, value and uncertainty of that version, as text.
        decided: a person or the policy has decided on it before.

    What a person released or withdrew stays so until a person decides again.
    """

    id: int
    state: str
    stands: int
    proposed: int | None
    released: int | None
    newest: int
    digest: bytes
    said: tuple[str | None, ...]
    decided: bool

    @property
    def is_settled(self) -> bool:
        """It is in force, or withdrawn: a new version can only be proposed."""
        return self.released is not None or self.state == State.WITHDRAWN


BY_POLICY = "release policy signed by "  # how the reason of such a decision begins

Key = tuple[str, str, str, str]


def judge_runs(
    change: Change,
    names: Iterable[str],
    in_force_cache: InForceCache,
    site: SitePolicy,
    *,
    cause: str,
) -> list[RunOutcome]:
    """Judge these runs, those whose demanded controls they have just met, and those beside whose
    results of the same samples they no longer stand as they did.

    Args:
        change: the open transaction; what it has recorded is taken into account.
        site: counts only in a ledger that has no policy on record yet.
        cause: why, in words; written into each new version.

    Returns:
        The outcomes, also of runs where nothing changed.
    """
    outcomes = []
    waiting = list(dict.fromkeys(names))
    done: set[str] = set()
    while waiting:
        name = waiting.pop(0)
        if name in done:
            continue
        done.add(name)
        change.flush()
        in_force = in_force_cache.current(change.conn)
        stored = work.get_run(change.conn, name)
        facts = gather_run(change.conn, stored, in_force, in_force.policy(site))
        outcome = evaluate(facts)
        outcomes.append(outcome)
        if _record_run(change, stored, facts, outcome):
            waiting.extend(_dependants(change, stored, facts, done))
        doubted = _record_results(change, stored, facts, outcome, in_force, cause=cause)
        if doubted:
            change.flush()
            sisters = work.runs_sharing_samples(change.conn, doubted)
            waiting.extend(sister for sister in sisters if sister not in done)
    change.flush()
    return outcomes


def _record_run(
    change: Change, stored: work.StoredRun, facts: RunFacts, outcome: RunOutcome
) -> bool:
    """Journal completeness and control values where they changed; True if controls did."""
    controls: list[dict[str, Any]] = [
        {
            "position": value.position,
            "role": value.role.value,
            "level": value.level,
            "instrument": value.instrument,
            "lot": value.lot,
            "at": stamp(value.at),
            "value": None if value.value is None else str(value.value),
            "nominal": None if value.nominal is None else str(value.nominal),
            "partner": None if value.partner is None else str(value.partner),
            "passed": value.passed,
        }
        for value in control_values(facts, outcome)
    ]
    before = [
        {
            "position": row[0], "role": row[1], "level": row[2], "instrument": row[3],
            "lot": row[4], "at": row[5], "value": row[6], "nominal": row[7], "partner": row[8],
            "passed": bool(row[9]),
        }
        for row in change.conn.execute(
            "SELECT position, role, level, instrument, lot, at, value, nominal, partner, passed"
            " FROM control_values WHERE run = ? ORDER BY position",
            (stored.run.name,),
        )
    ]  # fmt: skip
    changed = controls != before
    if changed or outcome.complete != stored.complete:
        change.record(
            "run_judged",
            run=stored.run.name,
            method=stored.run.method,
            day=stored.day.isoformat(),
            complete=outcome.complete,
            controls=controls,
        )
    return changed


def _dependants(
    change: Change, stored: work.StoredRun, facts: RunFacts, done: set[str]
) -> list[str]:
    """Runs of the method still incomplete that a control of this run may cover."""
    if all(need.per == "run" for need in facts.method.needs):
        return []
    change.flush()
    lots = {tube.lot for tube in stored.run.tubes if tube.lot}
    names = work.open_runs_sharing(change.conn, stored.run.method, day=stored.day, lots=lots)
    return [name for name in names if name not in done]


def _stored_results(change: Change, run: str) -> dict[Key, StoredResult]:
    change.flush()
    found: dict[Key, StoredResult] = {}
    for row in change.conn.execute(
        "SELECT r.sample, r.analyte, r.fraction, r.basis, r.id, r.state, r.version, r.proposed,"
        " v.version, v.digest, v.standing, v.verdict, v.value, v.uncertainty"
        " FROM results r JOIN result_versions v ON v.result = r.id"
        " WHERE r.run = ? ORDER BY r.id, v.version",
        (run,),
    ):
        key = row[0:4]
        before = found.get(key)
        standing = row[10]
        found[key] = StoredResult(
            id=row[4],
            state=row[5],
            stands=row[6],
            proposed=row[7],
            released=row[8] if standing == "released" else (before.released if before else None),
            newest=row[8],
            digest=row[9],
            said=row[11:14],
            decided=bool(standing) or (before.decided if before else False),
        )
    return found


def _record_results(
    change: Change,
    stored: work.StoredRun,
    facts: RunFacts,
    outcome: RunOutcome,
    in_force: InForce,
    *,
    cause: str,
) -> set[str]:
    """Journal new versions; returns samples whose results in other runs are to be seen anew."""
    doubted: set[str] = set()
    before = _stored_results(change, stored.run.name)
    policy = in_force.raw.get(("policy", "release"))
    pins: int | None = None
    of_run = {id(finding): _finding(finding) for finding in outcome.findings}
    for result in outcome.results:
        key = (result.sample, result.analyte, result.fraction, result.basis)
        old = before.pop(key, None)
        if old is None and result.state is State.AWAITING:
            continue  # its versions begin with its first verdict
        content = _content(result, of_run)
        digest = hashlib.blake2b(canonical_unchecked(content), digest_size=16).digest()
        if old is not None and old.digest == digest:
            continue
        if pins is None:
            pins = _keep_pins(change, dict(facts.pins))
        ident, version = _record_version(
            change, stored, facts, result, content, digest, old, pins, cause
        )
        if facts.companions and _is_doubted(result, content, old):
            doubted.add(result.sample)
        is_due = result.state is State.ACCEPTED and (old is None or not old.decided)
        if is_due and policy and policy["mode"] == "automatic":
            _release_by_policy(change, ident, version, policy)
    for key, old in before.items():
        _record_vanished(change, stored, facts, key, old, cause)
    return doubted


def _is_doubted(result: ResultOutcome, content: dict[str, Any], old: StoredResult | None) -> bool:
    """Whether results of the same sample judged before would hear something else of it now.

    A first statement that fits the others leaves them as they are: they need not say so, too.
    """
    if old is not None:
        return old.said != (content["verdict"], content["value"], content["uncertainty"])
    return any(
        finding.rule == SUM_CHECKS.name and finding.verdict is Verdict.CAUTION
        for finding in result.findings
    )


def _content(result: ResultOutcome, of_run: Mapping[int, dict[str, Any]]) -> dict[str, Any]:
    """Everything evaluation said about a result, as it stands in the journal.

    Args:
        of_run: findings that many results share, by `id`, as they stand there.
    """
    return {
        "verdict": result.state.value,
        "text": result.text,
        "value": None if result.value is None else str(result.value),
        "censored": result.censored,
        "unit": result.unit,
        "unrounded": None if result.unrounded is None else str(result.unrounded),
        "uncertainty": None if result.uncertainty is None else str(result.uncertainty),
        "findings": [of_run.get(id(one)) or _finding(one) for one in result.findings],
        "steps": list(result.steps),
        "tubes": list(result.tubes),
        "readings": list(result.readings),
        "repeats": result.repeats,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "verdict": finding.verdict.value,
        "position": finding.position,
        "observed": finding.observed,
        "limit": finding.limit,
        "version": finding.version,
        "sentence": finding.sentence,
    }


def _keep_pins(change: Change, pins: dict[str, str]) -> int:
    change.flush()
    sha256 = hashlib.sha256(canonical_unchecked(pins)).hexdigest()
    row = change.conn.execute("SELECT id FROM pin_sets WHERE sha256 = ?", (sha256,)).fetchone()
    if row:
        return int(row[0])
    ident = change.new_id("pin_sets")
    change.record("pins_kept", id=ident, sha256=sha256, pins=pins)
    return ident


def _record_version(
    change: Change,
    stored: work.StoredRun,
    facts: RunFacts,
    result: ResultOutcome,
    content: dict[str, Any],
    digest: bytes,
    old: StoredResult | None,
    pins: int,
    cause: str,
) -> tuple[int, int]:
    """Journal a new version; returns the result's id and the version's number."""
    ident = old.id if old else change.new_id("results")
    version = old.newest + 1 if old else 1
    settled = old if old is not None and old.is_settled else None
    sample = facts.samples.get(result.sample)
    at = sample.sampled_at if sample and sample.sampled_at else stored.run.started_at
    change.record(
        "result_judged",
        result=ident,
        run=stored.run.name,
        method=stored.run.method,
        sample=result.sample,
        point=sample.point if sample else "",
        analyte=result.analyte,
        fraction=result.fraction,
        basis=result.basis,
        sampled_at=stamp(at),
        version=version,
        state=settled.state if settled else result.state.value,
        stands=settled.stands if settled else version,
        proposed=version if settled else None,
        pins=pins,
        digest=digest.hex(),
        cause=cause,
        **content,
    )
    return ident, version


def _release_by_policy(change: Change, result: int, version: int, policy: dict[str, Any]) -> None:
    change.record(
        "decided",
        result=result,
        version=version,
        standing="released",
        replaces=None,
        reason=f"{BY_POLICY}{policy['signed_by']}: {policy['reason']}",
        state=State.RELEASED.value,
        stands=version,
        proposed=None,
    )


def _record_vanished(
    change: Change,
    stored: work.StoredRun,
    facts: RunFacts,
    key: Key,
    old: StoredResult,
    cause: str,
) -> None:
    """A result whose sample the run no longer holds: refused, with that as the reason."""
    finding = Finding(
        rule=COMPLETENESS.name,
        verdict=Verdict.REFUSE,
        sentence=f"Sample {key[0]!r} is no longer on the sheet of run {stored.run.name}.",
    )
    result = ResultOutcome(
        sample=key[0], analyte=key[1], fraction=key[2], basis=key[3], unit=facts.method.unit,
        value=None, censored="", text="", unrounded=None, uncertainty=None, state=State.REFUSED,
        findings=(finding,), steps=(), tubes=(), readings=(),
    )  # fmt: skip
    content = _content(result, {})
    digest = hashlib.blake2b(canonical_unchecked(content), digest_size=16).digest()
    if digest != old.digest:
        pins = _keep_pins(change, dict(facts.pins))
        _record_version(change, stored, facts, result, content, digest, old, pins, cause)
