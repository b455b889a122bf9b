"""Print a report as PDF by a browser that is installed: Chromium, Chrome or Edge. The PDF is a print of the HTML."""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from standbook.daq.errors import StandError, UsageError
from standbook.daq.storage.atomic_write import atomic_path

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "microsoft-edge-stable",
    "msedge",
)
FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
PATIENCE = 120.0  # s; a report takes two
HEAD, TAIL = b"%PDF-", b"%%EOF"


def find_browser(named: Path | None = None) -> Path | None:
    """Return the browser that prints: the named one, else the first of ``BROWSERS`` on the path; ``None`` for none.

    Raises
    ------
    UsageError
        The named one cannot be run.
    """
    if named is not None:
        found = shutil.which(named)
        if found is None:
            raise UsageError(f"--browser {named}: is no program that can be run; name Chromium, Chrome or Edge")
        return Path(found)
    return next((Path(found) for name in BROWSERS if (found := shutil.which(name))), None)


def print_pdf(page: Path, browser: Path, *, patience: float = PATIENCE) -> Path:
    """Print a page beside itself, whole or not at all, and return the path of the PDF.

    Parameters
    ----------
    page : Path
        An HTML file that needs nothing from outside.
    browser : Path
        From :func:`find_browser`.
    patience : float
        After which a browser that has not ended is ended. [s]

    Raises
    ------
    StandError
        The browser failed, hung, or made no whole PDF.
    RecordError
        The disk refuses.
    """
    place = page.with_suffix(".pdf")
    advice = f"no PDF was written; open {page} in a browser and print it"
    with atomic_path(place) as beside, tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        code = _run(_command(browser, page, beside, profile), patience)
        if code is None:
            raise StandError(f"{browser}: did not print within {patience:g} s and was ended; {advice}")
        if code != 0:
            raise StandError(f"{browser}: ended with code {code}; {advice}")
        if not _is_whole(beside):
            raise StandError(f"{browser}: left no whole PDF; {advice}")
    return place


def _command(browser: Path, page: Path, beside: Path, profile: str) -> list[str]:
    sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []  # which it refuses to root
    where = [f"--user-data-dir={profile}", f"--print-to-pdf={beside.resolve()}", page.resolve().as_uri()]
    return [str(browser), *FLAGS, *sandbox, *where]


def _run(command: Sequence[str], patience: float) -> int | None:
    """Return the exit code; ``None`` where it did not end. Whatever it started is ended with it."""
    try:
        process = subprocess.Popen(  # noqa: S603  # a program that the user has installed or named
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        raise StandError(f"{command[0]}: cannot be run: {error.strerror}") from error
    try:
        return process.wait(patience)
    except subprocess.TimeoutExpired:
        return None
    finally:
        _end(process)


def _end(process: "subprocess.Popen[bytes]") -> None:
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)  # the group that it was started with
        else:
            process.kill()
    process.wait()


def _is_whole(pdf: Path) -> bool:
    """Tell whether a file begins and ends as a PDF does."""
    try:
        with pdf.open("rb") as stream:
            head = stream.read(len(HEAD))
            stream.seek(max(0, pdf.stat().st_size - 1024))
            return head == HEAD and TAIL in stream.read()
    except OSError:
        return False
