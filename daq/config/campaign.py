"""Read a campaign folder (plans, stand, calibrations, locks, runs) and check that its files agree.

::

    teasel-2/
      stand.toml
      calibrations/LC-1_r04.toml     never edited, only superseded
      plans/HF-02.toml
      locked/HF-02/                  plan, stand, calibrations and prediction as locked
      runs/2031-06-14_HF-02/
"""

import datetime as dt
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration, read_calibration
from standbook.daq.config.plan import Plan, read_plan
from standbook.daq.config.signal_conversion import check_signal
from standbook.daq.config.stand import Stand, read_stand
from standbook.daq.display_units import Chosen
from standbook.daq.errors import ConfigError
from standbook.daq.regular_file import check_regular

STAND_FILE = "stand.toml"
PLANS = "plans"
CALIBRATIONS = "calibrations"
LOCKED = "locked"
RUNS = "runs"


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """One plan with the stand and the calibrations it names, checked against each other."""

    folder: Path
    plan_path: Path
    plan: Plan
    stand: Stand
    calibrations: Mapping[str, Calibration]  # by tag

    def files(self) -> tuple[Path, ...]:
        """Return the typed files that a lock copies: plan, stand, calibrations."""
        calibrations = (self.folder / CALIBRATIONS / f"{c.name}.toml" for c in self.calibrations.values())
        return (self.plan_path, self.folder / STAND_FILE, *calibrations)

    def shown_in(self, chosen: Chosen) -> Self:
        """Return the same campaign with other units for people; its files are as they were."""
        return replace(self, stand=self.stand.shown_in(chosen))

    @property
    def locked_folder(self) -> Path:
        """Where the lock of this plan lies."""
        return self.folder / LOCKED / self.plan.test.number


def campaign_folder(plan_path: Path) -> Path:
    """Find the campaign that a plan belongs to: the folder above ``plans``.

    Raises
    ------
    ConfigError
        The plan does not lie in a campaign's ``plans`` folder.
    """
    folder = plan_path.resolve().parent
    if folder.name != PLANS or not (folder.parent / STAND_FILE).exists():
        raise ConfigError(
            f"{plan_path}: a plan lies in the {PLANS} folder of a campaign, beside {STAND_FILE}; "
            "make one with: standbook new DIR"
        )
    return folder.parent


def read_campaign(plan_path: Path, *, today: dt.date) -> Campaign:
    """Read a plan with all that it names and check them against each other.

    Parameters
    ----------
    plan_path : Path
        ``CAMPAIGN/plans/NUMBER.toml``.
    today : date
        Calibrations must be valid on this day.

    Raises
    ------
    ConfigError
        Every fault of every file, one a line.
    """
    _check_plan_file(plan_path)
    folder = campaign_folder(plan_path)
    problems: list[str] = []
    plan, stand = None, None
    try:
        plan = read_plan(plan_path)
    except ConfigError as error:
        problems += error.problems
    try:
        stand = read_stand(folder / STAND_FILE)
    except ConfigError as error:
        problems += error.problems
    calibrations: dict[str, Calibration] = {}
    faulty: set[str] = set()
    if plan is not None:
        calibrations, faults = _read_calibrations(plan, folder / CALIBRATIONS, plan_path.name)
        problems += [problem for found in faults.values() for problem in found]
        faulty = {stem.rpartition("_")[0] for stem in faults}
    if plan is not None and stand is not None:
        problems += check(plan, stand, calibrations, name=plan_path.name, today=today, faulty=faulty)
    if problems or plan is None or stand is None:
        raise ConfigError(*problems)
    return Campaign(folder=folder, plan_path=plan_path, plan=plan, stand=stand, calibrations=calibrations)


def _check_plan_file(path: Path) -> None:
    try:
        check_regular(path)
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such plan") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}; a plan is CAMPAIGN/plans/NUMBER.toml") from None


def _read_calibrations(plan: Plan, folder: Path, name: str) -> tuple[dict[str, Calibration], dict[str, Sequence[str]]]:
    """Read the calibrations that a plan names; return them by tag, and what is wrong of the others by their name."""
    found: dict[str, Calibration] = {}
    problems: dict[str, Sequence[str]] = {}
    for stem in plan.calibrations:
        path = folder / f"{stem}.toml"
        if not path.exists():
            problems[stem] = [f"{name}: calibration {stem} is missing: no file {path}"]
            continue
        try:
            calibration = read_calibration(path)
        except ConfigError as error:
            problems[stem] = error.problems
            continue
        if calibration.tag in found:
            problems[stem] = [f"{name}: two calibrations of {calibration.tag} are named; keep one revision"]
        found[calibration.tag] = calibration
    return found, problems


def check(
    plan: Plan,
    stand: Stand,
    calibrations: Mapping[str, Calibration],
    *,
    name: str,
    today: dt.date,
    faulty: Set[str] = frozenset(),
) -> list[str]:
    """List every disagreement between plan, stand and calibrations, one sentence each.

    ``faulty`` holds the tags whose calibration is named and wrong, of which that was said.
    """
    tags = {item.tag for item in stand.input}
    tanks = {tank.name for tank in plan.tank}
    problems: list[str] = []
    if plan.test.stand != stand.name:
        problems.append(f'{name}: test.stand is "{plan.test.stand}", but {STAND_FILE} is of "{stand.name}"')
    named = [("test.minimum_data", tag) for tag in plan.test.minimum_data]
    named += [(f'redline "{line.name}"', line.tag) for line in plan.redline]
    named += [(f'mark "{m.key}"', tag) for m in plan.mark for tag in (m.rises, m.still) if tag]
    for line in plan.redline:
        calibration = calibrations.get(line.tag)
        if calibration is None and line.tag in tags - faulty:
            problems.append(f'{name}: redline "{line.name}" watches {line.tag}, but calibrations names none for it')
        elif calibration is not None and calibration.dimension != "pressure":
            problems.append(
                f'{name}: redline "{line.name}" states a pressure, but {line.tag} reads {calibration.reading_unit}'
            )
    named += [("calibrations", calibration.tag) for calibration in calibrations.values()]
    problems += [
        f"{name}: {where} names unknown tag {tag}; the stand has {', '.join(sorted(tags))}"
        for where, tag in named
        if tag not in tags
    ]
    edge = plan.test.t_zero_edge
    if edge is not None and edge.device not in {device.name for device in stand.device}:
        problems.append(f"{name}: test.t_zero names unknown device {edge.device}")
    if plan.kind.fires and not stand.measuring(measurands.THRUST):
        needed = f'a {plan.kind.name} needs an input that measures "{measurands.THRUST}"'
        problems.append(f"{name}: {needed}; {STAND_FILE} has none")
    problems += [
        f"{name}: tank {tank} has no input that measures its pressure; add one to {STAND_FILE}"
        for tank in sorted(tanks)
        if not stand.measuring(measurands.TANK_PRESSURE, tank)
    ]
    for item in stand.input:
        if item.tag in faulty and item.tag not in calibrations:
            continue
        problems += _check_calibration(item.tag, stand, calibrations, plan, name, today)
    return problems


def _check_calibration(
    tag: str, stand: Stand, calibrations: Mapping[str, Calibration], plan: Plan, name: str, today: dt.date
) -> list[str]:
    calibration = calibrations.get(tag)
    if calibration is None:
        if tag not in plan.test.minimum_data:
            return []
        return [f"{name}: {tag} is in minimum_data but calibrations names none for it; add {tag}_REVISION"]
    problems = []
    if not calibration.in_date(today):
        problems.append(
            f"{name}: calibration {calibration.name} is valid from {calibration.date} until "
            f"{calibration.valid_until}, today is {today}; calibrate {tag} again"
        )
    try:
        check_signal(stand.input_tagged(tag), calibration)
    except ConfigError as error:
        problems += [f"{name}: {problem}" for problem in error.problems]
    return problems
