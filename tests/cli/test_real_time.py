"""A simulated device in real time, recorded by the command line: losses stated to the row, nothing altered."""

import pytest

from tests.studies.real_time_loss import play_and_record

pytestmark = pytest.mark.xdist_group("real_time")


@pytest.mark.slow
def test_every_count_in_the_file_is_the_count_that_was_played(tmp_path):
    loss = play_and_record(tmp_path, 4.0)
    assert loss.wrong_counts == 0
    assert loss.stated == loss.dropped
    assert loss.recorded_rows == loss.played_rows - sum(rows for _, rows in loss.dropped)


@pytest.mark.slow
def test_a_capture_that_was_stopped_loses_rows_and_the_record_says_which(tmp_path):
    """One frame in the board and 512 bytes in the port hold 0.1 s of 17 kB/s; 0.3 s of stop cannot fit."""
    loss = play_and_record(tmp_path, 6.0, stop_ms=300.0, board_bytes=512)
    assert loss.wrong_counts == 0
    assert loss.dropped
    assert loss.stated == loss.dropped
