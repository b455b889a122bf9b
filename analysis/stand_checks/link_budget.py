"""What a link carries, what a sense line shows, how much of a range is used: known before anything is recorded. SI."""

import math
from dataclasses import dataclass
from typing import Literal

HEADER, CHECKSUM, CODED = 15, 4, 254  # bytes of wire format 1: header, CRC; bytes that one of coding serves
BITS_A_BYTE = 10  # on the line: start, eight, stop
HELLO, HELLO_A_CHANNEL, HELLOS = 260, 50, 1  # bytes at most, measured; a second
BEAT, BEATS = 24, 10  # bytes; a second
TEXT_ENDS = 24  # bytes of a text line beside its numbers: boot, row and clock at their longest, checksum, end
USABLE, NOTED = 0.9, 0.7  # of the baud: what is refused, and what is said
PART_RATE, PART_CORNER = 8.0, 4.0  # rows in a period of the stand; corner of a filter below the row rate by
DISK = 3.0  # times what a record will have
LEAST_RANGE, MOST_RANGE = 0.40, 0.75  # of full scale, of the greatest value expected; common practice, no source
SHOWN_TO = 0.5  # of a sense line's frequency: above it nothing is given an amplitude
LINE_ERROR = 0.05  # of an amplitude, that a sense line may make

Verdict = Literal["fits", "fits, little to spare", "does not fit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a board is to send."""

    rate: float  # rows a second [Hz]
    row: int  # bytes of one row
    channels: int
    rows_a_frame: int = 1
    baud: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkBudget:
    """Bytes a second of a link, against what it carries."""

    rows: float  # bytes a second
    besides: float  # hellos and beats
    carried: float  # at the full baud
    verdict: Verdict
    sentence: str

    @property
    def share(self) -> float:
        """Share of the link that is taken."""
        return (self.rows + self.besides) / self.carried


def frame_bytes(rows: int, row: int) -> int:
    """Return the bytes of a samples frame of wire format 1 on the line.

    Parameters
    ----------
    rows, row : int
        Rows in it; bytes of one.

    Notes
    -----
    Exact up to 253 coded bytes, and above as long as none of them is zero; each zero there can only save coding.
    Source: [COBS99].
    """
    plain = HEADER + rows * row + CHECKSUM
    return plain + math.ceil(plain / CODED) + 1


def text_row_bytes(channels: int, digits: int) -> int:
    """Return the bytes of a text line of so many numbers of so many digits, at most."""
    return TEXT_ENDS + channels * (digits + 1)


def link_budget(link: Link) -> LinkBudget:
    """Tell whether a link carries rows of wire format 1, hellos and beats; a tenth stays free for edges and notes."""
    return _budget(link, link.rate * frame_bytes(link.rows_a_frame, link.row) / link.rows_a_frame)


def text_budget(link: Link, digits: int) -> LinkBudget:
    """Tell the same of a board that prints its numbers, so many digits each."""
    return _budget(link, link.rate * text_row_bytes(link.channels, digits))


def _budget(link: Link, rows: float) -> LinkBudget:
    besides = float(HELLOS * (HELLO + HELLO_A_CHANNEL * link.channels) + BEATS * BEAT)
    carried = link.baud / BITS_A_BYTE
    share = (rows + besides) / carried
    verdict: Verdict = "fits"
    if share > USABLE:
        verdict = "does not fit"
    elif share > NOTED:
        verdict = "fits, little to spare"
    most = link.rate * (USABLE * carried - besides) / rows
    sentence = (
        f"{verdict}: {rows + besides:,.0f} bytes/s of the {carried:,.0f} that {link.baud:,.0f} baud carry;"
        f" at most {max(most, 0.0):,.0f} rows/s"
    )
    return LinkBudget(rows=rows, besides=besides, carried=carried, verdict=verdict, sentence=sentence)


def rate_notes(rate: float, *, mode: float, corner: float, converter: float, channels: int) -> tuple[str, ...]:
    """Say what a row rate leaves to be wished.

    Parameters
    ----------
    rate : float
        Rows a second. [Hz]
    mode, corner : float
        Lowest frequency of the stand, corner of the filter before the converter. [Hz]
    converter : float
        Time that one conversion takes. [s]
    channels : int
        That one converter serves.
    """
    notes = []
    if rate < PART_RATE * mode:
        notes.append(f"{rate:.4g} rows/s show the stand's {mode:.3g} Hz in few rows; {PART_RATE * mode:.4g} would do")
    if corner > rate / PART_CORNER:
        notes.append(f"a filter of {corner:.4g} Hz lets pass what {rate:.4g} rows/s fold; {rate / PART_CORNER:.4g} Hz")
    if rate * converter * channels > 1.0:
        notes.append(f"the converter makes {1.0 / (converter * channels):,.0f} rows/s of {channels} channels at most")
    return tuple(notes)


def disk_needed(bytes_a_second: float, seconds: float) -> float:
    """Return the free disk that a record wants: three times its own size. [bytes]."""
    return DISK * bytes_a_second * seconds


def quarter_wave(sound: float, length: float) -> float:
    """Return the frequency at which a sense line [m] rings, c / 4 L, by its speed of sound [m/s]. [Hz]."""
    return sound / (4.0 * length)


def line_gain(frequency: float, quarter: float) -> float | None:
    r"""Return by what a sense line magnifies a pressure's amplitude, less one; none where nothing is to be said.

    Parameters
    ----------
    frequency, quarter : float
        Of the pressure, of the line. [Hz]

    Notes
    -----
    :math:`1 / \cos(\pi f / 2 f_q) - 1`, a line without friction, closed by the transducer. Derived.
    """
    if frequency > SHOWN_TO * quarter:
        return None
    return 1.0 / math.cos(math.pi * frequency / (2.0 * quarter)) - 1.0


def usable_to(quarter: float) -> float:
    """Return up to which frequency a sense line keeps amplitudes within 5 %. [Hz]."""
    return quarter * 2.0 / math.pi * math.acos(1.0 / (1.0 + LINE_ERROR))


def range_note(expected: float, span: float, zero_u: float) -> str:
    """Say how much of a sensor's range the greatest expected value uses; empty where it is well placed.

    Parameters
    ----------
    expected, span, zero_u : float
        One unit; u of the zero.
    """
    share = expected / span
    if LEAST_RANGE <= share <= MOST_RANGE:
        return ""
    if share > MOST_RANGE:
        return f"{100 * share:.0f} % of the range is used: little is left for a start that overshoots"
    return f"{100 * share:.0f} % of the range is used: the zero alone is {100 * zero_u / expected:.2g} % of it"
