"""Fit a table into the width of a terminal: columns give way in a stated order, and what cannot is never cut."""

from collections.abc import Sequence
from dataclasses import dataclass

GAP = "  "


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table in text."""

    head: str
    cells: tuple[str, ...]  # one a row
    gives_way: int | None = None  # in this order, the smallest first; ``None``: never

    @property
    def width(self) -> int:
        """Characters of its widest cell."""
        return max(len(text) for text in (self.head, *self.cells))


def fitted(columns: Sequence[Column], width: int) -> tuple[Column, ...]:
    """Leave out columns in their order until the rest fits ``width`` characters, or none may give way any more."""
    kept = [column for column in columns if any(column.cells)]
    while sum(column.width + len(GAP) for column in kept) - len(GAP) > width:
        weaker = [column for column in kept if column.gives_way is not None]
        if not weaker:
            break
        kept.remove(min(weaker, key=lambda column: column.gives_way or 0))
    return tuple(kept)


def table_rows(columns: Sequence[Column]) -> tuple[tuple[str, ...], ...]:
    """Return the heads, then the cells of each row; columns without a cell are left out."""
    kept = [column for column in columns if any(column.cells)]
    return tuple(zip(*((column.head, *column.cells) for column in kept), strict=True))


def table_lines(columns: Sequence[Column]) -> tuple[str, ...]:
    """Set columns side by side, their heads first."""
    return tuple(
        GAP.join(text.ljust(column.width) for text, column in zip(row, columns, strict=True)).rstrip()
        for row in table_rows(columns)
    )
