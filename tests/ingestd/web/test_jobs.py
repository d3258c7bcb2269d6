"""Work longer than a page: one at a time, and what came of it, also where it went wrong."""

import threading
from typing import Any

import pytest

from ingestd import events
from ingestd.errors import LedgerMismatch, Refused
from ingestd.web.jobs import MOST_KEPT, Job, Jobs
from tests.conftest import Lab, row
from tests.ingestd.service.service_process import DEADLINE_S
from tests.ingestd.web.conftest import Page


@pytest.fixture
def jobs(page: Page) -> Jobs:
    return Jobs(page.context)


def ended(job: Job) -> Job:
    assert job.finished.wait(DEADLINE_S)
    return job


def test_outcome_of_work_is_kept_under_its_name(jobs: Jobs) -> None:
    job = ended(jobs.start("verify", "verification", "ada", lambda job: f"by {job.by}"))
    assert jobs.get(job.id) is job
    assert (job.outcome, job.problem) == ("by ada", "")


def test_second_job_is_refused_while_the_first_is_under_way(jobs: Jobs) -> None:
    may_end = threading.Event()
    first = jobs.start("verify", "verification", "ada", lambda _: may_end.wait(DEADLINE_S))
    with pytest.raises(Refused, match="verification is under way"):
        jobs.start("verify", "another", "ada", lambda _: None)
    may_end.set()
    ended(first)
    ended(jobs.start("verify", "another", "ada", lambda _: None))


def test_only_so_many_are_kept_and_the_oldest_go(jobs: Jobs) -> None:
    made = [ended(jobs.start("verify", "v", "ada", lambda _: None)) for _ in range(MOST_KEPT + 1)]
    with pytest.raises(Refused, match="none of this name any more"):
        jobs.get(made[0].id)
    assert jobs.get(made[1].id) is made[1]


def fail_with(error: Exception) -> Any:
    def work(_job: Job) -> None:
        raise error

    return work


def test_refusal_of_the_work_is_its_problem(page: Page, jobs: Jobs) -> None:
    job = ended(jobs.start("replay", "r", "ada", fail_with(Refused("run", "none", "choose"))))
    assert job.problem == str(Refused("run", "none", "choose"))
    assert page.context.failure is None


def test_ledger_that_does_not_hold_stops_the_page(page: Page, jobs: Jobs) -> None:
    error = LedgerMismatch("ledger", "not what was left", "restore a copy")
    job = ended(jobs.start("replay", "r", "ada", fail_with(error)))
    assert job.problem == str(error)
    assert (error.disposition, page.context.failure) == ("stop", error)


def test_bug_in_the_work_is_logged_and_told_without_its_text(page: Page, jobs: Jobs) -> None:
    job = ended(jobs.start("replay", "r", "ada", fail_with(ZeroDivisionError("secret"))))
    assert job.problem == "Something went wrong here; see the log."
    (event,) = (e for e in page.events if e["event"] == events.REQUEST_FAILED)
    assert (event["path"], event["kind"]) == ("replay", "ZeroDivisionError")


def api(page: Page, account: str) -> Any:
    return page.client(headers={"authorization": f"Bearer {page.token(account)}"})


def test_replay_asked_for_by_a_program_is_shown_first_and_done_then(lab: Lab, page: Page) -> None:
    ada, rita = api(page, "ada"), api(page, "rita")
    lab.load("note.toml", '[[sampling_point]]\ncode = "weir"\n')
    lab.arrive("Serial number of reading,Read at\n" + row(9, "W-9", "3"), name="odd.csv")
    odd = lab.one("SELECT id FROM captures WHERE name = 'odd.csv'")
    asked = {"capture": odd, "reason": "form mended"}
    begun = ada.post("/api/replay", json=asked).json()
    assert begun["what"] == "dry run of a replay of 1 captures"
    ended(page.app.state.jobs.get(begun["id"]))
    told = ada.get(f"/api/jobs/{begun['id']}").json()
    assert (told["running"], told["problem"]) == (False, "")
    assert told["outcome"]["captures"] == 1
    assert [one["capture"] for one in told["outcome"]["failed"]] == [odd]
    others = rita.get(f"/api/jobs/{begun['id']}")
    assert (others.status_code, others.json()["error"]) == (409, "job: it is somebody else's")
    really = ada.post("/api/replay", json={**asked, "really": True}).json()
    ended(page.app.state.jobs.get(really["id"]))
    assert "dry run" not in ada.get(f"/api/jobs/{really['id']}").json()["what"]
    assert ada.get("/api/jobs/nothing").status_code == 404
    nothing = ada.post("/api/replay", json={"reason": "why"})
    assert (nothing.status_code, nothing.json()["error"]) == (409, "replay: no capture is chosen")


def test_plan_and_reported_value_by_a_program(lab: Lab, page: Page) -> None:
    mara, rita = api(page, "mara"), api(page, "rita")
    loaded = mara.post(
        "/api/plan", json={"name": "p.toml", "text": "[[sampling_point]]\ncode='x'"}
    )
    assert loaded.json()["done"] == "1 inputs (sampling_point x)"
    half = mara.post(
        "/api/plan",
        content=b'{"name": "p.toml", "text": "\\ud800"}',
        headers={"content-type": "application/json"},
    )
    assert (half.status_code, half.json()["error"]) == (
        422,
        "text: Input should be a valid string, unable to parse raw data as a unicode string",
    )
    (one, _) = rita.post("/api/release", json={"subject": "R1"}).json()
    chosen = rita.post("/api/report", json={"result": one["result"], "reason": "the only one"})
    assert chosen.json()["done"] == f"result {one['result']} is the reported value"
