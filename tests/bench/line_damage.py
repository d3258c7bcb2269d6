"""How often damage on a serial line passes for a reading: `python -m tests.bench.line_damage`.

Frames are rendered, each byte is replaced by another one with a given probability, and what
comes out of cutting and reading is compared with what went in.

Theory. Replacements are independent, and each of the 255 other bytes is equally likely. Let n be
the bytes that the check value covers and k the number of them that are replaced.

- XOR and sum of bytes: with k = 1 the check value always differs. For k >= 2 it agrees with
  probability p(k) = (1 - p(k - 1)) / 255, p(1) = 0: whatever the first k - 1 replacements have
  done, at most one of 255 equally likely bytes puts the total right, and only if it is not right
  already.
- CRC of 16 bits: k = 1 always differs; otherwise one of 65536 check values agrees.
- No check value: only the grammar of the message stands against damage. A digit replaced by one
  of 9 other digits is a wrong value that nothing can notice; so is a decimal mark replaced by a
  digit, and a first digit replaced by a sign.

The expected number is that of the binomial distribution over k. A byte that turns into a start
or end byte, or an end byte that is lost, lets parts of messages meet a check value by chance; with
a check of one byte these add some tenths to the frames that pass, none of them with the cells of
the layout. A layout refuses much of what passes a weak check, so what is read wrongly is less.
(A counting argument of our own.)
"""

import argparse
import json
import random
import sys
import time
from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.resources import files
from math import comb, exp, log
from statistics import mean
from typing import Final

from ingestd.demo.photometer import invent_readings
from ingestd.demo.rendering import render_frame
from ingestd.sources.serial.cutting import LineCutter, Piece
from ingestd.sources.serial.marks import Received
from parsers.checksums import CHECKSUMS
from parsers.forms import Form, load_form
from parsers.frame import Frame, Framer, FrameReader
from parsers.readings import Reading

RATES: Final = (1e-2, 1e-3, 1e-4)
FRAMES: Final = 100_000
CHUNK: Final = 50  # frames received at once
VARIETY: Final = 2000  # different frames
CRC_MOST: Final = 3  # wrong readings in 100,000 frames, at any rate
FACTOR: Final = 1.2  # of the theory, for checks of one byte and for none

_BEGIN: Final = datetime(2026, 11, 25, 8)  # noqa: DTZ001 - wall time of an instrument


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """What became of the frames.

    Attributes:
        touched: frames with a replaced byte in them.
        right: readings as they were sent.
        wrong_frames: frames whose check value agreed although a byte differed.
        wrong_values: readings with another value than any reading that was sent had.
        wrong_others: readings with the value as sent and another field that differs.
        damaged: parts recorded as damaged, and frames that could not be read.
        bytes_sent, bytes_told: sent, and found again in frames and parts.
        theory: wrong frames expected (with a check value), else wrong values.
        most: the largest number of wrong values allowed: 3 with a CRC of 16 bits; otherwise 1.2
            times the theory, or what chance makes of a small expectation.
    """

    form: str
    rate: float
    frames: int
    touched: int
    right: int
    wrong_frames: int
    wrong_values: int
    wrong_others: int
    damaged: int
    bytes_sent: int
    bytes_told: int
    theory: float
    most: int
    seconds: float

    @property
    def is_good(self) -> bool:
        """No byte is lost untold, no more is read wrongly than theory allows, and damage costs
        at most the frame that it is in and the next one.
        """
        return (
            self.wrong_values <= self.most
            and self.bytes_sent == self.bytes_told
            and self.right >= self.frames - 2 * self.touched
        )


def forms() -> dict[str, Form]:
    """The shipped frame forms, and the checked one with weaker check values."""
    checked, plain = _shipped("checked_line"), _shipped("plain_line")
    made = {"CRC-16": checked, "none": plain}
    for name in ("XOR", "SUM-8"):
        rules = checked.frame
        if rules is None or rules.checksum is None:
            raise ValueError("checked_line has no check value")
        check = rules.checksum.model_copy(update={"name": name})
        frame = rules.model_copy(update={"checksum": check})
        made[name] = checked.model_copy(update={"frame": frame})
    return made


def _shipped(name: str) -> Form:
    return load_form((files("parsers") / "forms" / f"{name}.toml").read_bytes(), name)


class _Wire:
    """Frames one after the other with damage in them, cut again and compared.

    Args:
        form: of shape frame.
        rate: chance that a byte is replaced.
        seed: of the damage and of the readings.
    """

    def __init__(self, form: Form, rate: float, seed: int) -> None:
        if form.frame is None:
            raise ValueError(f"form {form.name} is of shape {form.shape}")
        self.rules = form.frame
        readings = invent_readings(form, begin=_BEGIN, seed=seed)
        self.values = [next(readings) for _ in range(VARIETY)]
        self.rendered = [render_frame(form, one) for one in self.values]
        self.count: Counter[str] = Counter()
        self._rate = rate
        self._chance = random.Random(seed)
        self._reader = FrameReader(form)
        self._cutter = LineCutter(self.rules, opened_s=0.0, unfinished_s=10.0)
        self._cutter.quiet(1.0)
        self._sent = self._told = 0
        self._starts: list[int] = []
        self._proven: set[int] = set()
        self._next_damage = self._gap()

    def send(self, frames: int) -> None:
        """Send so many frames, and compare what comes of them."""
        now = datetime.now(UTC)
        for first in range(0, frames, CHUNK):
            chunk = b"".join(self._damaged(n) for n in range(first, min(first + CHUNK, frames)))
            for piece in self._cutter.receive(Received(chunk), now, 2.0):
                self._compare(piece)
        for piece in self._cutter.end():
            self._compare(piece)
        self.count["sent"], self.count["told"] = self._sent, self._told

    def _gap(self) -> int:
        """Bytes left whole before the next one that is replaced (geometric distribution)."""
        return int(log(1 - self._chance.random()) / log(1 - self._rate))

    def _damaged(self, number: int) -> bytes:
        frame = self.rendered[number % VARIETY]
        self._starts.append(self._sent)
        end = self._sent + len(frame)
        if self._next_damage < end:
            self.count["touched"] += 1
            replaced = bytearray(frame)
            while self._next_damage < end:
                replaced[self._next_damage - self._sent] ^= self._chance.randrange(1, 256)
                self._next_damage += 1 + self._gap()
            frame = bytes(replaced)
        self._sent = end
        return frame

    def _compare(self, piece: Piece) -> None:
        offset = self._told
        self._told += len(piece.data)
        if piece.kind != "frame":
            self.count["damaged"] += 1
            return
        number = (bisect_right(self._starts, offset) - 1) % VARIETY
        if number in self._proven and piece.data == self.rendered[number]:
            self.count["right"] += 1  # read before, from the same bytes
            return
        framer = Framer(self.rules)
        framer.receive(piece.data)
        framer.end_of_silence()
        frame = framer.next_frame()
        if not isinstance(frame, Frame):
            raise TypeError(f"{piece.data!r} was a frame and is none now")
        self.count["wrong_frames"] += frame.payload not in self.rendered[number]
        got = self._reader.read(frame)
        if not isinstance(got, Reading):
            self.count["damaged"] += 1
        elif _filled(got.fields) == _filled(self.values[number]):
            self.count["right"] += 1
            if piece.data == self.rendered[number]:
                self._proven.add(number)
        elif got.fields["value"] != self.values[number]["value"]:
            self.count["wrong_values"] += 1
        else:
            self.count["wrong_others"] += 1


def _filled(texts: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in texts.items() if text}


def measure(name: str, form: Form, rate: float, frames: int = FRAMES, seed: int = 1) -> Damage:
    """Send so many frames of a form through so much damage."""
    begun = time.perf_counter()
    wire = _Wire(form, rate, seed)
    wire.send(frames)
    count = wire.count
    theory = frames * mean(
        expected_share(form, frame, value["value"], rate)
        for frame, value in zip(wire.rendered, wire.values, strict=True)
    )
    return Damage(
        form=name,
        rate=rate,
        frames=frames,
        touched=count["touched"],
        right=count["right"],
        wrong_frames=count["wrong_frames"],
        wrong_values=count["wrong_values"],
        wrong_others=count["wrong_others"],
        damaged=count["damaged"],
        bytes_sent=count["sent"],
        bytes_told=count["told"],
        theory=round(theory, 4),
        most=CRC_MOST if name == "CRC-16" else max(int(FACTOR * theory), chance_allows(theory)),
        seconds=round(time.perf_counter() - begun, 1),
    )


def expected_share(form: Form, frame: bytes, value: str, rate: float) -> float:
    """The share of frames that theory expects to pass for good, or to bear a wrong value."""
    rules = form.frame
    if rules is None:
        raise ValueError(f"form {form.name} is of shape {form.shape}")
    check = rules.checksum
    if check is None:
        digits = sum(letter.isdigit() for letter in value)
        # 9 other digits each; any digit in place of the mark; a sign in place of the first digit.
        choices = 9 * digits + 10 * (len(value) - digits) + 2
        return choices / 255 * rate
    width = 2 * CHECKSUMS[check.name].width
    covered = len(frame) - len(rules.start) - len(rules.after) - width
    is_weak = CHECKSUMS[check.name].width == 1
    share, agrees = 0.0, 0.0
    for replaced in range(2, covered + 1):
        agrees = (1 - agrees) / 255 if is_weak else 2.0**-16
        spread = comb(covered, replaced) * rate**replaced * (1 - rate) ** (covered - replaced)
        share += spread * agrees
    return share


def chance_allows(expected: float) -> int:
    """The smallest count that a Poisson variable exceeds in less than one case in 1000."""
    count, term = 0, exp(-expected)
    total = term
    while total < 0.999:
        count += 1
        term *= expected / count
        total += term
    return count


def main() -> int:
    """Print the table; 1 if anything is worse than it may be."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    asked.add_argument("--frames", type=int, default=FRAMES)
    asked.add_argument("--json", action="store_true")
    given = asked.parse_args()
    results = [
        measure(name, form, rate, given.frames) for name, form in forms().items() for rate in RATES
    ]
    if given.json:
        print(json.dumps([asdict(result) | {"good": result.is_good} for result in results]))
    else:
        heads = [head for head in asdict(results[0]) if not head.startswith("bytes")]
        print("  ".join(f"{head:>12}" for head in heads))
        for result in results:
            print("  ".join(f"{getattr(result, head):>12}" for head in heads))
    return 0 if all(result.is_good for result in results) else 1


if __name__ == "__main__":
    sys.exit(main())
