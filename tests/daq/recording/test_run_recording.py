"""Recording a run: when it ends, that simulated data are no test, and which folders stay."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from standbook.daq.errors import FrameError, LinkError, RecordError
from standbook.daq.journal.record_format import Event
from standbook.daq.recording.recorder import LOOK_EVERY, RecordEnd
from standbook.daq.recording.run_recording import GONE_FOR, MadeUpError, RecordingOrder, record_run_into
from standbook.daq.run.recording_end import recording_end_notes
from standbook.daq.run.run_folder import RAW
from standbook.daq.wire.encoder import encode_frame, hello_body
from tests.recording_scene import ROWS, Board, Scene

pytestmark = pytest.mark.usefixtures("awake")


class MadeUp(Board):
    """A board that says that its values are made up."""

    def open(self) -> None:
        self.told = replace(self.told, rehearsal=True)
        super().open()


class Nameless(Board):
    """A board that never says what its rows mean."""

    def open(self) -> None:
        super().open_port()


class Refused(Board):
    """A board whose hello cannot be."""

    def open(self) -> None:
        super().open_port()
        self._append(Event.DATA, encode_frame(hello_body(self.told).replace(b'"tick_hz":1000000', b'"tick_hz":0')))


class Silent(Nameless):
    """A board that sends nothing."""

    def send(self) -> None:
        pass


class Run:
    """A run folder, and boards that are recorded into it."""

    def __init__(self, folder: Path, board: type[Board] = Board) -> None:
        self.folder = folder / "run"
        (self.folder / RAW).mkdir(parents=True)
        self.scene = Scene(self.folder / RAW, board=board)

    def record(
        self, *, rehearsal: bool = False, seconds: float | None = None, stopped: Callable[[], bool] = lambda: False
    ) -> RecordEnd:
        order = RecordingOrder(
            number="WF-03",
            stand=self.scene.stand,
            ports={"cradle-a": "/dev/cradle-a"},
            folder=self.folder,
            rehearsal=rehearsal,
            seconds=seconds,
        )
        return record_run_into(
            order,
            stopped=stopped,
            report=self.scene.watches.append,
            taken=lambda _: None,
            tell=self.scene.told.append,
            **self.scene.means(),
        )


def test_a_recording_ends_when_somebody_says_stop_and_is_kept(tmp_path: Path) -> None:
    run = Run(tmp_path)
    end = run.record(stopped=lambda: run.scene.looks >= 12)
    assert end.trouble is None
    assert run.scene.rows_on_disk() == 12 * ROWS
    (told,) = recording_end_notes(run.folder / RAW)
    assert (told.severity, told.text) == ("note", "recording ended: somebody said stop")


def test_a_recording_for_some_seconds_ends_by_itself(tmp_path: Path) -> None:
    run = Run(tmp_path)
    end = run.record(seconds=1.95)  # between two looks: the sum of steps of a tenth is no whole number
    assert end.watch.elapsed == pytest.approx(2.0)
    assert run.scene.rows_on_disk() == 20 * ROWS
    assert recording_end_notes(run.folder / RAW)[0].text == "recording ended: 1.95 s were over"


def test_a_capture_that_somebody_else_ended_is_said_in_the_record(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.scene.events[10] = lambda: run.scene.boards["cradle-a"].die(None)
    end = run.record()
    assert isinstance(end.trouble, RecordError)
    (told,) = recording_end_notes(run.folder / RAW)
    assert told.severity == "serious"
    assert told.text == (
        "recording ended early: cradle-a: capture was ended from outside, before the recording was over"
    )


def test_a_refusal_is_the_reason_why_a_recording_ended(tmp_path: Path) -> None:
    run = Run(tmp_path, Nameless)
    with pytest.raises(FrameError) as refusal:
        run.record()
    (told,) = recording_end_notes(run.folder / RAW)
    assert (told.severity, told.text) == ("serious", f"recording ended early: {refusal.value}")


def test_made_up_data_are_no_test_and_leave_no_run(tmp_path: Path) -> None:
    run = Run(tmp_path, MadeUp)
    with pytest.raises(MadeUpError, match="WF-03: the device says that it is simulated; record it with --rehearsal"):
        run.record(seconds=1.0)
    assert not run.folder.exists()


def test_a_rehearsal_ends_once_its_port_is_gone_for_good(tmp_path: Path) -> None:
    run = Run(tmp_path, MadeUp)
    run.scene.events[10] = lambda: run.scene.boards["cradle-a"].unplug()
    end = run.record(rehearsal=True)
    # heard last at the look before it was unplugged; a look late by the sum of steps of a tenth
    assert end.watch.elapsed == pytest.approx(0.9 + GONE_FOR, abs=1.5 * LOOK_EVERY)


def test_a_rehearsal_whose_port_comes_back_goes_on(tmp_path: Path) -> None:
    run = Run(tmp_path, MadeUp)
    looks = round(0.5 * GONE_FOR / LOOK_EVERY)
    run.scene.events[10] = lambda: run.scene.boards["cradle-a"].unplug()
    run.scene.events[10 + looks] = lambda: run.scene.boards["cradle-a"].replug(run.scene.boards["cradle-a"].told)
    run.record(rehearsal=True, stopped=lambda: run.scene.looks >= 4 * looks)
    assert run.scene.looks == 4 * looks


def test_a_test_goes_on_without_its_port_until_somebody_says_stop(tmp_path: Path) -> None:
    run = Run(tmp_path)
    looks = round(2.0 * GONE_FOR / LOOK_EVERY)
    run.scene.events[10] = lambda: run.scene.boards["cradle-a"].unplug()
    run.record(stopped=lambda: run.scene.looks >= looks)
    assert run.scene.looks == looks


def test_a_recording_into_which_not_one_byte_came_leaves_no_run(tmp_path: Path) -> None:
    run = Run(tmp_path, Silent)
    with pytest.raises(LinkError, match="WF-03: not one byte came from /dev/cradle-a before recording stopped"):
        run.record(seconds=1.0)
    assert not run.folder.exists()


def test_a_port_on_which_nothing_valid_comes_leaves_no_run(tmp_path: Path) -> None:
    run = Run(tmp_path, Silent)
    run.scene.events[3] = lambda: run.scene.boards["cradle-a"]._append(Event.DATA, b"no frame at all" * 9)
    with pytest.raises(LinkError):
        run.record()
    assert not run.folder.exists()


def test_a_hello_that_is_refused_is_not_called_absent(tmp_path: Path) -> None:
    run = Run(tmp_path, Refused)
    with pytest.raises(FrameError, match=r"what came is refused: hello.*tick_hz is 0, must be .*; correct"):
        run.record()
    assert list((run.folder / RAW).iterdir())


def test_valid_frames_that_nothing_explains_are_kept(tmp_path: Path) -> None:
    run = Run(tmp_path, Nameless)
    with pytest.raises(FrameError, match="no hello that explains their layout"):
        run.record()
    assert list((run.folder / RAW).iterdir())


def test_a_disk_that_refuses_the_first_word_leaves_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(raw: Path, _end: object) -> None:
        raise RecordError(f"{raw}: disk full")

    monkeypatch.setattr("standbook.daq.recording.run_recording.write_recording_end", refuse)
    run = Run(tmp_path)
    with pytest.raises(RecordError, match="disk full"):
        run.record()
    assert not run.folder.exists()
