"""CRC-8 of Sensirion-type sensors: polynomial 0x31, initial value 0xFF, over two bytes (SDP8xx data sheet)."""


def _table():
    table = bytearray(256)
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value << 1 ^ 0x31 if value & 0x80 else value << 1) & 0xFF
        table[byte] = value
    return table


_TABLE = _table()


def crc8(data, start):
    """Of the two bytes from `start`."""
    return _TABLE[_TABLE[0xFF ^ data[start]] ^ data[start + 1]]
