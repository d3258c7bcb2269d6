"""What every request meets first: hosts, origins, sizes; what every answer carries."""

from collections.abc import Callable

import pytest

from ingestd.config.operation import WebSection
from ingestd.web.guard import MOST_BYTES
from tests.conftest import Lab
from tests.ingestd.web.conftest import Page

PATHS = ("/sign-in", "/bench", "/nothing", "/health", "/api/results", "/api/openapi.json")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_policy_and_allows_no_inline_script_or_style(
    page: Page, path: str
) -> None:
    for client in (page.client(), page.sign_in("mara").client):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "style-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cache-control"] == "no-store"


def test_refusals_carry_the_policy_too(page: Page) -> None:
    answer = page.client().get("/bench", headers={"host": "evil.example"})
    assert answer.status_code == 421
    assert "default-src 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "", "[::1", "localhost@evil.example"]
)
def test_other_host_names_are_refused(page: Page, host: str) -> None:
    assert page.client().get("/health", headers={"host": host}).status_code == 421


def test_configured_host_name_is_answered(lab: Lab, open_page: Callable[..., Page]) -> None:
    page = open_page(lab, WebSection(hosts=("lab.example",)))
    for host in ("lab.example", "LAB.example:8642", "127.0.0.1:8642", "[::1]:8642"):
        assert page.client().get("/health", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=str,
)
def test_form_sent_from_another_site_is_refused_even_with_its_secret(
    page: Page, headers: dict[str, str]
) -> None:
    browser = page.sign_in("rita")
    answer = browser.post("/release", {"subject": "R1"}, headers=headers)
    assert answer.status_code == 403
    assert page.lab.states()["W-1"][0] == "accepted"
    assert page.events[-1]["event"] == "request_refused"


def test_form_sent_from_the_page_itself_is_taken(page: Page) -> None:
    browser = page.sign_in("rita")
    headers = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
    browser.post("/release", {"subject": "R1"}, headers=headers)
    assert page.lab.states()["W-1"][0] == "released"


def test_request_too_large_is_refused_whatever_length_it_states(page: Page) -> None:
    browser = page.sign_in("mara")
    big = b"x" * (MOST_BYTES + 1)
    answer = browser.client.post("/plan/load", content=big)
    assert answer.status_code == 413
    lying = browser.client.post(
        "/plan/load",
        content=(big[:1_000_000] for _ in range(20)),
        headers={"content-type": "application/x-www-form-urlencoded"},
    )
    assert lying.status_code in (400, 413)


def test_metrics_are_told_to_this_computer_and_to_tokens_only(page: Page) -> None:
    assert 'ingestd_results{state="accepted"} 2.0' in page.client().get("/metrics").text
    assert page.client(address="10.0.0.7").get("/metrics").status_code == 401
    proxied = page.client(headers={"x-forwarded-for": "10.0.0.7"})
    assert proxied.get("/metrics").status_code == 401
    token = {"authorization": f"Bearer {page.token('vera', may_change=False)}"}
    assert page.client(address="10.0.0.7", headers=token).get("/metrics").status_code == 200


def test_health_says_why_and_tells_nothing_else(page: Page) -> None:
    answer = page.client(address="10.0.0.7").get("/health")
    assert answer.json() == {
        "live": True,
        "ready": True,
        "reasons": ["the service does not run"],
    }


def test_static_files_are_kept_for_ever_and_only_by_their_hash(page: Page) -> None:
    client = page.client()
    text = client.get("/sign-in").text
    path = text.split('rel="stylesheet" href="')[1].split('"')[0]
    answer = client.get(path)
    assert answer.status_code == 200
    assert "immutable" in answer.headers["cache-control"]
    assert client.get("/static/0000000000000000/page.css").status_code == 404
    assert client.get(path.replace("page.css", "..%2Fapp.py")).status_code == 404
