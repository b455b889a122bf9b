"""Report the program's version and commit, as results, runs and reports carry them."""

import functools
import subprocess
from importlib import metadata, resources
from pathlib import Path

COMMIT_FILE = "commit.txt"  # in an installed package, written when it was built


@functools.cache
def software() -> str:
    """Return name, version and, where it is known, the commit: ``standbook 0.2.0 (1a2b3c4)``."""
    name = f"standbook {version()}"
    known = commit()
    return f"{name} ({known})" if known else name


def version() -> str:
    """Return the version of the distribution that is installed."""
    return metadata.version("standbook")


@functools.cache
def commit() -> str:
    """Return the commit that this program was built from or runs in, ``-dirty`` where files differ; else nothing."""
    built = resources.files("standbook") / COMMIT_FILE
    if built.is_file():
        return built.read_text(encoding="utf-8").strip()
    return described(Path(__file__).resolve().parents[1])


def described(checkout: Path) -> str:
    """Return git's description of a checkout; nothing where it is none, or git is not there."""
    if not (checkout / ".git").exists():
        return ""
    command = ["git", "-C", str(checkout), "describe", "--always", "--dirty", "--exclude", "*"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=10.0)  # noqa: S603 - fixed words
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout.strip()
