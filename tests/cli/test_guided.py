"""Being led through a recording by keys: what is pressed before it ends counts, whenever it is read."""

from contextlib import contextmanager

import pytest

from standbook.cli import guided
from standbook.cli.keys import Key
from standbook.daq.config.campaign import STAND_FILE
from standbook.daq.config.stand import read_stand
from standbook.daq.errors import UsageError
from standbook.daq.host_clock import HostClocks
from tests.cli.made_run import small_campaign

CLOCKS = HostClocks()


class OneLevel:
    """Takes one key and is done."""

    def __init__(self):
        self.said, self.keys = "", []

    @property
    def next(self):
        return None if self.keys else "a level"

    def state(self, _now_ns):
        return "next: a level"

    def press(self, key, _now_ns):
        self.keys.append(key)
        self.said = f"{key} taken"


class NoRows:
    newest_ns = None

    def take(self, _taken):
        pass


class Keys:
    """A keyboard on which one key is pressed when told."""

    def __init__(self):
        self.waiting = []

    def pressed(self):
        found, self.waiting = self.waiting, []
        return found


@pytest.fixture
def led(tmp_path, monkeypatch):
    """Recording that ends as somebody presses a key; what the list of things to do was told."""
    folder, taking, keys, sealed = tmp_path / "bench", OneLevel(), Keys(), []

    @contextmanager
    def reading(_clocks):
        yield keys

    def recording(_order, *, stopped, report, taken, tell):
        del report, taken, tell
        assert not stopped()
        keys.waiting.append(Key("1", CLOCKS.now()))  # pressed, and the recording ends before it is read

    campaign = small_campaign(tmp_path)
    monkeypatch.setattr(guided, "reading_keys", reading)
    monkeypatch.setattr(guided, "resolve_ports", lambda *_: {})
    monkeypatch.setattr(guided, "create_bench_run", lambda *_, **__: folder)
    monkeypatch.setattr(guided, "record_run_into", recording)
    monkeypatch.setattr(guided, "seal_and_say", lambda place, **_: sealed.append((place, list(taking.keys))))
    order = guided.GuidedRecording(
        name="bench",
        campaign=campaign,
        stand=read_stand(campaign / STAND_FILE),
        ports={},
        rehearsal=False,
        keys="1 takes a level.",
    )
    return order, taking, folder, sealed


def test_a_key_of_the_last_moment_is_taken_before_the_run_is_sealed(led, capsys):
    order, taking, folder, sealed = led
    assert guided.record_guided(order, NoRows(), lambda _log: taking) == folder
    assert sealed == [(folder, ["1"])]
    assert "1 taken" in capsys.readouterr().out


def test_without_a_terminal_nothing_is_recorded(led, monkeypatch):
    order, taking, _, sealed = led

    @contextmanager
    def no_terminal(_clocks):
        yield None

    monkeypatch.setattr(guided, "reading_keys", no_terminal)
    with pytest.raises(UsageError, match="no terminal that gives any"):
        guided.record_guided(order, NoRows(), lambda _log: taking)
    assert sealed == []
