"""Is a device's clock that lies found out, and does the record keep true time all the same?

A board sends rows of thrust with its ticks, numbered, over a link that holds them up by 1 to 4 ms. Its clock then steps
back or forward, one frame bears wrong ticks, the counter has 16 bits, its rate changes, or the board stands still for
a while. The journal is sealed as any other. Of each record it is asked what is told, and what becomes of the integral
of the cell's counts: within 0.02 % of the truth, or time is missing and said to be, or the clock is called unchecked.
Clean boards, the 32-bit rollover and clocks within their tolerance among them, must be met with silence. Run from the
project's folder:

    python -m tests.studies.time_faults --each 20 --clean 100
"""

import argparse
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from standbook.daq.config.stand import Device
from standbook.daq.recording.journal_follower import Follower
from standbook.daq.run.record_summary import read_record
from standbook.daq.run.run_folder import samples_path
from standbook.daq.sealing.seal import seal
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from tests.recorded_run import Event, Player, fast_hello, new_run, plausible_counts

HZ, INTERVAL, FRAME = 1_000_000, 1000, 20  # ticks a second, ticks a row, rows a frame
SECONDS = 20.0
WRAP = 2**32
NEAR = 2e-4  # of the integral


@dataclass
class Board:
    """What a board of one trial does: rows, ticks and true times of its frames."""

    rows: int
    ticks: np.ndarray  # (F,) at the first row of each frame, as sent before they are cut to 32 bits
    times: np.ndarray  # (F,) true time of the first row [s]
    pace: np.ndarray  # (F,) true time between two rows [s]


def clean(random):
    """A board whose clock is off by up to 50 ppm and counts from anywhere."""
    frames = round(SECONDS * HZ / INTERVAL / FRAME)
    start = int(random.integers(0, WRAP)) if random.uniform() < 0.5 else WRAP - int(random.integers(1, 15_000_000))
    ticks = start + np.arange(frames, dtype=np.int64) * FRAME * INTERVAL
    rate = 1.0 + 50e-6 * float(random.uniform(-1.0, 1.0))
    times = (ticks - start) / HZ * rate
    return Board(frames * FRAME, ticks, times, np.full(frames, INTERVAL / HZ * rate))


def _somewhere(board, random):
    return int(random.uniform(0.2, 0.8) * board.ticks.size)


def stepped(low, high):
    """Step the clock by a time between two, drawn evenly in its logarithm."""

    def fault(board, random):
        by = float(np.exp(random.uniform(np.log(abs(low)), np.log(abs(high))))) * np.sign(low)
        board.ticks[_somewhere(board, random) :] += round(by * HZ)

    return fault


def one_frame(board, random):
    """Give one frame, or two in a row, ticks of another time."""
    at, many = _somewhere(board, random), int(random.integers(1, 3))
    board.ticks[at : at + many] += int(random.choice([-1, 1])) * int(random.integers(2 * INTERVAL, 5 * HZ))


def narrow(board, _):
    """Count ticks in 16 bits."""
    board.ticks %= 2**16


def rate_jumps(board, random):
    """Let the clock run by 1 to 4 % faster or slower from some time on, rows with it."""
    by = 1.0 + float(random.uniform(0.01, 0.04)) * float(random.choice([-1.0, 1.0]))
    at = _somewhere(board, random)
    board.times[at:] = board.times[at] + (board.times[at:] - board.times[at]) * by
    board.pace[at:] *= by


def stands_still(board, random):
    """Make no rows, and number none, for a while in which the clock goes on."""
    at, pause = _somewhere(board, random), float(np.exp(random.uniform(np.log(0.02), np.log(3.0))))
    board.ticks[at:] += round(pause * HZ)
    board.times[at:] += pause


FAULTS = {
    "back 10 us to 1 ms": (stepped(-1e-5, -1e-3), "stepped back"),
    "back 1 ms to 0.1 s": (stepped(-1e-3, -0.1), "stepped back"),
    "back 0.1 to 10 s": (stepped(-0.1, -10.0), "stepped back"),
    "back 65.536 ms": (stepped(-0.065536, -0.065536), "2^16"),
    "forward 10 us to 1 ms": (stepped(1e-5, 1e-3), "stepped on"),
    "forward 1 ms to 0.1 s": (stepped(1e-3, 0.1), "stepped on"),
    "forward 0.1 to 10 s": (stepped(0.1, 10.0), "stepped on"),
    "one frame": (one_frame, "their row numbers"),
    "16 bits": (narrow, "16-bit"),
    "rate": (rate_jumps, "rate changed"),
    "stands still": (stands_still, "made no rows"),
}


# What a step is called while it is recorded; a board that stood still shows as no rows.
SAID_LIVE = {word: word for word in ("stepped back", "stepped on", "2^16", "their row numbers")}
SAID_LIVE |= {"16-bit": "2^16", "rate changed": "than before"}


@dataclass(frozen=True)
class Outcome:
    """What became of one trial."""

    said: tuple[str, ...]  # cautions and worse of the device, reasons of gaps
    error: float  # of the integral, relative
    unseen: float  # most that gaps of no counted rows hide of it, relative
    steady: bool  # time only goes on
    whole: bool
    unchecked: bool  # the clock counts as held against nothing
    live: str  # what was said last while it was recorded


def trial(random, fault: Callable | None) -> Outcome:
    """Record one board and look at the sealed record."""
    board = clean(random)
    if fault is not None:
        fault(board, random)
    counts = plausible_counts(board.rows, seed=int(random.integers(1 << 30)))
    said = fast_hello()
    with tempfile.TemporaryDirectory() as folder:
        run = new_run(Path(folder))
        player = Player(run, said)
        player.records.append((0.0, Event.DATA, encode_frame(hello_body(said))))
        for k, (ticks, time, pace) in enumerate(zip(board.ticks, board.times, board.pace, strict=True)):
            rows = slice(k * FRAME, (k + 1) * FRAME)
            frame = encode_samples(said, k * FRAME, int(ticks) % WRAP, 0, counts[rows], FRAME)[0]
            late = 1e-3 + float(min(random.exponential(5e-4), 3e-3))
            player.records.append((time + FRAME * pace + late, Event.DATA, frame))
        player.write()
        seen = Follower(Device.model_validate({"name": "cradle-a"}), run / "raw").poll()
        seal(run)
        record = read_record((run / "record.json").read_text(), "record.json")
        table = pq.read_table(samples_path(run, "cradle-a", "fast"))
    return _outcome(board, counts, record, table, seen.word)


def _outcome(board, counts, record, table, live) -> Outcome:
    device = record.devices["cradle-a"]
    stream = device.streams["fast"]
    time = table.column("host_time").to_numpy().astype(np.int64) * 1e-9
    time = time - time[0]
    thrust = table.column("LC-1.counts").to_numpy().astype(float)
    true_time = (board.times[:, None] + board.pace[:, None] * np.arange(FRAME)).ravel()
    truth = float(np.trapezoid(counts[:, 0].astype(float), true_time))
    made = float(np.trapezoid(thrust, time))
    hidden = sum((gap.end_ns - gap.start_ns) * 1e-9 for gap in stream.gaps if gap.rows is None)
    clock = device.clock
    return Outcome(
        said=(*(n.text for n in device.notes if n.severity != "note"), *(gap.reason for gap in stream.gaps)),
        error=made / truth - 1.0,
        unseen=hidden * float(counts[:, 0].max()) / truth,
        steady=bool((np.diff(time) > 0.0).all()),
        whole=record.is_whole,
        unchecked=clock is None or clock.method == "tolerance",
        live=live,
    )


def judged(outcome: Outcome, word: str) -> str:
    """Say what is wrong of an outcome that should be told with a word; empty where nothing is."""
    if not outcome.steady:
        return "time does not go on"
    if not word:
        return "said of a clean board" if outcome.said or outcome.live or not outcome.whole else ""
    if not any(word in text for text in outcome.said):
        return f"not told: {outcome.said}"
    if word in SAID_LIVE and SAID_LIVE[word] not in outcome.live:
        return f"not told live: {outcome.live!r}"
    if outcome.whole:
        return "called whole"
    if abs(outcome.error) > NEAR and not outcome.unchecked and abs(outcome.error) > NEAR + outcome.unseen:
        return f"off by {100 * outcome.error:+.3f} %"
    return ""


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--clean", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    asked = parser.parse_args()
    rows = [("clean", None, "", asked.clean), *((name, *own, asked.each) for name, own in FAULTS.items())]
    failed = 0
    for name, fault, word, many in rows:
        outcomes = [trial(np.random.default_rng([asked.first_seed + k, 31]), fault) for k in range(many)]
        wrong = Counter(filter(None, (judged(outcome, word) for outcome in outcomes)))
        failed += sum(wrong.values())
        worst = max((abs(o.error) for o in outcomes if not o.unchecked), default=float("nan"))
        print(f"{name:24s} n {many:3d}  wrong {sum(wrong.values()):3d}  integral off by at most {100 * worst:.4f} %")
        for text, times in wrong.most_common(4):
            print(f"    {times}: {text}")
    print(f"wrong in all: {failed}")


if __name__ == "__main__":
    main()
