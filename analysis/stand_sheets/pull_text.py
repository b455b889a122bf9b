"""Write a pull's file. Pure: text in memory."""

from collections.abc import Iterable

from standbook.analysis.calibration_sheet.calibration_text import quoted
from standbook.daq.stand_sheets.pull_file import PullFile


def pull_text(pull: PullFile) -> str:
    """Return the file's text, TOML."""
    return "\n".join(_lines(pull)) + "\n"


def _lines(pull: PullFile) -> Iterable[str]:
    yield "# Made by standbook pull; never edited, a newer pull stands beside it."
    for key in ("tag", "date", "sheet", "calibration", "signal_unit"):
        value = getattr(pull, key)
        yield f"{key} = {value if key == 'date' else quoted(str(value))}"
    r = pull.reference
    yield f"reference = {{ what = {quoted(r.what)}, serial = {quoted(r.serial)}, u = {quoted(r.u.text)} }}"
    if pull.angle is not None:
        yield f"angle = {quoted(pull.angle.text)}"
    rows = ", ".join(f"[{', '.join(repr(value) for value in row)}]" for row in pull.covariance)
    yield f"covariance = [{rows}]  # of the terms below, in their order, SI"
    yield "points = [  # true force in N, signal, lines in bar(g), last move"
    for force, signal, line, move in pull.points:
        yield f'    [{force!r}, {signal!r}, {line!r}, "{move}"],'
    yield "]"
    yield "\n[terms]  # cell = offset + (gain + stiffening * line) * force + line_load * line + friction * last move"
    for name, text in pull.terms.items():
        yield f"{name} = {quoted(text)}"
