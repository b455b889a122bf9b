"""Name the runs that a sensor found to have moved puts in question, with what the shift does to their results.

Their results stay: nobody knows when the sensor moved. Since the day of the revision that was found wrong.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from standbook.analysis.calibration_sheet.against_last import AgainstLast
from standbook.analysis.report.content.number_format import two_digits
from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import read_results
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import CALIBRATIONS, RUNS
from standbook.daq.config.stand import Input
from standbook.daq.errors import StandError
from standbook.daq.kinds.registry import BENCH
from standbook.daq.run.run_folder import RUN_FILE, read_run_files


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionedRun:
    """One run that was recorded with the revision."""

    folder: str
    item: Input  # the sensor, as the run's stand has it
    rehearsal: bool
    results: Results | None  # newest; none: not analysed


def runs_with(campaign: Path, last: Calibration) -> tuple[QuestionedRun, ...]:
    """Return the runs of a campaign that were recorded with a revision, recordings without a plan left out.

    A run that cannot be read is passed over: what it says is another command's to tell.
    """
    found = []
    for place in sorted((campaign / RUNS).glob("*")):
        if not (place / RUN_FILE).is_file() or not (place / CALIBRATIONS / f"{last.name}.toml").is_file():
            continue
        try:
            files = read_run_files(place)
            item = files.stand.input_tagged(last.tag)
        except (StandError, KeyError):
            continue
        if files.info.kind == BENCH.name:
            continue
        try:
            results = read_results(place).results
        except StandError:
            results = None
        found.append(QuestionedRun(folder=place.name, item=item, rehearsal=files.info.rehearsal, results=results))
    return tuple(found)


def questioned(runs: Sequence[QuestionedRun], against: AgainstLast) -> tuple[str, ...]:
    """Say which runs are in question and what the shift does to each.

    Notes
    -----
    A cell that reads s too much makes the impulse s too large; a tank's sensor that reads s too much makes CdA s/2 too
    small, for flow goes with the root of the pressure. A shift of zero is not carried: it is the same at all readings.
    """
    if not runs:
        return ()
    many = "run was" if len(runs) == 1 else "runs were"
    head = (
        f"In question: {len(runs)} {many} recorded with {against.revision}; when it moved nobody knows, results stay."
    )
    return (head, *(f"  {one.folder}: {', '.join(_effects(one, against)) or 'not analysed'}" for one in runs))


def _effects(one: QuestionedRun, against: AgainstLast) -> Iterable[str]:
    shift, results = against.span_shift, one.results
    if results is None:
        return
    if one.item.measures == measurands.THRUST and results.impulse is not None:
        value = shift * results.impulse.value
        yield f"impulse {two_digits(100.0 * shift, signed=True)} %, {value:+,.0f} N·s"
    tank = results.tanks.get(one.item.tank or "")
    if one.item.measures == measurands.TANK_PRESSURE and tank is not None and tank.cda is not None:
        yield f"CdA {two_digits(-50.0 * shift, signed=True)} %"
