"""Watching captures: whatever fails beside them, they go on; a disk that fills ends them in order.

Captures are stand-ins that write journals as real ones do; time is moved by hand.
"""

from pathlib import Path

import pytest

import standbook.daq.recording.recorder
from standbook.daq.capture.disk_space import RESERVE
from standbook.daq.errors import LinkError, RecordError
from standbook.daq.recording.journal_follower import Follower, Taken
from standbook.daq.recording.recorder import Watch
from tests.recording_scene import ROWS, Board, Scene, hello

pytestmark = pytest.mark.usefixtures("awake")


def test_links_show_rate_ages_and_counts(tmp_path: Path) -> None:
    scene = Scene(tmp_path, ("cradle-a", "cradle-b"))
    end = scene.record(looks=30)
    assert end.trouble is None
    assert scene.told == []
    for link in scene.watches[-1].links:
        assert link.rate == pytest.approx(ROWS / standbook.daq.recording.recorder.LOOK_EVERY)
        assert (link.state, link.lost_rows, link.openings, link.message) == ("recording", 0, 1, "")
        assert link.data_age == pytest.approx(0.0, abs=1e-6)
        assert link.sync_age == pytest.approx(0.0, abs=1e-6)
        assert link.received_bytes > 0
    assert [link.device for link in scene.watches[-1].links] == ["cradle-a", "cradle-b"]
    assert scene.watches[-1].disk.free_bytes == 10**12
    assert [seen.rows for seen in end.watch.devices] == [600, 600]


def test_every_piece_is_handed_on_once_and_in_order(tmp_path: Path) -> None:
    pieces: list[Taken] = []
    scene = Scene(tmp_path, ("cradle-a", "cradle-b"))
    scene.record(looks=10, taken=pieces.append)
    for device in ("cradle-a", "cradle-b"):
        sequence = [
            int(number)
            for piece in pieces
            if piece.device == device
            for block in piece.decoded.blocks
            for number in block.sequence
        ]
        assert sequence == list(range(10 * ROWS))


@pytest.mark.parametrize("failing", ["report", "taken"])
def test_a_screen_that_fails_is_told_once_and_recording_goes_on(tmp_path: Path, failing: str) -> None:
    calls = 0

    def fail(_: object) -> None:
        nonlocal calls
        calls += 1
        raise ZeroDivisionError("a drawing")

    scene = Scene(tmp_path)
    end = scene.record(looks=250, **{failing: fail})
    assert calls == 1
    assert scene.told[0] == (
        "the screen has failed (ZeroDivisionError: a drawing); recording goes on; stop with Ctrl-C"
    )
    assert end.trouble is None
    assert scene.rows_on_disk() == 250 * ROWS
    assert end.watch.devices[0].rows == 250 * ROWS
    lines = scene.told[1:]  # a line now and then instead
    assert len(lines) == 3
    assert all("cradle-a recording, " in line for line in lines)


def test_reading_along_that_fails_is_told_once_and_what_capture_counts_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really = Follower.poll

    def poll(follower: Follower, taken: object = None) -> object:
        if scene.looks == 5:
            raise MemoryError
        return really(follower, taken)

    monkeypatch.setattr(Follower, "poll", poll)
    scene = Scene(tmp_path)
    end = scene.record(looks=50)
    assert scene.told == ["reading along has failed (MemoryError); recording goes on; stop with Ctrl-C"]
    assert scene.rows_on_disk() == 50 * ROWS
    assert end.watch.devices[0].received_bytes == scene.boards["cradle-a"].status().written_bytes
    assert len(scene.watches) == 51  # the screen itself still works


def test_nothing_of_a_device_is_judged_once_reading_along_has_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first look must not take "nothing was decoded" for "nothing valid came"."""
    monkeypatch.setattr(Follower, "poll", lambda *_: 1 / 0)
    scene = Scene(tmp_path)
    end = scene.record(looks=60)
    assert end.trouble is None
    assert end.watch.devices[0].received_bytes > 0


def test_a_stop_that_cannot_be_asked_leaves_ctrl_c(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[int] = []
    monkeypatch.setattr(standbook.daq.recording.recorder, "_signals", lambda: heard)
    scene = Scene(tmp_path)
    scene.events[40] = lambda: heard.append(2)
    scene.record(stop=lambda _: 1 / 0)
    assert scene.looks == 40
    assert [sentence for sentence in scene.told if "failed" in sentence] == [
        "the screen has failed (ZeroDivisionError: division by zero); recording goes on; stop with Ctrl-C"
    ]
    assert scene.rows_on_disk() == 40 * ROWS


def test_a_refusal_ends_the_recording_with_its_own_sentence(tmp_path: Path) -> None:
    def refuse(_: Watch) -> bool:
        raise LinkError("WF-03: the device says that it is simulated")

    scene = Scene(tmp_path)
    with pytest.raises(LinkError, match="simulated"):
        scene.record(stop=refuse)
    assert scene.boards["cradle-a"].stopped


def test_a_sentence_nobody_takes_goes_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    def broken(_: str) -> None:
        raise OSError

    telling = standbook.daq.recording.recorder._Telling(broken)
    telling.say("one")
    telling.say("two")
    assert capsys.readouterr().err == "standbook: one\nstandbook: two\n"


def test_a_disk_that_fills_ends_the_recording_in_order(tmp_path: Path) -> None:
    scene = Scene(tmp_path, ("cradle-a", "cradle-b"))
    scene.events[30] = lambda: setattr(scene, "free", RESERVE // 2)
    end = scene.record(looks=1000)
    assert isinstance(end.trouble, RecordError)
    assert str(end.trouble) == (
        f"{tmp_path}: recording was stopped because only 0.5 MB is free on the disk; "
        "what was received until then is written; free some space or choose another disk"
    )
    assert scene.looks == 30
    assert scene.watches[-1].disk.warning == "disk full: 0.5 MB free; recording stops now"
    for device in ("cradle-a", "cradle-b"):
        assert scene.rows_on_disk(device) == 30 * ROWS


def test_what_a_capture_could_not_write_while_it_was_stopped_is_told(tmp_path: Path) -> None:
    class Full(Board):
        def stop(self, timeout: float = 10.0) -> int:
            self.die(RecordError(f"{self.device}: cannot write the journal: disk full"))
            return super().stop(timeout)

    scene = Scene(tmp_path, ("cradle-a", "cradle-b"), board=Full)
    end = scene.record(looks=10)
    assert str(end.trouble) == "cradle-a: cannot write the journal: disk full"


def test_a_capture_that_ends_by_itself_does_not_end_the_others(tmp_path: Path) -> None:
    scene = Scene(tmp_path, ("cradle-a", "cradle-b"))
    scene.events[10] = lambda: scene.boards["cradle-b"].die(RecordError("cradle-b: disk full"))
    end = scene.record(looks=40)
    assert str(end.trouble) == "cradle-b: disk full"
    assert scene.looks == 40
    assert [link.state for link in scene.watches[-1].links] == ["recording", "ended"]
    assert scene.rows_on_disk() == 40 * ROWS


@pytest.mark.parametrize(
    ("stated", "back", "is_told"), [("", "0007", False), ("", "0009", True), ("0007", "0009", True)]
)
def test_another_board_after_a_replug_is_told_and_the_same_one_is_not(
    tmp_path: Path, stated: str, back: str, is_told: bool
) -> None:
    scene = Scene(tmp_path, serial=stated)
    scene.events[10] = lambda: scene.boards["cradle-a"].unplug()
    scene.events[15] = lambda: scene.boards["cradle-a"].replug(hello("cradle-a", back, boot=2))
    scene.record(looks=30)
    assert [watch.links[0].state for watch in scene.watches[8:18]].count("lost") == 5
    assert scene.watches[12].links[0].data_age == pytest.approx(0.2)
    link = scene.watches[-1].links[0]
    assert (link.state, link.openings) == ("recording", 2)
    assert ("another board is on this port" in link.message) == is_told
    assert ('"0009", not "0007"' in link.message) == is_told


@pytest.mark.slow
def test_the_watching_loop_keeps_nothing_that_grows_with_the_recording(tmp_path: Path) -> None:
    import tracemalloc

    scene = Scene(tmp_path)
    sizes = []

    def weigh(_: Watch) -> None:
        if scene.looks in (300, 1500):
            sizes.append(tracemalloc.get_traced_memory()[0])

    tracemalloc.start()
    try:
        scene.record(looks=1501, report=weigh)
    finally:
        tracemalloc.stop()
    assert sizes[1] - sizes[0] < 95_000  # 24,000 rows of 8 bytes would be twice that; caches fill by 10 to 50 kB
