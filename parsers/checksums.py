"""Checksums of serial frames by name: what each is, how wide, and its value over some bytes.

CRC-16 variants bear the names of the CRC RevEng catalogue of parametrised CRC algorithms
(reveng.sourceforge.io/crc-catalogue), because "CRC-16" and "CCITT" alone name a dozen
algorithms that disagree. Parameters are the catalogue's: polynomial, start value, whether bits
run from the low end, and what the result is combined with at the end.
"""

from binascii import crc_hqx
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True)
class Checksum:
    """One checksum.

    Attributes:
        name: as forms write it.
        width: bytes it fills when sent as plain bytes; twice as many as hexadecimal digits.
        compute: the value over the covered bytes, 0 <= value < 256 ** width.
    """

    name: str
    width: int
    compute: Callable[[bytes], int]


@dataclass(frozen=True, slots=True)
class _Crc16:
    """Parameters of a 16-bit CRC; in all of ours input and output run the same way."""

    polynomial: int
    start: int
    low_bit_first: bool
    final_xor: int


_CRC16: Final[Mapping[str, _Crc16]] = MappingProxyType(
    {
        "CRC-16/ARC": _Crc16(0x8005, 0x0000, low_bit_first=True, final_xor=0x0000),
        "CRC-16/DNP": _Crc16(0x3D65, 0x0000, low_bit_first=True, final_xor=0xFFFF),
        "CRC-16/GENIBUS": _Crc16(0x1021, 0xFFFF, low_bit_first=False, final_xor=0xFFFF),
        "CRC-16/IBM-3740": _Crc16(0x1021, 0xFFFF, low_bit_first=False, final_xor=0x0000),
        "CRC-16/IBM-SDLC": _Crc16(0x1021, 0xFFFF, low_bit_first=True, final_xor=0xFFFF),
        "CRC-16/KERMIT": _Crc16(0x1021, 0x0000, low_bit_first=True, final_xor=0x0000),
        "CRC-16/MAXIM-DOW": _Crc16(0x8005, 0x0000, low_bit_first=True, final_xor=0xFFFF),
        "CRC-16/MCRF4XX": _Crc16(0x1021, 0xFFFF, low_bit_first=True, final_xor=0x0000),
        "CRC-16/MODBUS": _Crc16(0x8005, 0xFFFF, low_bit_first=True, final_xor=0x0000),
        "CRC-16/SPI-FUJITSU": _Crc16(0x1021, 0x1D0F, low_bit_first=False, final_xor=0x0000),
        "CRC-16/T10-DIF": _Crc16(0x8BB7, 0x0000, low_bit_first=False, final_xor=0x0000),
        "CRC-16/USB": _Crc16(0x8005, 0xFFFF, low_bit_first=True, final_xor=0xFFFF),
        "CRC-16/XMODEM": _Crc16(0x1021, 0x0000, low_bit_first=False, final_xor=0x0000),
    }
)


_LIBRARY_POLYNOMIAL: Final = 0x1021  # that of binascii.crc_hqx


def _xor(data: bytes) -> int:
    return reduce(xor, data, 0)


def _sum(data: bytes) -> int:
    return sum(data) & 0xFF


def _sum_to_zero(data: bytes) -> int:
    return -sum(data) & 0xFF


def _reflect(value: int, bits: int) -> int:
    """Return `value` with its lowest `bits` bits in reverse order."""
    return int(f"{value:0{bits}b}"[::-1], 2)


def _low_bit_first(crc: _Crc16) -> Callable[[bytes], int]:
    polynomial = _reflect(crc.polynomial, 16)
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)
        table.append(value)
    start, final_xor = _reflect(crc.start, 16), crc.final_xor

    def compute(data: bytes) -> int:
        value = start
        for byte in data:
            value = value >> 8 ^ table[(value ^ byte) & 0xFF]
        return value ^ final_xor

    return compute


def _high_bit_first(crc: _Crc16) -> Callable[[bytes], int]:
    table = []
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1 ^ (crc.polynomial if value & 0x8000 else 0)) & 0xFFFF
        table.append(value)
    start, final_xor = crc.start, crc.final_xor

    def compute(data: bytes) -> int:
        value = start
        for byte in data:
            value = (value << 8 & 0xFF00) ^ table[value >> 8 ^ byte]
        return value ^ final_xor

    return compute


def _by_the_library(crc: _Crc16) -> Callable[[bytes], int]:
    """The standard library computes this polynomial, many times quicker."""
    start, final_xor = crc.start, crc.final_xor
    return lambda data: crc_hqx(data, start) ^ final_xor


def _crc16(crc: _Crc16) -> Callable[[bytes], int]:
    if crc.low_bit_first:
        return _low_bit_first(crc)
    is_known = crc.polynomial == _LIBRARY_POLYNOMIAL
    return _by_the_library(crc) if is_known else _high_bit_first(crc)


CHECKSUMS: Final[Mapping[str, Checksum]] = MappingProxyType(
    {
        "XOR": Checksum("XOR", 1, _xor),
        "SUM-8": Checksum("SUM-8", 1, _sum),
        "SUM-8/TWOS-COMPLEMENT": Checksum("SUM-8/TWOS-COMPLEMENT", 1, _sum_to_zero),
        **{name: Checksum(name, 2, _crc16(crc)) for name, crc in _CRC16.items()},
    }
)
