"""Describe in words the bytes that a port sent in a few seconds: frames, text, or neither.

Only describes. Whether a port is the right one is for the caller to decide; nothing here guesses a format.
"""

from typing import Final

LOOK: Final = 3.0  # [s]
_TEXT_SHARE: Final = 0.95  # printable share from which bytes are called text; random bytes have 0.38
_SHOWN: Final = 60  # characters of a text line that are quoted
_PRINTABLE: Final = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


def describe_bytes(data: bytes) -> str:
    """Describe ``data``: silence, valid frames, text, or something that is neither.

    Parameters
    ----------
    data
        Bytes as they came from a port, from any point of the stream on.
    """
    if not data:
        return "silence: not one byte came"
    frames, damaged = _count_frames(data)
    if frames:
        harm = f" and {_plural(damaged, 'damaged one')}" if damaged else ""
        return f"{_plural(frames, 'valid frame')}{harm} in {_plural(len(data), 'byte')}"
    text = sum(byte in _PRINTABLE for byte in data) / len(data)
    if text >= _TEXT_SHARE:
        lines = [line for line in data.replace(b"\r", b"\n").split(b"\n") if line]
        # The first line was most likely cut by opening the port amid it.
        line = lines[1 if len(lines) > 2 else 0].decode("ascii", errors="replace") if lines else ""
        return f"text, not frames: {_plural(len(lines), 'line')} such as {line[:_SHOWN]!r}"
    return (
        f"{_plural(len(data), 'byte')} that are neither frames nor text ({text:.0%} printable): a wrong speed, or a"
        " device that speaks another format"
    )


def no_frame_sentence(device: str, port: str, baud: int, data: bytes, seconds: float = LOOK) -> str:
    """Return the sentence for a port on which no valid frame came, with what came instead and what to do."""
    advice = "compare the speed and the firmware of the board with stand.toml"
    if not data:
        advice = "check power and cable of the board, and that it is not waiting to be told to start"
    return (
        f"{device}: no valid frame on {port} at {baud} bit/s for {seconds:g} s; seen: {describe_bytes(data)}; {advice}"
    )


def _count_frames(data: bytes) -> tuple[int, int]:
    from standbook.daq.wire.decoder import Decoder  # brings numpy along, which a look at silence has no need of

    decoded = Decoder().feed(data)
    return decoded.frames, decoded.damaged_frames


def _plural(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
