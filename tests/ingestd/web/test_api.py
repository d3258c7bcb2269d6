"""The JSON API: what it tells and does, and that it is as its description says."""

from collections.abc import Callable
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.specs.openapi.checks import (
    response_schema_conformance,
    status_code_conformance,
)

from ingestd.audit.verify import verify_ledger
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.web.conftest import Page, Served, add_api_token


def client(page: Page, account: str) -> Any:
    return page.client(headers={"authorization": f"Bearer {page.token(account)}"})


def test_results_come_as_text_of_digits_and_page_by_page(page: Page) -> None:
    vera = client(page, "vera")
    first = vera.get("/api/results?limit=1").json()
    assert [one["sample"] for one in first["results"]] == ["W-2"]
    assert first["results"][0]["value"] == "333"
    second = vera.get("/api/results", params={"limit": 1, "after": first["next"]}).json()
    assert [one["sample"] for one in second["results"]] == ["W-1"]
    assert second["next"] == ""
    whole = vera.get(f"/api/results/{second['results'][0]['id']}").json()
    assert whole["findings"][0]["verdict"] == "pass"
    assert any("capture" in line for line in whole["derivation"])
    assert whole["versions"][0]["version"] == 1


def test_runs_waiting_captures_journal_and_sources_are_told(lab: Lab, page: Page) -> None:
    lab.arrive(EXPORT_HEAD + row(7, "W-9", "333"), name="stray.csv")
    vera = client(page, "vera")
    (run,) = vera.get("/api/runs?day=2026-03-02").json()
    assert run["name"] == "R1"
    assert [one["standing"] for one in run["tubes"]] == ["passed"] * 4
    assert vera.get("/api/runs?day=2026-03-02&skip=1").json() == []
    assert vera.get("/api/run?name=R1").json() == run
    assert [one["sample"] for one in vera.get("/api/waiting").json()["readings"]] == ["W-9"]
    assert vera.get("/api/captures?source=p1").json()[-1]["name"] == "stray.csv"
    assert vera.get("/api/journal?limit=3").json()[0]["kind"] == "capture_read"
    assert vera.get("/api/sources").json()[0]["name"] == "p1"
    assert vera.get("/api/status").json()["readings_waiting"] == 1


def test_programs_act_as_their_account(lab: Lab, page: Page) -> None:
    lab.load("second.csv", SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2"))
    lab.arrive(EXPORT_HEAD + row(7, "W-9", "333"), name="stray.csv")
    mara, rita = client(page, "mara"), client(page, "rita")
    waiting = mara.get("/api/waiting").json()["readings"][0]["id"]
    asked = {"reading": waiting, "run": "R2", "position": 4, "reason": "misread label"}
    assert mara.post("/api/place", json=asked).status_code == 200
    assert lab.waiting() == {}
    noted = {"run": "R2", "position": 4, "noted": {"turbidity": "clear", "chloride": "20"}}
    assert mara.post("/api/observe", json=noted).json() == {"done": "2 noted"}
    sheet = {"name": "api.csv", "text": SHEET.replace("R1", "R3").replace("W-", "U-")}
    assert "R3" in mara.post("/api/plan", json=sheet).json()["done"]
    decided = rita.post("/api/release", json={"subject": "R1"}).json()
    assert [one["what"] for one in decided] == ["released", "released"]
    asked = {"subject": str(decided[0]["result"]), "reason": "mixed up"}
    assert rita.post("/api/withdraw", json=asked).json()[0]["what"] == "withdrawn"
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []


def test_refusals_say_what_would_be_possible(page: Page) -> None:
    mara, rita = client(page, "mara"), client(page, "rita")
    for answer, status in (
        (rita.post("/api/release", json={"subject": "R9"}), 409),
        (rita.post("/api/release", json={"subject": "9" * 40}), 404),
        (rita.post("/api/release", json={"subject": "²"}), 404),
        (mara.get("/api/results/99"), 404),
        (mara.post("/api/plan", json={"name": "x.csv", "text": "run\nR"}), 422),
        (mara.post("/api/observe", json={"run": "R1", "noted": {"a": "b"}}), 422),
        (mara.post("/api/observe", json={"run": "R1"}), 422),
        (mara.get("/api/nothing"), 404),
    ):
        assert answer.status_code == status, answer.text
        assert set(answer.json()) == {"error", "hint"}
        assert answer.json()["error"]


def test_description_names_every_call_and_its_token(page: Page) -> None:
    described = page.client().get("/api/openapi.json").json()
    assert described["openapi"].startswith("3.")
    assert len(described["paths"]) >= 18
    assert all(path.startswith(("/api/", "/health", "/metrics")) for path in described["paths"])
    assert described["components"]["securitySchemes"]["token"]["scheme"] == "bearer"


@pytest.mark.parametrize("account", ["vera", "mara", "rita"])
def test_api_answers_as_its_description_says_whatever_is_asked(
    lab: Lab, serve: Callable[[Lab], Served], account: str
) -> None:
    """Generated requests, good and bad, against the description."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    served = serve(lab)
    token = add_api_token(lab, account)
    with served.context.reading() as conn:
        before = conn.execute("SELECT count(*) FROM captures").fetchone()[0]
    schema = schemathesis.openapi.from_url(f"{served.url}/api/openapi.json")
    checks = [
        schemathesis.checks.not_a_server_error,
        response_schema_conformance,
        status_code_conformance,
    ]
    for found in schema.get_all_operations():
        operation = found.ok()

        @settings(
            max_examples=12,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def ask(case: Any) -> None:
            answer = case.call(headers={"authorization": f"Bearer {token}"})
            case.validate_response(answer, checks=checks)

        ask()
    assert verify_ledger(lab.ledger.conn, rebuild=True).faults == []
    with served.context.reading() as conn:
        after = conn.execute("SELECT count(*) FROM captures").fetchone()[0]
    assert after >= before
