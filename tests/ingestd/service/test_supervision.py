"""The service under a service manager: ready, watchdog, reload, status, health, end."""

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingestd import events
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.ledger.store import Ledger
from ingestd.service.daemon import Service
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.service.service_manager import Manager, environment, managed, until


@contextmanager
def serving(lab: Lab, **keys: object) -> Iterator[Service]:
    """The service of this laboratory on a thread, until the end of the block."""
    path = lab.folder / "ingestd.toml"
    service = Service(load_config(path), log=lab.pipeline.log, config_path=path, **keys)  # type: ignore[arg-type]
    failures: list[BaseException] = []

    def serve() -> None:
        try:
            service.run()
        except BaseException as error:  # noqa: BLE001 - told to the test's own thread
            failures.append(error)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    until(lambda: service.service_health.is_ready or failures)
    assert not failures, failures
    try:
        yield service
    finally:
        service.ask_stop()
        thread.join(20)
        assert not thread.is_alive()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Manager]:
    address = str(tmp_path / "notify")
    environment(monkeypatch, address, watchdog_s=0.4)
    with managed(address) as one:
        yield one


def said(lab: Lab, event: str) -> list[dict[str, object]]:
    return [one for one in lab.events if one["event"] == event]


def configure(lab: Lab, change: Callable[[str], str]) -> None:
    path = lab.folder / "ingestd.toml"
    path.write_text(change(path.read_text()))


def counts(lab: Lab) -> dict[str, int]:
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    try:
        return dict(
            ledger.conn.execute("SELECT source, count(*) FROM readings GROUP BY source").fetchall()
        )
    finally:
        ledger.close()


# --- ready, watchdog, stop ------------------------------------------------------------------


def test_ready_is_said_when_sources_run_and_stopping_at_the_end(
    lab: Lab, manager: Manager
) -> None:
    with serving(lab) as service:
        until(lambda: manager.count("READY=1") == 1)
        assert any(word.startswith("STATUS=watching 2 folders") for word in manager.words())
        assert all(source.status().is_alive for source in service.folders)
    until(lambda: manager.count("STOPPING=1") == 1)


def test_pings_come_while_the_writer_works(lab: Lab, manager: Manager) -> None:
    with serving(lab) as service:
        until(lambda: manager.count("WATCHDOG=1") >= 2)
        for _ in range(20):
            service.writer.ask(lambda _: time.sleep(0.02))
        until(lambda: manager.count("WATCHDOG=1") >= 4)


def test_stuck_writer_misses_its_watchdog_and_is_named(lab: Lab, manager: Manager) -> None:
    go_on = threading.Event()
    with serving(lab, stuck_s=0.3) as service:
        until(lambda: manager.count("WATCHDOG=1") >= 1)
        service.writer.hand_in(lambda _: go_on.wait(20))
        until(lambda: said(lab, events.WRITER_STUCK))
        manager.forget()
        held = time.monotonic() + 1.0  # more than two watchdog periods
        until(lambda: time.monotonic() > held)
        assert manager.count("WATCHDOG=1") == 0
        health = service.service_health.health()
        assert not health.live
        assert "has ended no job" in health.reasons[0]
        go_on.set()
        until(lambda: manager.count("WATCHDOG=1") >= 1)
        until(lambda: said(lab, events.WRITER_WENT_ON))
        assert service.service_health.health().live


def test_busy_writer_that_ends_jobs_keeps_its_watchdog(lab: Lab, manager: Manager) -> None:
    stop = threading.Event()

    def load(service: Service) -> None:
        while not stop.is_set():
            service.writer.ask(lambda _: time.sleep(0.05))

    with serving(lab, stuck_s=0.3) as service:
        threads = [threading.Thread(target=load, args=(service,), daemon=True) for _ in range(4)]
        for thread in threads:
            thread.start()
        manager.forget()
        until(lambda: manager.count("WATCHDOG=1") >= 5)
        stop.set()
        for thread in threads:
            thread.join(5)
    assert not said(lab, events.WRITER_STUCK)


def test_source_whose_thread_ends_ends_the_service(lab: Lab, manager: Manager) -> None:
    path = lab.folder / "ingestd.toml"
    service = Service(load_config(path), log=lab.pipeline.log, config_path=path)
    service.start()
    service.folders[0].stop()
    service.folders[0].join(10)
    try:
        service.supervise()  # returns by itself
    finally:
        service.stop()
    assert "p1" in str(service.service_health.failure)


# --- reload ---------------------------------------------------------------------------------


def test_reload_takes_a_new_folder_and_keeps_the_others_running(
    lab: Lab, manager: Manager
) -> None:
    (lab.folder / "second").mkdir()
    lab.load("sheet.csv", SHEET)
    with serving(lab) as service:
        before = service.folders[0]
        configure(
            lab,
            lambda text: text + '\n[[source]]\nname = "p2"\npath = "second"\ninstrument = "P1"\n',
        )
        until(lambda: manager.count("READY=1") == 1)
        manager.forget()
        service.ask_reload()
        until(lambda: said(lab, events.CONFIGURATION_RELOADED))
        assert said(lab, events.CONFIGURATION_RELOADED)[0]["added"] == 1
        assert service.folders[0] is before, "an unchanged source went on"
        until(lambda: manager.count("READY=1") == 1)
        (datagram,) = [d for _, d in manager.heard if "RELOADING=1" in d]
        assert any(word.startswith("MONOTONIC_USEC=") for word in datagram)
        assert manager.words().index("RELOADING=1") < manager.words().index("READY=1")
        (lab.folder / "second" / "day.csv").write_text(GOOD_EXPORT)
        until(lambda: counts(lab).get("p2") == 4)


BAD = {
    "no TOML": lambda text: text + "\n[[[",
    "unknown key": lambda text: text + "\n[servce]\n",
    "zone unknown": lambda text: text.replace("Etc/UTC", "Etc/Nowhere"),
    "other site": lambda text: text.replace("Test works", "Other works"),
    "other ledger": lambda text: text + '\n[ledger]\npath = "other.db"\n',
    "no such form": lambda text: (
        text + '\n[[source]]\nkind = "line"\nname = "l"\nport = "/dev/ttyS99"\nform = "none"\n'
    ),
    "form of another shape": lambda text: (
        text
        + '\n[[source]]\nkind = "line"\nname = "l"\nport = "/dev/ttyS99"\nform = "point_table"\n'
    ),
}


@pytest.mark.parametrize("fault", BAD)
def test_bad_configuration_is_refused_and_the_old_one_goes_on(
    lab: Lab, manager: Manager, fault: str
) -> None:
    lab.load("sheet.csv", SHEET)
    with serving(lab) as service:
        running = list(service.folders)
        until(lambda: manager.count("READY=1") == 1)
        manager.forget()
        configure(lab, BAD[fault])
        service.ask_reload()
        until(lambda: said(lab, events.CONFIGURATION_REFUSED))
        until(lambda: manager.count("READY=1") == 1)
        assert any("refused" in w for w in manager.words() if w.startswith("STATUS="))
        assert "refused" in " ".join(service.service_health.health().reasons)
        assert service.folders == running
        (lab.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
        until(lambda: counts(lab) == {"p1": 4})


def test_bad_form_of_the_site_is_refused_and_nothing_of_it_is_in_force(lab: Lab) -> None:
    with serving(lab) as service:
        in_force = service.writer.ask(lambda pipeline: sorted(pipeline.forms()))
        (lab.folder / "forms" / "own.toml").write_text('shape = "cube"\n')
        assert service.reload() is False
        assert "own" in str(said(lab, events.CONFIGURATION_REFUSED)[0]["problem"])
        assert service.writer.ask(lambda pipeline: sorted(pipeline.forms())) == in_force


def test_mended_configuration_is_taken_after_a_refused_one(lab: Lab) -> None:
    good = (lab.folder / "ingestd.toml").read_text()
    with serving(lab) as service:
        configure(lab, BAD["unknown key"])
        assert service.reload() is False
        (lab.folder / "ingestd.toml").write_text(good)
        assert service.reload() is True
        assert service.service_health.health().reasons == ()


def test_reloads_under_load_lose_nothing_and_count_nothing_twice(lab: Lab) -> None:
    """Files keep coming while sources are exchanged again and again."""
    files, rows_each = 120, 5
    done = threading.Event()

    def drop() -> None:
        for number in range(files):
            rows = "".join(
                row(number * rows_each + n + 1, f"X-{number}-{n}", "300") for n in range(rows_each)
            )
            beside = lab.folder / "exports" / f".{number}.part"
            beside.write_text(EXPORT_HEAD + rows)
            beside.rename(lab.folder / "exports" / f"{number:04}.csv")
            time.sleep(0.01)
        done.set()

    good = (lab.folder / "ingestd.toml").read_text()
    with serving(lab) as service:
        thread = threading.Thread(target=drop, daemon=True)
        thread.start()
        reloads = 0
        while not done.is_set():
            settle = 1 + reloads % 2  # another setting each time: the folder's source is made anew
            (lab.folder / "ingestd.toml").write_text(
                good.replace('path = "exports"', f'path = "exports"\nscan_s = {settle}')
            )
            assert service.reload() is True
            reloads += 1
        thread.join(10)
        until(lambda: counts(lab) == {"p1": files * rows_each})
    assert reloads >= 3
    assert all(one["changed"] == 1 for one in said(lab, events.CONFIGURATION_RELOADED))
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    assert ledger.conn.execute("SELECT count(*) FROM captures WHERE source = 'p1'").fetchone() == (
        files,
    )
    ledger.close()
    assert counts(lab) == {"p1": files * rows_each}


# --- health and metrics -----------------------------------------------------------------------


def get(port: int, path: str) -> tuple[int, str, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
            return answer.status, answer.headers["Content-Type"], answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers["Content-Type"], error.read().decode()


@pytest.fixture
def watched(make_lab: Callable[..., Lab]) -> Lab:
    return make_lab(extra='[service]\nmetrics = "127.0.0.1:0"\n')


def test_health_is_served_with_reasons(watched: Lab) -> None:
    with serving(watched, stuck_s=0.3) as service:
        port = service.service_health.port
        assert port is not None
        status, kind, body = get(port, "/health")
        assert (status, kind) == (200, "application/json")
        assert json.loads(body) == {"live": True, "ready": True, "reasons": []}
        (watched.folder / "exports" / "memo.txt").write_text("no form knows this\n")
        until(lambda: "1 captures failed" in get(port, "/health")[2])
        assert get(port, "/health")[0] == 200, "a failed capture does not stop intake"
        go_on = threading.Event()
        service.writer.hand_in(lambda _: go_on.wait(20))
        until(lambda: get(port, "/health")[0] == 503)
        assert json.loads(get(port, "/health")[2])["live"] is False
        go_on.set()
        until(lambda: get(port, "/health")[0] == 200)


def test_metrics_say_what_the_ledger_says(watched: Lab) -> None:
    watched.load("sheet.csv", SHEET)
    with serving(watched) as service:
        (watched.folder / "exports" / "day.csv").write_text(GOOD_EXPORT)
        (watched.folder / "exports" / "memo.txt").write_text("no form knows this\n")
        until(lambda: counts(watched).get("p1") == 4)
        port = service.service_health.port or 0
        until(lambda: 'ingestd_captures{state="failed"} 1.0' in get(port, "/metrics")[2])
        until(
            lambda: 'ingestd_source_up{kind="folder",source="p1"} 1.0' in get(port, "/metrics")[2]
        )
        status, kind, text = get(port, "/metrics")
    assert (status, kind) == (200, "text/plain; version=0.0.4; charset=utf-8")
    lines = text.splitlines()
    for line in (
        "ingestd_readings_total 4.0",
        'ingestd_results{state="accepted"} 2.0',
        'ingestd_readings_taken_total{source="p1"} 4.0',
        'ingestd_faults_total{source="p1"} 1.0',
        "ingestd_queue_depth 0.0",
    ):
        assert line in lines, line
    count = next(
        line for line in lines if line.startswith('ingestd_arrival_seconds_count{kind="folder"}')
    )
    assert float(count.split()[-1]) >= 2
    assert "W-1" not in text, "no sample is named"


def test_metrics_are_what_prometheus_reads(watched: Lab) -> None:
    from prometheus_client.parser import text_string_to_metric_families

    with serving(watched) as service:
        text = get(service.service_health.port or 0, "/metrics")[2]
    names = [family.name for family in text_string_to_metric_families(text)]
    assert len(names) == len(set(names)) > 15


@pytest.mark.parametrize(
    ("host", "path", "status"),
    [
        ("localhost", "/health", 200),
        ("[::1]:9", "/health", 200),
        ("evil.example", "/health", 421),
        ("", "/metrics", 421),
        ("localhost", "/results", 404),
    ],
)
def test_door_answers_only_to_its_own_names(
    watched: Lab, host: str, path: str, status: int
) -> None:
    with serving(watched) as service:
        conn = http.client.HTTPConnection("127.0.0.1", service.service_health.port, timeout=10)
        conn.putrequest("GET", path, skip_host=True)
        conn.putheader("Host", host)
        conn.endheaders()
        answer = conn.getresponse()
        answer.read()
        conn.close()
    assert answer.status == status


def test_clients_that_say_nothing_do_not_shut_the_door(watched: Lab) -> None:
    import socket

    with serving(watched) as service:
        port = service.service_health.port or 0
        mute = [socket.create_connection(("127.0.0.1", port)) for _ in range(5)]
        assert get(port, "/health")[0] == 200
        for one in mute:
            one.close()


def test_taken_port_is_a_fault_of_the_configuration_at_start_and_refused_at_reload(
    watched: Lab,
) -> None:
    import socket

    from ingestd.errors import ConfigError

    with socket.create_server(("127.0.0.1", 0)) as taken, serving(watched) as service:
        before = service.service_health.port
        configure(watched, lambda text: text.replace(":0", f":{taken.getsockname()[1]}"))
        assert service.reload() is False
        assert get(service.service_health.port or 0, "/health")[0] == 200
        assert before is not None
        late = Service(load_config(watched.folder / "ingestd.toml"), log=watched.pipeline.log)
        with pytest.raises(ConfigError, match="another ingestd service"):
            late.start()


# --- the real program -------------------------------------------------------------------------


def test_program_answers_signals_as_its_unit_expects(lab: Lab, tmp_path: Path) -> None:
    address = str(tmp_path / "manager")
    log = tmp_path / "service.log"
    with managed(address) as manager, log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config", lab.folder / "ingestd.toml", "run"],
            env={**os.environ, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"},
            stderr=out,
        )
        try:
            until(lambda: manager.count("READY=1") == 1)
            until(lambda: manager.count("WATCHDOG=1") >= 1)
            process.send_signal(signal.SIGHUP)
            until(lambda: manager.count("RELOADING=1") == 1)
            until(lambda: manager.count("READY=1") == 2)
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        finally:
            process.kill()
            process.wait()
        assert manager.count("STOPPING=1") == 1
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [one["event"] for one in lines][-1] == events.SERVICE_STOPPED
    ledger = Ledger.open_readonly(lab.config.ledger.path)
    assert not verify_ledger(ledger.conn).faults
    ledger.close()


def test_killed_by_its_watchdog_the_program_says_where_it_hung(lab: Lab, tmp_path: Path) -> None:
    # Source: systemd.service(5), WatchdogSignal=: SIGABRT by default.
    log = tmp_path / "service.log"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "ingestd", "--config", lab.folder / "ingestd.toml", "run"],
            stderr=out,
        )
        until(lambda: "service_started" in log.read_text())
        process.send_signal(signal.SIGABRT)
        assert process.wait(20) == -signal.SIGABRT
    text = log.read_text()
    assert "Fatal Python error: Aborted" in text
    assert "writer.py" in text
