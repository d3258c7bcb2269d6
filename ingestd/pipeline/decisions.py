"""What people decide: placing a reading, releasing, withdrawing, the release policy, accounts.

Each decision is a journal entry with the acting account and a reason, and an input of the next
evaluation. What the rules forbid is refused here, whoever asks.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.evaluate.placing import propose_in_order
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce, InForceCache, take_body, take_input
from ingestd.ledger.store import Change
from ingestd.model import Person, PersonRole, State
from ingestd.model.labels import label_key
from ingestd.pipeline.judge import judge_runs

MOST_DIGITS = 18  # of a number that SQLite still holds

# What each role may do; a reviewer is also an analyst, an admin does not release results.
_ALLOWS: dict[PersonRole, tuple[PersonRole, ...]] = {
    PersonRole.VIEWER: tuple(PersonRole),
    PersonRole.ANALYST: (PersonRole.ANALYST, PersonRole.REVIEWER, PersonRole.ADMIN),
    PersonRole.REVIEWER: (PersonRole.REVIEWER,),
    PersonRole.ADMIN: (PersonRole.ADMIN,),
}


def authorise(in_force: InForce, account: str, needed: PersonRole) -> Person:
    """The person behind an account, if their roles allow what is asked.

    Raises:
        Refused: unknown, inactive, or not allowed.
    """
    person = in_force.of("person").get(account)
    if person is None or not person.active:
        raise Refused(
            f"account {account!r}", "there is none", "an admin adds it with `ingestd user add`"
        )
    if not set(person.roles) & set(_ALLOWS[needed]):
        held = ", ".join(person.roles)
        raise Refused(
            f"account {account!r}",
            f"this needs the role {needed}, it has {held}",
            "ask one who has",
        )
    return person  # type: ignore[no-any-return]  # the book holds Person under "person"


def add_person(change: Change, in_force: InForce, person: Person, *, by: str) -> None:
    """Add or change an account; the first one of a ledger must be an admin and adds itself.

    Raises:
        Refused: the acting account may not.
    """
    if in_force.of("person"):
        authorise(in_force, by, PersonRole.ADMIN)
    elif PersonRole.ADMIN not in person.roles:
        raise Refused(
            f"account {person.account!r}",
            "the first account of a ledger must be an admin",
            "give it --role admin",
        )
    take_input(change, "person", person, capture=None)


def set_release_policy(
    change: Change, in_force: InForce, *, mode: str, by: str, reason: str
) -> None:
    """Sign the release policy: "automatic", or "by_reviewer" (the default).

    Raises:
        Refused: the account is no reviewer, or gives no reason.
    """
    authorise(in_force, by, PersonRole.REVIEWER)
    _need_reason(reason)
    take_body(
        change,
        "policy",
        "release",
        {"mode": mode, "reason": reason, "signed_by": by},
        capture=None,
    )


def _need_reason(reason: str) -> None:
    if not reason.strip():
        raise Refused("decision", "a reason is needed", "give --reason TEXT")


def place_reading(
    change: Change,
    reading: int,
    run: str,
    position: int,
    in_force_cache: InForceCache,
    config: Config,
    *,
    reason: str,
) -> None:
    """Attach a reading to a tube by hand, or move it there; both runs are judged anew.

    Raises:
        Refused: no such reading, run or tube, another method's tube, or no reason.
    """
    in_force = in_force_cache.current(change.conn)
    authorise(in_force, change.by, PersonRole.ANALYST)
    _need_reason(reason)
    stored = work.get_run(change.conn, run)
    printed = work.get_reading(change.conn, reading).method
    if position not in {tube.position for tube in stored.run.tubes}:
        raise Refused(f"run {run!r}", f"it has no tube {position}", "see `ingestd plan show`")
    method = in_force.methods[stored.run.method]
    names = {label_key(name) for name in (method.name, *method.printed_names)}
    if printed and label_key(printed) not in names:
        raise Refused(
            f"reading {reading}",
            f"it was read by method {printed!r}, run {run!r} is of {method.name}",
            f"if the photometer means that method, add the name to printed_names of {method.name}",
        )
    before = change.conn.execute(
        "SELECT run, position FROM placements WHERE reading = ?", (reading,)
    ).fetchone()
    if before == (run, position):
        raise Refused(f"reading {reading}", "it is on that tube already", "nothing to do")
    change.record(
        "reading_placed",
        reading=reading,
        run=run,
        position=position,
        how="placed by hand",
        reason=reason,
    )
    runs = [run] if before is None or before[0] == run else [before[0], run]
    judge_runs(change, runs, in_force_cache, config.site.policy, cause=f"placed by hand: {reason}")


def place_in_order(
    change: Change, run: str, in_force_cache: InForceCache, config: Config, *, reason: str
) -> int:
    """Confirm that a run's waiting readings lie in the order of its sheet; returns how many.

    Raises:
        Refused: the counts do not agree, or the run is not declared so; nothing is placed.
    """
    in_force = in_force_cache.current(change.conn)
    authorise(in_force, change.by, PersonRole.ANALYST)
    _need_reason(reason)
    stored = work.get_run(change.conn, run)
    method = in_force.methods[stored.run.method]
    filled = work.placed_readings(change.conn, run)
    void = {
        note.position for note in work.current_observations(change.conn, run) if note.key == "void"
    }
    tubes = [
        tube
        for tube in stored.run.tubes
        if tube.position not in filled and tube.position not in void
    ]
    waiting = [
        one.reading
        for one in work.waiting_readings(
            change.conn, labels=[""], instrument=stored.run.instrument
        )
    ]
    proposal = propose_in_order(waiting, stored.run, method, tubes)
    if isinstance(proposal, str):
        raise Refused(f"run {run!r}", proposal, "place the readings one by one")
    for reading, position in proposal.pairs:
        change.record(
            "reading_placed",
            reading=reading,
            run=run,
            position=position,
            how=proposal.reason,
            reason=reason,
        )
    judge_runs(
        change, [run], in_force_cache, config.site.policy, cause=f"order confirmed: {reason}"
    )
    return len(proposal.pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """What a decision did to one result."""

    result: int
    sample: str
    text: str
    what: str


_RESULT = (
    "SELECT r.id, r.run, r.sample, r.state, r.version, r.proposed, v.verdict, v.text, u.analyst"
    " FROM results r JOIN result_versions v ON v.result = r.id"
    " AND v.version = coalesce(r.proposed, r.version) JOIN runs u ON u.name = r.run"
)


def is_number(subject: str) -> bool:
    """Whether a subject is the number of a result rather than the name of a run."""
    return subject.isascii() and subject.isdigit() and len(subject) <= MOST_DIGITS


def _results(conn: Connection, subject: str) -> list[tuple[object, ...]]:
    if is_number(subject):
        rows = conn.execute(f"{_RESULT} WHERE r.id = ?", (int(subject),)).fetchall()
    else:
        rows = conn.execute(f"{_RESULT} WHERE r.run = ? ORDER BY r.id", (subject,)).fetchall()
    if not rows:
        raise Refused(
            f"{subject!r}", "no result or judged run of this name", "see `ingestd results`"
        )
    return rows


def release(change: Change, in_force: InForce, subject: str, *, reason: str) -> list[Decided]:
    """Release a result by its number, or everything releasable in a run by its name.

    Args:
        reason: printed with a held result; may be empty only where an accepted result is
            released for the first time.

    Raises:
        Refused: no reviewer, one's own work, a refused result, a reason that is missing, or
            nothing to release. A withdrawn result comes back only by its number.
    """
    authorise(in_force, change.by, PersonRole.REVIEWER)
    change.flush()
    rows = _results(change.conn, subject)
    by_number = is_number(subject)
    decided = []
    for ident, run, sample, state, version, proposed, verdict, text, analyst in rows:
        if analyst and analyst == change.by:
            raise Refused(
                f"run {run!r}", f"{change.by} worked it", "another reviewer must release it"
            )
        if state == State.RELEASED and proposed is None:
            if by_number:
                raise Refused(f"result {ident}", "it is released already", "nothing to do")
            continue
        if state == State.WITHDRAWN and not by_number:
            continue
        if by_number and verdict == State.HELD and not text:
            raise Refused(
                f"result {ident}", "it has no value to release", "settle what holds it first"
            )
        if verdict == State.ACCEPTED or (verdict == State.HELD and by_number):
            if verdict == State.HELD or state in (State.RELEASED, State.WITHDRAWN):
                _need_reason(reason)
            decided.append(
                _release_one(change, ident, version, proposed, state, sample, text, reason)
            )
        elif by_number:
            why = {
                "refused": "a rule refuses it, and what is refused is never released",
                "awaiting": "its run is not complete",
            }
            raise Refused(
                f"result {ident}", why.get(str(verdict), str(verdict)), "see `ingestd explain`"
            )
    if not decided:
        raise Refused(
            f"{subject!r}",
            "nothing in it can be released as it stands",
            "held results are released one by one, with a reason",
        )
    return decided


def _release_one(
    change: Change,
    ident: object,
    version: object,
    proposed: object,
    state: object,
    sample: object,
    text: object,
    reason: str,
) -> Decided:
    stands = version if proposed is None else proposed
    replaces = version if proposed is not None and state == State.RELEASED else None
    change.record(
        "decided",
        result=ident,
        version=stands,
        standing="released",
        replaces=replaces,
        reason=reason,
        state=State.RELEASED.value,
        stands=stands,
        proposed=None,
    )
    what = "released" if replaces is None else f"released, version {replaces} superseded"
    return Decided(result=int(str(ident)), sample=str(sample), text=str(text), what=what)


def withdraw(change: Change, in_force: InForce, subject: str, *, reason: str) -> list[Decided]:
    """Withdraw a released result, or every released one of a run.

    Raises:
        Refused: no reviewer, no reason, or nothing released.
    """
    authorise(in_force, change.by, PersonRole.REVIEWER)
    _need_reason(reason)
    change.flush()
    decided = []
    for ident, _run, sample, state, version, proposed, _verdict, text, _ in _results(
        change.conn, subject
    ):
        if state != State.RELEASED:
            continue
        change.record(
            "decided",
            result=ident,
            version=version,
            standing="withdrawn",
            replaces=None,
            reason=reason,
            state=State.WITHDRAWN.value,
            stands=version,
            proposed=proposed,
        )
        decided.append(
            Decided(result=int(str(ident)), sample=str(sample), text=str(text), what="withdrawn")
        )
    if not decided:
        raise Refused(f"{subject!r}", "nothing of it is released", "see `ingestd results`")
    return decided


def choose_reported(change: Change, in_force: InForce, result: int, *, reason: str) -> None:
    """Say which released result is the reported value where several of a sample qualify.

    Raises:
        Refused: no reviewer, no reason, or the result is not released.
    """
    authorise(in_force, change.by, PersonRole.REVIEWER)
    _need_reason(reason)
    change.flush()
    row = change.conn.execute(
        "SELECT sample, analyte, fraction, basis, state FROM results WHERE id = ?", (result,)
    ).fetchone()
    if row is None or row[4] != State.RELEASED:
        raise Refused(f"result {result}", "it is not a released result", "release it first")
    change.record(
        "reported_chosen",
        sample=row[0],
        analyte=row[1],
        fraction=row[2],
        basis=row[3],
        result=result,
        reason=reason,
    )


def roles_from(words: Sequence[str]) -> tuple[PersonRole, ...]:
    """Roles by name.

    Raises:
        Refused: there is no such role.
    """
    try:
        return tuple(PersonRole(word) for word in words)
    except ValueError as error:
        raise Refused(
            "role", str(error), f"use {', '.join(role.value for role in PersonRole)}"
        ) from error
