"""What the laboratory decides for all methods is an input: journalled, pinned, never silent."""

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from ingestd.audit.compare import disagreements
from ingestd.audit.reenact import reenact
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.ledger.captures import find_captures
from ingestd.ledger.inputs import InForceCache
from ingestd.pipeline.decisions import release
from ingestd.pipeline.inputs import observe, take_configured
from ingestd.pipeline.replay.as_of_then import retrace
from ingestd.pipeline.replay.replay import dry_replay
from tests.conftest import EXPORT_HEAD, GOOD_ROWS, SHEET, Lab, row

# A tie, twice 642.5 mg/L to tens: 1280 by half even, 1290 by half up (ISO 80000-1, Annex B).
TIE = EXPORT_HEAD + "".join(
    (*GOOD_ROWS[:2], row(3, "W-1", "642.5", dilution="2"), row(4, "W-2", "333"))
)


@pytest.fixture
def judged(lab: Lab) -> Lab:
    lab.load("sheet.csv", SHEET)
    lab.arrive(TIE)
    assert lab.states()["W-1"] == ("accepted", "1280")
    return lab


def change_rounding(lab: Lab, rounding: str) -> None:
    """Mend the configuration file, and start anew with it."""
    path = lab.folder / "ingestd.toml"
    text = path.read_text().replace("[plan]", f'rounding = "{rounding}"\n[plan]', 1)
    path.write_text(text)
    lab.config = load_config(path)
    lab.pipeline.config = lab.config
    take_configured(lab.ledger, lab.config, at=lab.clock(), by="ingestd")


def pinned(lab: Lab, sample: str) -> str:
    """The hash of the policy that the newest version of a result names."""
    body = lab.one(
        "SELECT p.body FROM results r JOIN result_versions v ON v.result = r.id"
        " JOIN pin_sets p ON p.id = v.pins WHERE r.sample = ? ORDER BY v.version DESC",
        sample,
    )
    return str(json.loads(str(body))["site policy"])


def test_policy_is_taken_once_and_pinned(judged: Lab) -> None:
    count = "SELECT count(*) FROM inputs WHERE kind = 'site'"
    assert judged.one(count) == 1
    take_configured(judged.ledger, judged.config, at=judged.clock(), by="ingestd")
    assert judged.one(count) == 1
    body, sha256 = judged.ledger.conn.execute(
        "SELECT body, sha256 FROM inputs WHERE kind = 'site'"
    ).fetchone()
    assert json.loads(body)["rounding"] == "half_even"
    assert pinned(judged, "W-1") == sha256


def test_changed_policy_judges_what_is_not_settled_in_the_same_transaction(judged: Lab) -> None:
    before = pinned(judged, "W-1")
    change_rounding(judged, "half_up")
    assert judged.states() == {"W-1": ("accepted", "1290"), "W-2": ("accepted", "333")}
    assert pinned(judged, "W-1") != before
    assert pinned(judged, "W-2") == before, "it says the same, so it has no new version"
    last = judged.one(
        "SELECT v.cause FROM results r JOIN result_versions v ON v.result = r.id"
        " WHERE r.sample = 'W-1' ORDER BY v.version DESC"
    )
    assert last == "[site] of the configuration"
    assert verify_ledger(judged.ledger.conn, rebuild=True).faults == []


def test_process_with_another_copy_of_the_file_judges_by_the_ledger(judged: Lab) -> None:
    other = replace(judged.pipeline.config.site.policy, rounding="half_up")
    assert InForceCache().current(judged.ledger.conn).policy(other).rounding == "half_even"
    section = judged.config.site.model_copy(update={"rounding": "half_up"})
    config = judged.config.model_copy(update={"site": section})
    assert config.site.policy.rounding == "half_up"
    with judged.ledger.change(at=judged.clock(), by="mara") as change:
        observe(change, "R1", 3, ["homogenised=yes"], judged.pipeline.in_force_cache, config)
    assert judged.states()["W-1"] == ("accepted", "1280")


def test_settled_results_stay_until_a_replay_proposes(judged: Lab) -> None:
    with judged.ledger.change(at=judged.clock(), by="rita") as change:
        release(
            change, judged.pipeline.in_force_cache.current(judged.ledger.conn), "R1", reason=""
        )
    change_rounding(judged, "half_up")
    assert judged.states()["W-1"] == ("released", "1280")
    assert judged.one("SELECT count(*) FROM results WHERE proposed IS NOT NULL") == 0
    captures = find_captures(judged.ledger.conn, source="p1")
    how = {"reason": "rounding", "by": "ada", "clock": judged.clock, "log": judged.pipeline.log}
    (found,) = dry_replay(judged.ledger, judged.config, captures, **how).differences
    assert (found.sample, found.before, found.after, found.why) == (
        "W-1", "accepted 1280 mg/L", "accepted 1290 mg/L", "site policy",
    )  # fmt: skip
    report = retrace(
        judged.ledger, judged.config, captures, clock=judged.clock, log=judged.pipeline.log
    )
    assert report.is_empty, "by the policy of then nothing differs"


def test_everything_again_comes_out_the_same_with_its_policies(
    judged: Lab, make_lab: Callable[..., Lab]
) -> None:
    change_rounding(judged, "half_up")
    again = reenact(
        judged.ledger.conn, judged.config, str(judged.folder / "again.db"), log=judged.pipeline.log
    )
    assert disagreements(judged.ledger.conn, again.conn) == []
    assert again.conn.execute("SELECT count(*) FROM inputs WHERE kind = 'site'").fetchone() == (2,)
    again.close()
