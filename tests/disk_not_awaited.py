"""Tests do not wait until the disk holds what they write: thousands of small files that nobody needs tomorrow.

What asks the disk lies in few folders of `daq`; the tests of those do wait, and so does each process that a test
starts.
"""

import os
from pathlib import Path

import pytest

WAITING = {Path("tests/daq", folder) for folder in ("storage", "run", "journal", "capture")}
TRUE = {name: getattr(os, name) for name in ("fsync", "fdatasync") if hasattr(os, name)}


def not_awaited(descriptor: int) -> None:
    """Take a file's descriptor as the disk's call does, and refuse what is none."""
    os.fstat(descriptor)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    waits = item.path.relative_to(item.config.rootpath).parent in WAITING
    for name, true in TRUE.items():
        setattr(os, name, true if waits else not_awaited)
    try:
        return (yield)
    finally:
        for name, true in TRUE.items():
            setattr(os, name, true)
