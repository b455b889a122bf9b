"""Define the sensor kinds: required stand entries, signal from voltage, and signals that only a broken wire gives.

A kind is one entry of ``SENSOR_KINDS``; stand, calibration, conversion, live picture, report and rehearsal ask it.
Signals are in the kind's own unit, which is that of the calibration.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator

from standbook.daq.config.platinum import HIGHEST_RATIO, LOWEST_RATIO, NominalResistance
from standbook.daq.config.toml_document import Document
from standbook.daq.quantity import Number, Quantity, Resistance, Voltage, parse_quantity

Volts = float | NDArray[np.float64]  # of a supply: one value, or one a sample

OPEN_BELOW, OPEN_ABOVE = 0.05, 0.95  # of the supply, for a 10 % to 90 % sensor: common practice, no source
OPEN_LOOP_MILLIAMPERE = 3.6  # below this a 4-20 mA loop is broken: common practice, no source
STATED_SUPPLY = 0.005  # relative limits of a supply stated without +/-: common practice, no source
ANY_SIGNAL: Final = (-np.inf, np.inf)


def _known(name: str) -> str:
    if name not in SENSOR_KINDS:
        raise ValueError(f'unknown kind "{name}"; known: {", ".join(SENSOR_KINDS)}')
    return name


class Wired(Document):
    """Stand entries that define how an input's signal is made; each kind requires its part."""

    kind: Annotated[str, AfterValidator(_known)]
    volt_per_count: Voltage | None = None
    supply: str | None = None  # a tag that measures it, or a voltage such as "5.000 +/- 0.015 V"
    burden: Resistance | None = None  # of a 4-20 mA loop
    reference_resistor: Resistance | None = None  # carries the current of a resistance thermometer
    nominal: NominalResistance | None = None  # of a resistance thermometer, at 0 degC
    amplifier_gain: Number = Quantity(value=1.0, u=0.0, dimension="number", reference=None, text="1")

    @property
    def sensor_kind(self) -> "SensorKind":
        """Entry of ``SENSOR_KINDS``."""
        return SENSOR_KINDS[self.kind]

    @property
    def is_supply_stated(self) -> bool:
        """Tell whether the supply is a stated voltage rather than a recorded channel."""
        return self.supply is not None and self.supply[:1].isdigit()

    @property
    def stated_supply(self) -> Quantity | None:
        """Return the supply that is stated, ``None`` where a channel measures it or there is none. [V].

        Without +/- it counts as known within ``STATED_SUPPLY``, rectangular ([GUM] 4.3.7); not so that over a
        reference resistor, which the converter is usually referred to.

        Raises
        ------
        ValueError
            What is stated is no voltage above zero.
        """
        if self.supply is None or not self.is_supply_stated:
            return None
        stated = parse_quantity(self.supply, "voltage")
        if not stated.value > 0.0:
            raise ValueError(f'supply "{self.supply}" must be more than zero, like "5.000 +/- 0.015 V"')
        if self.reference_resistor is not None or "+/-" in self.supply or "±" in self.supply:
            return stated
        return replace(stated, u=STATED_SUPPLY * stated.value / math.sqrt(3.0))


NEED_WORDS: Mapping[str, str] = {
    "volt_per_count": "volt_per_count, not zero",
    "supply": "its supply, a tag or a voltage",
    "burden": "its burden resistor",
    "reference_resistor": 'its reference_resistor, like "400.0 +/- 0.04 ohm"',
    "nominal": 'its nominal resistance, "100 ohm" or "1000 ohm"',
}
"""What is missing where a field of the stand is not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorKind:
    """One way in which a sensor makes its signal.

    ``of_volts`` and ``to_volts`` take the input, volts or signal at the sensor, and the supply [V].
    """

    name: str
    signal_unit: str
    needs: tuple[str, ...]  # fields of the input that the stand must state
    of_volts: Callable[[Wired, NDArray[np.float64], Volts], NDArray[np.float64]]
    to_volts: Callable[[Wired, NDArray[np.float64], Volts], NDArray[np.float64]]
    rule: Callable[[Wired, str], str]  # ``of_volts`` for a pocket calculator, the volts being given in words
    ordinary: Callable[[Wired], tuple[float, float]] = lambda _: ANY_SIGNAL  # signals outside only a broken wire gives
    stated_u: Callable[[Wired], float] = lambda _: 0.0  # relative, of what the stand states and scales the signal by
    takes_shunt: bool = False  # a resistor across one arm makes a known step
    is_open_at_rail: bool = False  # what is left of a broken one drives the converter to its lowest count

    @property
    def is_voltage(self) -> bool:
        """Tell whether counts are volts; otherwise they are the signal."""
        return "volt_per_count" in self.needs

    @property
    def follows_supply(self) -> bool:
        """Tell whether the kind is ratiometric: a supply sag scales every voltage alike."""
        return "supply" in self.needs

    def lacks(self, wired: Wired) -> tuple[str, ...]:
        """List the stand entries that this kind requires and the input lacks."""
        return tuple(NEED_WORDS[field] for field in self.needs if _is_missing(getattr(wired, field)))

    def signal(
        self, wired: Wired, counts: NDArray[np.int64] | NDArray[np.float64], supply: Volts
    ) -> NDArray[np.float64]:
        """Convert counts to the signal that the calibration takes. Shape (N,)."""
        raw = counts.astype(np.float64)
        if not self.is_voltage:
            return raw
        return np.asarray(self.of_volts(wired, raw * value(wired.volt_per_count) / wired.amplifier_gain.value, supply))

    def measured(
        self, wired: Wired, counts: NDArray[np.int64] | NDArray[np.float64], supply: Volts
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Convert counts to the signal, and mark those that only a broken or shorted wire can give. Shapes (N,)."""
        signal = self.signal(wired, counts, supply)
        return signal, self.broken(wired, signal)

    def counts(self, wired: Wired, signal: NDArray[np.float64], supply: Volts) -> NDArray[np.float64]:
        """Invert :meth:`signal`; not rounded, not limited to the rails. Shape (N,)."""
        if not self.is_voltage:
            return signal
        volts = self.to_volts(wired, signal, supply)
        return np.asarray(volts * wired.amplifier_gain.value / value(wired.volt_per_count), dtype=np.float64)

    def broken(self, wired: Wired, signal: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Mark samples that only a broken or shorted wire can give. Shape (N,)."""
        low, high = self.ordinary(wired)
        return (signal < low) | (signal > high)

    def words(self, wired: Wired) -> str:
        """Describe in words and numbers how counts of an input become its signal."""
        if not self.is_voltage or wired.volt_per_count is None:
            return "the counts as they are"
        volts = f"counts × {wired.volt_per_count.value!r} V"
        if wired.amplifier_gain.value != 1.0:
            volts = f"{volts} / {wired.amplifier_gain.value!r}"
        return self.rule(wired, volts)


def value(stated: Quantity | None) -> float:
    """Return a stated stand entry; refuse the stand where it is missing."""
    assert stated is not None  # noqa: S101 - the stand's validator asked the kind what it needs
    return stated.value


def _text(stated: Quantity | None) -> str:
    return stated.text if stated is not None else "what stand.toml does not state"


def _is_missing(stated: Quantity | str | None) -> bool:
    return not stated or (isinstance(stated, Quantity) and stated.value == 0.0)


def _supply_words(wired: Wired, what: str = "of the sensor supply") -> str:
    return f"{wired.supply} {what}" if wired.is_supply_stated else f"the reading of {wired.supply or ''} in V"


_TABLE: Final = (
    SensorKind(
        name="ratiometric",  # 0.5-4.5 V of 5 V
        signal_unit="V/V",
        needs=("volt_per_count", "supply"),
        of_volts=lambda _, volts, supply: volts / supply,
        to_volts=lambda _, signal, supply: signal * supply,
        rule=lambda wired, volts: f"{volts} / {_supply_words(wired)}",
        ordinary=lambda _: (OPEN_BELOW, OPEN_ABOVE),
    ),
    SensorKind(
        name="loop",  # 4-20 mA
        signal_unit="mA",
        needs=("volt_per_count", "burden"),
        of_volts=lambda wired, volts, _: 1e3 * volts / value(wired.burden),
        to_volts=lambda wired, signal, _: 1e-3 * signal * value(wired.burden),
        rule=lambda wired, volts: f"1000 × {volts} / {_text(wired.burden)}",
        ordinary=lambda _: (OPEN_LOOP_MILLIAMPERE, np.inf),
    ),
    SensorKind(
        name="bridge",
        signal_unit="mV/V",
        needs=("volt_per_count", "supply"),
        of_volts=lambda _, volts, supply: 1e3 * volts / supply,
        to_volts=lambda _, signal, supply: 1e-3 * signal * supply,
        rule=lambda wired, volts: f"1000 × {volts} / {_supply_words(wired)}",
        is_open_at_rail=True,
        takes_shunt=True,
    ),
    SensorKind(
        name="voltage",
        signal_unit="V",
        needs=("volt_per_count",),
        of_volts=lambda _, volts, __: volts,
        to_volts=lambda _, signal, __: signal,
        rule=lambda _, volts: volts,
    ),
    SensorKind(
        name="counts",  # another program's readings, whole numbers of their printed resolution
        signal_unit="counts",
        needs=(),
        of_volts=lambda _, volts, __: volts,
        to_volts=lambda _, signal, __: signal,
        rule=lambda _, volts: volts,
    ),
    SensorKind(
        name="resistance thermometer",  # Pt100, Pt1000; the supply is the voltage over the reference resistor
        signal_unit="ohm",
        needs=("volt_per_count", "supply", "reference_resistor", "nominal"),
        of_volts=lambda wired, volts, supply: volts / supply * value(wired.reference_resistor),
        to_volts=lambda wired, signal, supply: signal / value(wired.reference_resistor) * supply,
        rule=lambda wired, volts: (
            f"{volts} / {_supply_words(wired, 'over the reference resistor')} × {_text(wired.reference_resistor)}"
        ),
        ordinary=lambda wired: (value(wired.nominal) * LOWEST_RATIO, value(wired.nominal) * HIGHEST_RATIO),
        stated_u=lambda wired: wired.reference_resistor.relative_u if wired.reference_resistor else 0.0,
    ),
)
SENSOR_KINDS: Final[Mapping[str, SensorKind]] = {kind.name: kind for kind in _TABLE}
COUNTS: Final = SENSOR_KINDS["counts"]
SIGNAL_UNITS: Final = tuple(kind.signal_unit for kind in _TABLE)
