"""What the service says of its sources is read back as it was said, and nothing older."""

from datetime import timedelta

from ingestd.ledger.source_states import SourceState, keep_source_states, source_states
from tests.conftest import Lab


def test_states_are_read_back_and_replace_one_another(lab: Lab) -> None:
    folder = SourceState(
        name="p1",
        kind="folder",
        state="degraded",
        detail="gone; mount it",
        place="/x",
        last_arrival_at=lab.now - timedelta(hours=1),
        files_waiting=3,
    )
    line = SourceState(name="wire", kind="line", state="ok", detail="", place="/dev/x", frames=7)
    for said in ([folder, line], [line]):
        with lab.ledger.change(at=lab.now, by="ingestd") as change:
            keep_source_states(change.conn, said, at=lab.now)
        assert source_states(lab.ledger.conn) == (said, lab.now)


def test_nothing_is_known_before_the_service_has_spoken(lab: Lab) -> None:
    assert source_states(lab.ledger.conn) == ([], None)
