"""A firing on the live screen in tmux, fast: nothing is called that did not happen, and every phase has its screen."""

import re
import shutil

import pytest

from tests.studies.live_firing import HEIGHT, MISSING, REDLINES, WIDTH, crossing_order, fire

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("tmux") is None, reason=MISSING),
]
BUSY = r"no fresh data|PORT LOST"  # what a busy computer may cause by itself


def test_a_clean_firing_has_no_alarm_and_each_phase_its_screen(tmp_path):
    firing = fire(tmp_path / "clean", time_scale=4.0)
    assert [line for line in firing.alarms if not re.search(BUSY, line)] == []
    burn, safing = firing.at(3.0), firing.in_phase("SAFING", 4.0)
    for part in ("HF-02 static fire", "REHEARSAL", "BURN", "LC-1 thrust", "inside", "rows/s", "never authority"):
        assert part in burn
    for part in ("oxidiser tank", "fuel tank", "mechanical gauge", "never authority"):
        assert part in safing
    assert "mark 1" in burn
    assert all(len(line) <= WIDTH for _, screen in firing.screens for line in screen.split("\n"))
    assert all(len(screen.rstrip("\n").split("\n")) <= HEIGHT for _, screen in firing.screens)
    assert "Sealed:" in firing.said


def test_redlines_are_called_in_the_order_in_which_the_samples_crossed_them(tmp_path):
    firing = fire(tmp_path / "redlines", more_redlines=True, time_scale=4.0)
    crossed = crossing_order(firing.run)
    calls = [line.partition(":")[0] for line in sorted(firing.alarms, key=firing.alarms.get) if " LOW:" in line]
    assert calls == [call for call, _ in crossed]
    assert len(calls) == REDLINES.count("[[redline]]") == 2
    for (_, second), line in zip(crossed, [one for one in firing.alarms if " LOW:" in one], strict=True):
        assert float(re.search(r"at T\+([\d.]+) s", line)[1]) == pytest.approx(second, abs=0.05)
