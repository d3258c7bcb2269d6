"""How far an instrument's clock is from ours, by the readings that it stamped.

A reading that comes over a serial line arrives within seconds of being made, so the median of
(stated - arrived) is the error of the clock, whatever single readings were late. An export is
taken from a folder hours later: there only a clock that runs ahead can be told, because nothing
arrives before it is made.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from ingestd.model import Finding, Verdict

RULE: Final = "instrument_clock"

TOLERANCE: Final = timedelta(minutes=5)
"""How far a bench clock may be off before it is worth setting.

Common practice, no source: reaction and holding times are counted in minutes and hours.
"""

LEAST_PAIRS: Final = 3
"""Fewer readings do not speak for the clock. Common practice, no source."""

_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockOffset:
    """Median of (stated - arrived), positive where the clock runs ahead, over `count` readings."""

    median: timedelta
    count: int


def clock_offset(pairs: Iterable[tuple[datetime, datetime]]) -> ClockOffset | None:
    """Return by how much a clock is off, None without any readings.

    Args:
        pairs: for each reading the instant that the instrument stated and that of its arrival,
            both aware.

    Returns:
        The median, rounded to a whole microsecond, half to even.

    """
    offsets = sorted([stated - arrived for stated, arrived in pairs])
    if not offsets:
        return None
    upper = len(offsets) // 2
    # Half of a span is rounded to a whole microsecond, half to even.
    return ClockOffset(median=(offsets[upper] + offsets[-upper - 1]) / 2, count=len(offsets))


def judge_clock(
    instrument: str,
    offset: ClockOffset | None,
    *,
    is_prompt: bool,
    tolerance: timedelta = TOLERANCE,
) -> Finding | None:
    """Return a finding on an instrument's clock, None where too little is known to say anything.

    Args:
        instrument: its name.
        offset: of its clock.
        is_prompt: its readings arrive as they are made, so that a clock that is behind can be
            told from an arrival that is late.
        tolerance: largest offset either way that is no matter.

    """
    if offset is None or offset.count < LEAST_PAIRS:
        return None
    is_ahead = offset.median > timedelta(0)
    if not is_ahead and not is_prompt:
        return None
    size = abs(offset.median)
    is_off = size > tolerance
    way = "ahead of" if is_ahead else "behind"
    sentence = (
        f"The clock of {instrument} is {spoken(size)} {way} the time of arrival (median of "
        f"{offset.count} readings)"
    )
    if is_off:
        sentence += "; set it, and check the times of readings made meanwhile."
        hours = round(size / _HOUR)
        if hours and abs(size - hours * _HOUR) <= tolerance:
            sentence += " Whole hours look like daylight-saving time or a wrong time zone."
    else:
        sentence += ", which is within what is allowed."
    return Finding(
        rule=RULE,
        verdict=Verdict.CAUTION if is_off else Verdict.PASS,
        observed=f"{'+' if is_ahead else '-'}{spoken(size)}" if size else spoken(size),
        limit=spoken(tolerance),
        sentence=sentence,
    )


def spoken(span: timedelta) -> str:
    """Return a span as people say it: "12 s", "7 min", "1 h 5 min", "3 d 2 h"; never negative."""
    seconds = round(abs(span) / timedelta(seconds=1))
    if seconds < 120:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(round(seconds / 3600), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
