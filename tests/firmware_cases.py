"""Random cases for the firmware's framing, and what each must give: an encoder that is independent of it.

From the format's text with ``struct``, ``json``, ``zlib.crc32`` and the cobs package; it shares no line with
``daq.wire.encoder`` and knows nothing of the C.
"""

import json
import random
import struct
import zlib
from dataclasses import dataclass

from cobs import cobs

HELLO, SAMPLES, EDGE, NOTE, BEAT = 1, 2, 3, 4, 5
RAW, PIECES, CRC = 0x10, 0x11, 0x12  # what the driver knows besides the kinds
AS_ADVISED = 0xFFFF  # a room: whatever the header's SB_WIRE_BYTES gives for the body
LONGEST = 1020

TYPES = ("u8", "i16", "u16", "i24", "i32")  # numbered as the driver is told them
LIMITS = {
    "u8": (0, 255),
    "i16": (-32768, 32767),
    "u16": (0, 65535),
    "i24": (-8388608, 8388607),
    "i32": (-2147483648, 2147483647),
}
BYTES = {"u8": 1, "i16": 2, "u16": 2, "i24": 3, "i32": 4}
LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789_- .()µ°é漢🚀"
AWKWARD = '"\\/<>&\x7f'


@dataclass(frozen=True)
class Case:
    """One case: its bytes for the driver, and the answer."""

    what: int
    content: bytes
    answer: bytes  # empty where the frame must be refused

    def sent(self):
        return struct.pack("<I", len(self.content)) + self.content


def framed(body):
    """A body as it travels; nothing for one that is too long."""
    if not 1 <= len(body) <= LONGEST:
        return b""
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\x00"


def packed(kind, count):
    return count.to_bytes(BYTES[kind], "little", signed=kind[0] == "i")


def layout(channels, interval):
    text = ",".join(f"{name}:{kind}" for name, kind, _, _ in channels) + f"@{interval}"
    return zlib.crc32(text.encode()) % 65536


def cases(number, seed):
    """Make so many cases, edges of the format among them."""
    dice = random.Random(seed)
    makers = [_hello] * 3 + [_samples] * 7 + [_edge] * 2 + [_note] * 3 + [_beat] * 2 + [_raw] * 6 + [_crc]
    fixed = [_raw_of(dice, body) for body in _limits(dice)]
    return fixed + [dice.choice(makers)(dice) for _ in range(number - len(fixed))]


def _limits(dice):
    """Bodies at every limit: none but zeros, none but others, lengths about full blocks and about the longest."""
    lengths = [1, 2, 3, *(k * 254 + d for k in (1, 2, 3, 4) for d in range(-7, 3)), *range(1010, 1030)]
    for length in lengths:
        yield bytes(length)
        yield bytes([1 + k % 255 for k in range(length)])
        yield b"\x01" * length
        yield dice.randbytes(length).replace(b"\0", b"\x05")
        yield dice.randbytes(length)
    for _ in range(300):  # the last block, CRC included, exactly full: nothing may follow it but the delimiter
        yield _nonzero_to_the_end(dice, dice.choice([250, 504, 758, 1012]))


def _nonzero_to_the_end(dice, length):
    while True:
        body = dice.randbytes(length).replace(b"\0", b"\x07")
        if 0 not in struct.pack("<I", zlib.crc32(body)):
            return body


def _case(dice, what, fields, body, advised=True):
    """Give it a room: most often exactly enough, and often one byte less."""
    frame = framed(body)
    pick = dice.random()
    if pick < 0.5:
        room = len(frame) or dice.randrange(1024, 1200)
    elif pick < 0.65:
        room = max(len(frame) - 1, 0)
    elif pick < 0.7:
        room = dice.randrange(max(len(frame), 1))
    elif pick < 0.8 or not advised:
        room = len(frame) + dice.randrange(1, 64)
    else:
        room = AS_ADVISED
    fits = room == AS_ADVISED or len(frame) <= room
    return Case(what, struct.pack("<BH", what, room) + fields, frame if fits else b"")


def _text(words):
    content = words.encode()
    return struct.pack("<H", len(content)) + content


def _name(dice, longest=12):
    letters = dice.choices(LETTERS, k=dice.randint(1, longest))
    if dice.random() < 0.2:
        letters[dice.randrange(len(letters))] = dice.choice(AWKWARD)
    return "".join(letters).strip() or "x"


def _u32(dice):
    near = dice.choice([0, 2**8, 2**16, 2**24, 2**31, 2**32 - 3])
    return dice.choice([dice.randrange(2**32), min(near + dice.randrange(3), 2**32 - 1)])


def _count(dice, kind):
    low, high = LIMITS[kind]
    pick = dice.random()
    if pick < 0.3:
        return dice.randint(low, high)
    return dice.randint(max(low, -300), min(high, 300)) if pick < 0.6 else dice.choice((low, high, 0, 1))


def _channels(dice, most):
    names = list(dict.fromkeys(f"{_name(dice)}{index}" for index in range(dice.randint(1, most))))
    found = []
    for name in names:
        kind = dice.choice(TYPES)
        low, high = LIMITS[kind]
        minimum = dice.choice([low, dice.randint(low, high - 1)])
        found.append((name, kind, minimum, dice.choice([high, dice.randint(minimum + 1, high)])))
    return found


def _hello(dice):
    channels = _channels(dice, dice.choice([1, 4, 8, 24]))
    lines = [(number, f"{_name(dice)}{number}") for number in sorted(dice.sample(range(8), dice.randint(0, 8)))]
    refused = dice.choice(["control", "channels", "lines"]) if dice.random() < 0.03 else ""
    if refused == "channels":
        channels = []
    elif refused == "lines":
        lines = [(number, f"{number}") for number in range(9)]
    texts = {key: _name(dice, dice.choice([8, 64])) for key in ("device", "serial", "firmware", "name")}
    if dice.random() < 0.15:  # grown or cut to end about the longest body
        told = len(
            _hello_json(
                texts=texts, channels=channels, lines=lines, boot=1, tick_hz=1, stream=0, streams=1, interval=1, skew=0
            )
        )
        texts["serial"] += "s" * max(0, dice.randint(1010, 1022) - told)
    boot, tick_hz, stream, streams = _u32(dice), dice.randint(1, 10**9), dice.randrange(256), dice.randint(1, 255)
    interval, skew = dice.randint(1, 2**31 - 1), dice.choice([0, 0, dice.randrange(2**32)])
    if refused == "control":  # a control character has no place in a name
        texts[dice.choice(list(texts))] += chr(dice.randint(1, 31))
    fields = b"".join(map(_text, texts.values()))
    fields += struct.pack("<IIBBIIB", boot, tick_hz, stream, streams, interval, skew, len(channels))
    for name, kind, low, high in channels:
        fields += _text(name) + struct.pack("<Bii", TYPES.index(kind), low, high)
    fields += bytes([len(lines)]) + b"".join(bytes([number]) + _text(name) for number, name in lines)
    body = b"\x01" + _hello_json(
        texts=texts,
        channels=channels,
        lines=lines,
        boot=boot,
        tick_hz=tick_hz,
        stream=stream,
        streams=streams,
        interval=interval,
        skew=skew,
    )
    return _case(dice, HELLO, fields, b"" if refused else body)


def _hello_json(texts, channels, lines, boot, tick_hz, stream, streams, interval, skew):
    told = {
        "format": 1,
        "device": texts["device"],
        "serial": texts["serial"],
        "firmware": texts["firmware"],
        "boot": boot,
        "tick_hz": tick_hz,
        "stream": stream,
        "streams": streams,
        "name": texts["name"],
        "interval_ticks": interval,
        "layout": layout(channels, interval),
        "channels": [{"name": name, "type": kind, "min": low, "max": high} for name, kind, low, high in channels],
        "lines": [{"line": number, "name": name} for number, name in lines],
    }
    if skew:
        told["skew_ticks"] = skew
    return json.dumps(told, separators=(",", ":"), ensure_ascii=False).encode()


def _samples(dice):
    kinds = [dice.choice(TYPES) for _ in range(dice.choice([1, 2, 4, 8, 16]))]
    if dice.random() < 0.2:
        kinds = ["i24"] * len(kinds)
    row_bytes = sum(BYTES[kind] for kind in kinds)
    rows = dice.choice([1, dice.randint(0, 20), dice.randint(1, 260), 1005 // row_bytes, 1005 // row_bytes + 1])
    table, offered = [], b""
    room = dice.choice([rows * row_bytes, max(rows * row_bytes - 1, 0), 1005, 1400, dice.randrange(1200)])
    most = min(255, min(room, 1005) // row_bytes)
    special = rows <= 24  # rails, small numbers, counts that do not fit; else any bytes, which is quicker
    for _ in range(rows):
        if special:
            counts = [_count(dice, kind) for kind in kinds]
            fits = dice.random() > 0.02 or not _spoil(dice, kinds, counts)
            row = b"".join(map(packed, kinds, counts)) if fits else b""
        else:
            row, fits, at = dice.randbytes(row_bytes), True, 0
            counts = []
            for kind in kinds:
                counts.append(int.from_bytes(row[at : at + BYTES[kind]], "little", signed=kind[0] == "i"))
                at += BYTES[kind]
        offered += struct.pack(f"<{len(counts)}i", *counts)
        if fits and len(table) < most:
            table.append(row)
    stream, boot, levels, number = (dice.randrange(256) for _ in range(4))
    number += 256 * dice.randrange(256)
    sequence, ticks = _u32(dice), _u32(dice)
    fields = struct.pack("<BBBHIIB", stream, boot, levels, number, sequence, ticks, len(kinds))
    fields += bytes(map(TYPES.index, kinds)) + struct.pack("<HH", room, rows) + offered
    head = struct.pack("<BBBHBBII", 2, stream, boot, number, levels, len(table), sequence, ticks)
    # No rows, no frame.
    return _case(dice, SAMPLES, fields, head + b"".join(table) if table else b"")


def _spoil(dice, kinds, counts):
    """Put in a count that its type does not hold, so that the row is refused; False where the type holds all."""
    at = dice.randrange(len(kinds))
    low, high = LIMITS[kinds[at]]
    beyond = [count for count in (low - 1, high + 1, -(2**31), 2**31 - 1) if not low <= count <= high]
    beyond = [count for count in beyond if -(2**31) <= count < 2**31]
    counts[at] = dice.choice(beyond) if beyond else counts[at]
    return bool(beyond)


def _edge(dice):
    fields = struct.pack(
        "<BBBHI", dice.randrange(8), dice.randrange(256), dice.randrange(2), dice.randrange(65536), _u32(dice)
    )
    return _case(dice, EDGE, fields, b"\x03" + fields)


def _note(dice):
    longest = dice.choice([10, 80, 1013])
    words = "".join(dice.choices(LETTERS + AWKWARD + "\n\t", k=dice.randint(0, longest)))
    if dice.random() < 0.2:
        words = "n" * dice.choice([247 - 4, 1012, 1013, 1014, 1100])
    head = struct.pack("<BBI", dice.randrange(256), dice.randrange(256), _u32(dice))
    return _case(dice, NOTE, head + _text(words), b"\x04" + head + words.encode())


def _beat(dice):
    lines = [(dice.randrange(65536), _u32(dice)) for _ in range(dice.randint(0, 8))]
    streams = [(dice.randrange(256), _u32(dice)) for _ in range(dice.choice([1, 2, dice.randint(0, 220)]))]
    head = struct.pack("<BBI", dice.randrange(256), dice.randrange(256), _u32(dice))
    tail = b"".join(struct.pack("<HI", *line) for line in lines)
    tail += b"".join(struct.pack("<BI", *stream) for stream in streams)
    return _case(dice, BEAT, head + bytes([len(lines), len(streams)]) + tail, b"\x05" + head + tail)


def _raw(dice):
    blocks = 254 * dice.randint(1, 4) + dice.randint(-6, 2)
    length = dice.choice([dice.randint(1, 40), dice.randint(1, LONGEST), blocks])
    body = dice.randbytes(length)
    if dice.random() < 0.6:  # random bytes have a zero in 256; full blocks need fewer
        body = body.replace(b"\0", b"\x11")
    for _ in range(dice.choice([0, 0, 1, 4])):
        at = dice.randrange(length)
        body = body[:at] + b"\0" + body[at + 1 :]
    return _raw_of(dice, body)


def _raw_of(dice, body):
    return _case(dice, dice.choice([RAW, PIECES]), struct.pack("<H", len(body)) + body, body)


def _crc(dice):
    first, second = (dice.randbytes(dice.choice([0, 1, dice.randrange(300)])) for _ in range(2))
    fields = struct.pack("<BHHH", CRC, 0, len(first), len(second)) + first + second
    return Case(CRC, fields, struct.pack("<I", zlib.crc32(first + second)))
