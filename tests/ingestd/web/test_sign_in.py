"""Signing in and out: what opens the page, what keeps it shut, and for how long."""

from collections.abc import Callable
from datetime import timedelta

from ingestd.audit.verify import verify_ledger
from ingestd.config.operation import WebSection
from ingestd.ledger.accounts import find_password
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person
from ingestd.web.passwords import TRIES_OF_ADDRESS, TRIES_OF_PAIR, WINDOW_S, Throttle
from tests.conftest import Lab
from tests.ingestd.web.conftest import PASSWORD, Page, sign_in


def test_page_without_sign_in_leads_to_the_form_and_back(page: Page) -> None:
    client = page.client()
    answer = client.get("/results?state=held")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=%2Fresults%3Fstate%3Dheld"
    answer = sign_in(client, "mara", PASSWORD, "/results?state=held")
    assert answer.headers["location"] == "/results?state=held"
    assert client.get("/results?state=held").status_code == 200


def test_goal_on_another_site_is_not_followed(page: Page) -> None:
    for goal in ("https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x"):
        answer = sign_in(page.client(), "mara", PASSWORD, goal)
        assert answer.headers["location"] == "/bench"


def test_wrong_password_and_unknown_account_get_the_same_answer(page: Page) -> None:
    wrong = sign_in(page.client(), "mara", "not the password at all")
    nobody = sign_in(page.client(), "nobody", PASSWORD)
    assert wrong.status_code == nobody.status_code == 401
    assert "do not fit together" in wrong.text
    assert "do not fit together" in nobody.text
    assert [e["event"] for e in page.events].count("sign_in_refused") == 2


def test_tries_are_limited_for_one_account_and_address_only(page: Page) -> None:
    client = page.client(address="10.0.0.9")
    for _ in range(TRIES_OF_PAIR):
        assert sign_in(client, "mara", "wrong").status_code == 401
    answer = sign_in(client, "mara", PASSWORD)
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= WINDOW_S + 1
    assert sign_in(client, "rita", PASSWORD).status_code == 303
    assert sign_in(page.client(address="10.0.0.8"), "mara", PASSWORD).status_code == 303


def test_throttle_forgets_after_its_window_and_counts_addresses() -> None:
    now = [0.0]
    throttle = Throttle(lambda: now[0])
    for number in range(TRIES_OF_ADDRESS):
        throttle.note_failure(f"account {number}", "a")
    assert throttle.wait_s("another", "a") == WINDOW_S
    assert throttle.wait_s("another", "b") == 0
    now[0] = WINDOW_S
    assert throttle.wait_s("another", "a") == 0


def test_sign_in_form_from_elsewhere_is_refused(page: Page) -> None:
    client = page.client()
    answer = client.post("/sign-in", data={"account": "mara", "password": PASSWORD})
    assert answer.status_code == 403
    assert "ingestd_session" not in answer.cookies


def test_session_cookie_is_kept_from_scripts_and_secure_behind_tls(
    lab: Lab, open_page: Callable[..., Page]
) -> None:
    page = open_page(lab, WebSection(proxy_addresses=("10.0.0.1",)))
    plain = sign_in(page.client(), "mara", PASSWORD).headers["set-cookie"]
    assert "HttpOnly" in plain
    assert "SameSite=lax" in plain
    assert "Secure" not in plain
    client = page.client(address="10.0.0.1", headers={"x-forwarded-proto": "https"})
    behind = sign_in(client, "mara", PASSWORD)
    assert "Secure" in behind.headers["set-cookie"]
    assert "max-age" in behind.headers["strict-transport-security"]


def test_session_ends_when_idle_and_at_its_end_whatever_its_use(page: Page) -> None:
    lab, settings = page.lab, page.context.settings
    browser = page.sign_in("mara")
    lab.now += timedelta(minutes=settings.idle_minutes - 1)
    assert browser.get("/bench").url.path == "/bench"
    lab.now += timedelta(minutes=settings.idle_minutes - 1)
    assert browser.get("/bench").url.path == "/bench"
    lab.now += timedelta(minutes=settings.idle_minutes + 10)
    assert browser.get("/bench").url.path == "/sign-in"
    busy = page.sign_in("mara")
    for _ in range(settings.session_hours * 2 - 1):
        lab.now += timedelta(minutes=30)
        assert busy.get("/bench").url.path == "/bench"
    lab.now += timedelta(minutes=30)
    assert busy.get("/bench").url.path == "/sign-in"


def test_page_that_renews_itself_does_not_keep_its_session_alive(page: Page) -> None:
    browser = page.sign_in("mara")
    for _ in range(6):
        page.lab.now += timedelta(minutes=12)
        answer = browser.get("/bench", headers={"x-ingestd-live": "1"})
    assert answer.url.path == "/sign-in"


def test_signing_out_ends_the_session_for_good(page: Page) -> None:
    browser = page.sign_in("mara")
    kept = dict(browser.client.cookies)
    assert browser.post("/sign-out").url.path == "/sign-in"
    browser.client.cookies.update(kept)
    assert browser.get("/bench").url.path == "/sign-in"


def test_inactive_person_is_out_at_once(page: Page) -> None:
    browser = page.sign_in("mara")
    with page.lab.ledger.change(at=page.lab.clock(), by="ada") as change:
        in_force = page.lab.pipeline.in_force_cache.current(page.lab.ledger.conn)
        gone = Person(account="mara", roles=(PersonRole.ANALYST,), active=False)
        add_person(change, in_force, gone, by="ada")
    assert browser.get("/bench").url.path == "/sign-in"
    assert sign_in(page.client(), "mara", PASSWORD).status_code == 401


def test_changed_password_ends_every_session(page: Page) -> None:
    browser, other = page.sign_in("mara"), page.sign_in("mara")
    new = "another four words instead"
    asked = {"old": PASSWORD, "new": new, "again": "not the same words"}
    assert "differ" in browser.post("/account/password", asked).text
    asked["again"] = new
    assert browser.post("/account/password", {**asked, "old": "wrong"}).url.path == "/account"
    assert browser.post("/account/password", asked).url.path == "/sign-in"
    assert other.get("/bench").url.path == "/sign-in"
    assert sign_in(page.client(), "mara", PASSWORD).status_code == 401
    assert sign_in(page.client(), "mara", new).status_code == 303


def test_short_password_is_refused_with_what_to_do(page: Page) -> None:
    answer = page.sign_in("mara").post(
        "/account/password", {"old": PASSWORD, "new": "short", "again": "short"}
    )
    assert "at least 15 are needed" in answer.text


def test_password_is_kept_as_argon2id_and_no_secret_stands_in_the_journal(page: Page) -> None:
    browser = page.sign_in("mara")
    with page.context.reading() as conn:
        kept = find_password(conn, "mara")
        assert kept is not None
        assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
        session = browser.client.cookies["ingestd_session"]
        for (body,) in conn.execute("SELECT body FROM journal"):
            assert kept.encode() not in body
            assert session.encode() not in body
            assert PASSWORD.encode() not in body
        for row in conn.execute("SELECT token FROM sessions"):
            assert session.encode() not in row[0]
    report = verify_ledger(page.lab.ledger.conn, rebuild=True)
    assert report.faults == []


def test_trusted_proxy_names_the_person_and_nobody_else_can(
    lab: Lab, open_page: Callable[..., Page]
) -> None:
    page = open_page(lab, WebSection(proxy_addresses=("10.0.0.1",), proxy_header="x-signed-in-as"))
    header = {"x-signed-in-as": "mara"}
    stranger = page.client(address="10.0.0.2", headers=header, follow_redirects=True)
    assert stranger.get("/bench").url.path == "/sign-in"
    client = page.client(address="10.0.0.1", headers=header, follow_redirects=True)
    assert client.get("/bench").url.path == "/bench"
    client.headers["x-signed-in-as"] = "rita"
    assert ">rita<" in client.get("/account").text
    unknown = page.client(address="10.0.0.1", headers={"x-signed-in-as": "someone"})
    assert unknown.get("/sign-in").status_code == 403


def test_token_is_shown_once_acts_as_its_account_and_ends(page: Page) -> None:
    browser = page.sign_in("mara")
    shown = browser.post("/account/tokens", {"name": "report", "days": "30"}).text
    secret = shown.split('<pre class="bytes" tabindex="0">')[1].split("<")[0]
    assert secret.startswith("ingestd_")
    assert secret not in browser.page("/account")
    client = page.client(headers={"authorization": f"Bearer {secret}"})
    assert client.get("/api/results").status_code == 200
    assert client.post("/api/observe", json={"run": "R1", "noted": {}}).status_code == 403
    page.lab.now += timedelta(days=31)
    assert client.get("/api/results").status_code == 401
    assert "has ended" in page.sign_in("mara").post("/account/tokens/end", {"name": "report"}).text
