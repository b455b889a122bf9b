"""Open a sealed run and its newest analysis for a script or a notebook. Writes nothing."""

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import read_results
from standbook.daq.config.plan import Plan
from standbook.daq.findings.finding import Finding
from standbook.daq.run.run_folder import Run as Record
from standbook.daq.run.run_folder import open_run as open_record

if TYPE_CHECKING:
    import pandas as pd


class Run:
    """One sealed run.

    Parameters
    ----------
    record : daq.run.run_folder.Run
        The sealed record.
    """

    def __init__(self, record: Record) -> None:
        self.record = record

    @property
    def folder(self) -> Path:
        """Folder of the run."""
        return self.record.folder

    @property
    def plan(self) -> Plan:
        """The plan as it was locked; quantities in SI."""
        return self.record.plan

    @cached_property
    def results(self) -> Results:
        """Results of the newest analysis, in SI units.

        Raises
        ------
        RecordError
            Not analysed, or the analysis was changed.
        """
        return read_results(self.folder).results

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings that a person must read before using the results."""
        return self.results.findings

    def table(self) -> "pd.DataFrame":
        """Return every measured quantity: quantity, value, u, unit."""
        from standbook.analysis.data_frames import results_table

        return results_table(self.results)

    def __repr__(self) -> str:
        return f"<Run {self.folder.name}>"


def open_run(folder: Path | str) -> Run:
    """Open a sealed run.

    Raises
    ------
    RecordError
        Not a run, not sealed, or damaged.
    """
    return Run(open_record(Path(folder)))
