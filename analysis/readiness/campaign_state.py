"""What the files of a campaign say of one plan, and how much of its objective rests on what. No I/O."""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Input, Stand
from standbook.daq.stand_sheets.check_file import CheckFile
from standbook.daq.stand_sheets.hold_file import HoldFile
from standbook.daq.stand_sheets.load_file import LoadFile
from standbook.daq.stand_sheets.proof_file import ProofFile
from standbook.daq.stand_sheets.pull_file import PullFile
from standbook.daq.stand_sheets.tap_file import TapFile

TWIN_SHARE = 0.5  # of an objective, where another sensor shows the same pressure; judgement
MINUTES = {
    "check": 10.0, "pull": 45.0, "tap": 30.0, "hold": 45.0, "load": 10.0, "lock": 1.0, "calibrate": 60.0, "proof": 120.0
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignState:
    """What the files of a campaign say of one plan."""

    plan: Plan
    stand: Stand
    calibrations: Mapping[str, Calibration]
    now: dt.datetime
    stand_sha256: str  # of the stand file as it is
    lock: str  # in words where the plan is not locked as it is; empty where it is
    checks: tuple[CheckFile, ...]  # of the plan, oldest first, practised ones left out unless it is practice
    pulls: Mapping[str, PullFile]
    taps: TapFile | None
    holds: Mapping[str, HoldFile]
    load: LoadFile | None
    proofs: Mapping[str, ProofFile] = field(default_factory=dict)  # newest of each tank
    free: int  # bytes on the disk
    needed: int  # bytes that the run needs

    @property
    def minimum(self) -> tuple[str, ...]:
        """Tags of the minimum data, all calibrated ones where the plan names none."""
        return self.plan.test.minimum_data or tuple(self.calibrations)


def share_of(of: CampaignState, item: Input) -> float:
    """Return the share of the objective that a channel is."""
    twins = [
        other
        for other in of.stand.input
        if other.tag != item.tag and other.measures == item.measures and other.tank == item.tank
    ]
    return TWIN_SHARE if twins or item.tag not in of.minimum else 1.0


def impulse_u(of: CampaignState, item: Input) -> float:
    """Return the relative u of the impulse that a plan wants, else what cell and load path leave open."""
    wanted = of.plan.test.wanted.impulse
    if wanted is not None:
        return wanted.value / 2.0  # an expanded uncertainty, about 95 %
    c = of.calibrations[item.tag]
    return math.hypot(c.slope_u(), c.stand_interaction.factor.relative_u)
