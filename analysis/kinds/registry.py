"""Every kind of test joined with its analysis. A new one is one object, and one line here or one call of ``register``.

What a kind needs is loaded when it is asked for: predicting loads no figures, and a report no fits.
"""

from dataclasses import replace
from typing import TYPE_CHECKING

from standbook.analysis.kinds.kind import AnalysedKind
from standbook.analysis.report.sections.page_parts import PageParts
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Analysis
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import deduplicate
from standbook.daq.kinds import registry as recorded
from standbook.daq.kinds.registry import NITROGEN_FLOW, PRESSURE_HOLD, STATIC_FIRE, WATER_FLOW

if TYPE_CHECKING:
    from standbook.analysis.dataset.dataset import Dataset

SAMPLES, SEED = 500, 20310614
LEAST_SAMPLES = 40  # with fewer the ends of a 95 % band mean nothing


def _analyse_firing(dataset: "Dataset", *, revision: str, software: str) -> Analysis:
    from standbook.analysis.kinds.static_fire import analyse_static_fire

    return analyse_static_fire(dataset, revision=revision, software=software)


def _analyse_flow(dataset: "Dataset", *, revision: str, software: str) -> Analysis:
    from standbook.analysis.kinds.cold_flow import analyse_water_flow

    return analyse_water_flow(dataset, revision=revision, software=software)


def _predict_firing(plan: Plan, stand: Stand, *, samples: int, seed: int) -> Prediction:
    from standbook.analysis.prediction.predict_firing import predict_firing

    return predict_firing(plan, stand, samples, seed)


def _predict_flow(plan: Plan, stand: Stand, *, samples: int, seed: int) -> Prediction:
    from standbook.analysis.prediction.predict_cold_flow import predict_flow

    return predict_flow(plan, samples=samples, seed=seed)


def _analyse_hold(dataset: "Dataset", *, revision: str, software: str) -> Analysis:
    from standbook.analysis.kinds.pressure_hold import analyse_pressure_hold

    return analyse_pressure_hold(dataset, revision=revision, software=software)


def _predict_hold(plan: Plan, stand: Stand, *, samples: int, seed: int) -> Prediction:
    from standbook.analysis.prediction.predict_hold import predict_hold

    return predict_hold(plan, samples=samples, seed=seed)


def _hold_page() -> PageParts:
    from standbook.analysis.report.sections.hold_page import HOLD_PAGE

    return HOLD_PAGE


def _firing_page() -> PageParts:
    from standbook.analysis.report.sections.firing_page import FIRING_PAGE

    return FIRING_PAGE


def _flow_page() -> PageParts:
    from standbook.analysis.report.sections.flow_page import FLOW_PAGE

    return FLOW_PAGE


_KINDS = {
    known.kind.name: known
    for known in (
        AnalysedKind(kind=WATER_FLOW, analyse=_analyse_flow, predict=_predict_flow, page_parts=_flow_page),
        AnalysedKind(kind=NITROGEN_FLOW, analyse=_analyse_flow, predict=_predict_flow, page_parts=_flow_page),
        AnalysedKind(kind=STATIC_FIRE, analyse=_analyse_firing, predict=_predict_firing, page_parts=_firing_page),
        AnalysedKind(kind=PRESSURE_HOLD, analyse=_analyse_hold, predict=_predict_hold, page_parts=_hold_page),
    )
}


def register(kind: AnalysedKind) -> None:
    """Add a kind of test, to the recorder's list too."""
    recorded.register(kind.kind)
    _KINDS[kind.kind.name] = kind


def forget(kind: AnalysedKind) -> None:
    """Take a kind away again that :func:`register` added."""
    recorded.forget(kind.kind)
    _KINDS.pop(kind.kind.name, None)


def analysed_kind(name: str) -> AnalysedKind:
    """Return a kind of test with its analysis.

    Raises
    ------
    ConfigError
        Nobody registered it.
    """
    known = _KINDS.get(recorded.kind_named(name).name)
    return known or AnalysedKind(kind=recorded.kind_named(name), page_parts=_flow_page)


def analyse(dataset: "Dataset", *, revision: str = "A", software: str = "") -> Analysis:
    """Analyse a run by its kind of test.

    Parameters
    ----------
    dataset : Dataset
        The run.
    revision : str
        Letters of this analysis.
    software : str
        Name and version, kept in the results.

    Raises
    ------
    DataError
        The kind of test has no analysis, or its record cannot answer.
    """
    from standbook.analysis.dataset.empty_results import empty_results
    from standbook.analysis.dataset.guard import FAILURES, part_failed

    known = analysed_kind(dataset.kind)
    if known.analyse is None:
        raise DataError(
            f"{dataset.run}: a {dataset.kind} is recorded but not analysed; read its samples with pandas, Polars or "
            "DuckDB"
        )
    try:
        return known.analyse(dataset, revision=revision, software=software)
    except FAILURES as error:
        results = empty_results(dataset, revision, software)
        said = (*dataset.findings, part_failed(f"The {dataset.kind}", error))
        return Analysis(replace(results, findings=deduplicate(said)), {})


def predict(plan: Plan, stand: Stand, *, samples: int = SAMPLES, seed: int = SEED) -> Prediction:
    """Predict a run.

    Parameters
    ----------
    samples : int
        Draws of the plan's uncertainties; at least ``LEAST_SAMPLES``.
    seed : int
        Of the draws: the same plan, samples and seed give the same prediction.

    Raises
    ------
    ConfigError
        The plan lacks a table that the model needs.
    DataError
        Nothing flows in this kind of test, or the liquid would not run out.
    """
    from standbook.analysis.budget.floors import floored_plan
    from standbook.analysis.physics.vessel_volume import as_filled

    if samples < LEAST_SAMPLES:
        raise ValueError(f"samples = {samples}; a 95 % band needs at least {LEAST_SAMPLES}")
    known = analysed_kind(plan.test.kind)
    if known.predict is None:
        raise DataError(f"plan {plan.test.number}: nothing flows in a {plan.test.kind}, so there is nothing to predict")
    held, said = floored_plan(plan)
    prediction = known.predict(as_filled(held), stand, samples=samples, seed=seed)
    return replace(prediction, findings=(*said, *prediction.findings))
