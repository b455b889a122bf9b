"""Find a place on the earth in a text, in whichever usual form it is written: degrees, minutes, seconds. Pure."""

import math
import re

DECIMAL = re.compile(r"\s*([NSEW])?\s*([-+−]?\d{1,3}(?:\.\d+)?)\s*°?\s*([NSEW])?\s*", re.IGNORECASE)
DEGREE, MINUTE, SECOND = r" ?(?:°|º|deg|d) ?", r" ?(?:'|′|min|m) ?", r" ?(?:\"|″|''|sec|s)?"
FEWEST, KEPT = 3, 4  # decimals of a degree that name a place (100 m); of those typed, so many must stand in a text
LIMITS = (90.0, 180.0)


def parse_coordinates(text: str) -> tuple[str, str]:
    """Part ``"52.2053, 0.1218"`` into latitude and longitude as typed, each without sign and letter.

    Raises
    ------
    ValueError
        It is no pair of decimal degrees, each with three decimals at least.
    """
    parts = [DECIMAL.fullmatch(part) for part in text.split(",")]
    if len(parts) != 2:
        raise ValueError(f'"{text}" must be latitude and longitude in degrees, like "52.2053, 0.1218"')
    found = []
    for part, limit in zip(parts, LIMITS, strict=True):
        number = part[2].lstrip("-+−") if part is not None else ""
        if not number or len(number.partition(".")[2]) < FEWEST or float(number) > limit:
            raise ValueError(
                f'"{text}" must be latitude and longitude in degrees with {FEWEST} decimals or more, like '
                '"52.2053, 0.1218"'
            )
        found.append(number)
    return found[0], found[1]


def forms_of(degrees: str) -> tuple[str, ...]:
    """Return patterns, for folded text, of one coordinate: decimal degrees, degrees and minutes, and with seconds."""
    whole, _, decimals = degrees.partition(".")
    value = float(degrees)
    minutes = 60.0 * (value - math.floor(value))
    decimal = rf"(?<![\d.]){int(whole)}[.,]{decimals[: max(FEWEST, min(len(decimals), KEPT) - 1)]}\d*"
    tenths = sorted({math.floor(10.0 * minutes), round(10.0 * minutes)})
    with_minutes = "|".join(rf"{int(whole)}{DEGREE}0?{k // 10}[.,]{k % 10}\d*" for k in tenths)
    seconds = 3600.0 * (value - math.floor(value))
    near = sorted({math.floor(seconds), round(seconds)})
    with_seconds = "|".join(
        rf"{int(whole)}{DEGREE}0?{k // 60}{MINUTE}0?{k % 60}(?:[.,]\d+)?{SECOND}(?!\d)" for k in near
    )
    return decimal, rf"(?<![\d.])(?:{with_minutes}){MINUTE}?", rf"(?<![\d.])(?:{with_seconds})"
