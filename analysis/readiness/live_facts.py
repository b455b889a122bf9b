"""Facts that a short look at the boards tells: rows arrive, none lost, each channel of the minimum data alive."""

from collections.abc import Iterable

import numpy as np

from standbook.analysis.readiness.fact import Fact
from standbook.analysis.stand_checks.link_budget import Link, link_budget
from standbook.daq.bench.recorded_levels import supply_of
from standbook.daq.config.plan import Plan
from standbook.daq.config.signal_conversion import clipped, open_wire, signal_from_counts
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError
from standbook.daq.run.run_folder import Run

CLIPPED_SHARE = 0.001  # of rows at a rail
ROWS_A_FRAME = 1  # the dearest way to send rows
MINUTES = 10.0
NOT_LOOKED = "not looked at"


def live_facts(plan: Plan, stand: Stand, look: Run | None) -> tuple[Fact, ...]:
    """Return what a look shows, or that nobody looked.

    Parameters
    ----------
    plan : Plan
        Names the minimum data.
    stand : Stand
        Its boards.
    look : Run or None
        A few seconds of all boards, sealed.

    Raises
    ------
    RecordError
        A samples file cannot be read.
    """
    return (*_boards(stand, look), *_links(stand, look), *_channels(plan, stand, look))


def _boards(stand: Stand, look: Run | None) -> Iterable[Fact]:
    for device in stand.device:
        seen = None if look is None else look.record.devices.get(device.name)
        rows = lost = boots = 0
        if seen is not None:
            rows = sum(stream.rows for stream in seen.streams.values())
            lost = sum(gap.rows or 0 for stream in seen.streams.values() for gap in stream.gaps)
            boots = seen.boots
        good = rows > 0 and lost == 0 and boots <= 1
        found = f"{rows:,} rows, {lost} lost, {boots} boot{'s' if boots != 1 else ''}"
        yield Fact(
            name=f"rows of {device.name}",
            state="not measured" if look is None else "holds" if good else "does not hold",
            found=NOT_LOOKED if look is None else found,
            ruins="the run: what does not arrive is not recorded",
            share=1.0,
            mend="standbook ready --look" if look is None else "power, cable, port",
            minutes=MINUTES,
            age=None if look is None else 0.0,
        )


def _links(stand: Stand, look: Run | None) -> Iterable[Fact]:
    """Judge what each board sends against what its link carries, by the rows that were seen."""
    for device in stand.device:
        seen = None if look is None else look.record.devices.get(device.name)
        if seen is None or device.text_lines is not None or device.baud == 0:
            continue
        for name, stream in sorted(seen.streams.items()):
            if not stream.rows:
                continue
            row = sum(bits(channel.type) for channel in stream.channels) // 8
            rate = stream.tick_hz / stream.interval_ticks
            budget = link_budget(
                Link(rate=rate, row=row, channels=len(stream.channels), rows_a_frame=ROWS_A_FRAME, baud=device.baud)
            )
            yield Fact(
                name=f"link of {device.name}/{name}",
                state="does not hold" if budget.verdict == "does not fit" else "holds",
                found=budget.sentence,
                ruins="rows that do not fit are lost",
                share=1.0,
                mend="a higher baud, fewer channels or fewer rows",
                minutes=MINUTES,
                age=0.0,
            )


def bits(kind: str) -> int:
    """Return the bits of a channel of the wire format, by its type's name: "i24" has 24."""
    return int(kind[1:])


def _channels(plan: Plan, stand: Stand, look: Run | None) -> Iterable[Fact]:
    for tag in plan.test.minimum_data:
        wrong = "" if look is None else _what_is_wrong(look, tag)
        yield Fact(
            name=f"signal of {tag}",
            state="not measured" if look is None else "does not hold" if wrong else "holds",
            found=NOT_LOOKED if look is None else wrong or "alive, inside its range",
            ruins=f"minimum data: all that {tag} reads",
            share=1.0,
            mend="standbook ready --look" if look is None else f"wire and sensor of {tag}",
            minutes=MINUTES,
            age=None if look is None else 0.0,
        )


def _what_is_wrong(look: Run, tag: str) -> str:
    """Say what is wrong with a channel's rows; empty where nothing is."""
    item = look.stand.input_tagged(tag)
    if (item.device, item.stream) not in look.streams():
        return "no rows"
    rows = look.stream(item.device, item.stream)
    counts = rows.counts[tag]
    try:
        signal = signal_from_counts(item, counts, supply_of(look, item, rows))
    except DataError as error:
        return str(error)
    if (share := float(np.mean(open_wire(item, signal)))) > CLIPPED_SHARE:
        return f"open wire in {100 * share:.0f} % of the rows"
    if (share := float(np.mean(clipped(counts, rows.rails[tag])))) > CLIPPED_SHARE:
        return f"at the end of its range in {100 * share:.0f} % of the rows"
    if item.measurand.can_freeze and counts.size > 1 and int(np.ptp(counts)) == 0:
        return f"frozen: every one of {counts.size:,} rows is {int(counts[0])} counts"
    return ""
