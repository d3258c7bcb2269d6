"""The commands of delivery, as a person types them."""

import json
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from ingestd.audit.checkpoints import key_path, origin_of, write_checkpoint
from ingestd.cli.delivery import central, deliver, reports_of_own_site, show_reports
from ingestd.cli.invocation import Invocation
from ingestd.errors import ConfigError
from ingestd.ledger.journal.checkpoints import load_key, public_key_text
from tests.conftest import Lab
from tests.ingestd.delivery.conftest import Centre, Site
from tests.ingestd.delivery.equal import assert_centre_equals
from tests.ingestd.delivery.server import OWNER


def call(command: click.Command, *arguments: str, lab: Lab | None = None) -> Result:
    invocation = Invocation(lab.folder / "ingestd.toml") if lab else None
    result = CliRunner().invoke(command, arguments, obj=invocation)
    if invocation is not None:
        for ledger in ("ledger", "reading_ledger"):
            if ledger in invocation.__dict__:
                getattr(invocation, ledger).close()
    return result


def where(centre: Centre) -> list[str]:
    return ["--conninfo", centre.server.conninfo(centre.database, OWNER), "--tls", "disable"]


def test_deliver_once_brings_everything_and_tells(make_site: Callable[..., Site]) -> None:
    site = make_site(files='[delivery.files]\nfolder = "out"\n')
    site.work(1)
    result = call(deliver, "--once", lab=site.lab)
    assert result.exit_code == 0, result.output
    assert "postgres" in result.output
    assert "files" in result.output
    assert_centre_equals(site)
    told = json.loads(call(deliver, "--once", "--json", lab=site.lab).output)
    assert [(one["target"], one["results_behind"]) for one in told] == [
        ("postgres", 0),
        ("files", 0),
    ]


def test_deliver_says_no_while_something_is_set_aside_and_retry_mends_it(site: Site) -> None:
    site.centre.do("ALTER TABLE ingestd.results ADD CONSTRAINT odd CHECK (sample <> 'W1a')")
    site.work(1)
    assert call(deliver, "--once", lab=site.lab).exit_code == 1
    assert call(deliver, "--retry", lab=site.lab).exit_code == 1
    site.centre.do("ALTER TABLE ingestd.results DROP CONSTRAINT odd")
    result = call(deliver, "--retry", lab=site.lab)
    assert result.exit_code == 0, result.output
    assert_centre_equals(site)


def test_deliver_without_target_is_wrong_use(lab: Lab) -> None:
    result = call(deliver, "--once", lab=lab)
    assert result.exit_code == 2
    assert "no target is configured" in result.output


def test_deliver_that_cannot_reach_the_centre_says_why(make_site: Callable[..., Site]) -> None:
    site = make_site(right=False)
    result = call(deliver, "--once", lab=site.lab)
    assert result.exit_code == 1
    assert "password authentication failed" in result.output


def test_owner_makes_the_schema_and_admits_a_site(centre: Centre, tmp_path: Path) -> None:
    result = call(central, "migrate", *where(centre))
    assert (result.exit_code, result.output) == (0, "up to date already\n")
    password = tmp_path / "pw"
    password.write_text("secret of west\n")
    result = call(
        central, "admit", "West", "--role", "west", "--role-password-file", str(password),
        *where(centre),
    )  # fmt: skip
    assert (result.exit_code, result.output) == (0, "West: role west may deliver\n")
    assert centre.ask("SELECT site, writer FROM ingestd.sites") == [("West", "west")]


def test_options_with_a_password_are_refused(centre: Centre) -> None:
    result = call(central, "migrate", "--conninfo", "host=x password=y")
    assert result.exit_code == 2
    assert "a password stands in it" in result.output


def test_central_verify_proves_or_names_the_fault(site: Site) -> None:
    site.work(1)
    write_checkpoint(site.lab.ledger.conn, site.lab.config)
    site.deliver()
    key = public_key_text(load_key(key_path(site.lab.config)), origin_of(site.name))
    result = call(central, "verify", "--key", f"{site.name}={key}", *where(site.centre))
    assert result.exit_code == 0, result.output
    assert "1 checkpoints agree" in result.output
    site.centre.do(
        "ALTER TABLE ingestd.results DISABLE TRIGGER only_added;"
        " UPDATE ingestd.results SET value = 1"
    )
    result = call(central, "verify", "--json", *where(site.centre))
    assert result.exit_code == 1
    (report,) = json.loads(result.output)
    assert report["holds"] is False
    assert "table results lacks" in report["faults"][0]
    assert call(central, "verify", "--key", "nonsense", *where(site.centre)).exit_code == 2
    assert call(central, "verify", "--site", "West", *where(site.centre)).exit_code == 1


def test_site_verifies_what_the_centre_has_of_it(
    make_site: Callable[..., Site], capsys: pytest.CaptureFixture[str]
) -> None:
    north, south = make_site("North"), make_site("South")
    for site in (north, south):
        site.work(1)
        write_checkpoint(site.lab.ledger.conn, site.lab.config)
        site.deliver()
    reports = reports_of_own_site(Invocation(north.lab.folder / "ingestd.toml"))
    assert [(one.site, one.holds, one.cautions) for one in reports] == [("North", True, [])]
    assert show_reports(reports, as_json=False)
    assert "North: " in capsys.readouterr().out


def test_site_without_centre_cannot_ask_it(lab: Lab) -> None:
    with pytest.raises(ConfigError, match="configure it, or leave --central"):
        reports_of_own_site(Invocation(lab.folder / "ingestd.toml"))
