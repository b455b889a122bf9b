"""How many rows are called lost of a board that prints lines without a counter, and how many truly were?

Simulated boards of 50,000 rows: paced by a grid, where a late row is repaid, or by a delay after each row, where it
never is; some on a link that loses 0.5 % of the rows. Run from the project's folder:

    python -m tests.studies.late_rows --rows 50000
"""

import argparse
from dataclasses import dataclass

import numpy as np

from standbook.daq.recovery.late_rows import long_steps


@dataclass(frozen=True)
class Board:
    """How a simulated board prints."""

    name: str
    interval: float  # [s]
    late_share: float
    late: tuple[float, float]  # of a late row [s]
    on_grid: bool
    loses: float = 0.0  # share of rows
    # What a prototype had of 50,000 rows: rows called lost that were not, lost ones missed, steps not told apart.
    prototype: tuple[int, int, int] = (0, 0, 0)


BOARDS = (
    Board("grid 20 ms, 1 % late 8-30 ms", 0.02, 0.01, (0.008, 0.030), True, prototype=(0, 0, 3)),
    Board("the same, link loses 0.5 %", 0.02, 0.01, (0.008, 0.030), True, 0.005, prototype=(2, 7, 7)),
    Board("grid 20 ms, 2 % late 15-70 ms", 0.02, 0.02, (0.015, 0.070), True, prototype=(19, 0, 32)),
    Board("grid 2 ms, 1 % late 1-9 ms", 0.002, 0.01, (0.001, 0.009), True, prototype=(13, 0, 6)),
    Board("delay 20 ms, 1 % late 8-30 ms", 0.02, 0.01, (0.008, 0.030), False, prototype=(23, 0, 433)),
    Board("delay 20 ms, 2 % late, loses 0.5 %", 0.02, 0.02, (0.015, 0.070), False, 0.005, prototype=(179, 16, 924)),
)


@dataclass(frozen=True)
class Count:
    """What was said of one board."""

    truly_lost: int
    false: int  # rows called lost that were not
    missed: int
    undecided: int
    is_paced_by_delay: bool


def printed(board, rows, random):
    """Return the ticks of the rows that arrive [us], and how many were lost just before each."""
    late = np.where(random.random(rows) < board.late_share, random.uniform(*board.late, rows), 0.0)
    if board.on_grid:
        ready = np.arange(rows) * board.interval + late
        times, before = np.empty(rows), -np.inf
        for k, at in enumerate(ready.tolist()):  # a late row holds up the next ones, which then come fast
            before = times[k] = max(at, before + 0.3 * board.interval)
    else:
        times = np.cumsum(board.interval * random.uniform(1.0, 1.02, rows) + late)
    arrives = random.random(rows) >= board.loses
    arrives[0] = True
    lost = np.diff(np.flatnonzero(arrives), prepend=-1) - 1
    return np.rint(1e6 * times[arrives]).astype(np.int64), lost


def count(board, rows, seed):
    """Judge one board."""
    ticks, lost = printed(board, rows, np.random.default_rng([seed, 41]))
    found = long_steps(ticks, int(np.median(np.diff(ticks))))
    return Count(
        int(lost.sum()),
        int(np.maximum(found.lost - lost, 0).sum()),
        int(np.maximum(lost - found.lost, 0).sum()),
        found.undecided,
        found.is_paced_by_delay,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for board in BOARDS:
        found = count(board, asked.rows, asked.seed)
        print(
            f"{board.name:42s} lost {found.truly_lost:4d}  false {found.false:4d}  missed {found.missed:3d}  late or "
            f"lost {found.undecided:4d}  {'paced by delay' if found.is_paced_by_delay else ''}"
        )


if __name__ == "__main__":
    main()
