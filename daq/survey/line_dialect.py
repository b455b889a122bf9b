"""Find how a board writes its numbers: separator, decimal mark, labels, checksum; from its lines alone."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

from standbook.daq.wire.text_lines import SEPARATORS, LineLayout

TRIED: Final = ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ","))
ENOUGH: Final = 0.5  # of the lines that must be rows of one kind
NAMES: Final = {",": "comma", ";": "semicolon", "\t": "tab", " ": "blank", ".": "point"}
_STAR: Final = re.compile(rb"(.*)\*([0-9A-Fa-f]{2})")
_LABELLED: Final = re.compile(
    rb"[ \t]*([A-Za-z_][^:=,;\t]*?[ \t]*[:=])[ \t]*[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
    rb"([ \t]*[,;]|[ \t]+|$)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How the lines of a board are written."""

    layout: LineLayout  # columns by the board's own names where it prints them, else c1, c2, ...
    share: float  # of the lines that are such rows
    checked: float  # share of the lines that carry a right checksum
    named: bool  # the columns' names were printed by the board

    def words(self) -> str:
        """Say it in words: ``4 columns, comma``."""
        columns = len(self.layout.columns)
        told = [f"{columns} columns" if columns > 1 else "one number a line"]
        told += [NAMES[self.layout.separator]] if columns > 1 else []
        told += ["decimal comma"] if self.layout.decimal == "," else []
        told += ["a label before each number"] if self.layout.labels else []
        told += [f"checksum on {self.checked:.0%} of the lines"] if self.checked else []
        if self.share < 1.0:
            told.append(f"{1.0 - self.share:.1%} of the lines are other")
        return ", ".join(told)


def find_dialect(lines: Sequence[bytes]) -> Dialect | None:
    """Find how most of the lines are written; ``None`` where no reading fits half of them.

    Parameters
    ----------
    lines : sequence of bytes
        Whole lines without their ends, words and comments among them.
    """
    contents, checked = _unchecked(lines)
    rows = [content for content in contents if content.strip() and not content.startswith(b"#")]
    if not rows:
        return None
    found = [layout for separator, decimal in TRIED if (layout := _numbers(rows, separator, decimal)) is not None]
    found += [layout for layout in (_labelled(rows), _single(rows)) if layout is not None]
    shares = [_share(rows, layout) for layout in found]
    best = max(range(len(found)), key=lambda k: shares[k], default=None)
    if best is None or shares[best] < ENOUGH:
        return None
    names = _names(contents, found[best])
    layout = found[best] if names is None else _renamed(found[best], names)
    return Dialect(
        layout=layout, share=shares[best], checked=checked, named=names is not None or bool(found[best].labels)
    )


def _unchecked(lines: Sequence[bytes]) -> tuple[list[bytes], float]:
    """Cut right checksums off; tell on which share of the lines that are no comment they stood."""
    contents, right = [], 0
    for line in lines:
        found = _STAR.fullmatch(line)
        if found and int(found[2], 16) == reduce(xor, found[1], 0):
            right += 1
            contents.append(found[1])
        else:
            contents.append(line)
    counted = sum(not line.startswith(b"#") for line in lines)
    return contents, right / counted if counted else 0.0


def _share(rows: Sequence[bytes], layout: LineLayout) -> float:
    pattern = layout.row()
    return sum(pattern.fullmatch(row) is not None for row in rows) / len(rows)


def _numbers(rows: Sequence[bytes], separator: str, decimal: str) -> LineLayout | None:
    """Return a layout of the commonest number of cells; none of one cell."""
    between, _ = SEPARATORS[separator]
    cells, _ = Counter(len(re.split(between, row.strip())) for row in rows).most_common(1)[0]
    if cells < 2:
        return None
    return LineLayout(columns=_plain(cells), separator=separator, decimal=decimal)


def _single(rows: Sequence[bytes]) -> LineLayout | None:
    return LineLayout(columns=_plain(1)) if rows else None


def _labelled(rows: Sequence[bytes]) -> LineLayout | None:
    """Return a layout with a label before each number, by the commonest labels."""
    found: Counter[tuple[tuple[str, ...], str]] = Counter()
    for row in rows:
        parts, at = [], 0
        while at < len(row) and (part := _LABELLED.match(row, at)):
            parts.append(part)
            at = part.end()
        if parts and at == len(row):
            between = {part[2].strip() or b" " for part in parts[:-1]}
            labels = tuple(part[1].decode("ascii", "replace").replace(" :", ":").replace(" =", "=") for part in parts)
            if len(between) <= 1:
                found[labels, between.pop().decode() if between else ","] += 1
    if not found:
        return None
    (labels, separator), _ = found.most_common(1)[0]
    columns = tuple(label.rstrip(":= ").strip() for label in labels)
    if len(set(columns)) != len(columns):
        columns = _plain(len(labels))
    return LineLayout(columns=columns, separator=separator, labels=labels)


def _names(contents: Sequence[bytes], layout: LineLayout) -> tuple[str, ...] | None:
    """Return the columns' names from the last line of words that has as many, a comment mark before them or not."""
    if layout.labels:
        return None
    for content in reversed(contents):
        cells = layout.cells(content.lstrip(b"# \t"))
        words = [cell.decode("ascii", "replace") for cell in cells]
        if len(set(words)) == len(layout.columns) == len(words) and all(re.match(r"[A-Za-z_]", word) for word in words):
            return tuple(words)
    return None


def _renamed(layout: LineLayout, names: tuple[str, ...]) -> LineLayout:
    return LineLayout(columns=names, separator=layout.separator, decimal=layout.decimal)


def _plain(cells: int) -> tuple[str, ...]:
    return tuple(f"c{number}" for number in range(1, cells + 1))
