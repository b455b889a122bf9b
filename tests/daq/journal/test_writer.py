"""The journal takes whole messages only, through short writes, full disks and syncs that fail."""

import errno
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from standbook.daq.errors import RecordError
from standbook.daq.journal import record_format
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError, JournalWriter, journals_of, next_journal
from standbook.daq.storage.durable_file import DiskFile
from tests.journal_rows import META, ROWS, rows_of, write


class FakeFile:
    """A file in memory that takes at most ``step`` bytes at a time and is full at ``room`` bytes."""

    def __init__(self, *, step: int = 1 << 20, room: int = 1 << 40, sync_fails: bool = False) -> None:
        self.content = bytearray()
        self.step, self.room, self.sync_fails = step, room, sync_fails
        self.syncs = 0
        self.is_closed = False

    def write(self, data: memoryview) -> int:
        count = min(len(data), self.step, self.room - len(self.content))
        if count == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.content += data[:count]
        return count

    def truncate(self, size: int) -> None:
        del self.content[size:]

    def sync(self) -> None:
        if self.sync_fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self.syncs += 1

    def close(self) -> None:
        self.is_closed = True


def test_an_existing_file_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.arrows"
    path.write_bytes(b"evidence")
    with pytest.raises(RecordError, match="already exists"):
        JournalWriter(path, META)
    assert path.read_bytes() == b"evidence"


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot create the journal: No such file or directory"):
        JournalWriter(tmp_path / "none" / "a.arrows", META)


@pytest.mark.parametrize("step", [1, 7, 64])
def test_short_writes_are_gone_on_with_until_the_message_is_whole(tmp_path: Path, step: int) -> None:
    file = FakeFile(step=step)
    (tmp_path / "a.arrows").touch()
    write(tmp_path / "a.arrows", create=lambda _: file).close()
    (tmp_path / "b.arrows").write_bytes(file.content)
    assert rows_of(read_journal(tmp_path / "b.arrows")) == ROWS
    assert file.is_closed


def test_a_full_disk_keeps_whole_messages_only_and_the_writer_can_go_on_when_there_is_room(
    tmp_path: Path,
) -> None:
    file = FakeFile(step=100)
    writer = write(tmp_path / "a.arrows", ROWS[:2], create=lambda _: file)
    before = bytes(file.content)
    file.room = len(before) + 250
    with pytest.raises(JournalWriteError, match="disk full; free some space"):
        writer.append(Row(1, 2, 3, Event.DATA, b"x" * 1000))
    assert bytes(file.content) == before
    file.room = 1 << 30
    last = ROWS[-1]
    writer.append(last)
    writer.close()
    (tmp_path / "b.arrows").write_bytes(file.content)
    assert rows_of(read_journal(tmp_path / "b.arrows")) == (*ROWS[:2], ROWS[-1])


def test_a_disk_full_at_the_start_is_one_sentence_and_leaves_nothing(tmp_path: Path) -> None:
    file = FakeFile(room=100)

    def create(path: Path) -> FakeFile:
        path.touch()
        return file

    with pytest.raises(RecordError, match=r"a\.arrows: cannot start the journal: disk full") as caught:
        JournalWriter(tmp_path / "a.arrows", META, create=create)
    assert not isinstance(caught.value, JournalWriteError)
    assert list(tmp_path.iterdir()) == []
    assert file.is_closed


def test_a_sync_that_fails_is_told(tmp_path: Path) -> None:
    file = FakeFile()
    writer = write(tmp_path / "a.arrows", create=lambda _: file)
    file.sync_fails = True
    with pytest.raises(JournalWriteError, match="cannot sync the journal: Input/output error"):
        writer.sync()
    with pytest.raises(JournalWriteError):
        writer.close()
    assert file.is_closed


def test_a_closed_journal_takes_no_more_and_closing_again_does_nothing(tmp_path: Path) -> None:
    writer = write(tmp_path / "a.arrows")
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.append(Row(1, 2, 3, Event.DATA, b"x"))


def test_a_record_too_long_is_the_callers_bug(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.arrows", META)
    writer.append(Row(1, 2, 3, Event.DATA, bytes(record_format.MAX_DATA)))
    with pytest.raises(ValueError, match="at most 1048576 fit"):
        writer.append(Row(1, 2, 3, Event.DATA, bytes(record_format.MAX_DATA + 1)))
    writer.close()
    with pytest.raises(ValueError, match="journal metadata needs"):
        JournalWriter(tmp_path / "b.arrows", {"device": "x" * 70_000})
    assert not (tmp_path / "b.arrows").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no device that is always full")
def test_the_device_that_is_always_full_reads_as_disk_full() -> None:
    class Full(DiskFile):
        def __init__(self, _: Path) -> None:
            self._fd = os.open("/dev/full", os.O_WRONLY)

    with pytest.raises(RecordError, match="disk full"):
        JournalWriter(Path("/nonexistent/a.arrows"), META, create=Full)


def test_a_real_file_that_may_grow_no_further_keeps_every_whole_message(tmp_path: Path) -> None:
    limit = 64 * 1024
    program = f"""
import sys
from pathlib import Path
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError, JournalWriter
writer = JournalWriter(Path({str(tmp_path / "a.arrows")!r}), {{}})
count = 0
try:
    while True:
        writer.append(Row(count, 0, 0, Event.DATA, b"x" * 1000))
        count += 1
except JournalWriteError as error:
    sys.stdout.write(f"{{count}} {{error}}")
"""

    def restrict() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, preexec_fn=restrict
    )
    count, _, sentence = done.stdout.partition(" ")
    journal = read_journal(tmp_path / "a.arrows")
    assert "disk full" in sentence
    assert list(journal.arrival_ns) == list(range(int(count)))
    assert journal.torn_bytes == 0
    assert journal.whole_bytes > limit - 2000


def test_names_count_openings_of_one_device_only(tmp_path: Path) -> None:
    assert next_journal(tmp_path, "cradle-a").name == "cradle-a_001.arrows"
    for name in ("cradle-a_001.arrows", "cradle-a_1000.arrows", "cradle-a_002.arrows", "cradle-ab_007.arrows"):
        (tmp_path / name).touch()
    names = [path.name for path in journals_of(tmp_path, "cradle-a")]
    assert names == ["cradle-a_001.arrows", "cradle-a_002.arrows", "cradle-a_1000.arrows"]
    assert next_journal(tmp_path, "cradle-a").name == "cradle-a_1001.arrows"
