"""An asynchronous serial line, bit by bit: what is heard with settings other than those sent.

A line rests at 1. A character is a start bit 0, the data bits with the lowest first, a parity
bit where there is one, and at least one stop bit 1. The receiver waits for the falling edge of a
start bit and looks at the middle of each bit by its own clock. (The common description of such a
line, as in the manuals of every such circuit; common practice, no source.)
"""

from itertools import pairwise
from typing import Final

from ingestd.sources.serial.marks import Received
from ingestd.sources.serial.settings import WireSettings

TICKS: Final = 8 * 115_200  # a second; every common speed has a whole number of them in a bit
Levels = list[tuple[int, int]]  # from this tick on the line has this level


def parity_bit(data: int, parity: str) -> int | None:
    ones = data.bit_count() % 2
    return {"none": None, "even": ones, "odd": 1 - ones, "mark": 1, "space": 0}[parity]


def transmit(text: bytes, wire: WireSettings, *, pause_bits: int = 3) -> Levels:
    """The levels of the line while `text` is sent, with a short pause between characters."""
    bit = TICKS // wire.baud
    at, levels = 0, [(-1, 1)]
    for byte in text:
        data = byte & ((1 << wire.bits) - 1)
        bits = [0, *(data >> index & 1 for index in range(wire.bits))]
        parity = parity_bit(data, wire.parity)
        bits += [] if parity is None else [parity]
        for level in bits:
            levels.append((at, level))
            at += bit
        levels.append((at, 1))
        at += bit * (int(wire.stop_bits) + pause_bits)
    levels.append((at, 1))
    return levels


def receive(levels: Levels, wire: WireSettings) -> Received:
    """What a receiver with these settings makes of the line."""
    bit = TICKS // wire.baud
    data, bad = bytearray(), []
    free_at, index = levels[0][0], 0

    def level(tick: int) -> int:
        nonlocal index
        while index > 0 and levels[index][0] > tick:
            index -= 1
        while index + 1 < len(levels) and levels[index + 1][0] <= tick:
            index += 1
        return levels[index][1]

    for (_, before), (edge, after) in pairwise(levels):
        # A tick behind the middle: no receiver keeps exact time with the sender.
        middle = edge + bit // 2 + 1
        if before <= after or edge < free_at or level(middle) != 0:
            continue
        value = sum(level(middle + bit * (n + 1)) << n for n in range(wire.bits))
        behind = middle + bit * (wire.bits + 1)
        expected = parity_bit(value, wire.parity)
        is_bad = expected is not None and level(behind) != expected
        behind += 0 if expected is None else bit
        if is_bad or level(behind) != 1:
            bad.append(len(data))
        data.append(value)
        free_at = behind
    return Received(bytes(data), tuple(bad))
