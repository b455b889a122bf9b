"""The study of faults, small: a cable out and in again under another name, live, with bytes lost on top."""

from standbook.daq.journal.writer import journals_of
from standbook.daq.rehearsal import fault_catalogue as known
from tests.studies.recording_faults import RESTART, SCALE, combination, played_live


def test_a_replugged_device_is_recorded_on_under_its_new_name_and_the_gap_is_right_to_the_row(tmp_path):
    faults = [known.Unplug(at=1.0, seconds=1.0), known.DroppedBytes(at=3.2, count=300)]
    judgement, record, sent = played_live(tmp_path, faults, scale=2.0, seconds=4.0)
    assert judgement.faults == 0, str(judgement)
    (run,) = (tmp_path / "teasel-2/runs").iterdir()
    assert len(journals_of(run / "raw", "cradle-a")) == 2
    gaps = record.streams["fast"].gaps
    assert len(gaps) == 2
    assert all(gap.exact for gap in gaps)
    assert gaps[0].rows >= 1000  # a second of them, and as long as it took to open the port again
    assert sum(rows for stream, _, rows in (*sent.dropped, *sent.spoilt) if stream == 1) == sum(g.rows for g in gaps)


def test_across_a_brown_out_the_gap_is_bounded_and_says_so(tmp_path):
    faults = [known.NoHello(), known.BrownOut(at=1.0, seconds=1.0)]
    judgement, record, _ = played_live(tmp_path, faults, scale=2.0, seconds=4.0)
    assert judgement.faults == 0, str(judgement)
    assert record.boots == 2
    (gap,) = record.streams["fast"].gaps
    assert (gap.exact, gap.rows) == (False, None)
    assert judgement.worst_restart < 10 * RESTART * SCALE  # whatever the load; the study holds it ten times closer


def test_the_same_seed_draws_the_same_faults():
    assert combination(3) == combination(3)
    assert len({str(combination(seed)) for seed in range(20)}) == 20
