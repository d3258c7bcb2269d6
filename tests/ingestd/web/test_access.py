"""Every route × every role, forms without their secret, and what a refusal gives away."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from ingestd.model import PersonRole
from ingestd.web.access import ByApi, Needs, Posted
from tests.ingestd.web.conftest import PEOPLE, Page

OPEN = {"/static/{tag}/{name}", "/sign-in", "/health", "/metrics"}
# Who may what: written out here, not taken from the program.
MAY = {
    PersonRole.VIEWER: {"vera", "mara", "rita", "ada"},
    PersonRole.ANALYST: {"mara", "rita", "ada"},
    PersonRole.REVIEWER: {"rita"},
    PersonRole.ADMIN: {"ada"},
}
FORMS = {
    "/sign-out": PersonRole.VIEWER,
    "/account/password": PersonRole.VIEWER,
    "/account/sessions/end": PersonRole.VIEWER,
    "/account/tokens": PersonRole.VIEWER,
    "/account/tokens/end": PersonRole.VIEWER,
    "/observe": PersonRole.ANALYST,
    "/run/in-order": PersonRole.ANALYST,
    "/place": PersonRole.ANALYST,
    "/plan/load": PersonRole.ANALYST,
    "/journal/verify": PersonRole.ANALYST,
    "/release": PersonRole.REVIEWER,
    "/withdraw": PersonRole.REVIEWER,
    "/result/report": PersonRole.REVIEWER,
    "/controls/freeze": PersonRole.REVIEWER,
    "/journal/checkpoint": PersonRole.REVIEWER,
    "/replay": PersonRole.ADMIN,
}
CALLS = {
    "/api/place": PersonRole.ANALYST,
    "/api/observe": PersonRole.ANALYST,
    "/api/plan": PersonRole.ANALYST,
    "/api/release": PersonRole.REVIEWER,
    "/api/withdraw": PersonRole.REVIEWER,
    "/api/report": PersonRole.REVIEWER,
    "/api/replay": PersonRole.ADMIN,
}
NEEDED = {
    "reading": "1",
    "result": "1",
    "name": "x",
    "days": "1",
}  # fields a form cannot be without


def routes(page: Page) -> list[APIRoute]:
    """Every route of the application, those of its parts too."""
    return list(_routes(page.app.routes))


def _routes(found: Any) -> Iterator[APIRoute]:
    for route in found:
        if isinstance(route, APIRoute):
            yield route
        elif getattr(route, "original_router", None) is not None:
            yield from _routes(route.original_router.routes)


def guards(dependant: Dependant) -> list[Needs]:
    found = [one.call for one in dependant.dependencies if isinstance(one.call, Needs)]
    for one in dependant.dependencies:
        found += guards(one)
    return found


def test_every_route_names_one_role_and_every_form_asks_for_its_secret(page: Page) -> None:
    seen = set()
    for route in routes(page):
        seen.add(route.path)
        if route.path in OPEN:
            continue
        found = guards(route.dependant)
        assert len(found) == 1, route.path
        if "POST" not in (route.methods or set()):
            assert found[0].role is PersonRole.VIEWER, route.path
        elif route.path.startswith("/api/"):
            assert isinstance(found[0], ByApi), route.path
            assert CALLS[route.path.removeprefix("")] is found[0].role
        else:
            assert isinstance(found[0], Posted), route.path
            assert FORMS[route.path] is found[0].role
        assert not (route.methods or set()) - {"GET", "POST"}
    assert set(FORMS) | set(CALLS) | OPEN <= seen
    assert len(seen) > 40


def test_nobody_sees_anything_without_signing_in(page: Page) -> None:
    client = page.client()
    for route in routes(page):
        if route.path in OPEN or "GET" not in (route.methods or set()):
            continue
        answer = client.get(route.path.replace("{ident}", "1").replace("{kind}", "csv"))
        for_program = route.path.startswith("/api/") or route.path == "/live"
        assert answer.status_code == (401 if for_program else 303), route.path
        assert "W-1" not in answer.text


@pytest.mark.parametrize("account", PEOPLE)
def test_forms_act_for_the_roles_that_may_and_refuse_the_others(page: Page, account: str) -> None:
    for path, needed in FORMS.items():
        browser = page.sign_in(account)
        browser.client.follow_redirects = False
        page.events.clear()
        size = page.lab.one("SELECT size FROM frontier")
        answer = browser.post(path, dict(NEEDED))
        if account in MAY[needed]:
            assert answer.status_code != 403, path
        else:
            assert answer.status_code == 403, path
            assert f"needs the role {needed}" in answer.text
            assert page.lab.one("SELECT size FROM frontier") == size
            assert [e["event"] for e in page.events] == ["access_refused"]


@pytest.mark.parametrize("account", PEOPLE)
def test_calls_act_for_the_roles_that_may_and_refuse_the_others(page: Page, account: str) -> None:
    for path, needed in CALLS.items():
        for may_change in (True, False):
            token = (
                page.token(account, may_change=may_change)
                if path == "/api/place"
                else (f"secret of {account} {may_change} 90")
            )
            client = page.client(headers={"authorization": f"Bearer {token}"})
            answer = client.post(path, json=_body(path))
            allowed = may_change and account in MAY[needed]
            assert (answer.status_code == 403) is not allowed, (path, answer.text)


def _body(path: str) -> dict[str, Any]:
    return {
        "/api/place": {"reading": 1, "run": "R9", "position": 1, "reason": "r"},
        "/api/observe": {"run": "R9", "noted": {"turbidity": "clear"}},
        "/api/plan": {"name": "x.csv", "text": "nothing"},
        "/api/release": {"subject": "R9", "reason": "r"},
        "/api/withdraw": {"subject": "R9", "reason": "r"},
        "/api/report": {"result": 99, "reason": "r"},
        "/api/replay": {"capture": 99_999, "reason": "r"},
    }[path]


@pytest.mark.parametrize("path", sorted(FORMS))
def test_form_without_its_secret_or_with_anothers_does_nothing(page: Page, path: str) -> None:
    size = page.lab.one("SELECT size FROM frontier")
    for account in ("rita", "ada"):
        browser = page.sign_in(account)
        other = page.sign_in(account).csrf
        for secret in ("", "0" * 64, other):
            answer = browser.client.post(path, data={**NEEDED, "csrf": secret})
            assert answer.status_code == 403, (path, secret)
            assert "grown old" in answer.text
    assert page.lab.one("SELECT size FROM frontier") == size


def test_a_session_cannot_change_anything_through_the_api(page: Page) -> None:
    browser = page.sign_in("rita")
    answer = browser.client.post("/api/release", json={"subject": "R1"})
    assert answer.status_code == 403
    assert "need a token" in answer.json()["error"]
    assert page.lab.states()["W-1"][0] == "accepted"


def test_buttons_are_shown_only_to_those_who_may(page: Page) -> None:
    for account, words in {
        "vera": (),
        "mara": ("All clear",),
        "rita": ("All clear", "Release the run"),
        "ada": ("All clear",),
    }.items():
        text = page.sign_in(account).page("/run?name=R1")
        for word in ("All clear", "Release the run"):
            assert (word in text) is (word in words), (account, word)


def test_unknown_page_and_broken_addresses_give_plain_answers(page: Page) -> None:
    browser = page.sign_in("mara")
    for path, status in {
        "/nothing": 404,
        "/run?name=R9": 404,
        "/run": 422,
        "/tube?run=R1&position=99": 409,
        "/tube?run=R1&position=x": 422,
        "/result?id=99": 404,
        "/result?id=99999999999999999999999": 422,
        "/reading?id=99": 404,
        "/capture?id=99999": 404,
        "/entry?index=99999": 404,
        "/point?code=nowhere": 404,
        "/input?kind=method&name=none": 404,
        "/results?since=yesterday": 409,
        "/results?state=fine": 409,
        "/results/export.exe": 404,
        "/job?id=none": 404,
        "/bench?day=not-a-day": 200,
        "/bench?day=0001-01-01": 200,
        "/bench?day=9999-12-31": 200,
        "/journal?before=-5": 422,
        "/journal?before=99999999999999999999": 422,
        "/results?after=rubbish": 200,
    }.items():
        answer = browser.get(path)
        assert answer.status_code == status, (path, answer.text[:300])
        assert "Traceback" not in answer.text
        assert str(page.lab.folder) not in answer.text
