"""Make initial results: identification and data quality; every measured field is ``None``."""

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.results import Results


def empty_results(dataset: Dataset, revision: str, software: str) -> Results:
    """Return identification and data quality of a run, all else ``None``."""
    return Results(
        run=dataset.run,
        kind=dataset.kind,
        article=dataset.plan.test.article,
        stand=dataset.stand.name,
        rehearsal=dataset.rehearsal,
        plan_sha256=dataset.plan_sha256,
        prediction=dataset.prediction_status,
        software=software,
        revision=revision,
        t_zero=dataset.t_zero,
        window=None,
        events=(),
        record=dataset.record,
        tare={},
        weight_correction=None,
        impulse=None,
        impulse_vacuum=None,
        thrust=None,
        burn_time=None,
        verdicts={},
        tanks={},
        engine=None,
        comparison={},
        findings=(),
    )
