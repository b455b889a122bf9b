"""Levels and uncertainties as they are typed into a sheet: one reading is four texts. Signals stay in their unit."""

import datetime as dt
import re
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator

from standbook.daq.config.sensor_kinds import SIGNAL_UNITS
from standbook.daq.quantity import Quantity, Share, dimension_of, parse_quantity

LARGEST_SIGNAL = 1e9  # in any unit: converters of 30 bits give less
Way = Literal["up", "down"]
_SIGNAL = re.compile(r"^\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*(?:(?:\+/-|±)\s*([\d.]+(?:[eE][+-]?\d+)?)\s*)?(\S+)\s*$")
_BY_K = re.compile(r"^(.*?)\(\s*k\s*=\s*([\d.]+)\s*\)\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelReading:
    """One level as read: what the reference showed, which way it was reached, when, and the sensor's signal."""

    level: Quantity
    way: Way
    time: dt.time
    signal: float  # in the sensor's signal unit
    signal_u: float  # of the mean, standard; zero where none was stated
    signal_unit: str


def any_quantity(text: object) -> Quantity:
    """Read a quantity of whatever dimension its unit has.

    Raises
    ------
    ValueError
        No unit behind a space, or one that is not known.
    """
    if not isinstance(text, str) or len(text.split()) < 2:
        raise ValueError(f'{text!r} has no unit; write a number, a space and the unit, like "12 bar(g)"')
    return parse_quantity(text, dimension_of(text.split()[-1]))


def parse_signal(text: object) -> tuple[float, float, str]:
    """Read ``"0.260261 +/- 0.000004 V/V"`` into value, standard uncertainty and unit.

    Raises
    ------
    ValueError
        No number, or a unit that no kind of sensor gives.
    """
    match = _SIGNAL.match(text) if isinstance(text, str) and len(text) < 100 else None
    if match is None or match[3] not in SIGNAL_UNITS:
        raise ValueError(f'{text!r} is not a signal; write one like "0.260261 V/V", in {", ".join(SIGNAL_UNITS)}')
    try:
        value, u = float(match[1]), float(match[2] or 0.0)
    except ValueError:
        raise ValueError(f'"{text}" is not a number and its unit; write a signal like "0.260261 V/V"') from None
    if not (abs(value) < LARGEST_SIGNAL and u < LARGEST_SIGNAL):
        raise ValueError(f'"{text}" is larger than any signal can be')
    return value, u, match[3]


def _row(row: object) -> LevelReading:
    if isinstance(row, LevelReading):
        return row
    if not isinstance(row, list | tuple) or len(row) != 4:
        raise ValueError(
            'a reading is four texts: ["12 bar(g)", "up", "09:15:02", "0.260261 V/V"]; '
            "levels that are still to be taken are taken with --port DEVICE=PATH"
        )
    level, way, clock, signal = row
    if way not in ("up", "down"):
        raise ValueError(f'"{way}" is no way to reach a level; write "up" or "down"')
    try:
        time = dt.time.fromisoformat(clock)
    except (TypeError, ValueError):
        raise ValueError(f'"{clock}" is not a time; write one like "09:15:02"') from None
    value, u, unit = parse_signal(signal)
    return LevelReading(level=any_quantity(level), way=way, time=time, signal=value, signal_u=u, signal_unit=unit)


def _signed_length(text: object) -> Quantity:
    return text if isinstance(text, Quantity) else parse_quantity(text, "length")


def _any(text: object) -> Quantity:
    return text if isinstance(text, Quantity) else any_quantity(text)


def _by_k(text: object) -> object:
    """Divide an expanded uncertainty, ``"0.02 % (k = 2)"``, by its k; one without a k is standard."""
    expanded = _BY_K.match(text) if isinstance(text, str) and len(text) < 100 else None
    if expanded is None:
        return text
    number, _, unit = expanded[1].strip().partition(" ")
    try:
        value, k = float(number), float(expanded[2])
    except ValueError:
        raise ValueError(f'"{text}" is not understood; write a certificate\'s U like "0.02 % (k = 2)"') from None
    if not 1.0 <= k <= 5.0:
        raise ValueError(f'"{text}": k = {k:g} is none of a certificate; it lies between 1 and 5, mostly 2')
    return f"{value / k:.10g} {unit}"


def _share_by_k(text: object) -> object:
    """Divide likewise, and keep what was typed as the text."""
    divided = _by_k(text)
    return text if divided is text else replace(parse_quantity(str(divided), "share"), text=str(text))


def _zero_row(row: object) -> tuple[Quantity, float, str]:
    if not isinstance(row, list | tuple) or len(row) != 2:
        raise ValueError('a zero is two texts, temperature and signal: ["31 degC", "0.099902 V/V"]')
    value, _, unit = parse_signal(row[1])
    return parse_quantity(row[0], dimension_of("degC")), value, unit


def _known_signal(unit: str) -> str:
    if unit not in SIGNAL_UNITS:
        raise ValueError(f'no kind of sensor gives "{unit}"; signals are in {", ".join(SIGNAL_UNITS)}')
    return unit


def lacking(runs: object) -> str | None:
    """Return what readings of fewer than four texts lack, in one sentence for the sheet; ``None`` where none does."""
    tables = [run for run in runs if isinstance(run, dict)] if isinstance(runs, list | tuple) else []
    lists = [run["readings"] for run in tables if isinstance(run.get("readings"), list | tuple)]
    rows = [row for readings in lists for row in readings if isinstance(row, list | tuple)]
    untimed = sum(len(row) == 3 and isinstance(row[2], str) and ":" not in row[2] for row in rows)
    if untimed:
        return (
            f"{untimed} of {len(rows)} readings have no time: a reading is level, way, time and signal, "
            '["12 bar(g)", "up", "09:15:02", "0.260261 V/V"]. No times on the paper: write the order\'s own, one '
            "minute apart; only the order and that each level was held are read from them"
        )
    if short := sum(len(row) in (2, 3) for row in rows):
        return (
            f"{short} of {len(rows)} readings have no signal; levels that are still to be taken are taken with --port "
            "DEVICE=PATH, what was read on paper is typed behind the time"
        )
    return None


def ratio_hint(volts: float, have: str, wanted: str) -> str:
    """Return how a signal in volts becomes the ratio that is wanted, worked with its own number; else nothing."""
    times = {"V/V": 1.0, "mV/V": 1e3}.get(wanted)
    if have != "V" or times is None:
        return ""
    return f"; divide by the supply: {volts:.6g} V at 5.000 V is {volts * times / 5.0:.6g} {wanted}"


SignalUnit = Annotated[str, AfterValidator(_known_signal)]
AnyQuantity = Annotated[Quantity, BeforeValidator(_any)]
CertifiedShare = Annotated[Share, BeforeValidator(_share_by_k)]
CertifiedU = Annotated[AnyQuantity, BeforeValidator(_by_k)]
SignedLength = Annotated[Quantity, BeforeValidator(_signed_length)]
Row = Annotated[LevelReading, BeforeValidator(_row)]
ZeroRow = Annotated[tuple[Quantity, float, str], BeforeValidator(_zero_row)]
