"""Write the file of a hold. Pure: text in memory."""

import datetime as dt

from standbook.analysis.calibration_sheet.calibration_text import quoted
from standbook.analysis.report.content.number_format import two_digits
from standbook.analysis.results.hold_results import PER_MINUTE, HoldResult


def hold_text(tank: str, hold: HoldResult, *, date: dt.date, run: str, rehearsal: bool) -> str:
    """Return the text of ``holds/DATE_TANK.toml``."""
    rate = "not known"
    if hold.rate is not None:
        rate = f"{hold.rate.value * PER_MINUTE:.4g} +/- {two_digits(hold.rate.u * PER_MINUTE)} g/min"
    limit = "not known" if hold.detection_limit is None else f"{hold.detection_limit * PER_MINUTE:.3g} g/min"
    setup = {
        "tank": quoted(tank),
        "gas": quoted(hold.gas),
        "pressure": quoted(f"{hold.start_pressure.value / 1e5:.2f} bar(a)"),
        "gas_volume": quoted(f"{1e3 * hold.gas_volume.value:.4g} +/- {two_digits(1e3 * hold.gas_volume.u)} L"),
        "settled": quoted(f"{hold.settled / 60:.3g} min"),
        "held": quoted(f"{(hold.window[1] - hold.window[0]) / 60:.3g} min"),
        "thermometers": str(hold.thermometers),
        "sun": quoted(hold.sun),
    }
    result = {
        "rate": quoted(rate),
        "detection_limit": quoted(limit),
        "wanted": quoted(f"{hold.wanted * PER_MINUTE:.3g} g/min"),
        "says": quoted(hold.says),
        "verdict": quoted(hold.sentence),
    }
    lines = [
        "# Made by standbook hold; never edited, a newer hold stands beside it.",
        f"date = {date}",
        f"run = {quoted(run)}",
        f"rehearsal = {'true' if rehearsal else 'false'}",
        *("\n[setup]", *(f"{key} = {value}" for key, value in setup.items())),
        *("\n[result]", *(f"{key} = {value}" for key, value in result.items())),
    ]
    return "\n".join(lines) + "\n"
