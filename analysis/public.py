"""standbook: ground tests of a small pressure-fed rocket engine, recorded, analysed and reported.

What a script or a notebook needs, ``import standbook as sb``; each name is loaded when it is first used.

``open_run(folder)``
    A sealed run with its newest analysis, a ``Run``; nothing is written.
``analyse(folder)``
    Analyse a sealed run into a new revision; returns its folder and ``Results``.
``predict(plan)``
    What every gauge should read, from a plan of a campaign.
``Run``, ``Measured``, ``Finding``, ``Curve``
    The frozen types that these give.
``StandError``
    What all of them raise where a file, a record or a port is wrong.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from standbook.analysis.analyse import analyse_run as analyse
    from standbook.analysis.campaign.carried_runs import predict_plan as predict
    from standbook.analysis.opened_run import Run, open_run
    from standbook.analysis.results.curves import Curve
    from standbook.analysis.results.quantities import Measured
    from standbook.daq.errors import StandError
    from standbook.daq.findings.finding import Finding

    __version__: str

_PLACES = {
    "Curve": ("analysis.results.curves", "Curve"),
    "Finding": ("daq.findings.finding", "Finding"),
    "Measured": ("analysis.results.quantities", "Measured"),
    "Run": ("analysis.opened_run", "Run"),
    "StandError": ("daq.errors", "StandError"),
    "analyse": ("analysis.analyse", "analyse_run"),
    "open_run": ("analysis.opened_run", "open_run"),
    "predict": ("analysis.campaign.carried_runs", "predict_plan"),
}

__all__ = [
    "Curve",
    "Finding",
    "Measured",
    "Run",
    "StandError",
    "__version__",
    "analyse",
    "open_run",
    "predict",
]


def __getattr__(name: str) -> object:
    if name == "__version__":
        return import_module("standbook.daq.software").version()
    if name in _PLACES:
        module, attribute = _PLACES[name]
        return getattr(import_module(f"standbook.{module}"), attribute)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
