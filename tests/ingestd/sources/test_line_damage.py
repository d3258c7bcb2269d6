"""Damage passes for a reading no more often than the declared check allows in theory."""

from math import exp

import pytest

from tests.bench.line_damage import chance_allows, expected_share, forms, measure
from tests.ingestd.sources.lines import shipped

FORMS = forms()


@pytest.mark.parametrize(
    ("name", "rate", "frames"),
    [
        ("CRC-16", 0.01, 100_000),
        ("CRC-16", 0.001, 20_000),
        ("CRC-16", 0.0001, 20_000),
        ("XOR", 0.01, 20_000),
        ("SUM-8", 0.01, 20_000),
        ("none", 0.01, 20_000),
        ("none", 0.001, 20_000),
    ],
)
def test_every_byte_is_told_and_few_values_are_read_wrongly(
    name: str, rate: float, frames: int
) -> None:
    damage = measure(name, FORMS[name], rate, frames)
    assert damage.bytes_told == damage.bytes_sent
    assert damage.wrong_values <= damage.most, damage
    assert damage.right >= frames - 2 * damage.touched, damage
    assert damage.touched > 0.5 * frames * rate * 50
    if name != "none":
        assert damage.wrong_others <= damage.most, damage


def test_check_of_one_byte_lets_through_what_theory_says() -> None:
    # Enough frames to see some: neither none at all, nor more than chance makes of the theory.
    damage = measure("XOR", FORMS["XOR"], 0.03, 10_000, seed=3)
    assert damage.theory > 15
    assert 0.4 * damage.theory < damage.wrong_frames <= 1.2 * chance_allows(damage.theory)


def test_share_of_two_replaced_bytes_is_that_of_the_counting_argument() -> None:
    # Two covered bytes, both replaced: one of 255 equally likely second bytes restores an XOR.
    form = FORMS["XOR"]
    assert form.frame is not None
    frame = form.frame.start + b"ab" + b"XX" + form.frame.after
    assert expected_share(form, frame, "", 0.5) == pytest.approx(0.25 / 255, rel=1e-12)
    crc = shipped("checked_line")
    frame = form.frame.start + b"ab" + b"XXXX" + form.frame.after
    assert expected_share(crc, frame, "", 0.5) == pytest.approx(0.25 / 65536, rel=1e-12)


@pytest.mark.parametrize(("expected", "most"), [(0.0005, 0), (0.5, 4), (1.0, 5), (10.0, 21)])
def test_chance_is_that_of_the_poisson_distribution(expected: float, most: int) -> None:
    # Tail of a Poisson variable summed by hand: P(N > most) < 0.001 <= P(N > most - 1).
    def tail(above: int) -> float:
        term = total = exp(-expected)
        for count in range(1, above + 1):
            term *= expected / count
            total += term
        return 1 - total

    assert chance_allows(expected) == most
    assert tail(most) < 0.001
    assert most == 0 or tail(most - 1) >= 0.001
