"""Play the levels of a readings sheet, or the forces of a pull, on a simulated board, to practise taking them."""

from pathlib import Path
from typing import TYPE_CHECKING

from standbook.analysis.calibration.readings_sheet import tag_and_day
from standbook.analysis.calibration_sheet.journal_levels import planned_levels
from standbook.analysis.stand_sheets.pull_sheet import ENDING
from standbook.daq.bench.unplanned_run import newest_calibrations
from standbook.daq.config.campaign import STAND_FILE
from standbook.daq.config.stand import read_stand
from standbook.daq.config.toml_document import read_toml
from standbook.daq.errors import ConfigError
from standbook.daq.rehearsal.played_levels import bench_table

if TYPE_CHECKING:
    from standbook.daq.rehearsal.script import Table


def levels_table(sheet: Path, seed: int) -> "Table":
    """Return what the board says while the levels of a sheet are set one after another.

    Raises
    ------
    ConfigError
        The sheet plans no levels, or its input has no calibration to be simulated by.
    """
    campaign = sheet.resolve().parent.parent
    tag = tag_and_day(sheet)[0].removesuffix(ENDING)
    _, values = read_toml(sheet)
    planned = planned_levels(values, str(sheet))
    stand = read_stand(campaign / STAND_FILE)
    known = {one.tag: one for one in newest_calibrations(campaign, {item.tag for item in stand.input})}
    if tag not in {item.tag for item in stand.input}:
        raise ConfigError(f"{sheet}: {STAND_FILE} has no {tag}; it has {', '.join(sorted(i.tag for i in stand.input))}")
    calibration = known.get(tag)
    if calibration is not None and {one.unit for one in planned} != {calibration.reading_unit}:
        raise ConfigError(
            f"{sheet}: a rehearsal plays levels in {calibration.reading_unit}, as {calibration.name} reads; write "
            "the levels in that unit to practise"
        )
    return bench_table(stand, known, tag, [float(one.value) for one in planned], seed=seed)
