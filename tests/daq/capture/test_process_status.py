"""What a capture process says about itself, as others read it."""

from pathlib import Path

from standbook.daq.capture.process_status import CaptureStatus, StatusBoard, missing_journal, read_status


def test_a_status_that_is_missing_torn_or_foreign_is_no_status(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    assert read_status(path) is None
    for content in (b"", b'{"device": "x', b"[]", b'{"device": "x"}'):
        path.write_bytes(content)
        assert read_status(path) is None


def test_a_status_of_an_earlier_version_is_read(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    path.write_text('{"device": "cradle-a", "pid": 7, "port": "/dev/ttyACM0", "state": "stopped", "more": 1}', "utf-8")
    assert read_status(path) == CaptureStatus(device="cradle-a", pid=7, port="/dev/ttyACM0", state="stopped")


def test_a_last_journal_that_is_not_there_is_named(tmp_path: Path) -> None:
    assert missing_journal(tmp_path, "cradle-a") is None
    told = '{"device": "cradle-a", "pid": 7, "port": "/dev/ttyACM0", "journal": "%s"}'
    status = tmp_path / "cradle-a_capture.json"
    status.write_text(told % "", "utf-8")
    assert missing_journal(tmp_path, "cradle-a") is None
    status.write_text(told % "cradle-a_002.arrows", "utf-8")
    assert missing_journal(tmp_path, "cradle-a") == "cradle-a_002.arrows"
    (tmp_path / "cradle-a_002.arrows").touch()
    assert missing_journal(tmp_path, "cradle-a") is None


def test_a_status_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    board = StatusBoard(tmp_path / "none" / "status.json", CaptureStatus(device="cradle-a", pid=1, port="/dev/ttyACM0"))
    board.say("lost", "unplugged")
    assert board.now.message == "unplugged"
    board.end("stopped", 0)
