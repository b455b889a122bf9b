"""What a report says of the stand before the run: the check, holds, the load, waivers. In words."""

from collections.abc import Sequence
from pathlib import Path

from standbook.daq.stand_sheets.check_file import CheckFile, DoneCheck
from standbook.daq.stand_sheets.evidence import Evidence

NAMED = 3  # checks that do not agree, named on page one


def stand_lines(evidence: Evidence) -> tuple[str, ...]:
    """Return the lines on the stand's checks for page one, none where nothing was checked."""
    lines = []
    if evidence.check is not None:
        lines.append(_checked(evidence.check))
    lines += [f"{hold.setup.tank} held on {hold.date}: {hold.result.verdict}" for hold in evidence.holds]
    if evidence.load is not None:
        lines.append(f"load by the cell {evidence.load.by_cell.text}: {evidence.load.says}")
    return tuple(lines)


def waiver_lines(evidence: Evidence) -> tuple[str, ...]:
    """Return one line a waiver: what the crew went without, what that ruins, who decided and why."""
    return tuple(f"{w.fact}, by {w.role}: {w.reason}; ruins {w.ruins}" for w in evidence.waivers)


def _checked(sheet: CheckFile) -> str:
    counts = {says: [one for one in sheet.check if one.outcome.says == says] for says in ("differs", "cannot tell")}
    agree = len(sheet.check) - sum(len(found) for found in counts.values())
    parts = [f"{agree} checks agree"]
    parts += [f"{len(found)} {says}: {_names(found)}" for says, found in counts.items() if found]
    left = f"; left out: {', '.join(sheet.left_out)}" if sheet.left_out else ""
    practised = ", on simulated boards" if sheet.rehearsal else ""
    return f"{sheet.at:%Y-%m-%d %H:%M}{practised}, sheet {Path(sheet.journal).name}: {', '.join(parts)}{left}"


def _names(found: Sequence[DoneCheck]) -> str:
    names = [f"{one.of.kind} of {one.of.tag}" for one in found]
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
