"""The starter campaign in a folder of its own, and edits to its files."""

import datetime as dt
from pathlib import Path

from standbook.cli.starter import write_campaign

TODAY = dt.date(2031, 6, 14)


def campaign(folder: Path) -> Path:
    """Write the starter campaign, its calibrations valid on TODAY."""
    return write_campaign(folder, today=TODAY)


def edit(path: Path, old: str, new: str) -> Path:
    """Replace one passage of a file, which must stand in it."""
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} does not stand in {path.name}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path
