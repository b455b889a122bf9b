"""Do CdA and exponent of a cold flow know how wrong they are, on stands nobody tuned the analysis for?

Every run is another stand: tank 5 to 60 L, gas growing 1.2 to 3.5 times, 10 to 60 bar, 2 to 60 s, nitrogen, air or
helium, 50 Hz to 10 kHz, 10 to 24 bits, white noise or white and correlated, one to three of six amounts of liquid, and
every error of the budget drawn. The physics is the simulated stand's: real gas, heat, valve strokes, no polytropic law.
Required of 300 pooled runs: the 95 % intervals of CdA and of the chord exponent hold 91 to 99 %, the standard deviation
of error/u is 0.85 to 1.15, u is at most 1.3 times the linearised bound. Run from the project's folder:

    python -m tests.studies.flow_honesty --runs 300
"""

import argparse
import datetime as dt
import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from standbook.analysis.dataset.dataset import RawStream, Weighing, dataset_from_counts
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import TZero
from standbook.analysis.simulation.physics import Timeline, simulate
from standbook.analysis.simulation.world import TankWorld, World
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.config.stand import Stand
from tests.flow_bound import linearised_bound
from tests.worlds.scales import shown

T_ZERO = TZero("2031-06-14T15:02:11.000000000Z", "valve rising, sampled edge", 3e-4)
GASES = ("nitrogen", "air", "helium")
AMOUNTS = ("caught", "drained", "run-out", "liquid mass", "liquid flow", "venturi pressure")
ROOM = 293.15
DENSITY = 998.2


@dataclass(frozen=True)
class Spec:
    """One stand and one test, and how well everything about it is known. SI; u are standard uncertainties."""

    seed: int
    volume: float
    ratio: float  # of the gas volume, end over start
    start_pressure: float
    duration: float
    gas: str
    rate: float
    bits: int
    full_scale: float
    gauge: bool
    white: float  # of full scale
    correlated: float
    correlation_time: float
    gain_u: float
    zero_u: float
    volume_u: float
    load_u: float
    density_u: float
    ambient_u: float
    clock_tolerance: float
    latency: float
    hold: float
    stroke: float
    heat_factor: float
    gas_temperature: float
    amounts: tuple[str, ...]
    amount_u: dict[str, float]  # relative
    left_share: float  # of the load, aboard when the valve closes
    diameter: float

    @property
    def runs_dry(self):
        return "run-out" in self.amounts

    @property
    def load(self):
        return DENSITY * self.volume * (self.ratio - 1.0) / (self.ratio - self.left_share)

    @property
    def ullage(self):
        return self.volume - self.load / DENSITY

    @property
    def expelled(self):
        return self.load * (1.0 - self.left_share)


def draw_spec(seed):
    """Draw one stand."""
    random = np.random.default_rng([seed, 7])

    def log_even(low, high):
        return float(np.exp(random.uniform(math.log(low), math.log(high))))

    volume, ratio, pressure = log_even(5e-3, 60e-3), log_even(1.2, 3.5), log_even(10e5, 60e5)
    kinds = tuple(random.permutation(AMOUNTS)[: random.integers(1, 4)])
    kinds = tuple(kind for kind in AMOUNTS if kind in kinds)
    white = log_even(2e-4, 2.5e-3)
    return Spec(
        seed=seed,
        volume=volume,
        ratio=ratio,
        start_pressure=pressure,
        duration=log_even(2.0, 60.0),
        gas=str(random.choice(GASES)),
        rate=log_even(50.0, 10e3),
        bits=int(random.integers(10, 25)),
        full_scale=pressure / random.uniform(0.4, 0.85),
        gauge=bool(random.integers(2)),
        white=white,
        correlated=white * float(random.integers(2)),
        correlation_time=log_even(0.02, 0.1),
        gain_u=log_even(5e-4, 5e-3),
        zero_u=log_even(2e-4, 1.5e-3),
        volume_u=log_even(1e-3, 1e-2),
        load_u=log_even(1e-3, 5e-3),
        density_u=log_even(2e-4, 1e-3),
        ambient_u=log_even(50.0, 500.0),
        clock_tolerance=float(random.choice([50e-6, 50e-6, 5e-3])),
        latency=log_even(1e-3, 20e-3),
        hold=float(random.uniform(1.6, 6.0)),
        stroke=log_even(0.04, 0.2),
        heat_factor=float(np.clip(0.65 * math.exp(0.6 * random.standard_normal()), 0.3, 3.0)),
        gas_temperature=ROOM + 2.0 * float(random.standard_normal()) + 1.0,
        amounts=kinds,
        amount_u={kind: log_even(1e-3, 1e-2) for kind in AMOUNTS},
        left_share=0.02 if "run-out" in kinds else float(random.uniform(0.05, 0.2)),
        diameter=(4.0 * volume / (math.pi * random.uniform(1.5, 5.0))) ** (1.0 / 3.0),
    )


def cda_for(spec):
    """Return the flow area that empties this tank in the time wanted, for a middling gas."""
    gas = np.linspace(1.0, spec.ratio, 400)
    drive = spec.start_pressure * gas**-1.25 - 1.0e5
    slowness = 1.0 / np.sqrt(2.0 * np.maximum(drive, 2e4) / DENSITY)
    return spec.ullage * float(np.trapezoid(slowness, gas)) / spec.duration


@dataclass(frozen=True)
class Drawn:
    """What the crew wrote down, in error as they say, and the truth."""

    spec: Spec
    dataset: object
    course: object
    world: World
    cda: float
    chord: float
    left: float


def play(spec, spoil=None):
    """Make one record: physics, sensors, converter, notes.

    ``spoil`` lays a fault over the tank pressure: a function of its stream, the opening and the end.
    """
    random = np.random.default_rng([spec.seed, 8])
    normal = random.standard_normal
    ambient = 1.0e5
    density = DENSITY * (1.0 + spec.density_u * normal())
    cda = cda_for(spec)
    tank = TankWorld(
        name="tank",
        gas=spec.gas,
        volume=spec.volume,
        diameter=spec.diameter,
        liquid_density=density,
        load=spec.load,
        residual=spec.left_share * spec.load if spec.runs_dry else 0.0,
        outlet_head=0.1,
        start_pressure=spec.start_pressure,
        cda=cda,
        liquid_temperature=ROOM,
        gas_temperature=spec.gas_temperature,
        wall_temperature=ROOM,
        heat_factor=spec.heat_factor,
        valve_delay=0.15,
        valve_stroke=spec.stroke,
    )
    world = World(
        kind="water flow",
        tanks=(tank,),
        engine=None,
        ambient_pressure=ambient,
        back_pressure=ambient,
        ambient_temperature=ROOM,
        gravity=9.80665,
        closes_early=not spec.runs_dry,
        close_at_share=spec.left_share,
        seed=spec.seed,
    )
    course = simulate(world, Timeline(hold=spec.hold + 0.2, after=7.0, vent_after=6.0))
    true = course.tanks["tank"]
    end = min(course.events.get("depletion/tank", math.inf), course.events["closing"])
    pressure = course.at(np.array([0.0, end]), true.pressure)
    gas = course.at(np.array([0.0, end]), true.gas_volume)
    left = float(true.liquid_mass[0] - true.liquid_mass[-1])
    chord = float(np.log(pressure[0] / pressure[1]) / np.log(gas[1] / gas[0]))
    noted_ambient = ambient - spec.ambient_u * normal()
    notes = {
        "volume": spec.volume * (1.0 - spec.volume_u * normal()),
        "load": spec.load * (1.0 - spec.load_u * normal()),
    }
    sensors = [_pressure_sensor(spec, course, true, ambient, random)]
    sensors += [
        _amount_sensor(spec, kind, course, true, density, random)
        for kind in spec.amounts
        if kind in ("liquid mass", "liquid flow", "venturi pressure")
    ]
    rate = spec.clock_tolerance * float(random.uniform(-1.0, 1.0))
    played, inputs, calibrations = {}, [], {}
    for k, sensor in enumerate(sensors):
        times = np.arange(-spec.hold, course.time[-1], 1.0 / sensor.rate)
        reading = sensor.read(times)
        step = 1.1 * sensor.full / 2**sensor.bits
        counts = np.clip(np.rint((reading + 0.05 * sensor.full) / step), 0, 2**sensor.bits - 1).astype(np.int64)
        stream = f"s{k}"
        inputs.append({**sensor.input, "device": "box", "stream": stream, "wire": f"w{k}", "kind": "counts"})
        calibrations[sensor.tag] = _calibration(sensor, step)
        played[f"box/{stream}"] = RawStream(
            times * (1.0 + rate), {sensor.tag: counts}, {sensor.tag: Rails(0, 2**sensor.bits - 1)}
        )
    if spoil is not None:
        played["box/s0"] = spoil(played["box/s0"], course.events["opening/tank"], end)
    stand = Stand.model_validate(
        {
            "name": "bench",
            "nozzle": "horizontal",
            "tanks_on_cell": False,
            "input": tuple(inputs),
            "device": ({"name": "box", "serial": "1", "clock_tolerance": f"{1e6 * spec.clock_tolerance} ppm"},),
        }
    )
    on_scale = shown(1.0, DENSITY, noted_ambient, ROOM)
    aboard = float(true.liquid_mass[-1])
    weighed = {
        key: _measured(on_scale * mass, spec.amount_u[kind] * spec.expelled, normal)
        for key, kind, mass in (("caught", "caught", left), ("residual", "drained", aboard))
        if kind in spec.amounts
    }
    dataset = dataset_from_counts(
        _plan(spec, notes, noted_ambient, cda, tank, random),
        stand,
        calibrations,
        played,
        t_zero=T_ZERO,
        weighings={"tank": Weighing(**weighed)},
        clock_u=spec.clock_tolerance / math.sqrt(3.0),
    )
    return Drawn(spec, dataset, course, world, cda, chord, left)


def _measured(true, u, normal):
    return Measured(true + u * normal(), u, "kg")


@dataclass(frozen=True)
class Sensor:
    """One channel: what it reads, in the unit of its calibration."""

    tag: str
    unit: str
    rate: float
    bits: int
    full: float  # in the unit
    gain_u: float
    zero_u: float  # in the unit
    latency: float
    read: object
    input: dict


def lagged(value, steps):
    """Pass through a first-order lag of so many samples, at rest before."""
    keep = math.exp(-1.0 / steps)
    return value[0] + lfilter([1.0 - keep], [1.0, -keep], value - value[0])


def correlated(random, count, steps):
    """Return exponentially correlated noise of unit deviation, its correlation time in samples."""
    keep = math.exp(-1.0 / steps)
    start = np.array([keep * random.standard_normal()])
    return lfilter([math.sqrt(1.0 - keep**2)], [1.0, -keep], random.standard_normal(count), zi=start)[0]


def _pressure_sensor(spec, course, true, ambient, random):
    gain, zero = spec.gain_u * random.standard_normal(), spec.zero_u * spec.full_scale * random.standard_normal()
    lag = spec.latency * (1.0 + 0.2 * random.standard_normal())
    drift = 0.1 * spec.zero_u * spec.full_scale * random.standard_normal()

    def read(times):
        # Fine enough for the sensor's lag, whatever the rate of the rows.
        fine = np.arange(times[0] - 0.2, times[-1] + 1e-3, min(1.0 / spec.rate, 1e-3))
        felt = lagged(course.at(fine, true.pressure), lag / (fine[1] - fine[0]))
        value = np.interp(times, fine, felt) - (ambient if spec.gauge else 0.0)
        noise = spec.white * random.standard_normal(times.size)
        if spec.correlated:
            noise = noise + spec.correlated * correlated(random, times.size, spec.rate * spec.correlation_time)
        moved = drift * (times - times[0]) / (times[-1] - times[0])
        return (value * (1.0 + gain) + zero + moved + spec.full_scale * noise) / 1e5

    unit = "bar(g)" if spec.gauge else "bar(a)"
    return Sensor(
        "PT-1",
        unit,
        spec.rate,
        spec.bits,
        spec.full_scale / 1e5,
        spec.gain_u,
        spec.zero_u * spec.full_scale / 1e5,
        spec.latency,
        read,
        {"tag": "PT-1", "measures": "tank pressure", "tank": "tank"},
    )


def _amount_sensor(spec, kind, course, true, density, random):
    """Return a stream of mass, mass flow or a venturi's pressure difference, with its own rate and converter."""
    relative = spec.amount_u[kind]
    gain = relative * random.standard_normal()
    extra, typed = 0.0, {}
    if kind == "liquid mass":
        tag, unit, column, scale = "LC-2", "kg", true.liquid_mass, 1.0
        gain_u, zero_u, noise, rate = relative, 5e-4, 5e-4, 80.0
    elif kind == "liquid flow":
        tag, unit, column, scale = "FM-1", "kg/s", true.liquid_flow, 1.0
        gain_u, zero_u, noise, rate = relative, 1e-4, 3e-3, 50.0
    else:
        area = 2.5 * cda_for(spec)
        tag, unit, column, scale = "DP-1", "bar(d)", (true.liquid_flow / area) ** 2 / (2.0 * density), 1e5
        gain_u, zero_u, noise, rate = 1e-3, 3e-4, 1e-3, 200.0
        # Half of the venturi's error is its area's: pressure goes as the inverse square of that.
        extra, gain = -2.0 * relative * random.standard_normal(), gain_u * random.standard_normal()
        typed = {"venturi_cda": f"{1e6 * area} +/- {1e6 * relative * area} mm2"}
    full = 1.3 * float(np.max(column)) / scale
    zero = zero_u * full * random.standard_normal()

    def read(times):
        value = course.at(times, column) / scale
        return value * (1.0 + gain + extra) + zero + noise * full * random.standard_normal(times.size)

    named = {"tag": tag, "measures": kind, "tank": "tank", **typed}
    return Sensor(tag, unit, rate, 20, full, gain_u, zero_u * full, 0.0, read, named)


def _calibration(sensor, step):
    return Calibration.model_validate(
        {
            "tag": sensor.tag,
            "revision": "r01",
            "sensor": "drawn",
            "sensor_serial": "",
            "date": dt.date(2031, 6, 1),
            "valid_until": dt.date(2032, 6, 1),
            "signal_unit": "counts",
            "reading_unit": sensor.unit,
            "lowest": -0.05 * sensor.full,
            "highest": 1.05 * sensor.full,
            "pivot": 0.0,
            "coefficients": (-0.05 * sensor.full, step),
            "covariance": ((0.0, 0.0), (0.0, 0.0)),
            "reference_uncertainty": f"{100.0 * sensor.gain_u} %",
            "zero_uncertainty": sensor.zero_u,
            "latency": f"{1e3 * sensor.latency} ms",
        }
    )


def _plan(spec, notes, ambient, cda, tank, random):
    residual = tank.residual
    typed = f"{residual * (1.0 + 0.1 * random.standard_normal())} +/- {0.1 * residual} kg" if spec.runs_dry else "0 kg"
    return Plan.model_validate(
        {
            "test": {
                "number": "WF-1",
                "kind": "water flow",
                "stand": "bench",
                "article": "tank",
                "objective": "CdA",
                "t_zero": "box valve rising",
            },
            "site": {
                "ambient_pressure": f"{ambient} +/- {spec.ambient_u} Pa(a)",
                "ambient_temperature": "20 +/- 1 degC",
            },
            "tank": (
                {
                    "name": "tank",
                    "liquid": "water",
                    "pressurant": spec.gas,
                    "liquid_density": f"{DENSITY} +/- {DENSITY * spec.density_u} kg/m3",
                    "internal_volume": f"{notes['volume']} +/- {spec.volume_u * spec.volume} m3",
                    "liquid_load": f"{shown(notes['load'], DENSITY, ambient, ROOM)} +/- {spec.load_u * spec.load} kg",
                    "unusable_residual": typed,
                    "internal_diameter": f"{spec.diameter} m",
                    "outlet_below_floor": "0.1 m",
                    "start_pressure": f"{spec.start_pressure} Pa(a)",
                    "ullage_exponent": "1.3 +/- 0.3",
                    "feed_cda": f"{cda} +/- {0.1 * cda} m2",
                },
            ),
            "flow": {"end": "run-out" if spec.runs_dry else "valve closed early"},
        }
    )


@dataclass(frozen=True)
class Outcome:
    """One run: errors, uncertainties, bounds; not a number where refused."""

    spec: Spec
    cda_error: float  # relative
    cda_u: float
    cda_bound: float
    chord_error: float
    chord_u: float
    chord_bound: float
    codes: tuple[str, ...]


def run(seed):
    """Play and analyse one stand."""
    drawn = play(draw_spec(seed))
    nan = math.nan
    results = analyse(drawn.dataset).results
    codes = tuple(f"{f.severity} {f.code}" for f in results.findings)
    tank = results.tanks.get("tank")
    if tank is None or tank.cda is None:
        return Outcome(drawn.spec, nan, nan, nan, nan, nan, nan, codes)
    bound = linearised_bound(drawn)
    chord = tank.exponent.chord if tank.exponent else None
    return Outcome(
        drawn.spec,
        tank.cda.value / drawn.cda - 1.0,
        tank.cda.u / drawn.cda,
        bound[0],
        chord.value - drawn.chord if chord else nan,
        chord.u if chord else nan,
        bound[1],
        codes,
    )


@dataclass(frozen=True)
class Figures:
    """What many runs say of one quantity."""

    count: int
    coverage: float  # of the 95 % intervals
    spread: float  # sd of error/u about zero
    bias: float  # mean of error/u
    over_bound: float  # median of u over the linearised bound
    often_below: float  # share of runs with u below 1.3 times it


def figures(error, u, bound):
    """Pool runs that gave a number."""
    given = np.isfinite(error)
    pull = error[given] / u[given]
    over = u[given] / bound[given]
    return Figures(
        int(given.sum()),
        float(np.mean(np.abs(pull) <= 1.96)),
        float(np.sqrt(np.mean(pull**2))),
        float(np.mean(pull)),
        float(np.median(over)),
        float(np.mean(over <= 1.3)),
    )


def pooled(outcomes):
    """Return the figures of CdA and of the chord exponent."""
    columns = np.array(
        [(o.cda_error, o.cda_u, o.cda_bound, o.chord_error, o.chord_u, o.chord_bound) for o in outcomes]
    ).T
    return figures(*columns[:3]), figures(*columns[3:])


def say(name, outcomes):
    """Print the figures of a group."""
    if not outcomes:
        return
    for what, f in zip(("CdA", "chord"), pooled(outcomes), strict=True):
        print(
            f"{name:24s} {what:5s} {f.count:3d} of {len(outcomes):3d}  95 % holds {100.0 * f.coverage:5.1f} %  "
            f"rms error/u {f.spread:.3f}  mean {f.bias:+.2f}  u/bound median {f.over_bound:.2f}, "
            f"<= 1.3 in {100.0 * f.often_below:.0f} %",
            flush=True,
        )


def line(o):
    """Say one run in one line."""
    s = o.spec
    cautions = [code for code in o.codes if not code.startswith("note")]
    return (
        f"{s.seed:4d} {1e3 * s.volume:4.1f} L r {s.ratio:.2f} {s.start_pressure / 1e5:4.1f} bar {s.duration:4.1f} s "
        f"{s.gas:8s} {s.rate:6.0f} Hz {s.bits} bit {100 * s.white:.3f} % {'AR' if s.correlated else '  '} "
        f"{'+'.join(s.amounts):32s} CdA {100 * o.cda_error:+.2f} % {o.cda_error / o.cda_u:+.2f} u "
        f"({o.cda_u / o.cda_bound:.2f})  n {o.chord_error:+.4f} {o.chord_error / o.chord_u:+.2f} u "
        f"({o.chord_u / o.chord_bound:.2f})  {cautions}"
    )


def report(outcomes):
    """Print all groups."""
    say("all", outcomes)
    say("white noise", [o for o in outcomes if not o.spec.correlated])
    say("white and correlated", [o for o in outcomes if o.spec.correlated])
    for gas in GASES:
        say(gas, [o for o in outcomes if o.spec.gas == gas])
    for kind in AMOUNTS:
        say(kind, [o for o in outcomes if kind in o.spec.amounts])
    say("below 300 Hz", [o for o in outcomes if o.spec.rate < 300.0])
    say("10 to 12 bits", [o for o in outcomes if o.spec.bits <= 12])
    say("over 20 s", [o for o in outcomes if o.spec.duration > 20.0])
    say("volume grows over 2.2", [o for o in outcomes if o.spec.ratio > 2.2])
    print(dict(Counter(code for o in outcomes for code in set(o.codes)).most_common()))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--each", action="store_true", help="one line a run")
    asked = parser.parse_args()
    outcomes = []
    for k in range(asked.runs):
        outcomes.append(run(asked.seed + k))
        if asked.each:
            print(line(outcomes[-1]), flush=True)
    report(outcomes)


if __name__ == "__main__":
    main()
