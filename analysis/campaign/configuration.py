"""Number the configurations of a campaign's runs, from what their files state; nobody types them.

Two runs are of one configuration as long as nothing that both state differs: a flow of one tank states no throat, and
belongs to the firing of the same article and tank. Liquids, loads and pressures are no part of it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand

Stated = Mapping[str, str]  # what is stated, by its name


@dataclass(frozen=True, slots=True, kw_only=True)
class Configured:
    """What one run's files state of its hardware and of its sensors."""

    hardware: Stated
    instruments: Stated


def configured(plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration]) -> Configured:
    """Collect what plan, stand and calibrations state of hardware and sensors, each in SI so that units do not count.

    Parameters
    ----------
    plan, stand : Plan, Stand
        Of the run.
    calibrations : mapping of tag to Calibration
        Whose sensor serial counts where the stand's input states none.
    """
    hardware = {
        "article": plan.test.article,
        "nozzle": stand.nozzle,
        "tanks on cell": str(stand.tanks_on_cell),
    }
    if plan.engine is not None:
        hardware["throat diameter"] = repr(plan.engine.throat_diameter.value)
        hardware["expansion ratio"] = repr(plan.engine.expansion_ratio.value)
    for tank in plan.tank:
        hardware[f"{tank.name} tank, volume"] = repr(tank.internal_volume.value)
        hardware[f"{tank.name} tank, outlet"] = repr(tank.outlet_below_floor.value)
        if tank.internal_diameter is not None:
            hardware[f"{tank.name} tank, diameter"] = repr(tank.internal_diameter.value)
    instruments = {}
    for item in stand.input:
        known = calibrations.get(item.tag)
        serial = item.sensor_serial or (known.sensor_serial if known is not None else "")
        if serial:
            instruments[item.tag] = serial
        if item.filter_corner is not None:
            instruments[f"{item.tag}, filter"] = repr(item.filter_corner.value)
    return Configured(hardware=hardware, instruments=instruments)


def numbered(stated: Iterable[Stated]) -> list[int]:
    """Assign numbers from 1 in order of first use: a set joins the first one that it does not contradict."""
    known: list[dict[str, str]] = []
    numbers = []
    for item in stated:
        fitting = next((at for at, other in enumerate(known) if not changed(other, item)), None)
        if fitting is None:
            fitting = len(known)
            known.append({})
        known[fitting].update(item)
        numbers.append(fitting + 1)
    return numbers


def breaks(stated: Iterable[Stated], numbers: Iterable[int]) -> list[str]:
    """Name what differs from the run before wherever a configuration is used for the first time; else nothing."""
    words, seen, before = [], set[int](), dict[str, str]()
    for item, number in zip(stated, numbers, strict=True):
        words.append(", ".join(changed(before, item)) if number not in seen else "")
        seen.add(number)
        before |= item
    return words


def changed(one: Stated, other: Stated) -> tuple[str, ...]:
    """Name what both state and state differently."""
    return tuple(name for name, value in other.items() if name in one and one[name] != value)
