"""A rehearsal straight into a sealed run folder: what the device says, as a capture would have kept it, at once.

The bytes are those of a real rehearsal, faults of device, sensors and link included; only port, processes and waiting
are left out. Arrivals lie a few milliseconds after the rows, as behind a USB link.
"""

import dataclasses
import datetime as dt
import json
import math

import numpy as np

from standbook.analysis.kinds.registry import predict
from standbook.cli.rehearse import weighings_text
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter, next_journal
from standbook.daq.rehearsal.fault_catalogue import ClockOff, placed
from standbook.daq.rehearsal.link_fault_injection import on_the_link
from standbook.daq.rehearsal.script import script
from standbook.daq.rehearsal.sensor_fault_injection import faulty_table
from standbook.daq.run.additions import WEIGHINGS_FILE, add
from standbook.daq.run.lock import check_lock, lock_campaign
from standbook.daq.run.marks import MARKS_FILE
from standbook.daq.run.new_run import create_run
from standbook.daq.run.run_folder import RAW
from standbook.daq.sealing.seal import seal

NOW = dt.datetime(2031, 6, 14, 13, 0, tzinfo=dt.UTC)
MONOTONIC_NS = 50_000_000_000_000
WALL_NS = int(NOW.timestamp()) * 1_000_000_000 - MONOTONIC_NS
LINK_DELAY, LINK_JITTER = 1.0e-3, 0.4e-3  # s: least delay, mean of what comes on top
MOST_BYTES = 16_000  # of one journal record


def lock(campaign, prediction=None, *, samples=200):
    """Predict and lock a campaign's plan on the day before; return the prediction."""
    prediction = prediction or predict(campaign.plan, campaign.stand, samples=samples)
    lock_campaign(campaign, prediction.to_json(), now=NOW - dt.timedelta(days=1))
    return prediction


def t_zero_of(table):
    """Return the first rising edge after the first row. [s] of the device."""
    return next((edge.ticks / table.tick_hz for edge in table.edges if edge.level == 1), 0.0)


def recorded(noted, rehearsal, *, faults=(), weighings=None, marks=(), hours=0.0, number=1):
    """Record and seal a rehearsal into the campaign as it was noted down; return the run folder.

    ``faults`` count from T-0. ``marks`` are (text, key, seconds after T-0) of the crew. ``hours`` of still record
    come before the rehearsal's own first row.
    """
    now = NOW + dt.timedelta(hours=number)
    run = create_run(
        noted, check_lock(noted), rehearsal=True, now=now, software="standbook test", free=lambda _: 10**15
    )
    for table in rehearsal.tables.values():
        table = _with_still_hours(table, 3600.0 * hours)
        wrong = placed(faults, t_zero_of(table))
        table = faulty_table(table, wrong, noted.stand.input)
        pace = math.prod(1.0 + fault.rate for fault in wrong if isinstance(fault, ClockOff))
        said = on_the_link(script(table, faults=wrong), wrong)
        _write_journal(run, table.device, said, pace, 3600e9 * number)
        if marks:
            zero = t_zero_of(table) / pace
            _write_marks(run, [(text, key, zero + at) for text, key, at in marks], 3600e9 * number)
    seal(run)
    typed = rehearsal.weighings if weighings is None else weighings
    if typed:
        path = noted.folder / WEIGHINGS_FILE
        path.write_text(weighings_text(typed), encoding="utf-8")
        add(run, [path])
        path.unlink()
    return run


def _with_still_hours(table, seconds):
    """Put a still record before the first row: the first half second again and again."""
    if not seconds:
        return table
    ticks = round(seconds) * table.tick_hz
    streams = []
    for stream in table.streams:
        rows = ticks // stream.interval_ticks
        piece = max(1, table.tick_hz // (2 * stream.interval_ticks))
        order = np.arange(rows) % piece
        streams.append(dataclasses.replace(stream, counts=np.concatenate([stream.counts[order], stream.counts])))
    edges = tuple(dataclasses.replace(edge, ticks=edge.ticks + ticks) for edge in table.edges)
    return dataclasses.replace(table, streams=tuple(streams), edges=edges)


def _write_journal(run, device, said, pace, later):
    random = np.random.default_rng(7)
    journal = JournalWriter(next_journal(run / RAW, device), {"device": device, "host_boot": "one"})
    last = 0

    def put(seconds, event, data=b""):
        nonlocal last
        last = max(last, MONOTONIC_NS + round(later + 1e9 * seconds))
        journal.append(Row(last, last + WALL_NS, last, event, data))

    put(0.0, Event.OPENED)
    end = 0.0
    for item in said:
        end = item.at / pace + LINK_DELAY + LINK_JITTER * float(random.exponential())
        for start in range(0, len(item.frame), MOST_BYTES):
            put(end, Event.DATA, item.frame[start : start + MOST_BYTES])
    put(end, Event.CLOSED)
    journal.close()


def _write_marks(run, marks, later):
    lines = []
    for number, (text, key, at) in enumerate(marks, start=1):
        monotonic = MONOTONIC_NS + round(later + 1e9 * at)
        lines.append(
            json.dumps(
                {
                    "n": number,
                    "text": text,
                    "key": key,
                    "by": "test",
                    "monotonic_ns": monotonic,
                    "boottime_ns": monotonic,
                    "wall_ns": monotonic + WALL_NS,
                }
            )
        )
    (run / MARKS_FILE).write_text("\n".join(lines) + "\n", encoding="utf-8")
