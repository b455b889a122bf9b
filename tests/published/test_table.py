"""The table of outside checks is complete: each file of the folder, and no file that is not there."""

import re
from pathlib import Path

from tests import published

HERE = Path(__file__).parent
ROWS = [row.split(" | ") for row in re.findall(r"^\| (.+) \|$", published.__doc__, re.MULTILINE)][1:]


def test_every_file_of_the_folder_is_in_the_table():
    listed = {row[-1] for row in ROWS}
    assert {path.name for path in HERE.glob("test_*.py")} - listed == {Path(__file__).name}
    assert [name for name in listed if not ((HERE.parent if "/" in name else HERE) / name).is_file()] == []


def test_every_row_says_source_status_and_tolerance():
    assert len(ROWS) > 20
    for row in ROWS:
        assert len(row) == 5, row
        assert all(cell.strip() for cell in row), row
        assert set(row[2].split(", ")) <= {"confirmed", "memory", "derived", "library"}, row
