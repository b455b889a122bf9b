"""Names of recordings without a plan."""

import pytest

from standbook.daq.bench.unplanned_run import is_bench_run, next_name
from tests.recorded_run import NOW, new_run


@pytest.mark.parametrize(
    ("there", "name"),
    [
        ((), "bench-1"),
        (("2031-06-14_bench-1",), "bench-2"),
        (("2031-06-14_bench-1_rehearsal", "2031-06-14_bench-2"), "bench-3"),
        (("2031-06-13_bench-1", "2031-06-14_bench-2"), "bench-1"),
    ],
)
def test_a_recording_takes_the_first_number_that_its_day_has_free(tmp_path, there, name):
    for folder in there:
        (tmp_path / "runs" / folder).mkdir(parents=True)
    assert next_name(tmp_path, "bench", now=NOW) == name


def test_what_is_no_run_and_what_has_a_plan_are_no_bench_runs(tmp_path):
    assert not is_bench_run(tmp_path)
    assert not is_bench_run(new_run(tmp_path))
