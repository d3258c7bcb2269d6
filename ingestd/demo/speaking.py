"""A photometer played at the desk: frames sent to whoever listens, to try a configuration.

The wire is a pseudo-terminal behind a link, or a TCP port as a network serial server has one.
"""

import threading
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from urllib.parse import urlsplit

from ingestd.demo.links import PtyLink, TcpLink
from ingestd.demo.photometer import Sent, SimulatedPhotometer, invent_readings
from ingestd.errors import Refused
from parsers.forms import Form


def make_link(port: str) -> PtyLink | TcpLink:
    """The wire that a configuration then names by `port`.

    Args:
        port: a path where nothing is yet, or socket://HOST:PORT.

    Raises:
        Refused: something is there already, or the address cannot be had.
    """
    if "://" not in port:
        path = Path(port)
        if path.is_symlink() or path.exists():
            raise Refused(port, "something is there already", "name a path where nothing is")
        try:
            return PtyLink(path)
        except OSError as error:
            raise Refused(port, str(error), "name a path in a folder of your own") from error
    try:
        parts = urlsplit(port)
        if parts.scheme == "socket" and parts.port is not None:
            return TcpLink(parts.hostname or "127.0.0.1", parts.port)
        problem = "it is no address of this kind"
    except (OSError, ValueError) as error:
        problem = str(error)
    raise Refused(port, problem, "name a free port, as socket://127.0.0.1:4001")


def speak(
    photometer: SimulatedPhotometer,
    form: Form,
    *,
    fixed: Mapping[str, str],
    begin: datetime,
    every_s: float,
    count: int | None,
    stopping: threading.Event,
) -> Iterator[str]:
    """Lines to show, one a reading sent: at an interval, or when the form's request is heard.

    Args:
        fixed: texts of fields that are the same in every reading.
        begin: wall time that the first reading states; the others follow at the interval.
        every_s: seconds between two readings, where the form declares no request.
        count: how many; None: until stopped.

    Raises:
        Refused: a text does not fit into a frame of this form.
    """
    invented = invent_readings(form, begin=begin, every=timedelta(seconds=every_s))
    readings = ({**values, **fixed} for values in islice(invented, count))
    asked = form.frame is not None and bool(form.frame.poll)
    try:
        sent = (
            photometer.serve(readings, stopping)
            if asked
            else _at_interval(photometer, readings, every_s, stopping)
        )
        for number, one in enumerate(sent, 1):
            yield _told(number, one)
    except ValueError as error:
        raise Refused(form.name, str(error), "see the fields of the form") from error


def _at_interval(
    photometer: SimulatedPhotometer,
    readings: Iterator[Mapping[str, str]],
    every_s: float,
    stopping: threading.Event,
) -> Iterator[Sent]:
    for number, values in enumerate(readings):
        if number and stopping.wait(every_s):
            return
        yield photometer.send(values)


def _told(number: int, sent: Sent) -> str:
    words = f"{number}: {len(sent.frame)} bytes, sent {sent.copies} time{'s' * (sent.copies > 1)}"
    if sent.refusals:
        words += f", refused {sent.refusals}"
    return f"{words}, acknowledged" if sent.acknowledged else f"{words}, not acknowledged"
