"""Inhibit system sleep while recording, using the platform's own tool.

A helper program holds the request and ends with this process, however that ends. Nothing here can keep a laptop
awake whose lid, battery or firmware decides otherwise; capture sees a sleep and declares it (``daq.host_clock``).
"""

import select
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

ADVICE: Final = "set it to stay awake, plugged in and with the lid open"
_PATIENCE: Final = 1.0  # [s] for the helper to say that it holds the request
_WORD: Final = b"held\n"  # what the helper says then
_HOLD: Final = ("sh", "-c", "echo held; exec cat >/dev/null")  # ends when its input does, so with this process
_WAYS: Final = {
    "linux": (
        "systemd-inhibit",
        "--what=sleep:idle:handle-lid-switch",
        "--who=standbook",
        "--why=recording a test",
        "--mode=block",
        *_HOLD,
    ),
    "darwin": ("caffeinate", "-i", "-m", "-s", *_HOLD),
}


@contextmanager
def inhibit_sleep(
    tell: Callable[[str], None], *, command: tuple[str, ...] | None = None, patience: float = _PATIENCE
) -> Iterator[None]:
    """Inhibit system sleep until the block ends; where the system refuses, say so in one sentence and go on.

    Parameters
    ----------
    tell
        Takes the sentence.
    command
        The helper, which must print ``held`` and then wait for the end of its input; the system's own by default.
    patience
        Seconds to wait for it.
    """
    command = command or _WAYS.get(sys.platform, ())
    process, why = _started(command, patience)
    try:
        if why:
            tell(f"this computer may fall asleep while it records ({why}); {ADVICE}")
        yield
    finally:
        if process is not None:
            _end(process)


def _started(command: tuple[str, ...], patience: float) -> tuple[subprocess.Popen[bytes] | None, str]:
    """Return the helper, or why there is none."""
    if not command:
        return None, "no way is known to prevent it on this system"
    if shutil.which(command[0]) is None:
        return None, f"{command[0]} is not installed"
    try:
        process = subprocess.Popen(  # noqa: S603  # a system program, no shell of the user's
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C in the terminal is ours
        )
    except OSError as error:
        return None, f"{command[0]}: {error.strerror}"
    assert process.stdout is not None  # noqa: S101
    assert process.stderr is not None  # noqa: S101
    ready = select.select([process.stdout], [], [], patience)[0]
    if ready and process.stdout.readline() == _WORD:
        return process, ""
    if not ready:
        process.kill()
    words = process.stderr.read().decode(errors="replace").strip().splitlines()
    _end(process)
    return None, f"{command[0]}: {words[-1] if words else 'no answer'}"


def _end(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
    try:
        process.wait(_PATIENCE)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
