"""Collect the report's context from an opened run and its results. Reads no file and no clock: both are handed in."""

from collections.abc import Mapping
from pathlib import Path

from standbook.analysis.report.content.context import (
    CalibrationUsed,
    Conversion,
    FileHash,
    Person,
    PlanSummary,
    PredictedScalar,
    Recomputation,
    ReportContext,
    StandSummary,
    TankPlan,
    TZeroRow,
    WeighingUsed,
)
from standbook.analysis.report.stand_evidence import stand_lines, waiver_lines
from standbook.analysis.results.prediction import Prediction, Scalar
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import CALIBRATIONS, RUNS
from standbook.daq.config.csv_mapping import MAPPING_FILE
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Input, Stand
from standbook.daq.quantity import Quantity
from standbook.daq.run.revision import revision_folder
from standbook.daq.run.run_folder import RAW, Run, samples_path

WEIGHED = ("caught", "residual", "expelled")


def context_from_run(
    run: Run,
    results: Results,
    *,
    created: str,
    later: Mapping[str, Calibration] | None = None,
    deviations: tuple[str, ...] = (),
    vouched_by: str = "",
) -> ReportContext:
    """Collect what the report says about a run besides its results.

    Parameters
    ----------
    run : Run
        Opened and checked.
    results : Results
        Of the analysis that is reported.
    created : str
        When the report is written, UTC, ISO 8601.
    later : mapping of tag to Calibration, optional
        Calibrations that this analysis used in place of those the run holds.
    deviations : tuple of str
        What was done otherwise than planned, one sentence each.
    vouched_by : str
        Who answers for the other logger of an imported run.
    """
    used = {**run.calibrations, **(later or {})}
    # the copies that the analysis keeps, so that the run folder alone is enough to repeat it
    kept = revision_folder(Path(RUNS, run.folder.name), results.revision) / CALIBRATIONS
    options = "".join(f" --calibration {(kept / item.name).as_posix()}.toml" for item in (later or {}).values())
    locked = results.prediction == "locked" and run.info.lock is not None
    prediction = Prediction.from_json(run.prediction_text) if run.prediction_text is not None else None
    test = run.plan.test
    evidence = run.evidence
    people = (("Test conductor", test.conductor), ("Range safety officer", test.range_safety))
    return ReportContext(
        plan=plan_summary(run.plan, run.stand),
        stand=stand_summary(run.stand),
        calibrations=tuple(calibration_used(used[tag]) for tag in sorted(used)),
        manifest_sha256=run.manifest.sha256,
        files=tuple(FileHash(name, sha256) for name, sha256 in sorted(run.manifest.files.items())),
        created=created,
        command=f"standbook analyse {RUNS}/{run.folder.name}{options}",
        signature_allowed=not (run.info.rehearsal or results.rehearsal),
        locked_at=run.info.lock["locked_at_utc"] if locked and run.info.lock is not None else None,
        weighings=_weighings(run),
        predicted=predicted_scalars(prediction, results) if prediction is not None else (),
        people=tuple(Person(role, initials) for role, initials in people if initials),
        deviations=deviations,
        recomputation=_recomputation(run, results, used),
        stand_checks=stand_lines(evidence, run.pulls, run.taps),
        waivers=waiver_lines(evidence),
        imported=_imported_file(run),
        vouched_by=vouched_by,
        time_scale=max((device.time_scale for device in run.record.devices.values()), default=1.0),
    )


def _imported_file(run: Run) -> str:
    """Name the file of another logger; empty where this program recorded."""
    if run.info.source != "imported":
        return ""
    kept = [Path(name) for name in run.manifest.files if Path(name).parts[0] == RAW and Path(name).name != MAPPING_FILE]
    return kept[0].name if kept else "a file that is not kept"


def plan_summary(plan: Plan, stand: Stand) -> PlanSummary:
    """Condense a plan."""
    asked, engine = plan.impulse_class, plan.engine
    return PlanSummary(
        number=plan.test.number,
        kind=plan.test.kind,
        article=plan.test.article,
        objective=plan.test.objective,
        minimum_data=plan.test.minimum_data,
        ambient_pressure=measured(plan.site.ambient_pressure),
        ambient_temperature=measured(plan.site.ambient_temperature),
        tanks=tuple(
            TankPlan(
                name=tank.name,
                liquid=tank.liquid,
                pressurant=tank.pressurant,
                volume=measured(tank.internal_volume),
                load=measured(tank.liquid_load),
                fill_share=1.0 - tank.ullage_volume / tank.internal_volume.value,
                start_pressure=measured(plan.start_pressure(tank)),
                exponent=measured(tank.ullage_exponent),
                exponent_basis=tank.exponent_basis,
                cda=measured(tank.feed_cda),
                cda_basis=tank.cda_basis,
                pressure_tags=tuple(item.tag for item in stand.measuring(measurands.TANK_PRESSURE, tank.name)),
                exponent_override=tank.exponent_override or "",
            )
            for tank in plan.tank
        ),
        limit_name=asked.limit_name if asked else None,
        limit=asked.limit.value if asked else None,
        guard=asked.guard if asked else "",
        load_control=asked.load_control if asked else "",
        motors=asked.motors if asked else 1,
        change=plan.test.change,
        throat_diameter=measured(engine.throat_diameter) if engine else None,
        expansion_ratio=measured(engine.expansion_ratio) if engine else None,
        run_out_first=engine.run_out_first if engine else None,
        second_recorder=plan.recording.second_recorder,
    )


def stand_summary(stand: Stand) -> StandSummary:
    """Condense a stand."""
    return StandSummary(
        name=stand.name,
        nozzle=stand.nozzle,
        tanks_on_cell=stand.tanks_on_cell,
        thrust_tags=tuple(item.tag for item in stand.measuring(measurands.THRUST)),
        chamber_tags=tuple(item.tag for item in stand.measuring(measurands.CHAMBER_PRESSURE)),
        modes=tuple(measured(mode) for mode in stand.modes),
        filter_corners={item.tag: item.filter_corner.value for item in stand.input if item.filter_corner is not None},
    )


def calibration_used(calibration: Calibration) -> CalibrationUsed:
    """Condense a calibration."""
    return CalibrationUsed(
        tag=calibration.tag,
        revision=calibration.revision,
        sensor=calibration.sensor,
        serial=calibration.sensor_serial,
        date=calibration.date.isoformat(),
        valid_until=calibration.valid_until.isoformat(),
        slope_u=calibration.slope_u(),
        zero_u=calibration.zero_uncertainty,
        lowest=calibration.lowest,
        highest=calibration.highest,
        reading_unit=calibration.reading_unit,
        reference_standard=calibration.reference_standard,
        tolerance=calibration.characteristic.words if calibration.characteristic else "",
    )


def predicted_scalars(prediction: Prediction, results: Results) -> tuple[PredictedScalar, ...]:
    """Pair predicted numbers with measured ones; a predicted number that nothing measures is left out."""
    pairs: list[PredictedScalar] = []
    for name, scalar in prediction.scalars.items():
        found, value = _measured_counterpart(name, results)
        if found:
            pairs.append(_pair(name, scalar, value))
    return tuple(pairs)


def measured(quantity: Quantity) -> Measured:
    """Convert a typed quantity to a value with its standard uncertainty."""
    return Measured(quantity.value, quantity.u, quantity.unit or "1")


def _pair(name: str, scalar: Scalar, value: Measured | None) -> PredictedScalar:
    words = name.replace("/", ", ")
    return PredictedScalar(
        name=words[:1].upper() + words[1:],
        nominal=scalar.nominal,
        low=scalar.low,
        high=scalar.high,
        unit=scalar.unit,
        measured=value,
    )


def _measured_counterpart(name: str, results: Results) -> tuple[bool, Measured | None]:
    """Tell whether a predicted number has a measured one, and which."""
    thrust, engine = results.thrust, results.engine
    whole: dict[str, Measured | None] = {
        "impulse": _whole(results, vacuum=False),
        "impulse in vacuum": _whole(results, vacuum=True),
        "burn time": results.burn_time,
        "expelled mass": _expelled(results),
        "specific impulse": engine.delivered_isp if engine else None,
        "mean mixture ratio": engine.overall_mixture_ratio if engine else None,
        "thrust at start": thrust.at_start if thrust else None,
        "thrust at end": thrust.at_end if thrust else None,
    }
    if name in whole:
        return True, whole[name]
    quantity, _, tank = name.partition("/")
    if quantity in ("tank pressure at start", "tank pressure at end"):
        tank = tank or next(iter(results.tanks), "")
        found = results.tanks.get(tank)
        if found is None:
            return True, None
        return True, found.start_pressure if quantity.endswith("start") else found.end_pressure
    return False, None


def _whole(results: Results, *, vacuum: bool) -> Measured | None:
    """Return an impulse that nothing was hidden from: a lower bound is not compared with a band."""
    impulse = results.impulse_vacuum if vacuum else results.impulse
    if impulse is None or impulse.lower_bound_only:
        return None
    return Measured(impulse.value, impulse.u, impulse.unit)


def _expelled(results: Results) -> Measured | None:
    masses = [tank.expelled_mass for tank in results.tanks.values()]
    known = [mass for mass in masses if mass is not None]
    if not known or len(known) < len(masses):
        return None
    # Two tanks are weighed apart, so their uncertainties add in square.
    return Measured(sum(mass.value for mass in known), sum(mass.u**2 for mass in known) ** 0.5, "kg")


def _weighings(run: Run) -> tuple[WeighingUsed, ...]:
    rows: list[WeighingUsed] = []
    for tank, weighing in sorted(run.weighings.items()):
        for what in WEIGHED:
            quantity: Quantity | None = getattr(weighing, what)
            if quantity is not None:
                place, _, by = weighing.source.partition(", by ")
                rows.append(WeighingUsed(tank=tank, what=what, mass=measured(quantity), by=by, place=place))
    return tuple(rows)


def _samples_files(run: Run, device: str, stream: str) -> str:
    """Name the files that hold a stream's counts: the recorded rows, and those of a second recorder."""
    places = [samples_path(run.folder, device, stream).relative_to(run.folder).as_posix()]
    places += [
        f"{added.name}/{device}_{stream}.parquet (filled rows)"
        for added in run.fills
        if added.fill.device == device and stream in added.fill.streams
    ]
    return " and ".join(places)


def _recomputation(run: Run, results: Results, calibrations: Mapping[str, Calibration]) -> Recomputation | None:
    """Name what is recomputed by hand: thrust with what its steps need, else the tank's pressure."""
    recipe = results.firing.recipe if results.firing is not None else None
    if recipe is not None:
        tags = dict.fromkeys((recipe.cell, recipe.share_by, *recipe.lines))
        inputs = [item for tag in tags for item in run.stand.input if item.tag == tag]
    else:
        tanks = [tank.name for tank in run.plan.tank]
        choices = [item for tank in tanks for item in run.stand.measuring(measurands.TANK_PRESSURE, tank)]
        if run.plan.kind.fires:
            choices = [*run.stand.measuring(measurands.THRUST), *choices]
        inputs = [item for item in choices if item.tag in calibrations][:1]
    if not inputs:
        return None
    return Recomputation(
        channels=tuple(_conversion(run, item, calibrations[item.tag]) for item in inputs),
        t_zero=_t_zero_row(run, results, inputs[0]),
    )


def _conversion(run: Run, item: Input, calibration: Calibration) -> Conversion:
    return Conversion(
        tag=item.tag,
        samples_file=_samples_files(run, item.device, item.stream),
        signal_rule=item.sensor_kind.words(item),
        signal_unit=calibration.signal_unit,
        reading_unit=calibration.reading_unit,
        pivot=calibration.pivot,
        coefficients=calibration.coefficients,
        scale=calibration.scale,
        latency=calibration.latency.value,
    )


def _t_zero_row(run: Run, results: Results, item: Input) -> TZeroRow | None:
    """Say where T-0 lies among the rows of an input's stream; ``None`` where there is none."""
    t_zero, health = run.record.t_zero, results.record.get(f"{item.device}/{item.stream}")
    if t_zero is None or results.t_zero is None or health is None or health.t_zero_sequence is None:
        return None
    edges = run.record.devices[t_zero.device].edges if t_zero.device in run.record.devices else ()
    return TZeroRow(
        host_time=results.t_zero.time,
        tick=next((edge.ticks for edge in edges if edge.host_ns == t_zero.host_ns), None),
        sequence=health.t_zero_sequence,
    )
