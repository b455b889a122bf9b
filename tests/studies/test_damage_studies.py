"""The damage studies at a size for every day; the figures that count come from the scripts' own runs."""

import pytest

from standbook.daq.journal.record_format import Event, Row
from tests.studies import journal_damage
from tests.studies.frame_damage import SHARES, damaged_link


@pytest.mark.parametrize("share", SHARES)
def test_no_wrong_value_an_exact_loss_and_every_untouched_frame(share):
    figures = damaged_link(share, 20_000)
    assert figures.faults == 0
    assert 0 < figures.accepted < figures.frames
    assert figures.true_lost > 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("journal")


@pytest.fixture(scope="module")
def recording(folder):
    return journal_damage.record(folder / "cradle-a_001.arrows")


@pytest.mark.slow
def test_a_journal_with_one_bit_flipped_loses_at_most_the_message_hit(folder, recording):
    tally = journal_damage.flips(folder, recording, 80, first_message_too=20)
    assert (tally.faults, tally.refused, tally.worst_loss) == (0, 0, 1)
    assert tally.recovered == 100


def test_a_growing_journal_is_followed_record_by_record(folder, recording):
    assert journal_damage.grown(folder, recording, step=13) == 0


@pytest.mark.slow
def test_a_journal_cut_anywhere_keeps_what_stands_before_the_cut(folder, recording):
    """Runs last: it leaves an empty file."""
    tally = journal_damage.cuts(folder, recording, step=103)  # a prime: every place within a message comes up
    assert (tally.faults, tally.refused, tally.worst_loss) == (0, 0, 0)
    assert tally.recovered > 90


def test_the_judge_sees_what_is_invented_altered_or_lost():
    rows = tuple(Row(k, k, k, Event.DATA, bytes([k])) for k in range(4))
    other = Row(9, 9, 9, Event.DATA, b"")
    for found, invented, lost in (
        (rows, 0, 0),
        (rows[:2] + rows[3:], 0, 1),
        ((rows[1], rows[0], *rows[2:]), 3, 1),  # out of order
        ((*rows, other), 1, 0),
    ):
        tally = journal_damage.Tally()
        journal_damage._judge(tally, found, rows, rows)
        assert (tally.invented > 0, tally.lost_wrongly > 0) == (invented > 0, lost > 0)
    tally = journal_damage.Tally()
    journal_damage._judge(tally, None, rows, rows)
    assert tally.faults == 1
