"""What the configuration says of a line reaches it, and does what it says."""

import os
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from ingestd.config import load_config
from ingestd.demo.links import PtyLink
from ingestd.demo.photometer import invent_readings
from ingestd.demo.rendering import render_frame
from ingestd.errors import ConfigError
from ingestd.service.source_set import wanted_sources
from ingestd.sources.serial.line import LineSource
from ingestd.sources.serial.settings import LineSettings
from tests.ingestd.sources.lines import DEADLINE_S, KeptLog, Taker, shipped, wait_for
from tests.ingestd.sources.serial.test_line import BEGIN

FORMS = {name: shipped(name) for name in ("checked_line", "plain_line")}
RENDERED = {
    name: [
        render_frame(form, values)
        for values, _ in zip(invent_readings(form, begin=BEGIN), range(200), strict=False)
    ]
    for name, form in FORMS.items()
}


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with closing(PtyLink(tmp_path / "photometer")) as made:
        yield made


def configured(folder: Path, port: str, keys: str, form: str = "checked_line") -> LineSettings:
    """The settings of a line as the service would make them of a file with these keys."""
    (folder / "ingestd.toml").write_text(
        '[site]\nname = "Works"\ntime_zone = "Etc/UTC"\n[[source]]\nkind = "line"\n'
        f'name = "line"\nport = "{port}"\nform = "{form}"\n{keys}'
    )
    found = wanted_sources(load_config(folder / "ingestd.toml"), FORMS)["line"]
    assert isinstance(found, LineSettings)
    return found


@contextmanager
def listening(settings: LineSettings, taker: Taker) -> Iterator[tuple[LineSource, KeptLog]]:
    log = KeptLog()
    source = LineSource(settings, taker, log, jitter=lambda: 0.0)
    source.start()
    try:
        wait_for(lambda: "line_opened" in log.names)  # silent for long enough to be between frames
        yield source, log
    finally:
        taker.free.set()
        source.stop()
        source.join(DEADLINE_S)
        assert not source.status().is_alive


def test_left_out_they_are_what_a_line_has_by_itself(tmp_path: Path) -> None:
    by_itself = LineSettings(name="line", port="/dev/ttyS0", form=FORMS["checked_line"])
    assert configured(tmp_path, "/dev/ttyS0", "") == by_itself


def test_every_key_reaches_the_line(tmp_path: Path) -> None:
    keys = {
        "baud": "4800", "bits": "7", "parity": '"even"', "stop_bits": "1.5", "flow": '"xonxoff"',
        "exclusive": "false", "quiet_alarm_s": "60.0", "retransmit_window_s": "7.0",
        "unfinished_s": "4.0", "write_timeout_s": "2.5", "backlog_bytes": "100000",
    }  # fmt: skip
    text = "".join(f"{name} = {value}\n" for name, value in keys.items())
    settings = configured(tmp_path, "/dev/ttyS0", text)
    for name, value in keys.items():
        assert str(getattr(settings, name)).lower() == value.strip('"'), name


@pytest.mark.parametrize(
    ("key", "value", "limit"),
    [
        ("unfinished_s", "0", "greater than 0"),
        ("unfinished_s", "3601", "less than or equal to 3600"),
        ("write_timeout_s", "0.0", "greater than 0"),
        ("write_timeout_s", "61", "less than or equal to 60"),
        ("backlog_bytes", "65535", "greater than or equal to 65536"),
        ("backlog_bytes", "1073741825", "less than or equal to 1073741824"),
        ("backlog_bytes", "70000.5", "integer"),
    ],
)
def test_value_out_of_range_is_refused_with_key_and_limit(
    tmp_path: Path, key: str, value: str, limit: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        configured(tmp_path, "/dev/ttyS0", f"{key} = {value}\n")
    assert f"source.0.line.{key}" in str(caught.value)
    assert limit in str(caught.value)


def _half_frame_ends_after(folder: Path, link: PtyLink, keys: str, form: str) -> float:
    """Seconds from half a frame to its being recorded as damaged."""
    taker = Taker()
    half = RENDERED[form][1][:20]
    with listening(configured(folder, link.port, keys, form), taker) as (source, _):
        link.write(RENDERED[form][0])
        wait_for(lambda: source.status().bytes_received == len(RENDERED[form][0]))
        begun = time.monotonic()
        link.write(half)
        wait_for(lambda: any(arrival.damaged for arrival in taker.arrivals))
        took_s = time.monotonic() - begun
        assert [arrival.data for arrival in taker.arrivals if arrival.damaged] == [half]
    return took_s


def test_half_a_frame_waits_for_as_long_as_was_asked(tmp_path: Path, link: PtyLink) -> None:
    for unfinished_s in (0.4, 1.2):
        keys = f"unfinished_s = {unfinished_s}\n"
        took_s = _half_frame_ends_after(tmp_path, link, keys, "plain_line")
        assert took_s >= unfinished_s
        link.unplug()
        link.replug()


def test_silence_that_the_form_states_comes_first(tmp_path: Path, link: PtyLink) -> None:
    took_s = _half_frame_ends_after(tmp_path, link, "unfinished_s = 3600\n", "checked_line")
    assert took_s >= 0.5  # its idle_end_ms


def _hold_up(link: PtyLink) -> None:
    """What is sent to the instrument is held up, as by flow control."""
    device = os.open(link.port, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    termios.tcflow(device, termios.TCOOFF)
    os.close(device)


def test_answer_held_up_is_given_up_in_time_and_the_line_goes_on(
    tmp_path: Path, link: PtyLink
) -> None:
    times = {}
    for write_timeout_s in (0.2, 1.5):
        taker = Taker()
        keys = f"write_timeout_s = {write_timeout_s}\nexclusive = false\n"
        with listening(configured(tmp_path, link.port, keys), taker) as (source, _):
            _hold_up(link)
            link.write(RENDERED["checked_line"][0])
            wait_for(lambda taken=taker: taken.frames)  # type: ignore[misc]  # taker is bound
            begun = time.monotonic()
            link.write(RENDERED["checked_line"][1])
            wait_for(_took(taker, 2))
            times[write_timeout_s] = time.monotonic() - begun
            assert source.status().answers == 0
        link.unplug()
        link.replug()
    assert times[0.2] < times[1.5] >= 1.0


def _took(taker: Taker, count: int) -> Callable[[], bool]:
    return lambda: len(taker.frames) == count


def test_so_much_waits_for_the_ledger_and_no_more(tmp_path: Path, link: PtyLink) -> None:
    frames = RENDERED["plain_line"]
    held = {}
    for limit in (65_536, 90_000):
        taker = Taker()
        settings = configured(tmp_path, link.port, f"backlog_bytes = {limit}\n", "plain_line")
        with listening(settings, taker) as (source, log):
            taker.free.clear()
            sent = 0
            for frame in frames:
                link.write(frame)
                sent += len(frame)
                wait_for(_read(source, log, sent))
            wait_for(lambda log=log: "line_backlog_filled" in log.names)  # type: ignore[misc]  # log is bound
            held[limit] = source.status().bytes_waiting
            taker.free.set()
            wait_for(_took(taker, len(frames)))
            assert taker.frames == frames
        link.unplug()
        link.replug()
    assert held[65_536] < held[90_000] < 90_000


def _read(source: LineSource, log: KeptLog, sent: int) -> Callable[[], bool]:
    """These bytes have been read, or reading has stopped."""
    return lambda: source.status().bytes_received == sent or "line_backlog_filled" in log.names
