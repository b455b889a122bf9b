"""Choose the units that people are shown, one for each dimension; nothing that is stored or computed changes.

A choice names a pressure unit without its reference: a reading is absolute or gauge by its sensor, and stays so.
"""

import math
import re
from collections.abc import Mapping

from standbook.daq.quantity import REFERENCE_MARKS, UNITS, Quantity, factor, in_unit, parse_unit

DISPLAYED = ("pressure", "force", "mass")
DIGITS = 4  # of a typed quantity in another unit
_UNIT_BEHIND_A_NUMBER = re.compile(r"\d\s?([A-Za-z]+)")
Chosen = Mapping[str, str]  # dimension to unit, "pressure" to "psi"; what is not in it is shown as it is stored


def display_unit(text: str, dimension: str) -> str:
    """Return the unit of a choice that a file states, ``"psi"`` of ``"psi(g)"``; a pressure says which there.

    Raises
    ------
    ValueError
        Not a unit of the dimension, or a pressure without (a) or (g).
    """
    unit = text.partition("(")[0]
    factor(unit, dimension)
    if dimension == "pressure" and text not in (f"{unit}(a)", f"{unit}(g)"):
        raise ValueError(f'"{text}" does not say which pressure; write "{unit}(g)" or "{unit}(a)"')
    parse_unit(text, dimension)
    return unit


def chosen_units(text: str) -> dict[str, str]:
    """Read ``"psi,lbf"``, units in any order, one for each dimension.

    Raises
    ------
    ValueError
        A unit that is none of these dimensions', or two of one.
    """
    chosen: dict[str, str] = {}
    for part in text.split(","):
        unit, _, mark = part.strip().partition("(")
        dimension = next((name for name in DISPLAYED if unit in UNITS[name]), None)
        if dimension is None:
            known = "; ".join(f"{name}: {', '.join(UNITS[name])}" for name in DISPLAYED)
            raise ValueError(f'unknown unit "{part.strip()}"; {known}')
        if mark and (dimension != "pressure" or mark not in ("a)", "g)")):
            raise ValueError(f'"{part.strip()}": write {unit} alone; each reading keeps its own reference')
        if dimension in chosen:
            raise ValueError(f"{chosen[dimension]} and {unit} are two units of {dimension}; give one of them")
        chosen[dimension] = unit
    return chosen


def shown_unit(stored: str, chosen: Chosen) -> str:
    """Return the unit in which a reading stored in ``"bar(g)"`` is shown: ``"psi(g)"``; the same where none is chosen.

    Raises
    ------
    ValueError
        ``stored`` is no unit.
    """
    unit, bracket, mark = stored.partition("(")
    for dimension, wanted in chosen.items():
        if unit in UNITS[dimension]:
            return f"{wanted}{bracket}{mark}"
    return stored


def shown_quantity(quantity: Quantity, chosen: Chosen) -> tuple[float, str] | None:
    """Return value and unit in which a typed quantity is shown; ``None`` where it is shown as typed."""
    wanted = chosen.get(quantity.dimension)
    if wanted is None or _typed_unit(quantity) == wanted:
        return None
    marks = {reference: f"({mark})" for mark, reference in REFERENCE_MARKS.items()}
    unit = wanted + (marks[quantity.reference] if quantity.reference is not None else "")
    return in_unit(quantity.value, unit), unit


def shown_text(quantity: Quantity, chosen: Chosen) -> str:
    """Write a typed quantity as typed, or in the chosen unit: to two digits of its u, else to four digits."""
    shown = shown_quantity(quantity, chosen)
    if shown is None:
        return quantity.text
    value, unit = shown
    u = in_unit(quantity.u, unit)  # the units of display have no offset
    if u > 0.0:
        places = max(0, 1 - math.floor(math.log10(u)))
        return f"{value:,.{places}f} +/- {u:,.{places}f} {unit}"
    places = DIGITS - 1 - math.floor(math.log10(abs(value))) if value else 0
    text = f"{value:,.{max(0, places)}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"


def other_units(text: str, chosen: Chosen) -> tuple[str, ...]:
    """Return the units in a person's own words that are of a chosen dimension and not the one chosen."""
    return tuple(
        unit
        for unit in dict.fromkeys(_UNIT_BEHIND_A_NUMBER.findall(text))
        if any(unit in UNITS[dimension] and unit != wanted for dimension, wanted in chosen.items())
    )


def _typed_unit(quantity: Quantity) -> str:
    return quantity.text.split()[-1].partition("(")[0] if quantity.text.split() else ""
