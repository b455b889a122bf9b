"""Results as they lie in a run folder: one revision of the analysis, sealed beside the record."""

from pathlib import Path
from typing import NamedTuple

from standbook.analysis.results.json_codec import from_json
from standbook.analysis.results.results import Results
from standbook.daq.errors import RecordError
from standbook.daq.regular_file import read_regular
from standbook.daq.run.revision import open_revision

RESULTS_FILE = "results.json"
CURVES_FILE = "curves.parquet"


class SavedResults(NamedTuple):
    """One revision."""

    place: Path  # its folder
    results: Results


def read_results(run: Path, revision: str | None = None) -> SavedResults:
    """Read one revision of a run's analysis, the newest when ``None``; nothing is written.

    Raises
    ------
    RecordError
        Not analysed, no such revision, changed since, or not readable.
    """
    place = open_revision(run, revision)
    path = place / RESULTS_FILE
    try:
        return SavedResults(place, from_json(read_regular(path).decode("utf-8")))
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: results cannot be read ({error}); analyse the run again") from None
