"""Facts that a campaign's files tell: lock, calibrations, checks, pull, taps, holds, load, disk. No I/O."""

import datetime as dt
import math
from collections.abc import Iterable

import numpy as np

from standbook.analysis.calibration.pull_fit import fit_of_pull
from standbook.analysis.impulse.load_path import NEVER_MEASURED, NEVER_MEASURED_SMALL, SMALL_CELL
from standbook.analysis.readiness.campaign_state import MINUTES, CampaignState, impulse_u, share_of
from standbook.analysis.readiness.check_facts import STATES, check_facts
from standbook.analysis.readiness.fact import Fact, State, share_lost
from standbook.analysis.report.content.number_format import two_digits
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input
from standbook.daq.errors import DataError
from standbook.daq.quantity import absolute

BAROMETER_FOR = 0.5  # h
BAROMETER_A_H = 50.0  # Pa an hour that the air moves on an unsettled day; judgement
PREDICTION_SHARE = 0.5  # of an objective that a comparison with a locked prediction is; judgement
MODE_U = 0.005  # of the impulse's peak and window, without a tap test of this mass; judgement
EXPONENT_U, WITHOUT_HOLD = 0.03, 0.04  # of an exponent, with a hold, and added where nobody knows whether gas leaves
LOAD_U, CONTAINERS_U = 0.024, 0.005  # of a load: by the cell alone, and by containers


def campaign_facts(of: CampaignState) -> tuple[Fact, ...]:
    """Return every fact that files tell, in no order."""
    return (
        _locked(of),
        *_calibrated(of),
        *check_facts(of),
        _barometer(of),
        *_cell_facts(of),
        *_proofs(of),
        *_holds(of),
        _loaded(of),
        _disk(of),
    )


def _locked(of: CampaignState) -> Fact:
    return Fact(
        name="plan locked and unchanged",
        state="does not hold" if of.lock else "holds",
        found=of.lock or "locked, and nothing changed since",
        ruins="the prediction counts as a postdiction",
        share=PREDICTION_SHARE,
        mend="standbook lock",
        minutes=MINUTES["lock"],
    )


def _calibrated(of: CampaignState) -> Iterable[Fact]:
    """Judge serial numbers, and whether the calibrated range holds what the plan expects."""
    for tag in sorted(of.calibrations):
        c, item = of.calibrations[tag], of.stand.input_tagged(tag)
        share = share_of(of, item)
        if item.sensor_serial and item.sensor_serial != c.sensor_serial:
            yield Fact(
                name=f"serial number of {tag}",
                state="does not hold",
                found=f"{item.sensor_serial} is mounted, {c.name} is of {c.sensor_serial}",
                ruins=f"all that {tag} reads",
                share=share,
                mend="mount the calibrated one, or name its calibration",
                minutes=MINUTES["calibrate"],
            )
        expected = _expected(of, item, c)
        if expected is not None and expected > 1.05 * c.highest * c.scale:
            yield Fact(
                name=f"range of {tag}",
                state="does not hold",
                found=f"{expected / c.scale:.4g} {c.reading_unit} is expected, calibrated to {c.highest:g}",
                ruins="what lies above is a lower bound",
                share=share,
                mend="calibrate over the range that will be used",
                minutes=MINUTES["calibrate"],
            )


def _expected(of: CampaignState, item: Input, c: Calibration) -> float | None:
    """Return the greatest reading that the plan expects of a tank's sensor, in its own reference. [Pa]."""
    if item.measures != measurands.TANK_PRESSURE:
        return None
    tank = next((tank for tank in of.plan.tank if tank.name == item.tank), None)
    if tank is None:
        return None
    air = of.plan.site.ambient_pressure
    return absolute(tank.start_pressure, air).value - (air.value if c.reference == "gauge" else 0.0)


def _barometer(of: CampaignState) -> Fact:
    sheet = of.checks[-1] if of.checks else None
    age = None if sheet is None else (of.now - sheet.at).total_seconds() / 3600.0
    drift = BAROMETER_A_H * (24.0 if age is None else age)
    tanks = [absolute(tank.start_pressure, of.plan.site.ambient_pressure).value for tank in of.plan.tank]
    added = drift / min(tanks) if tanks else 0.0
    state: State = "not measured" if age is None else "holds" if age <= BAROMETER_FOR else "cannot tell"
    return Fact(
        name="barometer",
        state=state,
        found="not read today" if age is None else f"read {60 * age:.0f} min ago",
        ruins=f"up to {100 * added:.2g} % of the start pressures",
        share=share_lost(0.005, added),
        mend="vented: standbook check",
        minutes=MINUTES["check"],
        age=age,
    )


def _cell_facts(of: CampaignState) -> Iterable[Fact]:
    """Judge the load path and the modes, where thrust is measured."""
    cells = [item for item in of.stand.measuring(measurands.THRUST) if item.tag in of.calibrations]
    if not of.plan.kind.fires:
        return
    for item in cells:
        yield _path(of, item)
    if cells:
        taps = of.taps
        yield Fact(
            name="modes of the stand",
            state="not measured" if taps is None else "holds",
            found="no tap test with full tanks" if taps is None else f"tapped on {taps.date}",
            ruins=f"up to {100 * MODE_U:.1f} % of peak and window",
            share=share_lost(impulse_u(of, cells[0]), MODE_U),
            mend="vented, water in the tanks: standbook tap",
            minutes=MINUTES["tap"],
            age=None if taps is None else _days(of, taps.date),
        )


def _path(of: CampaignState, item: Input) -> Fact:
    c, pull = of.calibrations[item.tag], of.pulls.get(item.tag)
    never = NEVER_MEASURED if c.highest * c.scale >= SMALL_CELL else NEVER_MEASURED_SMALL
    planned = impulse_u(of, item)
    state: State = "not measured"
    found, age, added = f"never pulled; up to {100 * never:.0f} % beside the cell", None, never / math.sqrt(3.0)
    if pull is not None:
        state, age, added = "holds", _days(of, pull.date), 0.0
        try:
            fit = fit_of_pull(pull, c)
            u = float(fit.factor_u(np.array([fit.pressure_range[1]]))[0])
            found = f"pulled on {pull.date}, factor u {two_digits(100 * u)} %"
            if "stiffening" in fit.not_fitted:
                state, found, added = "cannot tell", f"{found}, never with lines empty and at pressure", 0.0035
        except DataError as error:
            state, found = "does not hold", f"the pull of {pull.date} is of no use: {error}"
    elif c.stand_interaction.known:
        state, found, added = (
            "holds",
            f"typed into {c.name}: u {100 * c.stand_interaction.factor.relative_u:.2g} %",
            0.0,
        )
    return Fact(
        name=f"load path of {item.tag}",
        state=state,
        found=found,
        ruins=f"impulse, u {100 * planned:.2g} % -> {100 * math.hypot(planned, added or never / math.sqrt(3.0)):.2g} %",
        share=share_lost(planned, added or never / math.sqrt(3.0)),
        mend="before filling: standbook pull, lines empty and at pressure",
        minutes=MINUTES["pull"],
        age=age,
    )


def _days(of: CampaignState, day: dt.date) -> float:
    return max(0.0, 24.0 * (of.now.date() - day).days)


def _proofs(of: CampaignState) -> Iterable[Fact]:
    """Tell whether somebody recorded a hydrostatic proof above each tank's pressure: evidence, and no permission."""
    for tank in of.plan.tank:
        proof, air = of.proofs.get(tank.name), of.plan.site.ambient_pressure
        state: State = "not measured"
        found = "no sheet of one"
        if proof is not None:
            asked = absolute(tank.start_pressure, air).value - air.value
            found, above = proof.sentence, proof.pressure.value > asked
            state = "holds" if above and proof.result == "held" else "does not hold"
            found += "" if above else f"; the plan asks for {asked / 1e5:.3g} bar(g)"
        yield Fact(
            name=f"hydrostatic proof of {tank.name}",
            state=state,
            found=found,
            ruins="people and stand; this sheet is evidence, no permission",
            share=1.0,
            mend="whoever the code licenses, with liquid; then proofs/DATE_TANK.toml",
            minutes=MINUTES["proof"],
        )


def _holds(of: CampaignState) -> Iterable[Fact]:
    for tank in of.plan.tank:
        hold = of.holds.get(tank.name)
        state: State = "not measured"
        if hold is not None:
            says = hold.result.says
            state = (
                "holds"
                if says in ("tight", "leaks, less")
                else "cannot tell"
                if says == "cannot tell"
                else "does not hold"
            )
        yield Fact(
            name=f"leak test of {tank.name}",
            state=state,
            found="not held" if hold is None else hold.result.verdict,
            ruins=f"exponent, u {EXPONENT_U:g} -> {math.hypot(EXPONENT_U, WITHOUT_HOLD):.2g}; gas that leaves",
            share=share_lost(EXPONENT_U, WITHOUT_HOLD),
            mend="before filling, from afar: a pressure hold, then standbook hold",
            minutes=MINUTES["hold"],
            age=None if hold is None else _days(of, hold.date),
        )


def _loaded(of: CampaignState) -> Fact:
    load = of.load
    age = None if load is None else (of.now - load.at).total_seconds() / 3600.0
    return Fact(
        name="load by cell and containers",
        state="not measured" if load is None else STATES[load.says],
        found="not compared" if load is None else f"cell {load.by_cell.text}, containers {load.containers.text}",
        ruins=f"prediction and class margin: load u {100 * CONTAINERS_U:.1f} % -> {100 * LOAD_U:.1f} %",
        share=PREDICTION_SHARE * share_lost(CONTAINERS_U, LOAD_U),
        mend="filling, from afar: standbook load",
        minutes=MINUTES["load"],
        age=age,
    )


def _disk(of: CampaignState) -> Fact:
    return Fact(
        name="disk",
        state="holds" if of.free >= of.needed else "does not hold",
        found=f"{of.free / 1e9:.1f} GB free, {of.needed / 1e9:.1f} GB needed",
        ruins="the run: it is not begun with less",
        share=1.0,
        mend="free some space",
        minutes=5.0,
    )
