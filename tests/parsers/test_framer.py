"""Frames out of bytes: every byte accounted for, the same answers however they are delivered."""

import random
import tracemalloc
from collections.abc import Iterable, Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.checksums import CHECKSUMS
from parsers.forms import FrameRules
from parsers.framer import Damaged, Frame, Framer

STX, ETX = b"\x02", b"\x03"


def rules(**keys: object) -> FrameRules:
    keys.setdefault("layout", "delimited")
    if "checksum" not in keys:
        keys.setdefault("unchecked", True)
        keys.setdefault("cells", 1)
    return FrameRules.model_validate(keys)


def checked(written: str = "hex", place: str = "after_end", **more: object) -> FrameRules:
    check = {"name": "CRC-16/XMODEM", "written": written, "place": place}
    return rules(start="\x02", end="\x03", checksum={**check, **more})


def crc(body: bytes) -> bytes:
    # CRC-16/XMODEM of "123456789" is 0x31C3: test_checksums holds the published value.
    return f"{CHECKSUMS['CRC-16/XMODEM'].compute(body):04X}".encode()


def drain(framer: Framer) -> Iterator[Frame | Damaged]:
    while (answer := framer.next_frame()) is not None:
        yield answer


def deliver(
    frame_rules: FrameRules, parts: Iterable[bytes], *, silent: bool = False
) -> list[Frame | Damaged]:
    """Give the parts one after the other; check on the way that no byte is lost."""
    framer = Framer(frame_rules)
    received, answered, answers = b"", b"", []
    for part in parts:
        framer.receive(part)
        received += part
        for answer in drain(framer):
            assert answer.offset == len(answered)
            answered += answer.data
            answers.append(answer)
        assert answered + framer.pending == received
        assert framer.offset == len(answered)
    if silent:
        framer.end_of_silence()
        for answer in drain(framer):
            assert answer.offset == len(answered)
            answered += answer.data
            answers.append(answer)
        assert answered == received
    return answers


def single_bytes(data: bytes) -> list[bytes]:
    return [data[index : index + 1] for index in range(len(data))]


def said(answers: list[Frame | Damaged]) -> list[tuple[str, bytes]]:
    return [
        ("frame", answer.payload) if isinstance(answer, Frame) else (answer.damage, answer.data)
        for answer in answers
    ]


WHOLE = {
    "end_only": (rules(end="\r\n"), b"12,5\r\n", b"12,5"),
    "start_and_end": (rules(start="\x02", end="\x03"), b"\x0212,5\x03", b"12,5"),
    "fixed_length": (rules(start="$", length=6), b"$12345", b"12345"),
    "fixed_length_with_end": (rules(start="$", end="#", length=6), b"$1234#", b"1234"),
    "binary_length": (
        rules(start="\x01", length_field={"offset": 1, "size": 2, "adds": 3}),
        b"\x01\x00\x0412,5",
        b"12,5",
    ),
    "little_length": (
        rules(start="\x01", length_field={"offset": 1, "size": 2, "written": "little"}),
        b"\x01\x07\x0012,5",
        b"12,5",
    ),
    "decimal_length": (
        rules(start=":", length_field={"offset": 1, "size": 2, "written": "decimal", "adds": 3}),
        b":0412,5",
        b"12,5",
    ),
    "hex_length": (
        rules(start=":", end=";", length_field={"offset": 1, "size": 2, "written": "hex"}),
        b":0F1234567890A;",
        b"1234567890A",
    ),
    "crc_hex_behind_end": (
        checked(),
        b"\x02123456789\x0331C3",
        b"123456789",
    ),
    "crc_hex_in_front_of_end": (
        checked(place="before_end"),
        b"\x0212345678931c3\x03",
        b"123456789",
    ),
    "crc_big": (checked("big"), b"\x02123456789\x03\x31\xc3", b"123456789"),
    "crc_little": (checked("little"), b"\x02123456789\x03\xc3\x31", b"123456789"),
    "sum_behind_end_covering_it": (
        # Characters behind STX up to and with ETX, low byte of the sum in hexadecimal: the
        # worked frame of test_checksums (sum_of_frame).
        rules(
            start="\x02",
            end="\r\x03",
            checksum={"name": "SUM-8", "place": "after_end", "covers_end": True},
        ),
        bytes.fromhex("0231487C5C5E267C7C7C0D03") + b"59",
        b"1H|\\^&|||",
    ),
    "line_end_after": (
        rules(start="\x02", end="\x03", after="\r\n"),
        b"\x02abc\x03\r\n",
        b"abc",
    ),
}


@pytest.mark.parametrize("case", WHOLE)
def test_frame_is_read_whole_byte_by_byte_and_with_the_next_behind_it(case: str) -> None:
    frame_rules, data, payload = WHOLE[case]
    want = [("frame", payload)]
    assert said(deliver(frame_rules, [data])) == want
    assert said(deliver(frame_rules, single_bytes(data)[:-1])) == []
    assert said(deliver(frame_rules, single_bytes(data))) == want
    assert said(deliver(frame_rules, [data + data])) == want * 2
    assert said(deliver(frame_rules, [data + data[:2], data[2:]])) == want * 2


@pytest.mark.parametrize("case", WHOLE)
def test_frame_broken_off_at_any_byte_is_damaged_and_the_next_is_read(case: str) -> None:
    frame_rules, data, payload = WHOLE[case]
    after = len(frame_rules.after)
    for cut in range(1, len(data) - after):
        answers = deliver(frame_rules, [data[:cut]], silent=True)
        assert [word for word, _ in said(answers)] == ["cut"], cut
        if frame_rules.start and frame_rules.end and frame_rules.length_field is None:
            both = said(deliver(frame_rules, [data[:cut] + data]))
            assert both[-1] == ("frame", payload), cut
            assert {word for word, _ in both[:-1]} <= {"cut", "check", "end"}, cut


def test_every_flipped_bit_of_a_checked_frame_is_noticed() -> None:
    data = b"\x02123456789\x0331C3"
    for index in range(len(data) * 8):
        damaged = bytearray(data)
        damaged[index // 8] ^= 1 << index % 8
        answers = deliver(checked(), [bytes(damaged)], silent=True)
        frames = [answer for answer in answers if isinstance(answer, Frame)]
        # 'C' with bit 5 flipped is 'c': the same hexadecimal digit.
        assert [frame.data.upper() for frame in frames] in ([], [data]), index
        assert not frames or index // 8 == data.index(b"C")


def test_noise_between_frames_is_given_as_outside() -> None:
    good = b"\x02123456789\x0331C3"
    stream = b"xx" + good + b"\x00\xff" + good + b"tail"
    answers = deliver(checked(), single_bytes(stream), silent=True)
    assert said(answers) == [
        ("outside", b"xx"),
        ("frame", b"123456789"),
        ("outside", b"\x00\xff"),
        ("frame", b"123456789"),
        ("outside", b"tail"),
    ]
    damaged = [answer for answer in answers if isinstance(answer, Damaged)]
    assert not any(answer.began_as_frame for answer in damaged)


def test_good_frame_behind_a_lost_end_is_read() -> None:
    good = b"\x02123456789\x0331C3"
    answers = deliver(checked(), [good[:8] + good])
    assert said(answers) == [("check", good[:8]), ("frame", b"123456789")]
    assert isinstance(answers[0], Damaged)
    assert answers[0].began_as_frame


def test_check_value_beyond_the_limit_is_over_the_limit() -> None:
    frame_rules = checked().model_copy(update={"limit": 12})
    assert said(deliver(frame_rules, [b"\x02123456789\x0331C3"], silent=True)) == [
        ("limit", b"\x02123456789\x03"),
        ("outside", b"31C3"),
    ]


def test_start_inside_unchecked_message_ends_the_earlier_one() -> None:
    assert said(deliver(rules(start="\x02", end="\x03"), [b"\x0212\x0234\x03"])) == [
        ("cut", b"\x0212"),
        ("frame", b"34"),
    ]


def test_two_frames_run_together_are_not_one_even_where_the_check_value_agrees() -> None:
    xor = CHECKSUMS["XOR"].compute
    check = {"name": "XOR", "written": "big", "place": "after_end"}
    frame_rules = rules(start="\x02", end="\x03", checksum=check)
    first, second = b"27328,S-907,4449", b"27329,S-083,7097"
    run_together = first + b"\x02" + bytes([xor(first)]) + b"\x02" + second
    assert xor(run_together) == xor(second)
    stream = b"\x02" + run_together + b"\x03" + bytes([xor(second)])
    assert said(deliver(frame_rules, [stream])) == [
        ("cut", b"\x02" + first),
        ("check", b"\x02" + bytes([xor(first)])),
        ("frame", second),
    ]


def test_printable_start_may_occur_inside_a_message() -> None:
    frame_rules = rules(start=":", end="\r\n")
    assert said(deliver(frame_rules, [b":09:15:30\r\n"])) == [("frame", b"09:15:30")]


def test_binary_check_value_that_holds_the_end_byte_is_no_end() -> None:
    frame_rules = checked("big", "before_end")
    found = 0
    for number in range(2000):
        body = str(number).encode()
        check = CHECKSUMS["CRC-16/XMODEM"].compute(body).to_bytes(2, "big")
        if 0x03 not in check or 0x02 in check:
            continue
        data = STX + body + check + ETX
        assert said(deliver(frame_rules, single_bytes(data))) == [("frame", body)]
        assert said(deliver(frame_rules, [data + data])) == [("frame", body)] * 2
        found += 1
    assert found > 5


def test_damaged_binary_check_value_is_said_once_the_end_can_no_longer_come() -> None:
    frame_rules = checked("big", "before_end")
    framer = Framer(frame_rules)
    framer.receive(b"\x02123456789\x00\x00\x03")
    assert framer.next_frame() is None
    framer.receive(b"..")
    answer = framer.next_frame()
    assert isinstance(answer, Damaged)
    assert (answer.damage, answer.expected) == ("check", "CRC-16/XMODEM check value 1\\xc3")
    assert said(deliver(frame_rules, [b"\x02123456789\x00\x00\x03"], silent=True)) == [
        ("check", b"\x02123456789\x00\x00\x03")
    ]


def test_check_value_over_start_and_end_bytes() -> None:
    frame_rules = checked(covers_start=True, covers_end=True)
    good = b"\x02ab\x03" + crc(b"\x02ab\x03")
    assert said(deliver(frame_rules, [good])) == [("frame", b"ab")]
    assert said(deliver(frame_rules, [b"\x02ab\x03" + crc(b"ab")])) != [("frame", b"ab")]


def test_missing_after_bytes_do_not_cost_the_frame() -> None:
    frame_rules = rules(start="\x02", end="\x03", after="\r\n")
    assert said(deliver(frame_rules, [b"\x02a\x03\rX"], silent=True)) == [
        ("frame", b"a"),
        ("outside", b"\rX"),
    ]
    assert said(deliver(frame_rules, [b"\x02a\x03\r"], silent=True)) == [("frame", b"a")]


@pytest.mark.parametrize("number", [b"99", b"00", b"x1", b"1_", b" 7"])
def test_stated_length_that_cannot_be_is_damaged(number: bytes) -> None:
    field = {"offset": 1, "size": 2, "written": "decimal"}
    frame_rules = rules(start=":", length_field=field, limit=32)
    answers = deliver(frame_rules, [b":" + number + b"1234:0712,5"])
    assert said(answers) == [("length", b":" + number), ("outside", b"1234"), ("frame", b"12,5")]


def test_fixed_length_with_another_end_is_damaged() -> None:
    frame_rules = rules(start="$", end="#", length=6)
    assert said(deliver(frame_rules, [b"$12345$1234#"])) == [
        ("end", b"$12345"),
        ("frame", b"1234"),
    ]


def test_fixed_length_too_short_for_its_check_value_is_damaged() -> None:
    check = {"name": "CRC-16/XMODEM"}
    frame_rules = rules(start="$", length=4, checksum=check)
    assert said(deliver(frame_rules, [b"$31C"])) == [("length", b"$31C")]


class TestSilence:
    """Frames that nothing but a pause ends."""

    rules = rules(idle_end_ms=50, limit=16)

    def test_pause_ends_the_frame(self) -> None:
        assert said(deliver(self.rules, single_bytes(b"12,5"))) == []
        assert said(deliver(self.rules, [b"12,5"], silent=True)) == [("frame", b"12,5")]

    def test_two_pauses_before_anyone_asks_part_two_frames(self) -> None:
        framer = Framer(self.rules)
        for part in (b"one", b"two"):
            framer.receive(part)
            framer.end_of_silence()
        framer.receive(b"three")
        assert said(list(drain(framer))) == [("frame", b"one"), ("frame", b"two")]
        assert framer.pending == b"three"

    def test_what_is_left_of_an_overlong_message_is_no_frame(self) -> None:
        answers = said(deliver(self.rules, [b"x" * 20], silent=True))
        assert answers == [("limit", b"x" * 16), ("cut", b"x" * 4)]

    def test_stated_length_without_start_begins_anew_after_a_pause(self) -> None:
        frame_rules = rules(length=4, end="#", idle_end_ms=50)
        framer = Framer(frame_rules)
        framer.receive(b"123#12x4123#")
        assert said(list(drain(framer))) == [
            ("frame", b"123"),
            ("end", b"12x4"),
            ("cut", b"123#"),
        ]
        framer.end_of_silence()
        framer.receive(b"123#")
        assert said(list(drain(framer))) == [("frame", b"123")]


class TestMidStream:
    """A line opened while the instrument was talking."""

    def test_first_piece_without_start_bytes_is_not_trusted(self) -> None:
        framer = Framer(rules(end="\r\n"), mid_stream=True)
        framer.receive(b".5\r\n12.5\r\n")
        assert said(list(drain(framer))) == [("cut", b".5\r\n"), ("frame", b"12.5")]

    def test_pause_before_the_first_byte_makes_it_trusted(self) -> None:
        framer = Framer(rules(end="\r\n"), mid_stream=True)
        framer.end_of_silence()
        framer.receive(b"12.5\r\n")
        assert said(list(drain(framer))) == [("frame", b"12.5")]

    def test_start_bytes_need_no_caution(self) -> None:
        framer = Framer(rules(start="\x02", end="\x03"), mid_stream=True)
        framer.receive(b"5\x03\x0212.5\x03")
        assert said(list(drain(framer))) == [("outside", b"5\x03"), ("frame", b"12.5")]


def test_overlong_line_and_its_tail_are_damaged_and_the_next_line_is_read() -> None:
    frame_rules = rules(end="\r\n", limit=16)
    stream = b"x" * 40 + b"12.5\r\n12.6\r\n"
    want = [
        ("limit", b"x" * 16),
        ("limit", b"x" * 16),
        ("cut", b"x" * 8 + b"12.5\r\n"),
        ("frame", b"12.6"),
    ]
    assert said(deliver(frame_rules, [stream])) == want
    assert said(deliver(frame_rules, single_bytes(stream))) == want


@pytest.mark.parametrize("case", [*WHOLE, "silence"])
def test_noise_without_end_meets_the_limit_with_constant_memory(case: str) -> None:
    frame_rules = rules(idle_end_ms=50) if case == "silence" else WHOLE[case][0]
    chance = random.Random(6)
    framer = Framer(frame_rules)
    received = answered = 0
    tracemalloc.start()
    try:
        for _ in range(400):
            noise = chance.randbytes(1000)
            received += len(noise)
            framer.receive(noise)
            answered += sum(len(answer.data) for answer in drain(framer))
            assert len(framer.pending) < frame_rules.limit + 1000
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert received - answered == len(framer.pending)
    assert peak < 200_000, f"{peak} bytes at most, after {received} bytes of noise"


STREAM_PARTS = st.sampled_from(
    [STX, ETX, b"\r\n", b"$", b":", b"#", b"31C3", b"\x00\x04", b"07", b"\x0212,5\x03\r\n"]
    + [data for _, data, _ in WHOLE.values()]
) | st.binary(max_size=6)


@settings(max_examples=300)
@given(
    case=st.sampled_from(sorted(WHOLE)),
    parts=st.lists(STREAM_PARTS, max_size=12),
    cuts=st.lists(st.integers(0, 200), max_size=8),
)
def test_answers_do_not_depend_on_the_delivery(
    case: str, parts: list[bytes], cuts: list[int]
) -> None:
    frame_rules = WHOLE[case][0].model_copy(update={"limit": 24})
    stream = b"".join(parts)
    whole = deliver(frame_rules, [stream], silent=True)
    assert deliver(frame_rules, single_bytes(stream), silent=True) == whole
    edges = [0, *sorted(cut for cut in cuts if cut < len(stream)), len(stream)]
    pieces = [stream[start:end] for start, end in pairwise(edges)]
    assert deliver(frame_rules, pieces, silent=True) == whole


def wrong_share(name: str, length: int, rate: float) -> float:
    """Chance that a frame with each byte replaced at `rate` is altered and yet agrees.

    A checksum of w bits over random alterations misses 2**-w of them; alterations of a single
    byte are never missed. With k >= 2 altered bytes an XOR or sum of bytes is right again with
    probability p(k) = (1 - p(k-1)) / 255, p(1) = 0, because the last altered byte has 255
    equally likely values of which at most one puts the total right. (Counting argument.)
    """
    chance, total, right = (1 - rate) ** length, 0.0, 0.0
    for altered in range(1, length + 1):
        chance *= (length - altered + 1) / altered * rate / (1 - rate)
        right = 0.0 if altered == 1 else (1 - right) / 255
        total += chance * (2**-16 if name.startswith("CRC") and altered > 1 else right)
    return total


@pytest.mark.parametrize("name", ["XOR", "SUM-8", "CRC-16/MODBUS"])
def test_damaged_frames_are_accepted_no_more_often_than_theory(name: str) -> None:
    count, rate = 20_000, 0.01
    checksum = CHECKSUMS[name]
    frame_rules = rules(
        start="\x02",
        end="\x03",
        checksum={"name": name, "written": "big", "place": "after_end"},
    )
    chance = random.Random(20_000)
    framer = Framer(frame_rules)
    sent, accepted, damaged_bytes, sent_bytes = set(), [], 0, 0
    body = b""
    for number in range(count):
        body = f"{number:05d},S-{chance.randrange(1000):03d},{chance.randrange(10**4)}".encode()
        sent.add(body)
        frame = bytearray(
            STX + body + ETX + checksum.compute(body).to_bytes(checksum.width, "big")
        )
        for index in range(len(frame)):
            if chance.random() < rate:
                frame[index] ^= chance.randrange(1, 256)
        sent_bytes += len(frame)
        framer.receive(bytes(frame))
        for answer in drain(framer):
            if isinstance(answer, Frame):
                accepted.append(answer.payload)
            else:
                damaged_bytes += len(answer.data)
    wrong = sum(payload not in sent for payload in accepted)
    want = count * wrong_share(name, len(body) + checksum.width, rate)
    # Four standard deviations of a Poisson count above the expectation of the theory.
    assert wrong <= want + 4 * want**0.5 + (0 if name != "CRC-16/MODBUS" else 2.9), (wrong, want)
    # All are accounted for, and few good frames are lost beside the damaged ones.
    whole_bytes = sum(len(payload) + 2 + checksum.width for payload in accepted)
    assert whole_bytes + damaged_bytes + len(framer.pending) == sent_bytes
    untouched = (1 - rate) ** (len(body) + 2 + checksum.width)
    assert len(accepted) >= 0.97 * count * untouched
