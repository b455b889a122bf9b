"""standbook: ground tests of a small pressure-fed rocket engine, recorded, analysed and reported.

What a script or a notebook needs, ``import standbook as sb``; each name is loaded when it is first used.

``open_run(folder)``
    A sealed run with its newest analysis, a ``Run``; nothing is written.
``analyse(folder)``
    Analyse a sealed run into a new revision; returns its folder and ``Results``.
``predict(plan)``
    What every gauge should read, from a plan of a campaign.
``open_campaign(folder)``
    A campaign with its runs side by side, a ``Campaign``.
``compare(first, second)``
    The second run less the first, with what made both cancelled, and every change between them.
``export(run, "csv", "xlsx")``
    A run as files that other programs open: names and bytes.
``plot(run, "thrust", "PT-31")``
    A figure of channels, every sample.
``to_units(measured, "bar(a)")``
    A quantity's value and u in another unit.
``Run``, ``Campaign``, ``Measured``, ``Finding``, ``Curve``
    The types that these give.
``StandError``
    What all of them raise where a file, a record or a port is wrong.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from standbook.analysis.analyse import analyse_run as analyse
    from standbook.analysis.campaign.carried_runs import predict_plan as predict
    from standbook.analysis.export.files import export
    from standbook.analysis.opened_campaign import Campaign, compare, open_campaign
    from standbook.analysis.opened_run import Run, open_run
    from standbook.analysis.plotting import plot
    from standbook.analysis.results.curves import Curve
    from standbook.analysis.results.quantities import Measured, to_units
    from standbook.daq.errors import StandError
    from standbook.daq.findings.finding import Finding

    __version__: str

_PLACES = {
    "Campaign": ("analysis.opened_campaign", "Campaign"),
    "Curve": ("analysis.results.curves", "Curve"),
    "Finding": ("daq.findings.finding", "Finding"),
    "Measured": ("analysis.results.quantities", "Measured"),
    "Run": ("analysis.opened_run", "Run"),
    "StandError": ("daq.errors", "StandError"),
    "analyse": ("analysis.analyse", "analyse_run"),
    "compare": ("analysis.opened_campaign", "compare"),
    "export": ("analysis.export.files", "export"),
    "open_campaign": ("analysis.opened_campaign", "open_campaign"),
    "open_run": ("analysis.opened_run", "open_run"),
    "plot": ("analysis.plotting", "plot"),
    "predict": ("analysis.campaign.carried_runs", "predict_plan"),
    "to_units": ("analysis.results.quantities", "to_units"),
}

__all__ = [
    "Campaign",
    "Curve",
    "Finding",
    "Measured",
    "Run",
    "StandError",
    "__version__",
    "analyse",
    "compare",
    "export",
    "open_campaign",
    "open_run",
    "plot",
    "predict",
    "to_units",
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
