"""Open a campaign for a script or a notebook: its runs side by side, two of them held against each other."""

from pathlib import Path
from typing import TYPE_CHECKING

from standbook.analysis.opened_run import Run, open_run
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import RecordError

if TYPE_CHECKING:
    import pandas as pd

    from standbook.analysis.campaign.comparison import RunComparison


class Campaign:
    """One campaign: the folder that holds plans, calibrations and runs.

    Parameters
    ----------
    folder : Path
        Of the campaign.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def runs(self, *, rehearsals: bool = False) -> "pd.DataFrame":
        """Return the runs, a row each in the order of recording; numbers in SI, each beside its u.

        Parameters
        ----------
        rehearsals : bool
            Rehearsals and recordings without a plan too.

        Raises
        ------
        RecordError
            There are no runs.
        """
        import pandas as pd

        from standbook.analysis.campaign.run_table import campaign_runs, plain_row

        rows = [row for row in campaign_runs(self.folder) if rehearsals or row.is_test]
        return pd.DataFrame([plain_row(row) for row in rows])

    def run(self, name: str) -> Run:
        """Open a run by its folder's name, by its number, or by a part of the name that fits one alone.

        Raises
        ------
        RecordError
            None fits, or several do.
        """
        found = sorted(path for path in (self.folder / RUNS).iterdir() if path.is_dir() and name in path.name)
        called = {name, f"{name}_rehearsal"}
        exact = [path for path in found if path.name == name or path.name.partition("_")[2] in called]
        if len(exact or found) != 1:
            several = ", ".join(path.name for path in found) or "none"
            raise RecordError(f"{self.folder}: {several} of its runs fit {name!r}; name one folder")
        return open_run((exact or found)[0])

    def __repr__(self) -> str:
        return f"<Campaign {self.folder.name}>"


def open_campaign(folder: Path | str) -> Campaign:
    """Open a campaign.

    Raises
    ------
    RecordError
        The folder holds no runs.
    """
    place = Path(folder)
    if not (place / RUNS).is_dir():
        raise RecordError(f"{place}: no {RUNS}/ in it; give a campaign's folder, which holds plans and {RUNS}")
    return Campaign(place)


def compare(first: Run, second: Run, *, remounted: bool = False) -> "RunComparison":
    """Hold two runs against each other: differences with what made both cancelled, and every change between them."""
    from standbook.analysis.campaign.comparison import compare_runs

    return compare_runs(first.folder, second.folder, remounted=remounted)
