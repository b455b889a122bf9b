"""What the analysis does with one kind of test: functions, each ``None`` where the kind has none."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from standbook.analysis.report.sections.page_parts import PageParts
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Analysis
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.kinds.kind import Kind

if TYPE_CHECKING:
    from standbook.analysis.dataset.dataset import Dataset


class Analyse(Protocol):
    """From a dataset to results."""

    def __call__(self, dataset: "Dataset", *, revision: str, software: str) -> Analysis:
        """Analyse; ``revision`` are the letters of this analysis, ``software`` is kept in the results."""


class Predict(Protocol):
    """From a plan to what every gauge should read."""

    def __call__(self, plan: Plan, stand: Stand, *, samples: int, seed: int) -> Prediction:
        """Predict by ``samples`` draws of the plan's uncertainties, from ``seed``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysedKind:
    """One kind of test with all that is done for it."""

    kind: Kind
    analyse: Analyse | None = None
    predict: Predict | None = None
    page_parts: Callable[[], PageParts]  # what page one shows, and the evidence behind it
