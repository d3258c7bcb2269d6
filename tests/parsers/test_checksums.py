"""Checksums against the check values of the published catalogue and two reference routines."""

import binascii
import csv
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.checksums import CHECKSUMS

DATA = Path(__file__).parent / "data" / "checksum_values.csv"
with DATA.open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_value_agrees_with_published_check_value(row: dict[str, str]) -> None:
    checksum = CHECKSUMS[row["checksum"]]
    got = checksum.compute(bytes.fromhex(row["data_hex"]))
    assert f"{got:0{2 * checksum.width}X}" == row["expected_hex"]


def test_every_checksum_has_a_published_check_value() -> None:
    assert {row["checksum"] for row in ROWS} == set(CHECKSUMS)
    assert all(name == checksum.name for name, checksum in CHECKSUMS.items())


def test_width_is_two_bytes_for_a_crc_16_and_one_for_the_others() -> None:
    assert {name: checksum.width for name, checksum in CHECKSUMS.items()} == {
        name: 2 if name.startswith("CRC-16/") else 1 for name in CHECKSUMS
    }


@given(st.binary(max_size=80))
def test_xmodem_agrees_with_the_standard_library(data: bytes) -> None:
    assert CHECKSUMS["CRC-16/XMODEM"].compute(data) == binascii.crc_hqx(data, 0)


@given(st.binary(max_size=80))
def test_ibm_3740_agrees_with_the_standard_library(data: bytes) -> None:
    assert CHECKSUMS["CRC-16/IBM-3740"].compute(data) == binascii.crc_hqx(data, 0xFFFF)


# Residues of the catalogue: what is left in the register, before the final combination, after a
# frame that is followed by its own CRC in transmission order.
RESIDUES = {
    "CRC-16/ARC": ("<H", 0x0000, 0x0000),
    "CRC-16/DNP": ("<H", 0xFFFF, 0x66C5),
    "CRC-16/GENIBUS": (">H", 0xFFFF, 0x1D0F),
    "CRC-16/IBM-3740": (">H", 0x0000, 0x0000),
    "CRC-16/IBM-SDLC": ("<H", 0xFFFF, 0xF0B8),
    "CRC-16/KERMIT": ("<H", 0x0000, 0x0000),
    "CRC-16/MAXIM-DOW": ("<H", 0xFFFF, 0xB001),
    "CRC-16/MCRF4XX": ("<H", 0x0000, 0x0000),
    "CRC-16/MODBUS": ("<H", 0x0000, 0x0000),
    "CRC-16/SPI-FUJITSU": (">H", 0x0000, 0x0000),
    "CRC-16/T10-DIF": (">H", 0x0000, 0x0000),
    "CRC-16/USB": ("<H", 0xFFFF, 0xB001),
    "CRC-16/XMODEM": (">H", 0x0000, 0x0000),
}


@pytest.mark.parametrize("name", RESIDUES)
@given(data=st.binary(max_size=40))
def test_frame_with_its_own_crc_leaves_the_published_residue(name: str, data: bytes) -> None:
    order, final, residue = RESIDUES[name]
    compute = CHECKSUMS[name].compute
    assert compute(data + struct.pack(order, compute(data))) ^ final == residue


@given(data=st.binary(min_size=1, max_size=40), position=st.integers(0), flip=st.integers(1, 255))
def test_one_damaged_byte_never_goes_unnoticed(data: bytes, position: int, flip: int) -> None:
    index = position % len(data)
    damaged = bytearray(data)
    damaged[index] ^= flip
    for checksum in CHECKSUMS.values():
        assert checksum.compute(bytes(damaged)) != checksum.compute(data), checksum.name
