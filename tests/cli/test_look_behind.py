"""The quick look behind the screen: it starts once the run is over, is told once, and its failure holds up nothing."""

import shutil
from types import SimpleNamespace

import pytest

from standbook.cli.look_behind import AFTER, LookBehind
from standbook.daq.live.live_state import Phase
from tests.cli.made_run import until
from tests.repository import ROOT


def state(phase=Phase.SAFING, seconds=AFTER, tripped=()):
    redlines = [SimpleNamespace(name=name, tripped_at=1.0) for name in tripped]
    return SimpleNamespace(phase=phase, phase_seconds=seconds, redlines=redlines)


@pytest.fixture
def recording(tmp_path):
    """A firing as it lies on the disk before it is sealed."""
    (folder,) = (ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal")
    ignored = shutil.ignore_patterns("additions", "analysis", "samples", "manifest.json", "record.json")
    return shutil.copytree(folder, tmp_path / folder.name, ignore=ignored)


def test_it_starts_no_earlier_than_a_second_zero_can_be_there(tmp_path):
    look = LookBehind(tmp_path)
    for early in (state(Phase.BURN, 100.0), state(Phase.STANDBY, 100.0), state(seconds=AFTER - 0.1)):
        assert look.poll(early) == ()
        assert look._process is None
    look.close()


@pytest.mark.slow
def test_five_sentences_come_once_and_name_what_tripped(recording):
    look = LookBehind(recording)
    lines = until(lambda: look.poll(state(tripped=("no light",))), "the quick look")
    assert len(lines) == 5
    assert "redline no light tripped" in lines[-1]
    assert look.poll(state()) == ()


@pytest.mark.slow
def test_a_look_that_fails_is_silent(tmp_path):
    look = LookBehind(tmp_path)
    look.poll(state())
    look._process.wait()
    assert look.poll(state()) == ()
    assert look.poll(state()) == ()


@pytest.mark.slow
def test_a_look_that_goes_on_ends_with_the_screen(recording):
    look = LookBehind(recording)
    look.poll(state())
    look.close()
    assert look._process.returncode is not None
    assert look.poll(state()) == ()
