"""Write the file of a tap test. Pure: text in memory."""

import datetime as dt

from standbook.analysis.calibration_sheet.calibration_text import quoted
from standbook.analysis.stand_sheets.tap_record import TapTest


def tap_text(test: TapTest, *, date: dt.date, tag: str, journal: str, tanks: str, rehearsal: bool) -> str:
    """Return the text of ``taps/DATE.toml``."""
    lines = [
        "# Made by standbook tap; never edited, a newer test stands beside it.",
        f"date = {date}",
        f"tag = {quoted(tag)}",
        f"journal = {quoted(journal)}",
        f"tanks = {quoted(tanks)}",
        f"rehearsal = {'true' if rehearsal else 'false'}",
    ]
    if test.moving_mass is not None:
        lines.append(f'moving_mass = "{test.moving_mass[0]:.6g} +/- {test.moving_mass[1]:.2g} kg"')
    for state in test.states:
        mass, u = state.added
        lines += ["\n[[state]]", f'added = "{mass:.6g} +/- {u:.2g} kg"', f"taps = {state.used}", "modes = ["]
        for mode in state.modes:
            frequency = f'"{mode.frequency:.6g} +/- {mode.frequency_u:.2g} Hz"'
            damping = f'"{100 * mode.zeta:.5g} +/- {100 * mode.zeta_u:.2g} %"'
            note = f", note = {quoted(mode.note)}" if mode.note else ""
            lines.append(f"    {{ frequency = {frequency}, damping = {damping}{note} }},")
        lines.append("]")
    return "\n".join(lines) + "\n"
