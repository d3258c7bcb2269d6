"""Telling that a unit failed, as its ExecStopPost= and OnFailure= do."""

from datetime import UTC, datetime, timedelta

import pytest

from ingestd import events
from ingestd.service.notices.channel import NotTaken
from ingestd.service.notices.unit_failure import AGAIN, failure_of, tell_failure
from tests.conftest import Lab
from tests.ingestd.service.notices.test_sender import Box

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("environment", "how"),
    [
        ({"SERVICE_RESULT": "success", "EXIT_CODE": "exited", "EXIT_STATUS": "0"}, ""),
        ({"SERVICE_RESULT": "exit-code", "EXIT_CODE": "exited", "EXIT_STATUS": "2"},
         "exit-code (exited 2)"),
        ({"SERVICE_RESULT": "watchdog", "EXIT_CODE": "dumped", "EXIT_STATUS": "ABRT"},
         "watchdog (dumped ABRT)"),
        ({"MONITOR_SERVICE_RESULT": "exit-code", "MONITOR_EXIT_CODE": "exited",
          "MONITOR_EXIT_STATUS": "2"}, "exit-code (exited 2)"),
        ({}, "it is in state failed"),
    ],
)  # fmt: skip
def test_end_of_a_unit_is_told_in_systemds_words(environment: dict[str, str], how: str) -> None:
    # Source: systemd.exec(5), "Environment Variables Set or Propagated by the Service Manager".
    assert failure_of(environment) == how


def test_unit_that_fails_again_and_again_is_told_once_an_hour(lab: Lab) -> None:
    box = Box()
    log = lab.pipeline.log

    def tell(unit: str, at: datetime) -> bool:
        return tell_failure(lab.config, unit, "watchdog", at=at, log=log, channels=[box])

    assert tell("ingestd.service", NOON)
    assert not tell("ingestd.service", NOON + timedelta(seconds=3))
    assert tell("ingestd-web.service", NOON + timedelta(seconds=4)), "another unit"
    assert tell("ingestd.service", NOON + AGAIN)
    assert len(box.got) == 3
    assert "watchdog" in box.got[0].text
    assert sum(one["event"] == events.UNIT_FAILED for one in lab.events) == 4, "the log has all"


def test_what_nobody_took_is_told_the_next_time(lab: Lab) -> None:
    box = Box()
    box.error = NotTaken("451")
    log = lab.pipeline.log
    assert not tell_failure(lab.config, "u", "watchdog", at=NOON, log=log, channels=[box])
    box.error = None
    assert tell_failure(lab.config, "u", "watchdog", at=NOON, log=log, channels=[box])
