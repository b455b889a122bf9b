"""An independent, plain decoder of wire format 1, written from the format's text with nothing but the language.

It shares no line with the package: COBS by its definition, CRC-32 bit by bit from its polynomial (folded into
a table), fields by hand. Slow, obvious, and the judge of the fast one.
"""

from standbook.daq.wire.hello import Hello, WireChannel, WireLine

_TABLE = []
for _value in range(256):
    for _ in range(8):
        _value = (_value >> 1) ^ (0xEDB88320 if _value & 1 else 0)  # 04C11DB7 reflected
    _TABLE.append(_value)

SIZES = {"u8": 1, "i16": 2, "u16": 2, "i24": 3, "i32": 4}


def crc32(data):
    register = 0xFFFFFFFF
    for byte in data:
        register = (register >> 8) ^ _TABLE[(register ^ byte) & 0xFF]
    return register ^ 0xFFFFFFFF


def uncobs(piece):
    """Decode one COBS piece without its delimiter; None when it is not COBS."""
    out = bytearray()
    at = 0
    while at < len(piece):
        code = piece[at]
        block = piece[at + 1 : at + code]
        if code == 0 or len(block) != code - 1 or 0 in block:
            return None
        out += block
        at += code
        if code != 0xFF and at < len(piece):
            out.append(0)
    return bytes(out)


def number(data, signed=False):
    return int.from_bytes(data, "little", signed=signed)


def bodies(stream):
    """Give (body, offset past its delimiter) of every frame whose CRC is right."""
    offset = 0
    for piece in stream.split(b"\0")[:-1]:
        offset += len(piece) + 1
        raw = uncobs(piece)
        if raw is not None and 5 <= len(raw) <= 1024 and crc32(raw[:-4]) == number(raw[-4:]):
            yield raw[:-4], offset


def sample_rows(stream, hello):
    """Give (boot, sequence, ticks, values, offset) of every row of hello's stream."""
    for body, offset in bodies(stream):
        if body[0] != 2 or body[1] != hello.stream or number(body[3:5]) != hello.layout:
            continue
        count, sequence, ticks = body[6], number(body[7:11]), number(body[11:15])
        at = 15
        for row in range(count):
            values = []
            for channel in hello.channels:
                size = SIZES[channel.type]
                values.append(number(body[at : at + size], signed=channel.type[0] == "i"))
                at += size
            yield (
                body[2],
                (sequence + row) % 2**32,
                (ticks + row * hello.interval_ticks) % 2**32,
                tuple(values),
                offset,
            )


def rows_of(blocks):
    """Give the same tuples from the package's blocks."""
    for block in blocks:
        stops = [*block.frame_row[1:].tolist(), block.sequence.size]
        for start, stop, end in zip(block.frame_row.tolist(), stops, block.frame_end.tolist(), strict=True):
            for row in range(start, stop):
                yield (
                    block.boot,
                    int(block.sequence[row]),
                    int(block.ticks[row]),
                    tuple(block.counts[row].tolist()),
                    end,
                )


def hello(types=("i24", "i24"), *, stream=1, boot=17, interval=1000, lines=("fire",), streams=2):
    """A device of the demo's kind."""
    limits = {"u8": (0, 255), "u16": (0, 65535)}
    return Hello(
        device="cradle-a",
        serial="0007",
        firmware="1.0.0",
        boot=boot,
        tick_hz=1_000_000,
        stream=stream,
        streams=streams,
        name=f"stream{stream}",
        interval_ticks=interval,
        channels=tuple(
            WireChannel(f"adc{index}", kind, *limits.get(kind, (-(2**15), 2**15 - 1)))
            for index, kind in enumerate(types)
        ),
        lines=tuple(WireLine(number, name) for number, name in enumerate(lines)),
    )
