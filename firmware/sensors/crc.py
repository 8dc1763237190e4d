"""The check sums of the sensors, bit by bit: a message is at most nine bytes, so a table would not pay."""


def crc8(data, polynomial, start=0):
    """CRC-8, most significant bit first, e.g. polynomial 0x31 for x8 + x5 + x4 + 1."""
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ polynomial) & 0xFF if crc & 0x80 else crc << 1
    return crc


def crc8_words(data):
    """CRC-8 of the sensors that send 16-bit words each with a check byte: polynomial 0x31 from 0xFF."""
    return crc8(data, 0x31, 0xFF)


def crc8_pec(data):
    """SMBus packet error code: polynomial 0x07 from 0, address bytes included."""
    return crc8(data, 0x07)


def crc8_onewire(data):
    """CRC-8 of the 1-Wire bus: polynomial 0x31 from 0, least significant bit first (0x8C is 0x31 turned round)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc
