"""Print what the shipped sketch asks of an ATmega328P: flash, RAM, cycles a row, and how many rows a link carries.

Run ``python -m tests.benchmarks.bench_firmware`` (tools: ``.ci/run`` says which). All figures come from the emulated
chip and do not depend on this computer. A rate counts as sustained when in ten simulated seconds every row came, none
was skipped, and every hello and beat came as well. Rates are those that divide a million, as the sketch demands.

An emulated byte takes 11 bit times instead of 10, so a real link carries a tenth more. Rates go beyond what the sketch
would let through (nine tenths of a link, a converter clock of at most 125 kHz), to find where it breaks.
"""

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.emulator.board import HZ, emulated, write_trace
from tests.emulator.heard import hear
from tests.emulator.toolchain import FLASH_BYTES, RAM_BYTES, build_runner, build_sketch, require_tools

RATES = [rate for rate in range(31, 10_001) if 1_000_000 % rate == 0]
BAUDS = (115_200, 500_000, 1_000_000)
FASTEST = 2_000_000  # bit/s that the chip can make: the link is then no limit
INPUTS = 4


@dataclass(frozen=True, slots=True)
class Run:
    """What one configuration did."""

    rows: int
    skipped: int
    seconds: float
    hellos: int
    awake: float  # cycles in which the processor did not sleep, a row
    interrupts: float  # cycles in interrupts, a row
    untouched: int  # bytes of RAM that nothing ever wrote
    sent: float  # bytes a second

    def is_sustained(self, rate: int) -> bool:
        """Tell whether all that was due came."""
        return self.skipped == 0 and self.rows >= 0.98 * rate * self.seconds and self.hellos >= int(self.seconds)


class Bench:
    """Builds and runs configurations, each once."""

    def __init__(self, folder: Path, seconds: float) -> None:
        self.folder, self.seconds = folder, seconds
        self.runner = build_runner(folder)
        seen = {f"mv{k}": _ramp(k) for k in range(INPUTS)}
        self.trace = write_trace(folder / "trace.csv", seconds, seen)

    def run(self, **defines: int) -> Run | None:
        """Run a configuration; none when the sketch refuses it, as rows faster than the converter."""
        place = self.folder / ("-".join(f"{key}{value}" for key, value in defines.items()) or "shipped")
        try:
            binary = build_sketch("standbook_node", place, {"NODE_ALLOW_OVERRUN": 1, **defines} if defines else {})
        except AssertionError as refused:
            if "node_config.h" not in str(refused):
                raise
            return None
        out = place / "out.bin"
        options = {"output": out, "pace": 0.0, "stop": self.seconds}
        with emulated(self.runner, binary.elf, place, self.trace, **options) as board:
            told = board.account().told
        heard = hear(out.read_bytes())
        (start,) = heard.starts.values()
        assert heard.damaged == 0
        rows = start.sequence.size
        return Run(
            rows,
            start.lost,
            self.seconds,
            heard.hellos,
            (told["cycles"] - told["slept"]) / rows,
            told["in_interrupts"] / rows,
            told["untouched_ram"],
            told["sent"] / self.seconds,
        )

    def greatest(self, **defines: int) -> "Greatest":
        """Search the greatest sustained rate."""
        low, high, best, worse = 0, len(RATES), None, None
        while high - low > 1:
            middle = (low + high) // 2
            run = self.run(NODE_RATE=RATES[middle], **defines)
            if run is not None and run.is_sustained(RATES[middle]):
                low, best = middle, run
            else:
                high, worse = middle, run
        assert best is not None, "not even the slowest rates are sustained"
        return Greatest(RATES[low], best, RATES[high] if high < len(RATES) else None, worse)


@dataclass(frozen=True, slots=True)
class Greatest:
    """The greatest sustained rate, and what the next one comes to."""

    rate: int
    run: Run
    next_rate: int | None
    next_run: Run | None

    @property
    def beyond(self) -> str:
        """Say what is in the way."""
        if self.next_rate is None:
            return "no faster rate was tried"
        if self.next_run is None:
            return f"{self.next_rate:,} is too fast for the converter"
        return f"at {self.next_rate:,} {self.next_run.skipped:,} rows are skipped and told"


def _ramp(k: int) -> Callable[[np.ndarray], np.ndarray]:
    return lambda time: 4900.0 * ((time + k) % 5.0) / 5.0


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0, help="simulated, of each run")
    seconds = parser.parse_args().seconds
    require_tools()
    with tempfile.TemporaryDirectory() as made:
        bench = Bench(Path(made), seconds)
        binary = build_sketch("standbook_node", Path(made) / "shipped")
        shipped = bench.run()
        assert shipped is not None
        print(
            f"flash {binary.flash_bytes:,} of {FLASH_BYTES:,} bytes; RAM of variables {binary.ram_bytes:,} of "
            f"{RAM_BYTES:,}, never reached by variables or stack {shipped.untouched}"
        )
        print(
            f"as shipped: {_told(shipped)}; cycles a row: {shipped.interrupts:,.0f} in interrupts, awake for "
            f"{shipped.awake:,.0f}"
        )
        for divider in (128, 32):
            for baud in BAUDS:
                found = bench.greatest(NODE_BAUD=baud, NODE_ADC_DIVIDER=divider)
                print(
                    f"{INPUTS} channels, converter clock {HZ // divider / 1e3:,.0f} kHz, {baud:,} bit/s: "
                    f"{_told(found.run)}; {found.beyond}",
                    flush=True,
                )
        found = bench.greatest(NODE_BAUD=FASTEST, NODE_ADC_DIVIDER=16)
        full = found.next_run or found.run
        print(
            f"processor alone: {_told(found.run)}; {found.beyond}; fully loaded it takes {full.awake:,.0f} cycles a "
            f"row, {full.interrupts:,.0f} of them in interrupts"
        )


def _told(run: Run) -> str:
    return f"{run.rows / run.seconds:,.0f} rows/s, {run.skipped} skipped, {run.sent:,.0f} bytes/s"


if __name__ == "__main__":
    main()
