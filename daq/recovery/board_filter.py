"""Keep only the right board's bytes where hellos of two boards came over one port.

The wrong board may be plugged in after a replug, and its boot count, layout and row numbers may happen to fit. Rows of
two boards must not become one stream. A board that takes another's place within one opening of the port is known
from its first hello on, which boards send when they start.
"""

import itertools
from collections.abc import Sequence

import numpy as np

from standbook.daq.recovery.device_stream import SEPARATOR, DeviceStream, PortOpening
from standbook.daq.run.record_summary import NoteRecord
from standbook.daq.wire.decoder import Decoded
from standbook.daq.wire.hello import Hello


def boards_in(pieces: Sequence[Decoded]) -> set[tuple[str, str]]:
    """Return serial number and name of each board whose hello came."""
    return {_board(hello) for piece in pieces for hello, _ in piece.hellos}


def keep_one_board(
    device_stream: DeviceStream, opening: PortOpening, pieces: Sequence[Decoded], serial: str
) -> tuple[PortOpening, list[NoteRecord]]:
    """Blank the bytes of all boards but one.

    Parameters
    ----------
    device_stream : DeviceStream
        The openings of the port, and the stand's name of the device.
    opening : PortOpening
        All openings as one, joined by ``SEPARATOR``.
    pieces : sequence of Decoded
        What is in it.
    serial : str
        As the stand states it; empty when it does not.

    Returns
    -------
    opening
        As long as before: what is left out became empty frames.
    notes
        A serious one for each board that was left out.

    Notes
    -----
    The right board is that of the stand's serial number, else of the stand's name, else the first. An opening belongs
    to the board whose hello comes first in it, from another's hello on to that one; without a hello, to the board of
    the opening before.
    """
    told = [(hello, end) for piece in pieces for hello, end in piece.hellos]
    right = max(
        dict.fromkeys(_board(hello) for hello, _ in told),
        key=lambda b: (bool(serial) and b[0] == serial, b[1] == device_stream.device),
    )
    stream = bytearray(opening.stream)
    starts = np.cumsum([0, *(len(one.stream) + len(SEPARATOR) for one in device_stream.openings)]).tolist()
    left_out: dict[tuple[str, str], int] = {}
    board = right
    for low, high in itertools.pairwise(starts):
        inside = [(hello, end) for hello, end in told if low < end <= high]
        if inside:
            board = _board(inside[0][0])
        cuts = [(low, board)]
        for hello, end in inside:
            if _board(hello) != board:
                board = _board(hello)
                cuts.append((opening.stream.rfind(SEPARATOR, low, end - 1) + 1, board))
        for (start, whose), (stop, _) in itertools.pairwise([*cuts, (min(high, len(stream)), board)]):
            if whose != right:
                stream[start:stop] = bytes(stop - start)  # empty frames: no other offset moves
                left_out[whose] = left_out.get(whose, 0) + stop - start
    notes = [
        NoteRecord(
            severity="serious",
            host_ns=None,
            text=f'another board answered: serial "{other[0]}", device "{other[1]}"; its {count} bytes are left out, '
            f'only those of serial "{right[0]}" are decoded; the journal keeps them all',
        )
        for other, count in left_out.items()
    ]
    return PortOpening(bytes(stream), opening.chunk_end, opening.arrival_ns), notes


def _board(hello: Hello) -> tuple[str, str]:
    return hello.serial, hello.device
