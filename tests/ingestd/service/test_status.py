"""What stands and what waits, in one look."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from ingestd.audit.checkpoints import write_checkpoint
from ingestd.config import DeliverySection, FilesTarget
from ingestd.ledger.deliveries import note_state
from ingestd.ledger.source_states import SourceState, keep_source_states
from ingestd.pipeline.decisions import release
from ingestd.service.status import standing
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, PLAN, SHEET, Lab, row

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_laboratory_at_rest_needs_no_hand(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert now.results == {"accepted": 2}
    assert (now.readings_waiting, now.runs_open, now.proposed) == (0, 0, 0)
    assert now.journal_entries == lab.one("SELECT size FROM frontier")
    assert not now.needs_a_hand


def test_waiting_held_and_failed_need_a_hand(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "3"))
    lab.arrive(b"no form knows this\n", name="memo.txt")
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert (now.readings_waiting, now.captures["failed"], now.runs_open) == (1, 1, 1)
    assert now.needs_a_hand
    assert now.as_dict()["needs_a_hand"] is True


def test_lots_that_expire_soon_are_named(lab: Lab) -> None:
    lab.load("plan.toml", PLAN.replace("expires = 2026-02-01", "expires = 2026-03-10"))
    now = standing(lab.ledger.conn, lab.config, now=NOON)
    assert now.lots_expiring == ("OLD (2026-03-10)",)


def test_public_key_is_shown_once_it_is_made(lab: Lab) -> None:
    assert standing(lab.ledger.conn, lab.config).public_key == ""
    write_checkpoint(lab.ledger.conn, lab.config)
    key = standing(lab.ledger.conn, lab.config).public_key
    assert key.startswith("ingestd/Test%20works+")


def states(lab: Lab, **changes: object) -> None:
    """What the service says of its one source, a minute before noon."""
    state = SourceState(name="p1", kind="folder", state="ok", detail="", place="exports")
    said = replace(state, **changes)  # type: ignore[arg-type]
    at = NOON - timedelta(minutes=1)
    with lab.ledger.change(at=at, by="ingestd") as change:
        keep_source_states(change.conn, [said], at=at)


def reasons(lab: Lab, *, after: timedelta = timedelta(0)) -> tuple[str, ...]:
    return standing(lab.ledger.conn, lab.config, now=NOON + after).reasons()


def test_source_that_is_down_needs_a_hand_and_says_why(lab: Lab) -> None:
    states(lab)
    assert reasons(lab) == ()
    states(lab, state="degraded", detail="exports: no permission")
    assert reasons(lab) == ("source p1 is degraded: exports: no permission",)


def test_service_that_falls_silent_needs_a_hand_and_one_that_was_stopped_does_not(
    lab: Lab,
) -> None:
    states(lab)
    assert reasons(lab, after=timedelta(seconds=30)) == ()
    (reason,) = reasons(lab, after=timedelta(minutes=5))
    assert "not been heard of since 2026-03-02 11:59" in reason
    states(lab, state="stopped")
    assert reasons(lab, after=timedelta(days=5)) == ()


def test_disk_that_is_nearly_full_needs_a_hand(lab: Lab) -> None:
    service = lab.config.service.model_copy(update={"disk_low_mib": 2**50})
    config = lab.config.model_copy(update={"service": service})
    (reason,) = standing(lab.ledger.conn, config, now=NOON).reasons()
    assert "MiB are free" in reason


def test_delivery_that_is_refused_or_late_needs_a_hand(lab: Lab) -> None:
    files = FilesTarget(folder=lab.folder)
    config = lab.config.model_copy(update={"delivery": DeliverySection(files=files)})
    assert standing(lab.ledger.conn, config, now=NOON).reasons() == ()
    note_state(lab.ledger, "files", "refused", "no permission", at=NOON)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    with lab.ledger.change(at=NOON, by="rita") as change:
        release(change, lab.pipeline.in_force_cache.current(change.conn), "R1", reason="")
    now = standing(lab.ledger.conn, config, now=NOON + timedelta(hours=1))
    assert now.reasons() == (
        "files refuses deliveries: no permission",
        f"files: results wait for delivery since {now.deliveries[0].oldest} UTC",
    )
    assert now.deliveries[0].results_behind == 2


def test_counts_of_captures_are_those_of_a_full_count(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(b"no form knows this\n", name="memo.txt")
    lab.arrive(GOOD_EXPORT + "x", name="open.csv", final=False)
    query = "SELECT state, count(*) FROM capture_states GROUP BY state"
    counted = dict(lab.ledger.conn.execute(query).fetchall())
    assert standing(lab.ledger.conn, lab.config, now=NOON).captures == counted
    assert len(counted) >= 3
