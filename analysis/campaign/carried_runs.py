"""Earlier runs of a campaign and the plan that builds on them: what is carried, and whether the plan says the same.

SI, absolute pressures. Reads run folders and changes none; a plan is typed by a person.
"""

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from standbook.analysis.campaign.flow_states import (
    as_found,
    course_of,
    end_log_ratio,
    flowed,
    found_liquid,
    side_of,
    ullage_of,
)
from standbook.analysis.campaign.ranges import range_findings
from standbook.analysis.dataset.as_weighed import plan_of_run
from standbook.analysis.findings.prediction import (
    CDA_AS_RUN,
    CDA_BASIS_CAVITATED,
    CDA_BASIS_OTHER_SIDE,
    CDA_BASIS_OTHER_TANK,
    CDA_BASIS_UNREAD,
    CDA_BASIS_WITHOUT_NUMBER,
    CDA_NOT_AS_RUN,
    CDA_SURER_THAN_RUN,
    EXPONENT_OVERRIDDEN,
)
from standbook.analysis.kinds.registry import predict
from standbook.analysis.prediction.carry_over import (
    REFUSAL_ADVICE,
    CarriedCda,
    CarriedExponent,
    Side,
    carry_cda,
    carry_exponent,
    cavitation_refusal,
    exponent_refusal,
    plan_lines,
    side_refusal,
)
from standbook.analysis.prediction.cavitation import OtherFlow
from standbook.analysis.prediction.vessel_pressures import vessel_findings
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import read_results
from standbook.daq.config.campaign import RUNS, Campaign, read_campaign
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.findings.finding import Finding
from standbook.daq.kinds.registry import kind_named
from standbook.daq.run.revision import revisions_of
from standbook.daq.run.run_folder import read_run_files

RESULTS_FILE = "results.json"
APART = 2.0  # combined standard uncertainties of plan and run
FEW_SAMPLES = 40  # of a prediction whose nominal course alone is used
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


@dataclass(frozen=True, slots=True)
class Analysed:
    """A run with the newest analysis of it."""

    folder: Path
    plan: Plan  # as its analysis took it: weighed in air, filled, a boiling liquid as it flowed
    results: Results

    @property
    def number(self) -> str:
        """Number of its test."""
        return self.plan.test.number


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedTank:
    """What one tank's run says of the same tank in another plan."""

    tank: str
    cda: CarriedCda | None
    exponent: CarriedExponent | None
    lines: tuple[str, ...]  # for the plan's [[tank]]
    remarks: tuple[str, ...]


def predict_in_campaign(campaign: Campaign) -> Prediction:
    """Predict a plan, and hold its pressures against its vessels and its CdA against the runs that it names.

    Raises
    ------
    ConfigError
        A cryogenic tank is given the exponent of a water flow without a reason.
    """
    check_exponents(campaign.plan)
    prediction = predict(campaign.plan, campaign.stand)
    of_vessels, of_runs = vessel_findings(campaign.plan), basis_findings(campaign.plan, campaign.folder)
    of_ranges = range_findings(campaign, prediction)
    return replace(prediction, findings=(*of_vessels, *prediction.findings, *of_ranges, *of_runs))


def predict_plan(plan: Path | str, *, today: dt.date | None = None) -> Prediction:
    """Predict a plan of a campaign.

    Parameters
    ----------
    plan : path
        ``CAMPAIGN/plans/NUMBER.toml``.
    today : date, optional
        The date on which the calibrations must be valid; the local one when ``None``.

    Raises
    ------
    ConfigError
        Plan, stand or calibrations are wrong; every fault is listed.
    """
    return predict_in_campaign(read_campaign(Path(plan), today=today or dt.datetime.now().astimezone().date()))


def check_exponents(plan: Plan) -> None:
    """Refuse the exponent of a water flow for a cryogenic tank, unless the plan gives a reason.

    For a side that a kind of test says nothing of, no reason counts.

    Raises
    ------
    ConfigError
        One sentence a tank.
    """
    problems = []
    for tank in plan.tank:
        never = side_refusal(tank.name, tank.exponent_basis)
        said = exponent_refusal(tank.name, tank.liquid, tank.exponent_basis)
        if never is not None:
            problems.append(f"{never}. Take another exponent_basis")
        elif said is not None and tank.exponent_override is None:
            problems.append(said + (REFUSAL_ADVICE if kind_named(tank.exponent_basis).warm_liquid else ""))
    if problems:
        raise ConfigError(*(f"plan {plan.test.number}: {problem}" for problem in problems))


def basis_findings(plan: Plan, campaign_folder: Path) -> tuple[Finding, ...]:
    """Hold each tank's planned CdA against the run that its basis names, where that run lies in the campaign."""
    found: list[Finding] = []
    for tank in plan.tank:
        folder = named_run(tank.cda_basis, campaign_folder)
        if folder is not None:
            found.append(_basis_finding(tank, folder))
        said = exponent_refusal(tank.name, tank.liquid, tank.exponent_basis)
        if said is not None and tank.exponent_override is not None:
            refusal = said[:1].upper() + said[1:]
            found.append(EXPONENT_OVERRIDDEN.at(tank.name, refusal=refusal, reason=tank.exponent_override))
    return tuple(found)


def named_run(basis: str, campaign_folder: Path) -> Path | None:
    """Return the newest run, analysed ones first, whose test number stands in a basis such as "water flow WF-03"."""
    words = {word.rstrip(".") for word in _WORD.findall(basis)}
    runs = campaign_folder / RUNS
    if not runs.is_dir():
        return None
    known = [path for path in runs.iterdir() if any(_is_of(path.name, word) for word in words)]
    return max(known, key=lambda path: (bool(revisions_of(path)), path.name), default=None)


def _is_of(name: str, number: str) -> bool:
    """Tell whether a run folder's name, DATE_NUMBER or DATE_NUMBER_more, is of a test number."""
    rest = name.partition("_")[2]
    return rest == number or rest.startswith(f"{number}_")


def read_analysed(folder: Path) -> Analysed:
    """Read a run's plan and the newest analysis of it.

    Raises
    ------
    RecordError
        Not a run, not analysed, or the analysis was changed.
    """
    plan, _ = plan_of_run(read_run_files(folder).plan)
    results = read_results(folder).results
    return Analysed(folder, as_found(plan, results), results)


def _basis_finding(tank: Tank, folder: Path) -> Finding:
    typed = f"Tank {tank.name}: the plan's feed CdA is {_mm2(tank.feed_cda.value, tank.feed_cda.u)} ({tank.cda_basis})"
    try:
        run = read_analysed(folder)
    except RecordError as error:
        return CDA_BASIS_UNREAD.at(tank.name, typed=typed, error=error)
    result = run.results.tanks.get(tank.name)
    if result is None:
        others = " and ".join(run.results.tanks) or "no"
        return CDA_BASIS_OTHER_TANK.at(tank.name, typed=typed, number=run.number, others=others)
    if result.cda is None:
        return CDA_BASIS_WITHOUT_NUMBER.at(tank.name, typed=typed, number=run.number)
    never = side_refusal(tank.name, run.plan.test.kind)
    if never is not None:
        return CDA_BASIS_OTHER_SIDE.at(tank.name, typed=typed, said=never)
    made_up = " That run is a rehearsal: its number is simulated." if run.results.rehearsal else ""
    apart = abs(tank.feed_cda.value - result.cda.value)
    u = math.hypot(tank.feed_cda.u, result.cda.u)
    typed += f"; {run.number} gave {_mm2(result.cda.value, result.cda.u)}"
    refusal = _cavitated(run, tank.name, other_flows(run, tank.name))
    if refusal is not None:
        return CDA_BASIS_CAVITATED.at(tank.name, typed=typed, said=refusal[:1].lower() + refusal[1:].rstrip("."))
    if apart > APART * u:
        far = f"{apart / u:.1f} combined standard uncertainties apart" if u > 0.0 else "which is not the same"
        return CDA_NOT_AS_RUN.at(tank.name, typed=typed, far=far, made_up=made_up)
    if tank.feed_cda.u < result.cda.u:
        return CDA_SURER_THAN_RUN.at(tank.name, typed=typed, made_up=made_up)
    return CDA_AS_RUN.at(tank.name, typed=typed, made_up=made_up)


def _mm2(value: float, u: float) -> str:
    return f"{1e6 * value:.2f} mm2 (u = {1e6 * u:.2f})"


def carry(
    run: Analysed, to: Campaign, *, viscosities: Mapping[str, float] | None = None, reason: str | None = None
) -> tuple[CarriedTank, ...]:
    """Say what a run's tanks give for the tanks of the same name in another plan.

    Parameters
    ----------
    viscosities : mapping of tank to float, optional
        Of the other plan's liquids [Pa s], where the property library does not know them.
    reason : str, optional
        Why an exponent is carried in spite of a refusal.

    Raises
    ------
    DataError
        The plans have no tank in common, or the run no result for it.
    """
    names = [tank.name for tank in to.plan.tank if tank.name in run.results.tanks]
    if not names:
        raise DataError(
            f"{run.number} has results for {' and '.join(run.results.tanks) or 'no tank'}, and plan "
            f"{to.plan.test.number} has tank {' and '.join(tank.name for tank in to.plan.tank)}: nothing to carry"
        )
    given = viscosities or {}
    if unknown := sorted(set(given) - set(names)):
        raise DataError(f"a viscosity is given for {', '.join(unknown)}, but carried is {' and '.join(names)}")
    nominal = predict(to.plan, to.stand, samples=FEW_SAMPLES)
    taken, _ = plan_of_run(to.plan)
    return tuple(_carried(run, taken, nominal, name, given.get(name), reason) for name in names)


def other_flows(run: Analysed, tank: str) -> tuple[OtherFlow, ...]:
    """Return what other analysed runs of one kind, in the same folder of runs, say of a tank's CdA."""
    found = []
    for folder in sorted(path for path in run.folder.parent.iterdir() if path.is_dir() and path != run.folder):
        try:
            other = read_analysed(folder)
        except RecordError:
            continue  # not a run, or one without an analysis
        result = other.results.tanks.get(tank)
        if other.plan.kind != run.plan.kind or result is None or result.cda is None:
            continue
        state = flowed(other.plan, other.results, tank)
        if state is not None and state.warmth_told:
            number = state.least_cavitation_number
            found.append(OtherFlow(number=other.number, cavitation=number, cda=result.cda))
    return tuple(found)


def _cavitated(run: Analysed, tank: str, others: tuple[OtherFlow, ...]) -> str | None:
    """Explain why the injector's holes may not have run full in a run; ``None`` where they did, or nothing tells."""
    state, cda = flowed(run.plan, run.results, tank), run.results.tanks[tank].cda
    return None if state is None or cda is None else cavitation_refusal(cda, state, others)


def _carried(
    run: Analysed, to: Plan, nominal: Prediction, name: str, viscosity: float | None, reason: str | None
) -> CarriedTank:
    never = side_refusal(name, run.plan.test.kind)
    if never is not None:
        return CarriedTank(tank=name, cda=None, exponent=None, lines=(), remarks=(f"{never[:1].upper()}{never[1:]}.",))
    source, target = run.plan.tank_named(name), to.tank_named(name)
    result, basis = run.results.tanks[name], run.plan.test.kind
    remarks = ["This run is a rehearsal: its numbers are simulated."] if run.results.rehearsal else []
    same = viscosity if source.liquid == target.liquid else None
    here = flowed(run.plan, run.results, name, same)
    if result.cda is None or here is None:
        return CarriedTank(
            tank=name,
            cda=None,
            exponent=None,
            lines=(),
            remarks=(*remarks, "Its analysis gives no CdA; its findings say why."),
        )
    there = side_of(to, target, *course_of(nominal, to, name), viscosity)
    cda = carry_cda(result.cda, here, there, others=other_flows(run, name))
    exponent, said = _carried_exponent(run, to, nominal, name, (here, there), reason)
    remarks += said
    lines = plan_lines(cda.carried, f"{basis} {run.number}", exponent, basis, reason)
    return CarriedTank(tank=name, cda=cda, exponent=exponent, lines=lines, remarks=(*cda.remarks, *remarks))


def _carried_exponent(
    run: Analysed, to: Plan, nominal: Prediction, name: str, sides: tuple[Side, Side], reason: str | None
) -> tuple[CarriedExponent | None, list[str]]:
    """Carry the exponent of a run's tank, and say what must be said of it; ``None`` where the run has none."""
    source, target, result = run.plan.tank_named(name), to.tank_named(name), run.results.tanks[name]
    found, (here, there) = result.exponent, sides
    if found is None or result.window is None or not run.plan.kind.gives_exponent:
        return None, []
    flowing = found_liquid(run.results, name)
    if flowing is not None and flowing.measured and here.inlet[1] < flowing.vapour_pressure:
        said = f"tank {name}: the liquid boiled aboard and held the pressure up, so its exponent is not that of the gas"
        return CarriedExponent(None, said, ()), [f"{said[:1].upper()}{said[1:]}."]
    begin, end = result.window
    long = nominal.scalars[to.kind.duration].nominal
    expelled = result.expelled_mass.value if result.expelled_mass is not None else 0.0
    ratio = math.log1p(expelled / source.liquid_density.value / source.ullage_volume)
    exponent = carry_exponent(
        name,
        start=found.start,
        drift=found.drift,
        here=ullage_of(source, run.plan, ratio, here.inlet, end - begin),
        there=ullage_of(target, to, end_log_ratio(target), there.inlet, long),
        basis=run.plan.test.kind,
        reason=reason,
    )
    if exponent.carried is None:
        said = exponent.refusal or ""
        return exponent, [*exponent.remarks, f"{said[:1].upper()}{said[1:]}."]
    held = f"Hold as long: it stood {flowing.held:.0f} s at pressure, as far as its record shows." if flowing else None
    return exponent, [*([held] if held else []), *exponent.remarks]
