"""Sealed bench runs as a board and a capture would make them, without either."""

import numpy as np

from standbook.daq.bench.unplanned_run import create_bench_run, next_name
from standbook.daq.journal.record_format import Event
from standbook.daq.sealing.seal import seal
from standbook.daq.survey.board_survey import account_for
from standbook.daq.survey.first_stand import stand_of_frames, stand_of_lines
from standbook.daq.survey.line_survey import survey_lines
from tests.cli.test_ports import reel_of, sent
from tests.recorded_run import NOW, Player, fast_hello, plenty


def campaign_of(folder, text):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "stand.toml").write_text(text, encoding="utf-8")
    return folder


def new_bench_run(campaign, device, *, rehearsal=False):
    name = next_name(campaign, "bench", now=NOW)
    return create_bench_run(
        campaign, name, [device], rehearsal=rehearsal, now=NOW, software="standbook test", free=plenty
    )


def framed_run(folder, *, channels=4, seconds=4.0, drop=(), ppm=0.0, counts=None):
    """A run of a board of frames: noise of two counts; the second channel rings, the third is stuck at its rail."""
    hello = fast_hello(channels=channels)
    stand = stand_of_frames(account_for(reel_of(sent(hello)), 1.0), 500_000, name="bench")
    run = new_bench_run(campaign_of(folder, stand), "cradle-a")
    if counts is None:
        number = round(1000 * seconds)
        counts = np.rint(np.random.default_rng(3).normal(100.0, 2.0, (number, channels))).astype(np.int64)
        counts[:, 1] += np.rint(50.0 * np.sin(2.0 * np.pi * 50.0 * np.arange(number) / 1000.0)).astype(np.int64)
        counts[:, 2] = 32_767
    Player(run, hello, rate=1.0 - 1e-6 * ppm).play(counts, drop=drop).write()
    seal(run)
    return run


def printed(rows, *, lost=(), clock=True):
    """Lines of a board that prints: counter, microseconds, a value of one decimal, a value that never moves."""
    noise = np.random.default_rng(4).normal(0.0, 0.4, rows)
    return [
        b"%d,%s%.1f,77\n" % (k, b"%d," % (12_500 * k) if clock else b"", 23.0 + noise[k])
        for k in range(rows)
        if k not in lost
    ]


def wide(columns, rows=200):
    """Lines of a board that prints a counter and many columns of noise."""
    values = np.random.default_rng(5).normal(50.0, 3.0, (rows, columns))
    return [b"%d,%s\n" % (k, b",".join(b"%.1f" % value for value in row)) for k, row in enumerate(values)]


def lined_run(folder, lines, *, every=0.0125):
    """A run of a board that prints lines."""
    text = stand_of_lines(
        survey_lines(reel_of(lines[:300], every=every), 3.0), "/dev/ttyUSB0", 115_200, "", name="bench"
    )
    run = new_bench_run(campaign_of(folder, text), "board-1")
    player = Player(run, fast_hello(), device="board-1")
    player.records = [(0.002 + every * k, Event.DATA, line) for k, line in enumerate(lines)]
    player.write()
    seal(run)
    return run
