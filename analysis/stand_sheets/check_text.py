"""Write a sheet of checks. Pure: text in memory."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence

from standbook.analysis.calibration_sheet.calibration_text import quoted
from standbook.analysis.stand_checks.check import SHOWN, told
from standbook.analysis.stand_sheets.check_outcomes import StandCheck


def check_text(
    plan: str,
    at: dt.datetime,
    barometer: str,
    journal: str,
    checks: Sequence[StandCheck],
    *,
    stand_sha256: str,
    rehearsal: bool,
    values: Mapping[str, float],
    left_out: Sequence[str],
) -> str:
    """Return the text of ``checks/DATE_PLAN.toml``; what was found stands with its standard uncertainty."""
    lines = [
        "# Made by standbook check; never edited, a later check stands beside it.",
        f"plan = {quoted(plan)}",
        f"at = {at.isoformat(timespec='seconds')}",
        f"barometer = {quoted(barometer)}",
        f"journal = {quoted(journal)}",
        f"stand_sha256 = {quoted(stand_sha256)}",
        f"rehearsal = {'true' if rehearsal else 'false'}",
        f"left_out = [{', '.join(quoted(name) for name in left_out)}]",
        "\n[values]  # for charts, SI",
        *(f"{quoted(name)} = {float(value)!r}" for name, value in values.items()),
    ]
    for one in checks:
        c = one.check
        factor, unit = SHOWN[c.unit]
        found = f"{_rounded(c.found * factor, c.u * factor)} {unit}"
        lines += [
            "\n[[check]]",
            f"of = {{ tag = {quoted(one.tag)}, kind = {quoted(one.kind)}, expected = "
            f"{quoted(told(c.expected, c.unit))} }}",
            f"outcome = {{ as_found = {quoted(found)}, says = {quoted(c.outcome)}, surely_seen = "
            f"{quoted(told(c.surely_seen, c.unit))}, sentence = {quoted(c.sentence)} }}",
        ]
    return "\n".join(lines) + "\n"


def _rounded(value: float, u: float) -> str:
    """Write a value with its standard uncertainty, both to the uncertainty's second digit."""
    if not math.isfinite(value):
        return "not read"
    if not math.isfinite(u) or u <= 0.0:
        return f"{value:.4g}"
    decimals = max(0, 1 - math.floor(math.log10(u)))
    return f"{round(value, decimals) + 0.0:.{decimals}f} +/- {u:.{decimals}f}"
