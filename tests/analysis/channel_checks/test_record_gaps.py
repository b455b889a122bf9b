"""Holes in the record and a prediction that is not there: one sentence each."""

from standbook.analysis.channel_checks.record_gaps import gap_findings, prediction_findings
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.results import Gap, RecordHealth


def dataset(campaign, *, lost_rows=0, gaps=(), boots=1):
    health = RecordHealth(
        rows=14_000 - lost_rows, lost_rows=lost_rows, gaps=gaps, boots=boots, clock_ppm=None, damaged_frames=0
    )
    return Dataset(
        run="run",
        kind="static fire",
        rehearsal=False,
        plan=campaign.plan,
        stand=campaign.stand,
        channels={},
        record={"cradle-a/fast": health},
    )


def test_a_whole_record_draws_no_word(hf02_campaign):
    assert gap_findings(dataset(hf02_campaign), 0.0, 10.0) == []


def test_gaps_of_the_burn_are_a_caution_and_others_a_note(hf02_campaign):
    inside = dataset(hf02_campaign, lost_rows=60, gaps=(Gap(5.0, 5.061, 0.060, 60),))
    (said,) = gap_findings(inside, 0.0, 10.0)
    assert (said.code, said.severity, said.time) == ("gap", "caution", 5.0)
    (said,) = gap_findings(inside, 6.0, 10.0)
    assert (said.code, said.severity) == ("rows-lost", "note")


def test_a_few_gaps_of_what_runs_smoothly_are_a_note_and_many_a_caution(hf02_campaign):
    few = dataset(hf02_campaign, lost_rows=60, gaps=(Gap(0.1, 0.161, 0.060, 60),))
    (said,) = gap_findings(few, 0.0, 10.0, part="flow", bridged=True)
    assert (said.code, said.severity) == ("gap", "note")
    many = dataset(hf02_campaign, lost_rows=2000, gaps=(Gap(5.0, 7.0, 2.0, 2000),))
    (said,) = gap_findings(many, 0.0, 10.0, part="flow", bridged=True)
    assert (said.code, said.severity) == ("gap", "caution")


def test_a_device_that_started_again_is_a_caution(hf02_campaign):
    (said,) = gap_findings(dataset(hf02_campaign, boots=2), 0.0, 10.0)
    assert (said.code, said.severity) == ("device-restarted", "caution")


def test_a_run_without_a_prediction_says_so(hf02_campaign):
    assert [said.code for said in prediction_findings(dataset(hf02_campaign))] == ["no-prediction"]
