"""Draw figures several rows high, to be read from two steps away: text only, no colour, no terminal."""

from typing import Final

_WIDE: Final = 3
_TALL: Final = 5
# Each glyph is five rows of dots.
_DOTS: Final = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
}
SMALL_ROWS: Final = 3
LARGE_ROWS: Final = _TALL


def figure_rows(text: str, width: int, *, large: bool = False, blocks: bool = True) -> tuple[str, ...]:
    """Draw a number, or ``--``, three rows high, or five and twice as wide.

    Parameters
    ----------
    text : str
        Digits, sign and point; anything else, or more than fits, is written in one row as it is.
    width : int
        Columns there are.
    large : bool
        Five rows.
    blocks : bool
        The terminal can show block characters; else ``#`` stands for a dot, and one row for one row of dots.
    """
    rows = LARGE_ROWS if large or not blocks else SMALL_ROWS
    if not set(text) <= set(_DOTS) or len(dots := _dots(text)) != _TALL or (1 + large) * len(dots[0]) > width:
        middle = rows // 2
        return tuple(text[:width] if row == middle else "" for row in range(rows))
    if not blocks or large:
        dot = "█" if blocks else "#"
        return tuple("".join((dot if c == "#" else " ") * (1 + large) for c in row) for row in dots)
    padded = (*dots, " " * len(dots[0]))
    return tuple(
        "".join(_HALVES[above + below] for above, below in zip(padded[k], padded[k + 1], strict=True))
        for k in range(0, _TALL + 1, 2)
    )


_HALVES: Final = {"##": "█", "# ": "▀", " #": "▄", "  ": " "}


def _dots(text: str) -> list[str]:
    return [" ".join(_DOTS[c][row] for c in text) for row in range(_TALL)]
