"""What one spooled sample is in bytes: its times, its values as 32-bit integers, its words.

A quantity is one byte if it is in ``NAMES`` and its own name otherwise. The order of ``NAMES`` is on flash in
every node, so names are only ever added at the end.
"""

import struct

NAMES = (
    "air_temperature",
    "relative_humidity",
    "surface_temperature",
    "air_pressure",
    "voc_ppm",
    "voc_index",
    "booth_pressure",
    "face_velocity",
    "node_battery",
    "button",
    "clock",
)
SAMPLE, EVENT = 0, 1

_HEAD = "<BHqq"  # kind, boot, running time, time since 1970 or 0
_WORD, _OWN_NAME = 0x80, 0x7F


def _name(name, word):
    code = NAMES.index(name) if name in NAMES else _OWN_NAME
    head = bytes([code | (_WORD if word else 0)])
    if code == _OWN_NAME:
        raw = name.encode()[:64]
        head += bytes([len(raw)]) + raw
    return head


def encode(kind, boot, running_ms, time_ms, values, words):
    """Bytes of a sample taken at ``running_ms`` of boot ``boot``, at ``time_ms`` if the clock was set."""
    parts = [struct.pack(_HEAD, kind, boot & 0xFFFF, running_ms, time_ms or 0)]
    for name, number in values:
        parts.append(_name(name, False) + struct.pack("<i", number))
    for name, text in words:
        raw = text.encode()[:200]
        parts.append(_name(name, True) + bytes([len(raw)]) + raw)
    return b"".join(parts)


def times(payload):
    """(boot, running_ms, time_ms or None)."""
    _, boot, running_ms, time_ms = struct.unpack_from(_HEAD, payload)
    return boot, running_ms, time_ms or None


def decode(payload):
    """(kind, values, words), the lists as given to :func:`encode`."""
    kind = payload[0]
    values, words = [], []
    at = struct.calcsize(_HEAD)
    while at < len(payload):
        code = payload[at]
        at += 1
        word, code = code & _WORD, code & ~_WORD
        if code == _OWN_NAME:
            end = at + 1 + payload[at]
            name = str(payload[at + 1 : end], "utf-8")
            at = end
        else:
            name = NAMES[code]
        if word:
            end = at + 1 + payload[at]
            # A text cut inside a character keeps what is whole.
            words.append((name, _text(payload[at + 1 : end])))
            at = end
        else:
            values.append((name, struct.unpack_from("<i", payload, at)[0]))
            at += 4
    return kind, values, words


def _text(raw):
    for cut in range(4):
        try:
            return str(raw[: len(raw) - cut], "utf-8")
        except UnicodeError:
            pass
    return "?"
