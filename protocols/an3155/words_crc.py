"""The CRC of Get Checksum (AN3155 Rev 20 s.3.13), as the chip computes it."""

from __future__ import annotations


def crc32_words(data: bytes, polynomial: int, initial: int) -> int:
    """CRC of little-endian 32-bit words, most significant bit first, no reflection, no final xor.

    Flavour: measured by users on the sibling I2C command; AN3155 Rev 20 s.3.13 does not state it.
    """
    table = []
    for top in range(256):
        value = top << 24
        for _ in range(8):
            value = ((value << 1) ^ (polynomial if value & 0x8000_0000 else 0)) & 0xFFFF_FFFF
        table.append(value)
    crc = initial
    for at in range(0, len(data), 4):
        for byte in data[at : at + 4][::-1]:
            crc = ((crc << 8) & 0xFFFF_FFFF) ^ table[(crc >> 24) ^ byte]
    return crc
