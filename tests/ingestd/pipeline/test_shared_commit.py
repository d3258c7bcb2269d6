"""Changes that share a transaction stand together, and are told of once they are durable."""

import pytest

from ingestd.ledger.store import Ledger
from ingestd.pipeline.shared_commit import Together
from tests.conftest import Lab


def entries(lab: Lab) -> int:
    """As another process sees the journal."""
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    count = ledger.conn.execute("SELECT count(*) FROM journal").fetchone()[0]
    ledger.close()
    return int(count)


@pytest.fixture
def together(lab: Lab) -> Together:
    return Together(lambda by: lab.ledger.change(at=lab.clock(), by=by))


def note(together: Together, run: str) -> None:
    with together.change("ingestd") as change:
        change.record("run_judged", run=run, method="", day="", complete=False, controls=[])


def test_alone_a_change_is_durable_and_told_at_once(lab: Lab, together: Together) -> None:
    before, seen = entries(lab), list[int]()
    note(together, "R1")
    together.once_durable(lambda: seen.append(entries(lab)))
    assert seen == [before + 1]


def test_shared_they_are_durable_at_the_end_and_told_in_order(
    lab: Lab, together: Together
) -> None:
    before, seen = entries(lab), list[tuple[str, int]]()
    with together.share("ingestd"):
        for run in ("R1", "R2"):
            note(together, run)
            together.once_durable(lambda run=run: seen.append((run, entries(lab))))  # type: ignore[misc]  # run is bound
        assert (entries(lab), seen) == (before, [])
    assert seen == [("R1", before + 2), ("R2", before + 2)]


def test_what_one_wrote_the_next_one_reads(lab: Lab, together: Together) -> None:
    before = entries(lab)
    with together.share("ingestd"):
        note(together, "R1")
        with together.change("ingestd") as change:
            count = change.conn.execute("SELECT count(*) FROM journal").fetchone()[0]
    assert count == before + 1


def test_error_undoes_all_of_them_and_nothing_is_told(lab: Lab, together: Together) -> None:
    before, seen = entries(lab), list[str]()

    def fail() -> None:
        with together.share("ingestd"):
            note(together, "R1")
            together.once_durable(lambda: seen.append("R1"))
            raise KeyError("a bug")

    with pytest.raises(KeyError):
        fail()
    assert (entries(lab), seen) == (before, [])
    note(together, "R2")
    assert entries(lab) == before + 1
    with together.share("ingestd"):
        note(together, "R3")
    assert seen == []
