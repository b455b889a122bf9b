"""Format numbers as the report prints them: rounded by one rule, in the units of the trade.

Computing is SI and keeps every digit; this module only writes text. The uncertainty is rounded to two
significant digits and the value to the same place. It converts no pressure between absolute and gauge.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import Literal

from scipy import constants

from standbook.analysis.results.quantities import Measured

SIGNIFICANT_DIGITS = 2  # of an uncertainty, at most. Source: [GUM] 7.2.6
DIGITS_WITHOUT_U = 4  # of a value whose uncertainty nobody stated
PLAIN_LIMIT = 4  # decimal places beyond which a number is written with a power of ten
MINUS, TIMES, NO_BREAK = "\u2212", "\u00d7", "\u00a0"
_UNIT = r"(?:N·s|lbf·s|kN·s|N|kg|s|ms|bar|mbar|mm²?|%|L|V|mV/V|mA|Hz|ppm|m/s|°C|UTC)(?![\w·])"
_BREAKABLE = re.compile(rf"(?<=\d) (?={_UNIT})|(?<=\d) (?=±)|(?<=±) |(?<=\b[uk] =) |(?<=\b[uk]) (?==)")
_ASCII_UNIT = re.compile(r"\b(k?N|lbf)\*(?=s\b)")
_ASCII_MINUS = re.compile(r"(?<=[a-z,;] )-(?=\d)|(?<=\()-(?=\d)")  # in sentences; a formula is for copying

Reference = Literal["a", "g", "d"]  # absolute, gauge, difference

# SI unit -> (unit shown, SI value of one shown unit)
TRADE_UNITS: Mapping[str, tuple[str, float]] = {
    "Pa": ("bar", constants.bar),
    "m2": ("mm²", 1e-6),
    "m3": ("L", 1e-3),
    "m": ("mm", 1e-3),
    "N*s": ("N·s", 1.0),
    "1": ("", 1.0),
    "K": ("°C", 1.0),
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A value ready to print; ``u`` is empty where none was stated."""

    value: str
    u: str
    unit: str

    @property
    def with_unit(self) -> str:
        """Value and unit, without the uncertainty."""
        return _join(self.value, self.unit)

    @property
    def u_with_unit(self) -> str:
        """Uncertainty and unit, or the words that none was stated."""
        return _join(self.u, self.unit.partition("(")[0]) if self.u else "not stated"

    @property
    def plus_minus(self) -> str:
        """``32,990 ± 460 N·s``; only for expanded uncertainties. Source: [GUM] 7.2.2."""
        return _join(f"{self.value} ± {self.u}", self.unit) if self.u else f"{self.with_unit} (uncertainty not stated)"

    @property
    def with_u(self) -> str:
        """``10.66 kg (u = 0.10 kg)``; for standard uncertainties."""
        return f"{self.with_unit} (u = {self.u_with_unit})" if self.u else self.with_unit


def round_pair(value: float, u: float) -> tuple[str, str]:
    """Round an uncertainty to two significant digits and its value to the same place.

    Parameters
    ----------
    value, u : float
        In one unit; ``u`` zero or not finite means that none was stated.

    Notes
    -----
    To nearest, halves to even. Source: [GUM] 7.2.6.
    """
    if not math.isfinite(value):
        return "not known", ""
    if not math.isfinite(u) or u <= 0.0:
        return plain(value), ""
    value_text, u_text = (_write(_exact(one).quantize(_place(u), ROUND_HALF_EVEN)) for one in (value, u))
    return value_text, u_text


def two_digits(size: float, *, signed: bool = False) -> str:
    """Write an uncertainty, or a difference of about its size, to two significant digits, zeros kept."""
    if size == 0.0 or not math.isfinite(size):
        return "0" if size == 0.0 else "not known"
    text = round_pair(0.0, abs(size))[1]
    return ("-" if size < 0.0 else "+" if signed else "") + text


def plain(value: float, digits: int = DIGITS_WITHOUT_U) -> str:
    """Write a number that has no uncertainty to a few significant digits."""
    if value == 0.0:
        return "0"
    exact = _exact(value)
    quantum = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    rounded = exact.quantize(min(quantum, Decimal(1)), ROUND_HALF_EVEN)
    text = _write(rounded)
    return text.rstrip("0").rstrip(".") if "." in text else text


def fixed(value: float, places: int) -> str:
    """Write a number to a fixed number of decimals."""
    return _write(_exact(value).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN))


def show(measured: Measured, reference: Reference | None = None) -> Shown:
    """Convert to the trade's unit and round; ``reference`` marks a pressure as absolute, gauge or difference."""
    return show_expanded(measured, 1.0, reference)


def show_expanded(measured: Measured, coverage_factor: float, reference: Reference | None = None) -> Shown:
    """As :func:`show`, with the uncertainty multiplied by the coverage factor."""
    unit, scale = TRADE_UNITS.get(measured.unit, (measured.unit.replace("*", "·"), 1.0))
    value = measured.value - constants.zero_Celsius if measured.unit == "K" else measured.value / scale
    if reference is not None:
        unit = f"{unit}({reference})"
    return Shown(*round_pair(value, coverage_factor * measured.u / scale), unit)


def rough(value: float, unit: str) -> str:
    """Write an SI value whose uncertainty nobody stated to two digits, in the trade's unit."""
    shown, scale = TRADE_UNITS.get(unit, (unit.replace("*", "·"), 1.0))
    return _join(plain(value / scale, 2), shown)


def relative(measured: Measured) -> str:
    """Write the standard uncertainty as a share of the value, in percent; nothing where zero is as likely."""
    if not measured.value or not 0.0 < measured.u < abs(measured.value):
        return ""
    return f"{round_pair(0.0, 100.0 * measured.u / abs(measured.value))[1]} %"


def upper(value: float, limit: float) -> str:
    """Write an upper bound to one unit, rounded up, and never so that it looks like the limit it is not."""
    return _bound(value, limit, ROUND_CEILING)


def upper_beside(value: float, limit: float, u: float) -> str:
    """Write an upper bound rounded up to the place of a value's ``u``; to one unit where that reaches the limit."""
    if not math.isfinite(u) or u < 1.0:
        return upper(value, limit)
    place = max(_place(u), Decimal(1))
    rounded = (_exact(value) / place).to_integral_value(ROUND_CEILING) * place
    return upper(value, limit) if value <= limit <= rounded else _write(rounded)


def lower(value: float, limit: float) -> str:
    """Write a lower bound to one unit, rounded down, and never so that it looks like the limit it is not."""
    return _bound(value, limit, ROUND_FLOOR)


def probability(share: float) -> str:
    """Write a probability in percent; certainty is never claimed."""
    if share > 0.999:
        return "more than 99.9 %"
    if share < 0.001:
        return "less than 0.1 %"
    return f"{fixed(100.0 * share, 1)} %"


def percent(share: float, places: int = 1) -> str:
    """Write a share in percent."""
    return f"{fixed(100.0 * share, places)} %"


def pound_force_seconds(impulse: float) -> str:
    """Write an impulse [N*s] in lbf·s, four significant digits: for reading, never for comparing."""
    return f"{plain(impulse / constants.lbf)} lbf·s"


def seconds(time: float, places: int = 3) -> str:
    """Write an instant as ``T+1.234 s``."""
    sign = "+" if time >= 0.0 else MINUS
    return f"T{sign}{fixed(abs(time), places)} s"


def milliseconds(u: float) -> str:
    """Write the uncertainty of an instant [s] in ms; below a hundredth of one, that it is below."""
    if u <= 0.0:
        return "not stated"
    return f"{round_pair(0.0, 1e3 * u)[1]} ms" if u >= 1e-5 else "below 0.01 ms"


def tie(text: str) -> str:
    """Keep a number and its unit on one line: the space between them may not break."""
    return _BREAKABLE.sub(NO_BREAK, signs(text))


def signs(text: str) -> str:
    """Set units and signs of a sentence as the figures have them: findings come as plain text."""
    return _ASCII_MINUS.sub(MINUS, _ASCII_UNIT.sub(r"\1·", text))


def _place(u: float) -> Decimal:
    """Return the last place of an uncertainty that keeps its two digits."""
    exact = _exact(u)
    quantum = Decimal(1).scaleb(exact.adjusted() - SIGNIFICANT_DIGITS + 1)
    # 0.0996 would become 0.100: one place too many
    return quantum.scaleb(exact.quantize(quantum, ROUND_HALF_EVEN).adjusted() - exact.adjusted())


def _bound(value: float, limit: float, rounding: str) -> str:
    exact = _exact(value)
    for places in range(4):
        rounded = exact.quantize(Decimal(1).scaleb(-places), rounding)
        if value == limit or rounded != _exact(limit):
            return _write(rounded)
    return _write(exact)


def _exact(value: float) -> Decimal:
    """Take a number as it is printed shortest; a float of numpy prints its type besides."""
    return Decimal(repr(float(value)))


def _write(number: Decimal) -> str:
    if number and number.adjusted() < -PLAIN_LIMIT - 1:
        mantissa = number.scaleb(-number.adjusted())
        return f"{mantissa:f} {TIMES} 10^{number.adjusted()}".replace("-", MINUS)
    text = f"{number:,f}"
    return text.replace("-", MINUS) if number else text.removeprefix("-")


def _join(value: str, unit: str) -> str:
    return f"{value} {unit}" if unit else value
