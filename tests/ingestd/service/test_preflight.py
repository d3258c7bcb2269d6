"""Everything that would go wrong before start, all at once, each with its remedy."""

import ctypes
import fcntl
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from ingestd.config import Config, load_config
from ingestd.ledger.inputs import take_body
from ingestd.ledger.store import Ledger
from ingestd.pipeline.forms import shipped_forms
from ingestd.service.machine import INSTANCES, CheckFault, check_watches
from ingestd.service.preflight import check_all as check_everything
from ingestd.service.preflight import check_configuration
from tests.conftest import Lab


def check_all(config: Config) -> list[CheckFault]:
    """Faults alone: what is advice depends on the machine the test runs on."""
    return [fault for fault in check_everything(config) if not fault.is_advice]


def reload(lab: Lab, change: Callable[[str], str]) -> Lab:
    path = lab.folder / "ingestd.toml"
    path.write_text(change(path.read_text()))
    lab.config = load_config(path)
    return lab


def test_nothing_speaks_against_a_sound_laboratory(lab: Lab) -> None:
    assert check_all(lab.config) == []


def test_all_faults_are_found_at_once_with_remedies(lab: Lab) -> None:
    (lab.folder / "forms" / "bad.toml").write_text('shape = "cube"\n')
    reload(
        lab,
        lambda text: (
            text.replace('path = "exports"', 'path = "nowhere"')
            .replace('instrument = "P1"', 'instrument = "P9"\nforms = ["not_there"]')
            .replace("Test works", "Other works")
        ),
    )
    faults = check_all(lab.config)
    text = "\n".join(f"{f.what} {f.problem}" for f in faults)
    for part in ("nowhere", "P9", "not_there", "bad", "Other works"):
        assert part in text, part
    assert all(fault.remedy for fault in faults)


def test_ledger_of_something_else_is_named(lab: Lab, tmp_path: Path) -> None:
    other = tmp_path / "notes.db"
    other.write_bytes(b"this is no database, but long enough to have a header" * 20)
    reload(lab, lambda text: text + "")
    config = lab.config.model_copy(
        update={"ledger": lab.config.ledger.model_copy(update={"path": other})}
    )
    (fault,) = check_all(config)
    assert fault.what == "ledger.path"
    assert "not a database" in fault.problem


def test_ledger_that_is_not_made_yet_is_no_fault(lab: Lab, tmp_path: Path) -> None:
    config = lab.config.model_copy(
        update={"ledger": lab.config.ledger.model_copy(update={"path": tmp_path / "new.db"})}
    )
    assert check_all(config) == []
    assert not (tmp_path / "new.db").exists(), "a check makes nothing"
    assert isinstance(lab.ledger, Ledger)


def test_places_of_delivery_that_cannot_be_used_are_named(lab: Lab) -> None:
    reload(
        lab,
        lambda text: (
            text + '\n[delivery.files]\nfolder = "not there"\n'
            '[delivery.postgres]\nconninfo = "host=centre.invalid user=site dbname=all"\n'
            'password_file = "no-secret"\n'
        ),
    )
    faults = {fault.what: fault for fault in check_all(lab.config)}
    assert set(faults) == {"delivery.files.folder", "delivery.postgres.password_file"}
    assert all(fault.remedy for fault in faults.values())


OPEN_AND_WAIT = """
import os, sys
os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
print("open", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    control, line = os.openpty()
    name = os.ttyname(line)
    os.close(line)
    yield control, name
    os.close(control)


def told(lab: Lab) -> dict[str, str]:
    """What is wrong with which key, and that each has a remedy."""
    faults = check_all(lab.config)
    assert all(fault.remedy for fault in faults)
    return {fault.what: fault.problem for fault in faults}


def test_form_of_the_wrong_shape_for_a_line_is_found(lab: Lab) -> None:
    reload(
        lab,
        lambda text: (
            text
            + '\n[[source]]\nkind = "line"\nname = "l"\nport = "/dev/null"\nform = "point_table"\n'
        ),
    )
    assert "shape table" in told(lab)["source l: forms"]
    assert [fault.what for fault in check_configuration(lab.config)] == ["source l: forms"]


def test_form_loaded_into_the_ledger_alone_is_known(lab: Lab) -> None:
    form = shipped_forms()["point_table"].replace(b'"point_table"', b'"own_table"')
    lab.load("own_table.toml", form)
    reload(lab, lambda text: text.replace('instrument = "P1"', 'forms = ["own_table"]'))
    assert check_configuration(lab.config) == []


def test_folder_watched_twice_is_found(lab: Lab) -> None:
    (lab.folder / "exports" / "inner").mkdir()
    (lab.folder / "also").symlink_to(lab.folder / "plan")
    reload(
        lab,
        lambda text: (
            text.replace('path = "exports"', 'path = "exports"\nrecursive = true')
            + '\n[[source]]\nname = "p2"\npath = "exports/inner"\n'
            + '\n[[source]]\nname = "p3"\npath = "also"\n'
        ),
    )
    found = told(lab)
    assert "source p1" in found["source p2: path"]
    assert "source p3" in found["plan.folder: path"]


def test_device_under_two_names_is_found(lab: Lab, tmp_path: Path, port: tuple[int, str]) -> None:
    (tmp_path / "by-id").symlink_to(port[1])
    lines = "".join(
        f'\n[[source]]\nkind = "line"\nname = "l{n}"\nport = "{path}"\nform = "checked_line"\n'
        for n, path in enumerate((port[1], tmp_path / "by-id"))
    )
    reload(lab, lambda text: text + lines)
    assert "same device as that of source l0" in told(lab)["source l1: port"]


def test_zone_of_an_instrument_that_this_machine_lacks_is_found(lab: Lab) -> None:
    # The ledger may come from a machine with newer zones.
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        body = change.conn.execute("SELECT body FROM inputs WHERE name = 'P1'").fetchone()[0]
        foreign = {**json.loads(body), "time_zone": "Etc/Nowhere"}
        take_body(change, "instrument", "P1", foreign, capture=None)
    assert "Etc/Nowhere" in told(lab)["instrument P1"]


def test_network_share_is_no_place_for_a_ledger(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingestd.service.machine.filesystem_type", lambda _path: "nfs4")
    assert "network share (nfs4)" in told(lab)["ledger.path"]


def test_disk_that_is_nearly_full_is_found(lab: Lab) -> None:
    reload(lab, lambda text: text + f"\n[service]\ndisk_low_mib = {2**50}\n")
    assert "MiB are free" in told(lab)["ledger.path"]


def test_too_few_watches_and_instances_are_found(lab: Lab, tmp_path: Path) -> None:
    for number in range(5):
        (lab.folder / "exports" / str(number)).mkdir()
    reload(
        lab, lambda text: text.replace('path = "exports"', 'path = "exports"\nrecursive = true')
    )
    (tmp_path / "watches").write_text("5\n")
    (tmp_path / "instances").write_text("1\n")
    found = list(
        check_watches(lab.config, watches=tmp_path / "watches", instances=tmp_path / "instances")
    )
    assert "6 folders are to be watched and only 5" in found[0].problem
    assert "2 sources need an instance" in found[1].problem
    assert all("sysctl" in one.remedy for one in found)
    assert (
        list(check_watches(lab.config, watches=tmp_path / "no", instances=tmp_path / "no")) == []
    )


def test_no_inotify_instance_left_is_found(lab: Lab) -> None:
    libc = ctypes.CDLL(None)
    allowed = int(INSTANCES.read_text())
    taken = []
    try:
        while (descriptor := libc.inotify_init1(0)) >= 0:
            taken.append(descriptor)
            assert len(taken) <= allowed
        assert [one.what for one in check_watches(lab.config)] == ["inotify"]
    finally:
        for descriptor in taken:
            os.close(descriptor)
    assert list(check_watches(lab.config)) == []


def test_unsynchronised_clock_is_advice(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    for state, count in ((5, 1), (0, 0)):  # Source: adjtimex(2): TIME_ERROR, TIME_OK
        library = SimpleNamespace(
            adjtimex=lambda _, state=state: state, inotify_init1=lambda _: os.open("/dev/null", 0)
        )
        monkeypatch.setattr(
            "ingestd.service.machine.ctypes.CDLL", lambda *_, lib=library, **__: lib
        )
        found = [one for one in check_everything(lab.config) if one.what == "clock"]
        assert len(found) == count
        assert all(one.is_advice for one in found)


def with_line(lab: Lab, port: str) -> None:
    reload(
        lab,
        lambda text: (
            text
            + f'\n[[source]]\nkind = "line"\nname = "l"\nport = "{port}"\nform = "checked_line"\n'
        ),
    )


def test_free_port_is_no_fault(lab: Lab, port: tuple[int, str]) -> None:
    with_line(lab, port[1])
    assert told(lab) == {}


def test_port_that_is_absent_or_no_device_is_found(lab: Lab) -> None:
    with_line(lab, "/dev/ttyUSB_none")
    assert "is not there" in told(lab)["source l: port"]
    reload(lab, lambda text: text.replace("/dev/ttyUSB_none", str(lab.folder / "ingestd.toml")))
    assert "is no device" in told(lab)["source l: port"]


def test_port_in_use_is_named_with_its_program(lab: Lab, port: tuple[int, str]) -> None:
    with_line(lab, port[1])
    with subprocess.Popen(
        [sys.executable, "-c", OPEN_AND_WAIT, port[1]],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as other:  # fmt: skip
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "open\n"
        assert f"process {other.pid}" in told(lab)["source l: port"]
        # The service's own port is taken by right.
        descriptor = os.open(f"{lab.config.ledger.path}.service", os.O_CREAT | os.O_RDWR)
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        assert told(lab) == {}
        os.close(descriptor)
        other.stdin.close()


def test_taken_address_of_metrics_is_found(lab: Lab) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        reload(lab, lambda text: text + f'\n[service]\nmetrics = "{address}"\n')
        assert address in told(lab)["service.metrics"]
    assert told(lab) == {}


def test_secrets_that_are_missing_or_open_to_others_are_found(lab: Lab) -> None:
    reload(
        lab,
        lambda text: (
            text + '\n[notices.webhook]\nurl = "https://x.example/"\nsecret_file = "secret"\n'
        ),
    )
    assert "cannot be read" in told(lab)["notices.webhook.secret_file"]
    (lab.folder / "secret").write_text("s")
    (lab.folder / "secret").chmod(0o644)
    assert "by others" in told(lab)["notices.webhook.secret_file"]
    (lab.folder / "secret").chmod(0o600)
    assert told(lab) == {}


def test_missing_witness_is_worth_knowing(lab: Lab) -> None:
    reload(lab, lambda text: text + '\n[ledger]\nwitness = "witness"\n')
    assert "ledger.witness" in {one.what for one in check_everything(lab.config) if one.is_advice}


@pytest.mark.parametrize(
    ("spoil", "what"),
    [
        (lambda home: (home / "exports").chmod(0), "source p1: path"),
        (lambda home: (home / "forms").chmod(0), "plan.forms"),
        (lambda home: home.chmod(0o555), "ledger.path"),
        (lambda home: (home / "ledger.db").chmod(0o444), "ledger.path"),
    ],
    ids=["exports unreadable", "forms unreadable", "folder unwritable", "ledger of root's"],
)
def test_rights_are_tried_as_the_services_account(
    lab: Lab, spoil: Callable[[Path], None], what: str
) -> None:
    """As nobody, whom rights bind; the laboratory is moved to where nobody can reach it."""
    lab.ledger.close()
    with tempfile.TemporaryDirectory(prefix="ingestd-rights-") as name:
        top = Path(name)
        top.chmod(0o755)
        home = top / "lab"
        shutil.copytree(lab.folder, home)
        for path in (home, *home.rglob("*")):
            os.chown(path, 65534, 65534)
        spoil(home)
        faults = as_nobody(lambda: check_all(load_config(home / "ingestd.toml")))
        home.chmod(0o755)
    assert what in {fault["what"] for fault in faults}


def as_nobody(find: Callable[[], list[CheckFault]]) -> list[dict[str, str]]:
    """What a process finds that root's rights do not help."""
    reading, writing = os.pipe()
    find()  # whatever is imported late is imported now: nobody may not read every library
    child = os.fork()
    if child == 0:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setresgid(65534, 65534, 65534)
                os.setresuid(65534, 65534, 65534)
            said = [{"what": one.what, "problem": one.problem} for one in find()]
            os.write(writing, json.dumps(said).encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as answer:
        said = json.loads(answer.read() or b"null")
    os.waitpid(child, 0)
    assert said is not None, "the child ended by an error"
    return list(said)
