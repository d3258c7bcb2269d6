"""What the service asks by itself, whether anything arrives or not: never a whole table."""

import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.ledger import connection, store
from ingestd.service.daemon import Service
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, SHEET, Lab, row
from tests.ingestd.web.test_query_plans import whole_scans

EVERYTHING = """
[service]
metrics = "127.0.0.1:0"
[delivery.files]
folder = "out"
[notices.webhook]
url = "http://127.0.0.1:9/nobody"
secret_file = "secret"
"""


def listen(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Every question that any connection opened from now on asks."""
    heard: set[str] = set()
    opened = connection.connect

    def connect(path: Path | str, *, readonly: bool = False) -> connection.Connection:
        conn = opened(path, readonly=readonly)
        conn.set_trace_callback(lambda text: heard.add(str(text)))
        return conn

    monkeypatch.setattr(store, "connect", connect)
    return heard


def test_no_question_of_the_running_service_goes_through_a_table_that_grows(
    make_lab: Callable[..., Lab], monkeypatch: pytest.MonkeyPatch
) -> None:
    lab = make_lab(extra=EVERYTHING)
    (lab.folder / "secret").write_text("whsec_" + "QUFB" * 8)
    (lab.folder / "out").mkdir()
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(EXPORT_HEAD + row(12, "W-9", "333"), name="stranger.csv")
    lab.arrive("nothing to be read\n", name="notes.txt")
    asked = listen(monkeypatch)
    service = Service(lab.config, log=lab.pipeline.log)
    service.start()
    try:
        (lab.folder / "exports" / "now.csv").write_text(EXPORT_HEAD + row(13, "W-10", "12"))
        told = "SELECT c.id, c.source, c.name FROM capture_states s"  # the notices have looked
        deadline = time.monotonic() + 30
        while not any(told in text for text in asked) or not lab.one(
            "SELECT id FROM readings WHERE sample = 'W-10'"
        ):
            assert time.monotonic() < deadline, "the service did not come round"
            time.sleep(0.05)
        for page in ("health", "metrics"):
            try:
                urllib.request.urlopen(
                    f"http://127.0.0.1:{service.service_health.port}/{page}"
                ).read()
            except urllib.error.HTTPError as error:
                assert error.code == 503  # something waits, and it says so
    finally:
        service.stop()
    questions = [t for t in asked if t.lstrip().upper().startswith(("SELECT", "UPDATE", "DELETE"))]
    assert len(questions) > 50
    assert {scan for text in questions for scan in whole_scans(lab, text)} == set()
