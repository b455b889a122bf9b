"""Open a sealed run and its newest analysis for a script or a notebook. Writes nothing."""

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import escape

from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import read_results
from standbook.daq.config.plan import Plan
from standbook.daq.findings.finding import Finding
from standbook.daq.run.run_folder import Run as Record
from standbook.daq.run.run_folder import open_run as open_record

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from standbook.analysis.data_frames import Units
    from standbook.analysis.dataset.dataset import Dataset
    from standbook.analysis.thrust.burn import Burn
    from standbook.analysis.thrust.thrust_record import ThrustRecord


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

    @cached_property
    def dataset(self) -> "Dataset":
        """Calibrated channels on one time axis, with the calibrations of the newest analysis."""
        from standbook.analysis.analyse import later_calibrations
        from standbook.analysis.dataset.load_run import load_dataset
        from standbook.daq.config.campaign import CALIBRATIONS
        from standbook.daq.run.revision import open_revision, revisions_of

        kept = open_revision(self.folder) / CALIBRATIONS if revisions_of(self.folder) else None
        later = later_calibrations(self.record, sorted(kept.glob("*.toml"))) if kept is not None else {}
        return load_dataset(self.record, calibrations=later)

    def frame(
        self,
        tags: "Sequence[str] | None" = None,
        *,
        start: float | None = None,
        end: float | None = None,
        units: "Units" = "stored",
    ) -> "pd.DataFrame":
        """Return readings, one column a tag, indexed by time after T-0 [s]; rows that were lost are absent.

        Parameters
        ----------
        tags : sequence of str, optional
            All channels when ``None``.
        start, end : float, optional
            First and last instant. [s]
        units : "stored" or "SI"
            The calibrations' own, gauge where they are, or SI with absolute pressures.

        Returns
        -------
        DataFrame
            ``attrs`` names units, reference, calibration, run, revision, manifest, T-0 and whether it is a rehearsal.

        Raises
        ------
        DataError
            A tag that the run does not have.
        """
        from standbook.analysis.data_frames import run_frame

        revision = self.results.revision if self.is_analysed else None
        frame = run_frame(self.dataset, tags, start=start, end=end, units=units)
        frame.attrs |= {
            "run": self.folder.name,
            "revision": revision,
            "manifest": self.record.manifest.sha256,
            "t_zero": self.dataset.t_zero.time if self.dataset.t_zero is not None else None,
            "rehearsal": self.record.info.rehearsal,
        }
        return frame

    def thrust(self) -> "pd.Series[float]":
        """Return thrust at full rate over the impulse window, indexed by time after T-0 [s]. [N].

        Its trapezoid sum is the total impulse: where rows were lost two steps to zero mark the stretch that no row
        stands for.

        Raises
        ------
        DataError
            There is no thrust that could be integrated.
        """
        from standbook.analysis.data_frames import thrust_series

        return thrust_series(*self.integrated_thrust)

    @cached_property
    def integrated_thrust(self) -> "tuple[ThrustRecord, Burn]":
        """Thrust at full rate with what was taken out of it, and where it is; ``DataError`` where there is none."""
        from standbook.analysis.kinds.static_fire import thrust_and_burn

        return thrust_and_burn(self.dataset)

    @property
    def is_analysed(self) -> bool:
        """Tell whether the run has an analysis."""
        from standbook.daq.run.revision import revisions_of

        return bool(revisions_of(self.folder))

    @property
    def events(self) -> "pd.DataFrame":
        """Events of the newest analysis: name, time after T-0 [s], u [s], method."""
        from standbook.analysis.data_frames import events_table

        return events_table(self.results)

    def table(self) -> "pd.DataFrame":
        """Return every measured quantity: quantity, value, u, unit."""
        from standbook.analysis.data_frames import results_table

        return results_table(self.results)

    def _repr_html_(self) -> str:
        from standbook.analysis.notebook import results_html

        name = self.folder.name
        return results_html(name, self.results) if self.is_analysed else str(escape(f"{name}: not analysed"))

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
