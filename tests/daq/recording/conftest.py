"""What all tests of recording share."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

import standbook.daq.recording.recorder


@pytest.fixture
def awake(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave this computer's sleep alone."""

    @contextmanager
    def nothing(_tell: Callable[[str], None]) -> Iterator[None]:
        yield

    monkeypatch.setattr(standbook.daq.recording.recorder, "inhibit_sleep", nothing)
