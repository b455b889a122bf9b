"""Write the file of a load. Pure: text in memory."""

import datetime as dt

from standbook.analysis.calibration_sheet.calibration_text import quoted
from standbook.analysis.stand_sheets.load_record import Filling


def load_text(found: Filling, plan: str, at: dt.datetime, journal: str, *, rehearsal: bool) -> str:
    """Return the text of ``loads/DATE_PLAN.toml``."""
    boiling = found.boiling.sentence if found.boiling is not None else ""
    lines = (
        "# Made by standbook load; never edited, a newer one stands beside it.",
        f"plan = {quoted(plan)}",
        f"at = {at.isoformat(timespec='seconds')}",
        f"journal = {quoted(journal)}",
        f"rehearsal = {'true' if rehearsal else 'false'}",
        f'by_cell = "{max(found.by_cell.mass, 0.0):.4g} +/- {found.by_cell.u:.2g} kg"',
        f'containers = "{found.containers.mass:.6g} +/- {found.containers.u:.2g} kg"',
        f"says = {quoted(found.says)}",
        f"boil_off = {quoted(boiling)}",
    )
    return "\n".join(lines) + "\n"
