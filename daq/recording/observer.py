"""A second look at a recording in progress in another process, from what it leaves on the disk.

Reads journals and status files, and holds nothing up. What is seen is as old as the last write of capture; a status
is up to 0.3 s old.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

from standbook.daq.capture.disk_space import DiskSpace
from standbook.daq.capture.process_status import read_status, status_path
from standbook.daq.config.stand import Stand
from standbook.daq.recording.journal_follower import Follower, Taken
from standbook.daq.recording.link_health import LinkWatch
from standbook.daq.recording.recorder import Watch
from standbook.daq.storage.folder_lock import is_folder_locked
from standbook.daq.wire.hello import Hello


class RecordingObserver:
    """Follows every device of a stand in a folder that others write into.

    Parameters
    ----------
    stand : Stand
        As the run has it.
    folder : Path
        Of the journals.
    layouts : mapping of device to sequence of Hello
        Saved ones.
    clock : callable
        Monotonic time. [s]
    """

    def __init__(
        self,
        stand: Stand,
        folder: Path,
        layouts: Mapping[str, Sequence[Hello]] = MappingProxyType({}),
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder, self._clock = folder, clock
        self._followers = [Follower(device, folder, layouts.get(device.name, ())) for device in stand.device]
        self._links = [LinkWatch(device) for device in stand.device]
        self._disk_space = DiskSpace(folder)
        self._start = clock()

    def poll(self, taken: Callable[[Taken], None] | None = None) -> Watch:
        """Take in what is new; a device whose capture has ended, or that nobody records any more, is ``ended``."""
        recorded = is_folder_locked(self._folder)
        devices = tuple(follower.poll(taken) for follower in self._followers)
        now = self._clock()
        statuses = [read_status(status_path(self._folder, seen.device)) for seen in devices]
        ended = tuple(
            seen.device
            for seen, status in zip(devices, statuses, strict=True)
            if not recorded or (status is not None and status.exit_code is not None)
        )
        hellos = [tuple(follower.hellos.values()) for follower in self._followers]
        return Watch(
            elapsed=now - self._start,
            devices=devices,
            lost=tuple(status.device for status in statuses if status is not None and status.state == "lost"),
            ended=ended,
            played_out=tuple(follower.device.name for follower in self._followers if follower.played_out),
            rehearsal=any(hello.is_rehearsal for of in hellos for hello in of),
            links=tuple(
                link.evaluate(now, seen, status, of, has_ended=seen.device in ended)
                for link, seen, status, of in zip(self._links, devices, statuses, hellos, strict=True)
            ),
            disk=self._disk_space.poll(now),
        )
