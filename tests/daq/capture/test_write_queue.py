"""The reading loop never waits for the disk, memory stays bounded, and trouble is told once."""

import errno
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from standbook.daq.capture.write_queue import JournalSpool
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError, JournalWriter

PATIENCE = 10.0  # [s] a test that would hang fails instead; nothing waits this long when it passes


class GatedSink:
    """Keeps records in memory; writing and syncing wait at gates that the test opens."""

    def __init__(self) -> None:
        self.write_gate, self.sync_gate = threading.Event(), threading.Event()
        self.write_gate.set()
        self.sync_gate.set()
        self.arrived_at_write, self.arrived_at_sync = threading.Event(), threading.Event()
        self.records: list[tuple[int, Event, bytes]] = []
        self.synced: list[int] = []  # records on disk at each sync
        self.fail_write = self.fail_sync = False
        self.is_closed = False

    def append(self, row: Row) -> None:
        self.arrived_at_write.set()
        assert self.write_gate.wait(PATIENCE)
        if self.fail_write:
            raise JournalWriteError("x: cannot write the journal: disk full")
        self.records.append((row.arrival_ns, row.event, row.data))

    def sync(self) -> None:
        count = len(self.records)
        self.arrived_at_sync.set()
        assert self.sync_gate.wait(PATIENCE)
        if self.fail_sync:
            raise JournalWriteError("x: cannot sync the journal: Input/output error")
        self.synced.append(count)

    def close(self) -> None:
        self.is_closed = True


def test_records_come_out_as_they_went_in(tmp_path: Path) -> None:
    spool = JournalSpool(JournalWriter(tmp_path / "a.arrows", {}))
    for k in range(500):
        spool.append(Row(k, k, k, Event.DATA, bytes([k % 256]) * k))
    spool.sync()
    spool.close()
    journal = read_journal(tmp_path / "a.arrows")
    assert list(journal.arrival_ns) == list(range(500))
    assert journal.stream == b"".join(bytes([k % 256]) * k for k in range(500))
    assert spool.data_bytes == len(journal.stream)
    assert spool.dropped_bytes == 0


def test_the_loop_goes_on_while_the_disk_stalls_and_nothing_is_lost() -> None:
    sink = GatedSink()
    sink.write_gate.clear()
    spool = JournalSpool(sink)
    for k in range(100):
        spool.append(Row(k, 0, 0, Event.DATA, b"x"))  # returns although nothing can be written
    assert sink.records == []
    sink.write_gate.set()
    spool.close()
    assert [k for k, _, _ in sink.records] == list(range(100))
    assert sink.is_closed


def test_writing_goes_on_while_a_sync_takes_its_time() -> None:
    sink = GatedSink()
    sink.sync_gate.clear()
    spool = JournalSpool(sink)
    spool.append(Row(1, 0, 0, Event.DATA, b"a"))
    spool.sync()
    assert sink.arrived_at_sync.wait(PATIENCE)
    sink.arrived_at_write.clear()
    spool.append(Row(2, 0, 0, Event.DATA, b"b"))
    assert sink.arrived_at_write.wait(PATIENCE)
    sink.sync_gate.set()
    spool.close()
    assert len(sink.records) == 2


def test_a_sync_asked_for_before_the_write_happens_after_it() -> None:
    sink = GatedSink()
    sink.write_gate.clear()
    spool = JournalSpool(sink)
    spool.append(Row(1, 0, 0, Event.DATA, b"a"))
    spool.sync()
    assert not sink.arrived_at_sync.wait(0.01)
    sink.write_gate.set()
    assert sink.arrived_at_sync.wait(PATIENCE)
    spool.close()
    assert sink.synced == [1]


def test_memory_is_bounded_and_what_was_left_out_is_said() -> None:
    sink = GatedSink()
    sink.write_gate.clear()
    spool = JournalSpool(sink, room=1000)
    spool.append(Row(0, 0, 0, Event.OPENED, b""))
    assert sink.arrived_at_write.wait(PATIENCE)
    for k in range(1, 16):
        spool.append(Row(k, 0, 0, Event.DATA, bytes(100)))
    sink.write_gate.set()
    spool.append(Row(16, 0, 0, Event.CLOSED, b"stopped"))
    spool.close()
    assert spool.dropped_bytes == 500
    assert [event for _, event, _ in sink.records] == [Event.OPENED, *[Event.DATA] * 10, Event.DROPPED, Event.CLOSED]
    assert sink.records[-2][2] == b"500 bytes not kept: the disk took no data for too long"


@pytest.mark.parametrize("what", ["fail_write", "fail_sync"])
def test_a_failing_disk_is_told_once_and_then_reached_directly(what: str) -> None:
    sink = GatedSink()
    setattr(sink, what, True)
    spool = JournalSpool(sink)
    told = 0
    for k in range(10_000_000):
        try:
            spool.append(Row(k, 0, 0, Event.DATA, b"x"))
            spool.sync()
        except JournalWriteError:
            told += 1
            break
    assert told == 1
    setattr(sink, what, False)
    spool.append(Row(-1, 0, 0, Event.CLOSED, b"disk full"))
    assert sink.records[-1] == (-1, Event.CLOSED, b"disk full")
    spool.close()
    assert sink.is_closed


def test_a_failure_that_nobody_heard_of_is_told_at_closing() -> None:
    sink = GatedSink()
    sink.fail_write = True
    spool = JournalSpool(sink)
    spool.append(Row(1, 0, 0, Event.DATA, b"x"))
    with pytest.raises(JournalWriteError, match=os.strerror(errno.ENOSPC).split()[-1] + "|disk full"):
        spool.close()
    assert sink.is_closed


def test_it_says_when_it_wrote_and_how_new_what_is_durable_is() -> None:
    sink = GatedSink()
    sink.sync_gate.clear()
    now = 100
    spool = JournalSpool(sink, clock=lambda: now)
    assert (spool.written_ns, spool.synced_ns, spool.longest_sync_ns) == (0, 0, 0)
    spool.append(Row(1, 0, 0, Event.DATA, b"a"))
    spool.sync()
    assert sink.arrived_at_sync.wait(PATIENCE)  # with the first record only
    now = 150
    spool.append(Row(2, 0, 0, Event.DATA, b"b"))
    until(lambda: spool.written_ns == 150)
    assert spool.synced_ns == 0
    now = 180
    sink.sync_gate.set()
    until(lambda: spool.synced_ns == 100)
    assert spool.longest_sync_ns == 80  # from the write at 100 to the answer at 180
    now = 250
    spool.sync()
    until(lambda: spool.synced_ns == 150)
    assert spool.longest_sync_ns == 100  # from 150 to 250
    spool.append(Row(3, 0, 0, Event.CLOSED, b""))
    spool.close()
    assert spool.synced_ns == spool.written_ns == 250


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.001)
