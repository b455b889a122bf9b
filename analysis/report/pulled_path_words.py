"""How somebody with a pocket calculator uses a pull: its factor by the pressure of the lines, and what they push."""

from dataclasses import dataclass

from standbook.analysis.calibration.pull_fit import fit_of_pull
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import DataError
from standbook.daq.stand_sheets.pull_file import BAR, PullFile


@dataclass(frozen=True, slots=True)
class PulledWords:
    """What to do with a reading of a pulled cell."""

    factor: str
    line_load: str


def pulled_words(pull: PullFile | None, calibration: Calibration) -> PulledWords | None:
    """Return a pull in words; ``None`` where there is none, or it is of another signal and was not used."""
    if pull is None or pull.signal_unit != calibration.signal_unit:
        return None
    try:
        fit = fit_of_pull(pull, calibration)
    except DataError:
        return None
    gain, stiffening = fit.of("gain")[0], fit.of("stiffening")[0] * BAR
    load = fit.of("line_load")[0] * BAR
    return PulledWords(
        f"divide by {gain:.7g} {'-' if stiffening < 0.0 else '+'} {abs(stiffening):.5g} p, p the mean gauge pressure "
        f"of the tanks in bar at that row: pull {pull.name}",
        f"{load:.4g} N/bar" if load else "",
    )
