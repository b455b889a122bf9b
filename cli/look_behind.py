"""Take the quick look while the recording goes on: in a process of its own, of the lowest priority, behind the screen.

It starts once a second zero can be in the record; nothing of the recording waits for it, and its failure is silent.
"""

import json
import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Final

from standbook.daq.live.live_state import LiveState, Phase

AFTER: Final = 22.0  # s of safing; the second zero is looked for in the 21 s behind the thrust
LEAST_PRIORITY: Final = 19


class LookBehind:
    """Start a quick look when a run is over, and hand out its sentences once.

    Parameters
    ----------
    folder : Path
        The run that is recorded.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[str] | None = None
        self._is_told = False

    def poll(self, state: LiveState) -> tuple[str, ...]:
        """Return the sentences when they have come, else nothing; never waits."""
        if self._is_told:
            return ()
        if self._process is None:
            if state.phase is Phase.SAFING and state.phase_seconds >= AFTER:
                self._start([line.name for line in state.redlines if line.tripped_at is not None])
            return ()
        if self._process.poll() is None:
            return ()
        self._is_told = True
        text = self._process.communicate()[0]
        try:
            return tuple(json.loads(text)["sentences"])
        except (ValueError, KeyError, TypeError):  # the recording ended meanwhile, or nothing could be read yet
            return ()

    def close(self) -> None:
        """End a look that is still going on: what follows the recording looks again."""
        self._is_told = True
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.communicate()

    def _start(self, tripped: list[str]) -> None:
        # -P: a folder called cli where the user happens to stand is not ours
        command = [sys.executable, "-P", "-m", "standbook.cli", "quick", str(self._folder), "--json"]
        command += [part for name in tripped for part in ("--tripped", name)]
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own program, no shell
                command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, start_new_session=True
            )
        except OSError:
            self._is_told = True
            return
        with suppress(OSError, AttributeError):  # where the system knows no such priority, the look has the usual one
            os.setpriority(os.PRIO_PROCESS, self._process.pid, LEAST_PRIORITY)
