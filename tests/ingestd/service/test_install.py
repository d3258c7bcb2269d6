"""What `ingestd init` writes: complete, with the right paths, and never over anything."""

import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from ingestd.cli.main import main
from ingestd.config import load_config
from ingestd.errors import Refused
from ingestd.service.install import (
    BESIDE,
    UNITS,
    Places,
    install,
    sample,
    unit_text,
    usual_places,
)
from ingestd.service.metrics import ServiceFigures, render_metrics
from ingestd.service.preflight import check_all
from ingestd.service.status import standing
from tests.conftest import Lab

ROOT = Path(__file__).parents[3]


def installed(folder: Path, *arguments: str) -> str:
    done = CliRunner().invoke(
        main,
        ["init", str(folder), "--site", 'The "Works"', "--time-zone", "Europe/Lisbon", *arguments],
    )
    assert done.exit_code == 0, done.output
    return done.output


def test_fresh_installation_has_nothing_against_starting(tmp_path: Path) -> None:
    installed(tmp_path / "lab")
    config = load_config(tmp_path / "lab" / "ingestd.toml")
    assert config.site.name == 'The "Works"'
    assert config.site.time_zone == "Europe/Lisbon"
    assert config.ledger.path == tmp_path / "lab" / "state" / "ledger.db"
    assert config.service.metrics == "127.0.0.1:9464"
    faults = [one for one in check_all(config) if not one.is_advice]
    assert [one for one in faults if one.what != "service.metrics"] == []


def test_configuration_is_the_sample_with_its_comments(tmp_path: Path) -> None:
    installed(tmp_path / "lab")
    written = (tmp_path / "lab" / "ingestd.toml").read_text()
    assert written.count("\n#") > 40
    assert "/etc/ingestd" not in written
    assert "/var/lib/ingestd" not in written


def test_every_key_that_the_sample_comments_out_works_when_it_is_not(tmp_path: Path) -> None:
    """Each `# key = value` and `# [section]`, taken at its word, makes a configuration."""
    text = re.sub(r"^# (\[|\w+ = )", r"\1", sample("ingestd.toml"), flags=re.MULTILINE)
    text = re.sub(r"^#.*\n", "", text, flags=re.MULTILINE)
    for either in (r'credential = "central-password"', r'credential = "mail-password"',
                   r'credential = "hook-secret"'):  # fmt: skip
        text = text.replace(f"{either}\n", "")
    path = tmp_path / "ingestd.toml"
    path.write_text(text)
    config = load_config(path)
    assert config.notices.mail is not None
    assert config.delivery.postgres is not None
    assert len(config.lines) == 1


def test_several_export_folders_become_several_sources(tmp_path: Path) -> None:
    installed(tmp_path / "lab", "--exports", str(tmp_path / "a"), "--exports", str(tmp_path / "b"))
    config = load_config(tmp_path / "lab" / "ingestd.toml")
    assert [(one.name, one.path) for one in config.folders] == [
        ("photometer-1", tmp_path / "a"),
        ("photometer-2", tmp_path / "b"),
    ]


def test_nothing_is_overwritten_and_a_newer_text_is_put_beside(tmp_path: Path) -> None:
    installed(tmp_path / "lab")
    path = tmp_path / "lab" / "ingestd.toml"
    mine = path.read_text().replace("# open_days = 14", "open_days = 7")
    path.write_text(mine)
    said = installed(tmp_path / "lab")
    assert path.read_text() == mine
    assert f"kept {path}" in said
    beside = tmp_path / "lab" / "ingestd.toml.new"
    assert "# open_days = 14" in beside.read_text()
    assert not (tmp_path / "lab" / "methods.toml.new").exists(), "unchanged"


def test_methods_sample_loads_as_it_is(tmp_path: Path, lab: Lab) -> None:
    installed(tmp_path / "lab")
    loaded = lab.load("methods.toml", (tmp_path / "lab" / "methods.toml").read_bytes())
    assert "COD high" in lab.pipeline.in_force_cache.current(lab.ledger.conn).methods, loaded


def test_example_form_is_a_form_once_it_is_named_so(tmp_path: Path) -> None:
    import parsers

    installed(tmp_path / "lab")
    path = tmp_path / "lab" / "forms" / "own_table.toml.example"
    tomllib.loads(path.read_text())
    assert parsers.load_form(path.read_bytes(), "point_table").shape == "table"


@pytest.mark.parametrize(
    ("site", "zone", "match"),
    [("", "Etc/UTC", "--site"), ("a\nb", "Etc/UTC", "--site"), ("W", "Etc/Nowhere", "time zone")],
)
def test_wrong_site_or_zone_writes_nothing(
    tmp_path: Path, site: str, zone: str, match: str
) -> None:
    places = usual_places(tmp_path / "lab", state=None, account="ingestd")
    with pytest.raises(Refused, match=match):
        install(places, site=site, time_zone=zone)
    assert not (tmp_path / "lab").exists()


def test_place_that_a_unit_cannot_name_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="letters"):
        usual_places(tmp_path / "my lab", state=None, account="ingestd")


# --- units ------------------------------------------------------------------------------------


USUAL = Places(
    config=Path("/etc/ingestd"),
    state=Path("/var/lib/ingestd"),
    program=Path("/opt/ingestd/bin/ingestd"),
)
USUAL_WORDS = ("/etc/ingestd", "/var/lib/", "/opt/ingestd", "StateDirectory", "User=ingestd")


@pytest.mark.parametrize("name", UNITS)
def test_unit_at_the_usual_places_is_the_one_in_the_project(name: str) -> None:
    assert unit_text(name, USUAL) == (ROOT / "systemd" / name).read_text()


@pytest.mark.parametrize("name", UNITS)
def test_unit_elsewhere_names_its_own_places_only(name: str, tmp_path: Path) -> None:
    places = Places(
        config=tmp_path / "lab",
        state=tmp_path / "state",
        program=tmp_path / "venv" / "bin" / "ingestd",
        account="waterlab",
    )
    text = unit_text(name, places)
    assert "User=waterlab" in text
    assert f"ReadWritePaths={tmp_path / 'state'}" in text
    assert f"--config {tmp_path / 'lab'}/ingestd.toml" in text
    for usual in USUAL_WORDS:
        assert usual not in text, usual


def test_unit_in_a_home_can_see_it() -> None:
    places = Places(
        config=Path("/home/ana/lab"),
        state=Path("/home/ana/lab/state"),
        program=Path("/home/ana/venv/bin/ingestd"),
    )
    assert "ProtectHome=read-only" in unit_text("ingestd.service", places)
    assert "ReadWritePaths=/home/ana/lab/state" in unit_text("ingestd.service", places)


@pytest.fixture(scope="module")
def units() -> Iterator[Path]:
    """The units of an installation, in a folder of their own."""
    import tempfile

    assert shutil.which("systemd-analyze"), "install systemd: apt-get install systemd"
    with tempfile.TemporaryDirectory(prefix="ingestd-units-") as name:
        places = usual_places(Path(name) / "lab", state=None, account="daemon")
        install(places, site="Works", time_zone="Etc/UTC")
        yield places.config / "systemd"


@pytest.mark.parametrize("name", UNITS)
def test_systemd_finds_no_fault_in_a_unit(units: Path, name: str) -> None:
    path = units / name
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    said = [
        line
        for line in (done.stdout + done.stderr).splitlines()
        if "ingestd" in line  # a container's own units have faults of their own
    ]
    assert said == []
    assert done.returncode == 0, done.stderr


# Source: systemd-analyze(1), "security": exposure from 0.0 to 10.0; the threshold is in tenths.
@pytest.mark.parametrize(
    ("name", "tenths"),
    [("ingestd.service", 15), ("ingestd-web.service", 15), ("ingestd-failure@.service", 15)],
)
def test_unit_is_exposed_no_more_than_it_needs(units: Path, name: str, tenths: int) -> None:
    done = exposure(units / name, tenths)
    assert done.returncode == 0, (done.stdout + done.stderr)[-400:]


def test_unit_without_hardening_would_be_found_out(units: Path, tmp_path: Path) -> None:
    text = (units / "ingestd.service").read_text()
    weak = tmp_path / "weak.service"
    weak.write_text(re.sub(r"(?m)^(Protect|Restrict|SystemCall)\w+=.*\n", "", text))
    assert exposure(weak, 15).returncode != 0


def exposure(unit: Path, tenths: int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", f"--threshold={tenths}", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_units_start_commands_that_exist(units: Path) -> None:
    lines = [
        line
        for name in UNITS
        for line in (units / name).read_text().splitlines()
        if re.match(r"Exec\w+=", line)
    ]
    assert len(lines) == 7
    for line in lines:
        words = line.partition("=")[2].lstrip("-").split()
        assert Path(words[0]).is_file(), line
        if words[0].endswith("ingestd"):
            command = main.get_command(None, words[3])  # type: ignore[arg-type]
            assert command is not None, line
            known = {option for one in command.params for option in one.opts}
            assert {word for word in words[4:] if word.startswith("--")} <= known, line


def test_alert_rules_ask_for_figures_that_are_there(lab: Lab) -> None:
    figures = ServiceFigures()
    figures.count_capture("p1", 1, 1)
    figures.observe_arrival("folder", 0.1)
    text = render_metrics(standing(lab.ledger.conn, lab.config), figures).decode()
    known = set(re.findall(r"^# TYPE (\w+)", text, flags=re.MULTILINE))
    known |= {f"{name}_bucket" for name in known}
    expressions = re.findall(r"expr: (.*)", sample("ingestd-alerts.yml"))
    asked = {name for expression in expressions for name in re.findall(r"ingestd_\w+", expression)}
    assert len(expressions) >= 10
    assert asked <= known, asked - known


@pytest.mark.parametrize("name", BESIDE)
def test_files_beside_the_units_come_along(units: Path, name: str) -> None:
    assert (units / name).read_text() == (ROOT / "systemd" / name).read_text()
