"""Results, curves and context as an analysis would hand them over: the invented demo campaign.

Start and end values are those of the scenario's constant-exponent model (engine Teasel-2); the decays
between them are smooth simulated curves, so only their ends and their sum mean anything.
"""

from dataclasses import replace

import numpy as np

from standbook.analysis.kinds.registry import analysed_kind
from standbook.analysis.report.content.context import (
    CalibrationUsed,
    Conversion,
    EarlierRun,
    FileHash,
    Person,
    PlanSummary,
    PredictedScalar,
    Recomputation,
    ReportContext,
    RunDifference,
    StandSummary,
    TankPlan,
    TZeroRow,
    WeighingUsed,
)
from standbook.analysis.report.render import render_report
from standbook.analysis.results.curves import Curve, at_instant, envelope
from standbook.analysis.results.firing_results import FiringDetail, ImpulseRoute, IndependentChecks, Stability
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import (
    BudgetTerm,
    Comparison,
    EngineResult,
    EventResult,
    ExponentResult,
    Gap,
    ImpulseResult,
    RecordHealth,
    Results,
    TankResult,
    Tare,
    ThrustResult,
    TZero,
    Verdict,
    WeightCorrection,
    Window,
)
from standbook.daq.findings.finding import Finding

BAR = 1e5
AMBIENT = 0.978 * BAR
BURN = 19.1  # [s]
LIMIT = 40960.0  # [CFR101] 101.22(b), confirmed
SHA = "9f2c1d0e7ab35864f1e0c9d2b7a6538491c2d3e4f5061728394a5b6c7d8e9f01"


def decay(time, start, end, length, bend=0.7):
    """Fall from start to end over length; zero before and after."""
    ratio = (start / end) ** (1.0 / bend)
    with np.errstate(invalid="ignore"):
        return start / (1.0 + (ratio - 1.0) * np.clip(time, 0.0, length) / length) ** bend


def pulse(time, start, end, length):
    """A decay switched on at 0.35 s over 0.1 s and off at its end over 0.4 s."""
    on = 1.0 / (1.0 + np.exp(-(time - 0.4) / 0.02))
    off = 1.0 / (1.0 + np.exp((time - length - 0.3) / 0.09))
    return decay(time - 0.4, start, end, length) * on * off


def firing_curves():
    rng = np.random.default_rng(3)
    time = np.arange(-2.0, 25.0, 1e-3)
    thrust = pulse(time, 2588.0, 1245.0, BURN)
    ringing = 160.0 * np.exp(-np.clip(time - 0.4, 0.0, None) / 0.5) * np.sin(2 * np.pi * 41 * time) * (time > 0.4)
    noisy = thrust + ringing + rng.normal(0.0, 9.0, time.size)
    t, low, mean, high = envelope(time, noisy, 1000)
    predicted = pulse(t, 2591.0, 1297.0, 19.5)
    share = 0.04 + 0.05 * np.clip(t / 20.0, 0.0, 1.0)
    curves = {
        "thrust": Curve(
            t,
            {
                "low": low,
                "mean": mean,
                "high": high,
                "predicted": predicted,
                "predicted_low": predicted * (1 - share),
                "predicted_high": predicted * (1 + share),
            },
            "N",
        )
    }
    expelled = np.cumsum(thrust) / np.sum(thrust)
    weight = np.interp(t, time, 161.0 * expelled)
    curves["load cell"] = Curve(t, {"mean": mean + weight, "weight": weight}, "N")
    summed = np.interp(t, time, np.cumsum(thrust) * 1e-3)
    curves["cumulative impulse"] = Curve(
        t, {"value": summed, "low": summed * (1 - 0.0138), "high": summed * (1 + 0.0138)}, "N*s"
    )
    for tank, start, end, wanted, half in (("oxidiser", 32.0, 14.7, 15.7, 0.9), ("fuel", 32.0, 14.8, 15.0, 0.5)):
        curves |= tank_curves(tank, t, (start, end, wanted, half), BURN, rng)
    chamber = AMBIENT + pulse(t, 22.2 * BAR, 11.3 * BAR, BURN)
    predicted = AMBIENT + pulse(t, 22.2 * BAR, 11.7 * BAR, 19.5)
    noise = rng.normal(0.0, 0.04 * BAR, t.size)
    curves["chamber pressure"] = Curve(
        t,
        {
            "low": chamber + noise - 0.12 * BAR,
            "mean": chamber + noise,
            "high": chamber + noise + 0.12 * BAR,
            "predicted": predicted,
            "predicted_low": predicted * 0.95,
            "predicted_high": predicted * 1.05,
        },
        "Pa",
    )
    burning = (t > 0.6) & (t < BURN)
    curves["injector stiffness"] = Curve(
        t,
        {
            "oxidiser": np.where(burning, 0.38 - 0.18 * t / BURN, np.nan),
            "fuel": np.where(burning, 0.38 - 0.17 * np.clip(t / BURN, 0.0, None) ** 0.8, np.nan),
        },
        "1",
    )
    return curves


def tank_curves(tank, t, ends, length, rng):
    start, end, wanted, half = (value * BAR for value in ends)
    true = decay(t - 0.2, start, end, length)
    mean = true + rng.normal(0.0, 0.02 * BAR, t.size)
    fit = np.where((t > 0.6) & (t < length), true, np.nan)
    predicted = decay(t - 0.2, start, wanted, length)
    band = half * np.clip(t / length, 0.02, 1.0)
    volume = np.clip((t - 0.2) / length, 1e-6, 1.0) * 0.45
    pressure = np.log(true / start)
    inside = (t > 0.6) & (t < length)
    return {
        f"tank pressure/{tank}": Curve(
            t,
            {
                "low": mean - 0.06 * BAR,
                "mean": mean,
                "high": mean + 0.06 * BAR,
                "fit": fit,
                "predicted": predicted,
                "predicted_low": predicted - band,
                "predicted_high": predicted + band,
            },
            "Pa",
        ),
        f"tank residual/{tank}": Curve(
            t,
            {"fit": mean - fit, "predicted": mean - predicted, "band_low": -band, "band_high": band},
            "Pa",
        ),
        f"ullage/{tank}": Curve(
            t[inside],
            {"log_volume_ratio": volume[inside], "log_pressure_ratio": pressure[inside], "fit": pressure[inside]},
            "1",
        ),
    }


BUDGET = (
    BudgetTerm("calibration of LC-1", 198.0),
    BudgetTerm("window and filter", 66.0),
    BudgetTerm("zero before and after", 56.0),
    BudgetTerm("alignment", 49.0),
    BudgetTerm("weight correction", 40.0),
    BudgetTerm("device clock", 33.0),
)
TANK = TankResult(
    cda=Measured(16.21e-6, 0.11e-6, "m2"),
    cda_joint=Measured(16.27e-6, 0.16e-6, "m2"),
    cda_budget=(
        BudgetTerm("residual weight", 0.09e-6),
        BudgetTerm("PT-11 gain", 0.05e-6),
        BudgetTerm("density", 0.03e-6),
    ),
    exponent=ExponentResult(Measured(1.697, 0.021, "1"), Measured(1.74, 0.03, "1"), Measured(-0.11, 0.06, "1"), -0.62),
    correlation={"exponent, cda": -0.58},
    window=(0.6, 18.9),
    residual_rms=2100.0,
    expelled_mass=Measured(9.68, 0.03, "kg"),
    start_pressure=Measured(32.02e5, 0.06e5, "Pa"),
    end_pressure=Measured(14.71e5, 0.06e5, "Pa"),
    facts={"converged": True, "covariance usable": True, "no parameter at a bound": True},
)
PROBABLE = Finding(
    code="exponent-off",
    severity="caution",
    channel="oxidiser",
    time=None,
    text="Oxidiser tank pressure left its predicted band at T+6.1 s: the ullage exponent was assumed 1.45 (u = "
    "0.12) and is 1.697 (u = 0.021). Fuel was depleted first and 0.98 kg of oxidiser stayed aboard; predict the next "
    "firing with 1.70.",
)
STIFF = Finding(
    code="stiffness-low",
    severity="caution",
    channel="PT-31",
    time=18.6,
    text="Injector stiffness of the oxidiser side fell to 0.20 at T+18.6 s, at the edge of what designers "
    "accept; look for "
    "pulsing late in the burn.",
)
CLOCK = Finding(
    code="clock-rate",
    severity="note",
    channel=None,
    time=None,
    text="Device clock runs 12 ppm fast against the host; corrected.",
)
HEALTH = RecordHealth(
    rows=271_400, lost_rows=0, gaps=(), boots=1, clock_ppm=Measured(12.0, 3.0, "ppm"), damaged_frames=0
)


def firing() -> Results:
    curves = firing_curves()
    value = float(curves["cumulative impulse"].columns["value"][-1])
    u = float(np.sqrt(sum(term.u**2 for term in BUDGET)))
    vacuum = value + 5096.0
    return Results(
        run="2031-06-14_HF-02",
        kind="static fire",
        article="Teasel-2",
        stand="quarry-cradle",
        rehearsal=False,
        plan_sha256=SHA[::-1],
        prediction="locked",
        software="standbook 0.1.0",
        revision="A",
        t_zero=TZero("2031-06-14T15:02:11.402118334Z", "cradle-a fire rising", 0.0005),
        window=Window(0.0, 21.3),
        events=(
            EventResult("fire command", 0.0, 0.0003, "edge sampled by the device"),
            EventResult("valves opening", 0.18, 0.006, "two-line fit of tank pressure"),
            EventResult("ignition", 0.38, 0.004, "two-line fit of chamber pressure"),
            EventResult("10 % thrust, rising", 0.41, 0.005, "mean over one stand period"),
            EventResult("fuel run-out", 19.32, 0.02, "two-line fit of fuel tank pressure"),
            EventResult("10 % thrust, falling", 19.78, 0.01, "first crossing after the last 50 %"),
            EventResult("valves closed", 22.1, 0.05, "mark"),
        ),
        record={"cradle-a/fast": HEALTH, "cradle-a/slow": replace(HEALTH, rows=2_714)},
        tare={
            "LC-1": Tare(Measured(-0.4, 1.1, "N"), Measured(160.9, 1.4, "N"), 0.6),
            "PT-11": Tare(Measured(0.981e5, 0.02e5, "Pa"), Measured(0.984e5, 0.02e5, "Pa"), 300.0),
        },
        weight_correction=WeightCorrection(True, 1, Measured(16.46, 0.05, "kg"), -1716.0),
        impulse=ImpulseResult(
            value=value,
            u=u,
            unit="N*s",
            expanded=2 * u,
            coverage_factor=2.0,
            lower_bound_only=False,
            unseen=0.0,
            budget=BUDGET,
        ),
        impulse_vacuum=ImpulseResult(
            value=vacuum,
            u=u * 1.05,
            unit="N*s",
            expanded=2.1 * u,
            coverage_factor=2.0,
            lower_bound_only=False,
            unseen=0.0,
            budget=BUDGET,
        ),
        thrust=ThrustResult(
            peak=Measured(2591.0, 19.0, "N"),
            mean=Measured(1712.0, 12.0, "N"),
            at_start=Measured(2588.0, 19.0, "N"),
            at_end=Measured(1245.0, 10.0, "N"),
            definition="Burn time from 10 % of the maximum mean thrust, rising, to 10 %, falling; peak is the "
            "highest mean over "
            "one stand period.",
        ),
        burn_time=Measured(19.37, 0.011, "s"),
        verdicts={
            "site": Verdict(
                outcome="within",
                limit=LIMIT,
                limit_name="14 CFR 101.22 Class 2",
                guard_share=0.95,
                upper_bound=value + 1.645 * u,
                lower_bound=value - 1.645 * u,
                probability_within=1.0,
                reason="r",
            ),
            "vacuum": Verdict(
                outcome="within",
                limit=LIMIT,
                limit_name="14 CFR 101.22 Class 2",
                guard_share=0.95,
                upper_bound=vacuum + 1.73 * u,
                lower_bound=vacuum - 1.73 * u,
                probability_within=0.99996,
                reason="r",
            ),
        },
        tanks={
            "oxidiser": TANK,
            "fuel": replace(
                TANK,
                cda=Measured(13.06e-6, 0.09e-6, "m2"),
                cda_joint=Measured(13.02e-6, 0.13e-6, "m2"),
                exponent=ExponentResult(
                    Measured(1.301, 0.018, "1"), Measured(1.36, 0.03, "1"), Measured(-0.13, 0.05, "1"), None
                ),
                expelled_mass=Measured(6.78, 0.03, "kg"),
                end_pressure=Measured(14.83e5, 0.06e5, "Pa"),
            ),
        },
        engine=EngineResult(
            cstar=Measured(1509.0, 14.0, "m/s"),
            isp=Measured(204.3, 1.6, "s"),
            thrust_coefficient=Measured(1.402, 0.014, "1"),
            mixture_ratio=Measured(1.428, 0.008, "1"),
            chamber_pressure=Measured(16.14e5, 0.08e5, "Pa"),
            injector_stiffness={"oxidiser": Measured(0.201, 0.011, "1"), "fuel": Measured(0.211, 0.011, "1")},
            delivered_isp=Measured(203.9, 1.6, "s"),
            overall_mixture_ratio=Measured(1.454, 0.008, "1"),
            window=(1.25, 18.31),
        ),
        comparison={
            "thrust": Comparison(0.93, -1.18, 18.9),
            "tank pressure/oxidiser": Comparison(0.71, -1.32, 17.2),
            "tank pressure/fuel": Comparison(0.99, -0.61, 18.1),
            "chamber pressure": Comparison(0.97, -1.04, 18.8),
        },
        findings=(CLOCK, PROBABLE, STIFF),
    )


PLAN = PlanSummary(
    number="HF-02",
    kind="static fire",
    article="Teasel-2",
    objective="Total impulse to U <= 2 % and LOX-tank ullage exponent to 0.05",
    minimum_data=("LC-1", "PT-11", "PT-21", "PT-31"),
    ambient_pressure=Measured(97.8e3, 100.0, "Pa"),
    ambient_temperature=Measured(291.15, 1.0, "K"),
    tanks=(
        TankPlan(
            name="oxidiser",
            liquid="liquid oxygen",
            pressurant="helium",
            volume=Measured(24.0e-3, 0.08e-3, "m3"),
            load=Measured(10.66, 0.10, "kg"),
            fill_share=0.39,
            start_pressure=Measured(31.978e5, 0.15e5, "Pa"),
            exponent=Measured(1.45, 0.12, "1"),
            exponent_basis="assumed",
            cda=Measured(16.2e-6, 0.4e-6, "m2"),
            cda_basis="water flow WF-03",
            pressure_tags=("PT-11", "PT-12"),
        ),
        TankPlan(
            name="fuel",
            liquid="isopropanol 70 % by mass in water",
            pressurant="nitrogen",
            volume=Measured(18.0e-3, 0.07e-3, "m3"),
            load=Measured(7.03, 0.04, "kg"),
            fill_share=0.455,
            start_pressure=Measured(31.978e5, 0.15e5, "Pa"),
            exponent=Measured(1.30, 0.06, "1"),
            exponent_basis="water flow",
            cda=Measured(13.0e-6, 0.3e-6, "m2"),
            cda_basis="water flow WF-04",
            pressure_tags=("PT-21", "PT-22"),
        ),
    ),
    limit_name="14 CFR 101.22 Class 2",
    limit=LIMIT,
    guard="95 % one-sided",
    load_control="overflow port plus container weighing, two witnesses",
    throat_diameter=Measured(32.0e-3, 0.05e-3, "m"),
    expansion_ratio=Measured(3.40, 0.03, "1"),
    run_out_first="oxidiser",
    second_recorder="memory card",
)


def calibration(tag, unit, slope, zero, low, high):
    return CalibrationUsed(
        tag=tag,
        revision="r04",
        sensor="strain-gauge" if unit == "N" else "thin-film",
        serial=f"SN-{sum(map(ord, tag))}",
        date="2031-05-30",
        valid_until="2032-05-30",
        slope_u=slope,
        zero_u=zero,
        lowest=low,
        highest=high,
        reading_unit=unit,
        reference_standard="reference cell, 0.05 %",
    )


STEADY = Stability(
    channel="PT-31",
    rms_share=0.0063,
    greatest_rms_share=0.0067,
    greatest_at=17.9,
    smooth_share=1.0,
    smooth_limit=0.05,
    highest_frequency=400.0,
    filter_declared=False,
)


def full_rate_windows(rate=1000.0):
    """Every sample about start and stop, at a rate. [1/s]."""
    windows = {"start": np.arange(-0.1, 0.7, 1.0 / rate), "stop": np.arange(19.3, 20.3, 1.0 / rate)}
    curves = {}
    for which, time in windows.items():
        ringing = 100.0 * np.sin(2 * np.pi * 41.0 * time)
        curves[at_instant("thrust", which)] = Curve(time, {"LC-1": pulse(time, 2588.0, 1245.0, BURN) + ringing}, "N")
        chamber = AMBIENT + pulse(time, 22.2 * BAR, 11.3 * BAR, BURN)
        curves[at_instant("chamber pressure", which)] = Curve(time, {"PT-31": chamber}, "Pa")
    return curves


EARLIER = EarlierRun(
    name="2031-05-31_HF-01",
    differences=(
        RunDifference(
            name="total impulse, site",
            before=32_310.0,
            now=32_780.0,
            difference=Measured(470.0, 110.0, "N*s"),
            bound="",
            says="changed",
            because="same cell, LC-1_r04, taken as not remounted",
        ),
    ),
    changes=("plan: tank[fuel].liquid_load 6.90 kg -> 7.03 kg",),
)
CONTEXT = ReportContext(
    plan=PLAN,
    stand=StandSummary(
        name="quarry-cradle",
        nozzle="down",
        tanks_on_cell=True,
        thrust_tags=("LC-1",),
        chamber_tags=("PT-31",),
        modes=(Measured(41.0, 0.5, "Hz"),),
    ),
    calibrations=(
        calibration("LC-1", "N", 0.0055, 3.0, -1000.0, 5000.0),
        *(calibration(tag, "bar(g)", 0.0021, 0.03, 0.0, 60.0) for tag in ("PT-11", "PT-12", "PT-21", "PT-22")),
        calibration("PT-31", "bar(g)", 0.0024, 0.02, 0.0, 40.0),
        calibration("TC-11", "degC", 0.004, 0.5, -200.0, 50.0),
    ),
    manifest_sha256=SHA,
    files=tuple(
        FileHash(name, SHA[k:] + SHA[:k])
        for k, name in enumerate(
            (
                "plan.toml",
                "stand.toml",
                "prediction.json",
                "raw/cradle-a_000.arrows",
                "samples/cradle-a_fast.parquet",
                "marks.jsonl",
            )
        )
    ),
    created="2031-06-15T09:30:00Z",
    command="standbook analyse runs/2031-06-14_HF-02",
    signature_allowed=True,
    locked_at="2031-06-13T18:02:44Z",
    weighings=(
        WeighingUsed(
            tank="oxidiser", what="residual", mass=Measured(0.98, 0.03, "kg"), by="DAQ", place="additions/001"
        ),
        WeighingUsed(tank="fuel", what="residual", mass=Measured(0.25, 0.01, "kg"), by="DAQ", place=""),
    ),
    predicted=(
        PredictedScalar(
            name="Total impulse, site",
            nominal=34542.0,
            low=31570.0,
            high=36230.0,
            unit="N*s",
            measured=Measured(32987.0, 226.0, "N*s"),
        ),
        PredictedScalar(
            name="Burn time", nominal=19.5, low=17.6, high=20.3, unit="s", measured=Measured(19.37, 0.011, "s")
        ),
        PredictedScalar(
            name="Tank pressure at the end, oxidiser",
            nominal=15.7e5,
            low=14.8e5,
            high=16.6e5,
            unit="Pa",
            measured=Measured(14.71e5, 0.06e5, "Pa"),
        ),
    ),
    people=(Person("Test conductor", "TC"), Person("Range safety officer", "RSO")),
    recomputation=Recomputation(
        channels=(
            Conversion(
                tag="LC-1",
                samples_file="samples/cradle-a_fast.parquet",
                signal_rule="1000 × counts × 5.96e-07 V / 128 / supply in V",
                signal_unit="mV/V",
                reading_unit="N",
                pivot=0.0,
                coefficients=(-12.31, 2502.7),
            ),
            Conversion(
                tag="PT-31",
                samples_file="samples/cradle-a_fast.parquet",
                signal_rule="counts × 0.000125 V / 5.000 V of the sensor supply",
                signal_unit="V/V",
                reading_unit="bar(g)",
                pivot=0.0,
                coefficients=(-7.5, 75.0),
                scale=1e5,
            ),
        ),
        t_zero=TZeroRow(host_time="2031-06-14T09:58:12.125740972Z", tick=28000247, sequence=8001),
    ),
)


def rehearsal() -> tuple[Results, ReportContext]:
    return replace(firing(), rehearsal=True), CONTEXT  # the context allows it by mistake: the report must not


def not_shown() -> Results:
    """On the line: the upper bound passes the limit at site; referred to vacuum it exceeds."""
    base = firing()
    assert base.impulse is not None
    site = ImpulseResult(
        value=40621.0,
        u=280.0,
        unit="N*s",
        expanded=560.0,
        coverage_factor=2.0,
        lower_bound_only=False,
        unseen=61.0,
        budget=BUDGET,
    )
    vacuum = ImpulseResult(
        value=47810.0,
        u=330.0,
        unit="N*s",
        expanded=660.0,
        coverage_factor=2.0,
        lower_bound_only=False,
        unseen=61.0,
        budget=BUDGET,
    )
    name = "14 CFR 101.22 Class 2"
    return replace(
        base,
        impulse=site,
        impulse_vacuum=vacuum,
        verdicts={
            "site": Verdict(
                outcome="not shown",
                limit=LIMIT,
                limit_name=name,
                guard_share=0.95,
                upper_bound=41142.6,
                lower_bound=40160.4,
                probability_within=0.887,
                reason="r",
            ),
            "vacuum": Verdict(
                outcome="exceeds",
                limit=LIMIT,
                limit_name=name,
                guard_share=0.95,
                upper_bound=48413.9,
                lower_bound=47267.1,
                probability_within=0.0,
                reason="r",
            ),
        },
    )


def lower_bound() -> Results:
    """A brown-out hid 2.1 s of thrust."""
    base = firing()
    hidden = ImpulseResult(
        value=29500.0,
        u=205.0,
        unit="N*s",
        expanded=410.0,
        coverage_factor=2.0,
        lower_bound_only=True,
        unseen=0.0,
        budget=BUDGET,
    )
    name = "14 CFR 101.22 Class 2"
    lost = Finding(
        code="boot-changed",
        severity="serious",
        channel="LC-1",
        time=0.15,
        text="Boot changed at T+0.15 s and 2.10 s of thrust are unseen, about 5.1 kN·s by chamber pressure, an "
        "estimate. "
        "The impulse is at least 29.5 kN·s and the class is not shown. Repeat the run; check the igniter's supply.",
    )
    gap = Gap(0.15, 2.25, 2.10, 2100)
    return replace(
        base,
        impulse=hidden,
        impulse_vacuum=replace(hidden, value=34100.0),
        verdicts={
            place: Verdict(
                outcome="not shown",
                limit=LIMIT,
                limit_name=name,
                guard_share=0.95,
                upper_bound=None,
                lower_bound=bound,
                probability_within=None,
                reason="r",
            )
            for place, bound in (("site", 29162.8), ("vacuum", 33762.8))
        },
        record={"cradle-a/fast": replace(HEALTH, lost_rows=2100, gaps=(gap,), boots=2)},
        findings=(*base.findings, lost),
    )


def nothing_known() -> Results:
    """Everything that may be None is None."""
    base = firing()
    reason = Finding(
        code="no-thrust",
        severity="serious",
        channel="LC-1",
        time=None,
        text="LC-1 was open from T-3 s; thrust and impulse are not known.",
    )
    tank = replace(
        TANK,
        cda=None,
        cda_joint=None,
        cda_budget=(),
        exponent=None,
        correlation={},
        window=None,
        residual_rms=None,
        expelled_mass=None,
        start_pressure=None,
        end_pressure=None,
        facts={},
    )
    tanks = Finding(
        code="no-pressure",
        severity="serious",
        channel="PT-11",
        time=None,
        text="PT-11 was clipped all along; use PT-12.",
    )
    whole = Finding(
        code="no-t-zero",
        severity="caution",
        channel=None,
        time=None,
        text="No fire edge was recorded; times count from the first row.",
    )
    name = "14 CFR 101.22 Class 2"
    return replace(
        base,
        t_zero=None,
        window=None,
        events=(),
        tare={"LC-1": Tare(Measured(0.0, 0.0, "N"), None, None)},
        weight_correction=None,
        impulse=None,
        impulse_vacuum=None,
        thrust=None,
        burn_time=None,
        engine=None,
        prediction="postdiction",
        comparison={},
        tanks={"oxidiser": tank},
        record={"cradle-a/fast": replace(HEALTH, clock_ppm=None)},
        verdicts={
            "site": Verdict(
                outcome="not shown",
                limit=LIMIT,
                limit_name=name,
                guard_share=0.95,
                upper_bound=None,
                lower_bound=None,
                probability_within=None,
                reason="r",
            )
        },
        findings=(reason, tanks, whole),
    )


def water_flow() -> tuple[Results, dict[str, Curve], ReportContext]:
    rng = np.random.default_rng(5)
    time = np.linspace(-1.0, 18.5, 900)
    curves = tank_curves("oxidiser", time, (9.98, 5.27, 5.2, 0.25), 16.3, rng)
    tank = replace(
        TANK,
        cda=Measured(16.18e-6, 0.06e-6, "m2"),
        cda_joint=Measured(16.22e-6, 0.10e-6, "m2"),
        exponent=ExponentResult(
            Measured(1.312, 0.011, "1"), Measured(1.402, 0.016, "1"), Measured(-0.21, 0.04, "1"), -0.71
        ),
        window=(0.4, 15.9),
        expelled_mass=Measured(9.242, 0.020, "kg"),
        start_pressure=Measured(9.98e5, 0.02e5, "Pa"),
        end_pressure=Measured(5.27e5, 0.02e5, "Pa"),
    )
    results = replace(
        firing(),
        run="2031-05-30_WF-03",
        kind="water flow",
        t_zero=TZero("2031-05-30T10:41:07.118Z", "detected opening", 0.004),
        window=Window(0.4, 15.9),
        events=(
            EventResult("valve opening", 0.02, 0.004, "two-line fit of tank pressure"),
            EventResult("valve closed", 16.0, 0.01, "two-line fit of tank pressure"),
        ),
        tare={"PT-11": Tare(Measured(0.981e5, 0.02e5, "Pa"), Measured(0.984e5, 0.02e5, "Pa"), 300.0)},
        weight_correction=None,
        impulse=None,
        impulse_vacuum=None,
        thrust=None,
        burn_time=None,
        verdicts={},
        tanks={"oxidiser": tank},
        engine=None,
        comparison={"tank pressure/oxidiser": Comparison(0.98, 0.74, 12.1)},
        findings=(CLOCK,),
    )
    planned = replace(
        PLAN.tanks[0],
        liquid="water",
        pressurant="nitrogen",
        load=Measured(9.34, 0.02, "kg"),
        start_pressure=Measured(9.978e5, 0.05e5, "Pa"),
        cda_basis="drawing",
    )
    plan = replace(
        PLAN,
        number="WF-03",
        kind="water flow",
        objective="LOX-side CdA within 3 %",
        tanks=(planned,),
        limit=None,
        limit_name=None,
        guard="",
        load_control="",
        throat_diameter=None,
        expansion_ratio=None,
        run_out_first=None,
    )
    weighing = WeighingUsed(
        tank="oxidiser", what="caught", mass=Measured(9.242, 0.020, "kg"), by="DAQ", place="additions/001"
    )
    return (
        results,
        curves,
        replace(
            CONTEXT,
            plan=plan,
            weighings=(weighing,),
            locked_at="2031-05-29T19:20:00Z",
            predicted=(),
            recomputation=None,
        ),
    )


def rendered(results, curves, context):
    """Render a report as the kind of test has it."""
    return render_report(results, curves, context, analysed_kind(results.kind).page_parts())


def raised(seen_surely=0.11) -> Results:
    """Within, by a bound that the chamber's pressure raised; round numbers for arithmetic by hand."""
    base, by = firing(), "the chamber pressure plus 3.4 %, as the plan states no contraction ratio or throat material"
    site = replace(base.impulse, value=32_000.0, u=200.0, expanded=400.0)
    vacuum = replace(base.impulse_vacuum, value=37_000.0, u=210.0, expanded=420.0)
    uppers = {"site": 33_977.8, "vacuum": 39_149.2}
    verdicts = {name: replace(base.verdicts[name], upper_bound=upper, raised_by=by) for name, upper in uppers.items()}
    route = ImpulseRoute(
        name="chamber pressure",
        impulse=Measured(32_240.0, 740.0, "N*s"),
        apart=0.0075,
        sigma=0.3,
        seen_surely=seen_surely,
        unstated=0.034,
        start=1.4,
        end=18.7,
    )
    checks = IndependentChecks(
        routes=(route,), course_departure=0.001, course_window=(15.8, 16.8), gain_proven=False, clock_proven=True
    )
    return replace(
        base,
        impulse=site,
        impulse_vacuum=vacuum,
        verdicts=verdicts,
        firing=FiringDetail(checks=checks),
    )
