"""Write the report of a bench run beside its sealed files."""

from pathlib import Path
from typing import Final

import numpy as np

from standbook.analysis.bench_report.page import bench_page, drawn, next_lines
from standbook.analysis.bench_report.run_facts import NANOSECONDS, BenchFacts, bench_facts, named_channels
from standbook.daq.arrays import Array
from standbook.daq.errors import RecordError
from standbook.daq.kinds.registry import BENCH
from standbook.daq.run.revision import write_page
from standbook.daq.run.run_folder import ANALYSIS, Run, open_run

PAGE: Final = BENCH.name  # of its file, as an analysis' is its revision


def write_bench_report(folder: Path) -> tuple[Path, BenchFacts]:
    """Write the report of a sealed bench run as one HTML file; return where, and what it shows.

    Raises
    ------
    DataError
        It was recorded with a plan, or has no rows.
    RecordError
        Not sealed, damaged, or the disk refuses.
    """
    run = open_run(folder)
    facts = bench_facts(run)
    steps = next_lines(facts, str(folder), str(folder.parent.parent))
    page = bench_page(facts, drawn_rows(run, facts), steps)
    try:
        (folder / ANALYSIS).mkdir(exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder / ANALYSIS}: cannot be made: {error.strerror}") from None
    return write_page(folder / ANALYSIS / PAGE, page), facts


def drawn_rows(run: Run, facts: BenchFacts) -> dict[str, tuple[Array, Array]]:
    """Return time after the first row [s] and values of the columns that are drawn."""
    wanted, found = {column.tag for column in drawn(facts)}, {}
    for stream in facts.streams:
        data = run.stream(stream.device, stream.name)
        time = np.asarray((data.host_ns - data.host_ns[0]) / NANOSECONDS, np.float64)
        told = run.record.devices[stream.device].streams[stream.name]
        for tag, key, channel in named_channels(stream.name, told):
            if tag in wanted:
                found[tag] = (time, np.asarray(channel.resolution * data.counts[key], np.float64))
    return found
