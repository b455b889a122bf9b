"""Add facts known after sealing beside a run: weighings, filled gaps, any other file worth keeping.

Each addition is a folder ``additions/NNN`` with a manifest that names the run's manifest and the addition before
it, so none can go missing unseen. A later weighing of a tank replaces an earlier one; both files stay.
"""

import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Self

from pydantic import AwareDatetime, model_validator

from standbook.daq.config.plan import FileName, Plan, read_plan
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError, RecordError
from standbook.daq.quantity import Force, Length, Mass, MassFlow, Pressure, Quantity, Residual, Share
from standbook.daq.regular_file import check_regular
from standbook.daq.run.lock import PLAN_FILE
from standbook.daq.storage.atomic_write import atomic_path
from standbook.daq.storage.durable_file import reason
from standbook.daq.storage.manifest import MANIFEST, read_manifest, verify, write_manifest

ADDITIONS = "additions"
WEIGHINGS_FILE = "weighings.toml"
FILL_FILE = "fill.json"
READ = ("caught", "residual", "expelled", "start_pressure", "boil_off")
SCALE_OFF = 0.02  # relative; a scale that is further off is broken
THROAT_CHANGES = 1.3  # times, in diameter; more is another unit than meant


class TankWeighing(Document):
    """One row of ``weighings.toml``."""

    tank: FileName
    caught: Mass | None = None  # outside the tank, in a cold flow
    residual: Residual | None = None  # left aboard, drained and weighed
    expelled: Mass | None = None  # weighed as a difference
    start_pressure: Pressure | None = None  # read on a gauge just before the opening
    loaded_at: AwareDatetime | None = None  # when the load was weighed
    vented_until: AwareDatetime | None = None  # from then on nothing could leave
    boil_off: MassFlow | None = None  # meanwhile; not stated: bounded
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_times()
        read = (self.caught, self.residual, self.expelled, self.start_pressure)
        given = [quantity for quantity in read if quantity is not None]
        if not given:
            raise ValueError(f'tank {self.tank}: give caught, residual or expelled, like "9.242 +/- 0.020 kg"')
        for quantity in given:
            if quantity.u <= 0.0:
                raise ValueError(
                    f'tank {self.tank}: "{quantity.text}" has no uncertainty; write what the scale is good for: '
                    '"9.242 +/- 0.020 kg"'
                )
        return self

    def _check_times(self) -> None:
        if (self.loaded_at is None) != (self.vented_until is None):
            raise ValueError(f"tank {self.tank}: give both loaded_at and vented_until, or neither")
        if self.loaded_at is not None and self.vented_until is not None and self.vented_until < self.loaded_at:
            raise ValueError(f"tank {self.tank}: vented_until is before loaded_at")
        if self.boil_off is not None and (self.loaded_at is None or self.boil_off.u <= 0.0):
            raise ValueError(
                f'tank {self.tank}: boil_off needs loaded_at and vented_until, and its uncertainty: "12 +/- 3 g/min"'
            )


class CheckWeight(Document):
    """One check weight that hung on the load cell, in the line of thrust, hoses on."""

    hung: Literal["before", "after"]  # the run
    mass: Mass
    reading: Force  # that it moved the cell by
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        for quantity in (self.mass, self.reading):
            if quantity.u <= 0.0 or quantity.value <= 0.0:
                raise ValueError(
                    f'check weight hung {self.hung}: "{quantity.text}" must be above zero with its uncertainty, like '
                    '"50.02 +/- 0.02 kg" and "490.6 +/- 0.5 N"'
                )
        return self


class Weighings(Document):
    """``weighings.toml``: masses by tank, check weights, and who read the scales."""

    by: str
    weighing: tuple[TankWeighing, ...] = ()
    check_weight: tuple[CheckWeight, ...] = ()
    throat_after: Length | None = None  # the throat's diameter, gauged cold after the run
    scale_u: Share | None = None  # of the one scale that weighed loads and all else here: relative, standard

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_scale()
        if not self.weighing and not self.check_weight and self.throat_after is None:
            raise ValueError("it holds no [[weighing]], no [[check_weight]] and no throat_after")
        if self.throat_after is not None and self.throat_after.u <= 0.0:
            raise ValueError(
                f'throat_after "{self.throat_after.text}" has no uncertainty; write what the gauge is good for: '
                '"26.32 +/- 0.02 mm"'
            )
        hung = [row.hung for row in self.check_weight]
        if len(set(hung)) != len(hung):
            raise ValueError("two check weights hung before, or two after; keep the one that counts")
        tanks = [row.tank for row in self.weighing]
        twice = sorted({tank for tank in tanks if tanks.count(tank) > 1})
        if twice:
            raise ValueError(f"tank {', '.join(twice)} is weighed twice; keep one row a tank")
        return self

    def _check_scale(self) -> None:
        if self.scale_u is None:
            return
        if not self.weighing:
            raise ValueError(f'scale_u "{self.scale_u.text}" stands beside no [[weighing]] of that scale')
        if not 0.0 < self.scale_u.value <= SCALE_OFF:
            raise ValueError(
                f'scale_u "{self.scale_u.text}" is what all masses of one scale are uncertain by together: above 0 and '
                f"at most {100.0 * SCALE_OFF:g} %"
            )


@dataclass(frozen=True, slots=True)
class Weighing:
    """All weighed masses of one tank [kg], and its pressure as it was read before the opening."""

    caught: Quantity | None = None
    residual: Quantity | None = None
    expelled: Quantity | None = None
    start_pressure: Quantity | None = None
    vented: float | None = None  # between weighing the load and closing the vent [s]
    boil_off: Quantity | None = None  # meanwhile [kg/s]
    source: str = ""  # "additions/001, by DAQ"


def read_weighings(path: Path, plan: Plan) -> Weighings:
    """Read a weighings file against the plan whose tanks it names.

    Raises
    ------
    ConfigError
        Every fault, an unknown tank or a residual above the load among them.
    """
    weighings = read_document(path, Weighings)
    loads = {tank.name: tank.liquid_load for tank in plan.tank}
    problems = _throat_problems(path, weighings.throat_after, plan)
    for row in weighings.weighing:
        if row.tank not in loads:
            problems.append(f"{path}: unknown tank {row.tank}; the plan has {', '.join(sorted(loads))}")
        elif row.residual is not None and row.residual.value > loads[row.tank].value:
            problems.append(
                f"{path}: tank {row.tank}: residual {row.residual.text} is more than the load {loads[row.tank].text}"
            )
    if problems:
        raise ConfigError(*problems)
    return weighings


def _throat_problems(path: Path, after: Quantity | None, plan: Plan) -> list[str]:
    """Hold a throat's diameter after the run against the plan's."""
    if after is None:
        return []
    if plan.engine is None:
        return [f"{path}: throat_after is given, and the plan has no engine"]
    before = plan.engine.throat_diameter
    if not 1.0 / THROAT_CHANGES <= after.value / before.value <= THROAT_CHANGES:
        said = f"throat_after {after.text} is far from the plan's throat_diameter {before.text}; check the unit"
        return [f"{path}: {said}"]
    return []


def additions_of(folder: Path) -> list[Path]:
    """List a run's additions in order."""
    place = folder / ADDITIONS
    if not place.is_dir():
        return []
    found = [path for path in place.iterdir() if path.is_dir() and path.name.isascii() and path.name.isdigit()]
    return sorted(found, key=lambda path: int(path.name))


def add(run_folder: Path, files: Iterable[Path]) -> Path:
    """Add files to a sealed run, as its next addition.

    Parameters
    ----------
    run_folder : Path
        A sealed run.
    files : iterable of Path
        A file called ``weighings.toml`` is read and checked first; others are kept as they are.

    Raises
    ------
    ConfigError
        A weighing is wrong, a file is missing or is none, or two share a name.
    RecordError
        The run is not sealed, or the disk refuses.
    """
    chosen = list(files)
    names = [path.name for path in chosen]
    problems = [problem for path in chosen if (problem := _file_problem(path))]
    problems += [f"{name}: two files of this name" for name in sorted({n for n in names if names.count(n) > 1})]
    if MANIFEST in names or not chosen:
        problems.append(f"an addition holds files of its own, and {MANIFEST} is written for it")
    if FILL_FILE in names:
        problems.append(f"{FILL_FILE} is written by standbook fill, which takes the card file itself")
    if problems:
        raise ConfigError(*problems)
    read_manifest(run_folder)
    plan = read_plan(run_folder / PLAN_FILE)
    for path in chosen:
        if path.name == WEIGHINGS_FILE:
            read_weighings(path, plan)

    def build(beside: Path) -> None:
        for path in chosen:
            shutil.copyfile(path, beside / path.name)

    return write_addition(run_folder, build)


def _file_problem(path: Path) -> str:
    """Say why a file cannot be added; nothing where it can."""
    try:
        check_regular(path)
    except FileNotFoundError:
        return f"{path}: no such file"
    except OSError as error:
        return f"{path}: {reason(error)}"
    return ""


def write_addition(run_folder: Path, build: Callable[[Path], None]) -> Path:
    """Write the next addition of a sealed run, whole or not at all, with a manifest that names the one before.

    Parameters
    ----------
    run_folder : Path
        A sealed run.
    build : callable
        Writes the addition's files into the folder it is given.

    Raises
    ------
    RecordError
        The run is not sealed, or the disk refuses.
    """
    read_manifest(run_folder)
    before = additions_of(run_folder)
    number = int(before[-1].name) + 1 if before else 1
    place = run_folder / ADDITIONS / f"{number:03d}"
    try:
        place.parent.mkdir(exist_ok=True)
        with atomic_path(place) as beside:
            beside.mkdir()
            build(beside)
            write_manifest(beside, parents=[run_folder / MANIFEST, *(path / MANIFEST for path in before[-1:])])
    except OSError as error:
        raise RecordError(f"{place}: cannot be added: {reason(error)}") from error
    return place


@dataclass(frozen=True, slots=True)
class AddedMasses:
    """What was weighed of a run: its tanks, and what hung on the cell."""

    tanks: Mapping[str, Weighing]
    check_weights: tuple[CheckWeight, ...]
    throat_after: Quantity | None = None  # diameter [m]
    scale_u: Quantity | None = None  # relative, of the one scale


def read_additions(folder: Path, plan: Plan) -> AddedMasses:
    """Verify all additions of a run and return the weighings; a later one replaces an earlier one.

    Raises
    ------
    RecordError
        An addition changed, or one in the row is missing.
    """
    found: dict[str, Weighing] = {}
    hung: dict[str, CheckWeight] = {}
    throat: Quantity | None = None
    scale: Quantity | None = None
    for number, place in enumerate(additions_of(folder), start=1):
        if int(place.name) != number:
            raise RecordError(f"{folder / ADDITIONS}: addition {number:03d} is missing; take it from the second copy")
        verify(place)
        if (place / WEIGHINGS_FILE).is_file():
            weighings = read_weighings(place / WEIGHINGS_FILE, plan)
            source = f"{ADDITIONS}/{place.name}, by {weighings.by}"
            hung |= {weight.hung: weight for weight in weighings.check_weight}
            throat = weighings.throat_after or throat
            if weighings.weighing:
                scale = weighings.scale_u  # masses weighed later may be another scale's
            for row in weighings.weighing:
                told = {key: value for key in READ if (value := getattr(row, key)) is not None}
                if row.loaded_at is not None and row.vented_until is not None:
                    told["vented"] = (row.vented_until - row.loaded_at).total_seconds()
                found[row.tank] = replace(found.get(row.tank, Weighing()), **told, source=source)
    return AddedMasses(found, tuple(hung.values()), throat, scale)
