"""The service killed at every named step of delivery, to a real central database and to daily
files: each decision is there exactly once, and delivery goes on by itself.
"""

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.delivery.daily_files import DailyFiles
from ingestd.ledger.deliveries import delivery_standings
from ingestd.steps import DELIVERY_STEPS, ENVIRONMENT_KEY, STEPS
from tests.ingestd.delivery.conftest import Site
from tests.ingestd.delivery.equal import assert_centre_equals
from tests.ingestd.service.service_process import Bench, wait_until

FILES = '[delivery.files]\nfolder = "out"\n'
DEADLINE_S = 60.0
# Both targets mark: the second passing is the other one's, whichever comes first.
ORDER = (*DELIVERY_STEPS, "mark_written:2", "mark_committed:2")


@pytest.fixture
def site(make_site: Callable[..., Site]) -> Site:
    return make_site(files=FILES)


def files_in(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def written_anew(site: Site, folder: Path) -> dict[str, bytes]:
    """The daily files as the ledger would have them, in a folder of their own."""
    folder.mkdir()
    delivery = site.lab.config.delivery
    assert delivery.files is not None
    elsewhere = delivery.files.model_copy(update={"folder": folder})
    config = site.lab.config.model_copy(
        update={"delivery": delivery.model_copy(update={"files": elsewhere})}
    )
    target = DailyFiles(config, apply=lambda job: job(site.lab.ledger), clock=site.lab.clock)
    target.name = "elsewhere"
    site.deliver(target)
    return files_in(folder)


def is_delivered(site: Site) -> bool:
    """Whether both targets are marked to have every decision."""
    found = delivery_standings(site.lab.ledger.conn, ["postgres", "files"])
    return all(one.results_behind == 0 and one.up_to > 0 for one in found) and site.is_there()


def test_steps_of_delivery_are_others_than_those_of_an_arrival() -> None:
    assert set(STEPS) & set(DELIVERY_STEPS) == set()


def test_killed_at_every_step_of_delivery_each_decision_is_there_exactly_once(
    site: Site, tmp_path: Path
) -> None:
    bench = Bench(site.lab.folder)
    try:
        for name in ORDER:
            site.work(1)
            site.withdraw(site.result_of(f"W{site.runs}b"), f"killed at {name}")
            before = site.lab.one("SELECT up_to FROM deliveries WHERE target = 'postgres'")
            process = bench.start(env={ENVIRONMENT_KEY: name})
            code = process.wait(DEADLINE_S)
            assert code == -signal.SIGKILL, f"{name} was not passed: {code}\n{bench.said()}"
            marked = site.lab.one("SELECT up_to FROM deliveries WHERE target = 'postgres'")
            if name == "batch_written":
                assert site.centre.one("SELECT count(*) FROM ingestd.journal") == 0, "undone"
            if name == "batch_committed":
                assert site.is_there(), "the centre has it"
                assert marked == before, "and nobody here knows"
            if name == "day_written":
                assert list((site.lab.folder / "out").glob(".*.part")), "not in its place yet"
        process = bench.start()
        wait_until(lambda: is_delivered(site), "everything is delivered", DEADLINE_S)
        assert bench.stop(process) == 0, bench.said()
    finally:
        bench.end_all()
    assert_centre_equals(site)
    out = files_in(site.lab.folder / "out")
    assert out == written_anew(site, tmp_path / "anew"), "whole, and nothing else beside them"
    lines = b"".join(out.values()).decode().splitlines()
    assert len(lines) - len(out) == site.lab.one("SELECT count(*) FROM outbox") == 3 * len(ORDER)
    assert verify_ledger(site.lab.ledger.conn, rebuild=True).faults == []
