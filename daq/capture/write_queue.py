"""Queue records in bounded memory between the loop that reads a port and the disk.

A serial driver holds a few kilobytes, some milliseconds of a fast stream, while a disk may take a second to
say "done". So the loop hands each record over and reads on; one thread writes, another waits for syncs.
Memory is bounded: when the disk stalls for longer than the queue can bridge, data records are left out and
a ``dropped`` record says how many bytes, as soon as there is room. Nothing is left out silently.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final, Protocol

from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError

ROOM: Final = 16 << 20  # bytes waiting; 16 s of a 1 MB/s stream, minutes of a usual one


class JournalSink(Protocol):
    """Interface that takes records: ``JournalWriter`` writes them, ``JournalSpool`` queues them."""

    def append(self, row: Row) -> None:
        """Take one record."""

    def sync(self) -> None:
        """Force to disk what was taken so far, or arrange for it without delay."""

    def close(self) -> None:
        """Write and sync all records taken, and end the journal."""


class JournalSpool:
    """Write records to ``journal`` from a thread of its own.

    A failure of the disk is raised by the next call of ``append`` or ``sync``, once. What still waited is
    given up then, and from there on calls reach the journal directly, so that it can be closed in order.

    Parameters
    ----------
    journal
        Where records end up.
    room
        Bytes that may wait.
    clock
        Monotonic time. [ns]
    """

    def __init__(self, journal: JournalSink, *, room: int = ROOM, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self._journal = journal
        self._room = room
        self._clock = clock
        self._changed = threading.Condition()
        self._waiting: deque[Row] = deque()
        self._waiting_bytes = 0
        self._unsaid_bytes = 0  # left out since the last `dropped` record
        self._taken = self._written = self._wanted = self._synced = 0  # counts of records
        self._ending = False
        self._failure: JournalWriteError | None = None
        self._is_direct = False
        self.dropped_bytes = 0  # left out for want of room, in all
        self.data_bytes = 0  # of data records written
        self.written_ns = 0  # when the last write was complete, monotonic [ns]; 0 before the first
        self.synced_ns = 0  # when the newest record that is known to be durable was written [ns]
        self.longest_sync_ns = 0  # from a record's write until it was known to be durable, the worst so far
        self._unsynced_since: int | None = None  # when the oldest record not in a sync yet was written
        self._threads = [
            threading.Thread(target=work, name=name, daemon=True)
            for work, name in ((self._write_all, "journal write"), (self._sync_all, "journal sync"))
        ]
        for thread in self._threads:
            thread.start()

    def append(self, row: Row) -> None:
        """Queue one record; never waits for the disk.

        Raises
        ------
        JournalWriteError
            An earlier record could not be written.
        """
        with self._changed:
            self._tell_failure()
            if not self._is_direct:
                self._queue(row)
                return
        self._journal.append(row)

    def sync(self) -> None:
        """Have all records queued so far synced as soon as they are written; never waits for the disk.

        Raises
        ------
        JournalWriteError
            An earlier record could not be written or synced.
        """
        with self._changed:
            self._tell_failure()
            self._wanted = self._taken
            self._changed.notify_all()

    def close(self) -> None:
        """Wait until all is written, then end the journal.

        Raises
        ------
        JournalWriteError
            Not all could be written or synced.
        """
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        for thread in self._threads:
            thread.join()
        try:
            with self._changed:
                self._tell_failure()
        finally:
            self._journal.close()
        self.synced_ns = self.written_ns

    def _queue(self, row: Row) -> None:
        if row.event is Event.DATA and self._waiting_bytes + len(row.data) > self._room:
            self._unsaid_bytes += len(row.data)
            self.dropped_bytes += len(row.data)
            return
        if self._unsaid_bytes:
            words = f"{self._unsaid_bytes} bytes not kept: the disk took no data for too long".encode()
            self._put(Row(row.arrival_ns, row.wall_ns, row.boottime_ns, Event.DROPPED, words))
            self._unsaid_bytes = 0
        self._put(row)

    def _put(self, row: Row) -> None:
        self._waiting.append(row)
        self._waiting_bytes += len(row.data)
        self._taken += 1
        self._changed.notify_all()

    def _tell_failure(self) -> None:
        if self._failure is not None and not self._is_direct:
            self._is_direct = True
            raise self._failure

    def _fail(self, error: JournalWriteError) -> None:
        with self._changed:
            self._failure = self._failure or error
            self._waiting.clear()
            self._changed.notify_all()

    def _write_all(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._ending or self._failure)
                if not self._waiting:
                    return
                row = self._waiting.popleft()
            try:
                self._journal.append(row)
            except JournalWriteError as error:
                self._fail(error)
                return
            with self._changed:
                self._waiting_bytes -= len(row.data)
                self._written += 1
                self.written_ns = self._clock()
                if self._unsynced_since is None:
                    self._unsynced_since = self.written_ns
                if row.event is Event.DATA:
                    self.data_bytes += len(row.data)
                self._changed.notify_all()

    def _sync_all(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: min(self._wanted, self._written) > self._synced or self._ending or self._failure
                )
                if self._ending or self._failure:  # closing the journal syncs
                    return
                through, newest, oldest = self._written, self.written_ns, self._unsynced_since
                self._unsynced_since = None
            try:
                self._journal.sync()
            except JournalWriteError as error:
                self._fail(error)
                return
            with self._changed:
                self._synced, self.synced_ns = through, newest
                if oldest is not None:
                    self.longest_sync_ns = max(self.longest_sync_ns, self._clock() - oldest)
