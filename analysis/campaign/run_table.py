"""List the runs of a campaign: what each is, how far it has come, and what its newest analysis says. SI.

Reads the small files of each run folder and no samples, and changes nothing. A run that cannot be read is a row with
the reason, so that it does not hide the others.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from scipy.constants import g as standard_gravity

from standbook.analysis.campaign.configuration import Configured, breaks, configured, numbered
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm, Results
from standbook.analysis.results.saved_results import read_results
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import RecordError, StandError
from standbook.daq.kinds.registry import BENCH
from standbook.daq.run.revision import revisions_of
from standbook.daq.run.run_folder import RunFiles, read_run_files
from standbook.daq.run.run_progress import NOT_SEALED, SEALED, run_progress

TANK_COMMON = frozenset({"pressure gain", "pressure lack of fit", "density", "ullage volume"})
NOT_ANALYSED, UNREADABLE = "not analysed", "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run of a campaign; what is not known is empty or ``None``."""

    folder: str  # "2031-06-14_HF-02"
    date: str
    began: str = ""  # UTC, ISO 8601
    number: str
    kind: str = ""
    rehearsal: bool = False
    article: str = ""
    hardware: int | None = None  # number of its configuration
    hardware_change: str = ""  # what differs, where the configuration is used for the first time
    instruments: int | None = None
    state: str  # "rev-B", or how far it has come
    why: str = ""  # it cannot be read
    manifest: str = ""  # first 8 digits of its hash
    verdict: str = ""  # the worst one
    impulse: Measured | None = None  # at site [N*s]
    expanded: float | None = None  # uncertainty of the impulse with its coverage factor [N*s]
    lower_bound: bool = False  # the impulse is only the recorded part
    cda: Mapping[str, Measured] = field(default_factory=dict)  # by tank [m2]
    cda_common: Mapping[str, float] = field(default_factory=dict)  # part of u that moves every run alike [m2]
    exponent: Mapping[str, Measured] = field(default_factory=dict)  # by tank, start to end [-]
    cstar: Measured | None = None  # [m/s]
    isp: Measured | None = None  # while both liquids flow [s]
    impulse_per_mass: Measured | None = None  # over all that left [N*s/kg]
    serious: int | None = None  # findings
    cautions: int | None = None

    @property
    def is_test(self) -> bool:
        """Tell whether it is the record of a test: not a rehearsal, nor a recording without a plan."""
        return not self.rehearsal and self.kind != BENCH.name

    @property
    def next_command(self) -> str:
        """What brings the run further; empty where it is analysed or nothing can be said."""
        commands = {NOT_ANALYSED: "analyse", NOT_SEALED: "recover"}
        return f"standbook {commands[self.state]} {RUNS}/{self.folder}" if self.state in commands else ""


def campaign_runs(campaign: Path) -> tuple[RunRow, ...]:
    """List all runs of a campaign, rehearsals too, by the day in their names.

    Raises
    ------
    RecordError
        The folder holds no runs.
    """
    place = campaign / RUNS
    if not place.is_dir():
        raise RecordError(f"{campaign}: no {RUNS}/ in it; give a campaign's folder, which holds plans and {RUNS}")
    folders = sorted(path for path in place.iterdir() if path.is_dir() and not path.name.startswith("."))
    found: list[tuple[RunRow, Configured | None]] = []
    for folder in folders:
        date, _, name = folder.name.partition("_")
        row = RunRow(folder=folder.name, date=date, number=name, state=UNREADABLE)
        try:
            files = read_run_files(folder)
        except (StandError, OSError) as error:
            found.append((replace(row, why=str(error)), None))
            continue
        states = configured(files.plan, files.stand, files.calibrations)
        found.append((_row(folder, _identified(row, files)), states))
    return tuple(_with_configurations(sorted(found, key=lambda pair: (pair[0].date, pair[0].began, pair[0].folder))))


def _with_configurations(found: list[tuple[RunRow, Configured | None]]) -> list[RunRow]:
    """Give each row that states something the numbers of its configurations, in the order of the rows."""
    stated = [item for _, item in found if item is not None]
    hardware = numbered(item.hardware for item in stated)
    words = iter(breaks((item.hardware for item in stated), hardware))
    numbers = iter(zip(hardware, numbered(item.instruments for item in stated), strict=True))
    return [row if item is None else _configured(row, *next(numbers), next(words)) for row, item in found]


def _configured(row: RunRow, hardware: int, instruments: int, change: str) -> RunRow:
    return replace(row, hardware=hardware, instruments=instruments, hardware_change=change)


def _identified(row: RunRow, files: RunFiles) -> RunRow:
    info = files.info
    return replace(
        row,
        began=info.created_utc,
        number=info.number,
        kind=info.kind,
        rehearsal=info.rehearsal,
        article=files.plan.test.article,
    )


def _row(folder: Path, row: RunRow) -> RunRow:
    """Say how far a run has come, and what its newest analysis says."""
    try:
        progress = run_progress(folder)
        row = replace(row, manifest=progress.manifest[:8], state=progress.state)
        if progress.state != SEALED or row.kind == BENCH.name:
            return row
        if not revisions_of(folder):
            return replace(row, state=NOT_ANALYSED)
        return _analysed(row, read_results(folder).results)
    except (StandError, OSError) as error:
        return replace(row, state=UNREADABLE, why=str(error))


def _analysed(row: RunRow, results: Results) -> RunRow:
    impulse, engine = results.impulse, results.engine
    tanks = results.tanks.items()
    return replace(
        row,
        state=f"rev-{results.revision}",
        verdict=results.worst_outcome or "",
        impulse=Measured(impulse.value, impulse.u, impulse.unit) if impulse is not None else None,
        expanded=impulse.expanded if impulse is not None else None,
        lower_bound=impulse is not None and impulse.lower_bound_only,
        cda={name: tank.cda for name, tank in tanks if tank.cda is not None},
        cda_common={name: common_u(tank.cda_budget) for name, tank in tanks},
        exponent={name: tank.exponent.chord for name, tank in tanks if tank.exponent is not None},
        cstar=engine.cstar if engine is not None else None,
        isp=engine.isp if engine is not None else None,
        impulse_per_mass=_per_mass(engine.delivered_isp) if engine is not None else None,
        serious=_count(results, "serious"),
        cautions=_count(results, "caution"),
    )


def _per_mass(isp: Measured | None) -> Measured | None:
    return None if isp is None else Measured(isp.value * standard_gravity, isp.u * standard_gravity, "N*s/kg")


def common_u(budget: Iterable[BudgetTerm]) -> float:
    """Return the part of a CdA's uncertainty that one sensor and one tank give to all runs alike. [m2]."""
    return math.hypot(*(term.u for term in budget if term.source in TANK_COMMON))


def _count(results: Results, severity: str) -> int:
    return sum(finding.severity == severity for finding in results.findings)


def tank_names(rows: Iterable[RunRow]) -> tuple[str, ...]:
    """Name the tanks of which any row says something, in order of first appearance."""
    return tuple(dict.fromkeys(name for row in rows for name in (*row.cda, *row.exponent)))


def plain_row(row: RunRow) -> dict[str, object]:
    """Spread a row over named columns, numbers in full and in SI, each beside its standard uncertainty."""
    found: dict[str, object] = {
        "folder": row.folder,
        "date": row.date,
        "run": row.number,
        "kind": row.kind,
        "rehearsal": row.rehearsal,
        "article": row.article,
        "hardware": row.hardware,
        "instruments": row.instruments,
        "state": row.state,
        "manifest": row.manifest,
        "verdict": row.verdict or None,
        "lower bound": row.lower_bound,
        "serious": row.serious,
        "cautions": row.cautions,
        "reason": row.why or None,
    }
    numbers = {"impulse": row.impulse, "c*": row.cstar}
    numbers |= {f"CdA {name}": value for name, value in row.cda.items()}
    numbers |= {f"exponent {name}": value for name, value in row.exponent.items()}
    units = {"impulse": "N*s", "c*": "m/s"}
    for name, value in numbers.items():
        unit = units.get(name, "m2" if name.startswith("CdA") else "1")
        found[f"{name} [{unit}]"] = None if value is None else value.value
        found[f"u({name}) [{unit}]"] = None if value is None else value.u
    return found
