"""The least uncertainty that a cold flow's CdA and chord exponent can have: linearised least squares with all it knows.

Pressure before, during and after the flow, every amount, every calibration and note, as one linear problem about the
truth: the law ln(P/P0) = -(n0 L + c L² + d L³ + e L⁴) with CdA, both instants, and one unknown for each error with its
standard uncertainty as prior. An estimate that used everything in the best way would have this u; it is computed from
the specification of a run, not from its record, with a forward model of its own. What the law's bend may be beforehand
decides whether the pressure curve alone says something of the ullage volume: c, d and e are given the 0.35 that
simulated gases scatter by, so a little.
"""

import math

import numpy as np

GRID = 160  # instants of the flow
REST = 3.0  # s of still pressure used before and after
BEND_U = 0.35  # of c, d and e, beforehand
# s; gas takes the liquid's place within 0.35 s. How it fades shows in no pressure: where all would have left at full
# flow lies in the middle third of that time, whether the liquid's share goes as the square of the time or of what is
# left of it; the analysis is told as little.
KNEE_U = 0.35 / 6.0 / math.sqrt(3.0)
# s after that in which the gas alone tells when it came: its slope is foretold to a quarter by its speed, how it bends
# is not. Without them the instant of the first gas would count as known whatever the noise.
GAS = (0.25, 1.0)
GAS_SLOPE_U, GAS_BEND_U = 0.25, 0.3  # of the slope; of its square over the pressure
# Of the load: what may drip on after the gas. The simulated stand has none of it, but no record tells that.
FILM_U = 0.0025
GASES_OWN = ("film", "gas slope", "gas bend")
# Of the pressure: what the gas may take up from the wall within a second of the closing, which looks like a later end;
# of the stroke: by how much its middle may miss the sudden closing that lets as much through, as areas open unevenly.
REHEAT_U, REHEAT_TIME, STROKE_U = 0.02, 0.5, 0.12
REST_POINTS = 40
STREAMS = ("liquid mass", "liquid flow", "venturi pressure")
CURVE = ("n0", "c", "d", "e", "cda", "t0", "p0", "ullage", "back", "density")
STEPS = (1e-3, 1e-3, 1e-3, 1e-3, 1e-4, 1e-4, 1e-4, 1e-4, 1e2, 1e-4)


def linearised_bound(drawn):
    """Return the bounds of u(CdA) / CdA and of u(chord exponent)."""
    spec, course = drawn.spec, drawn.course
    true, tank = course.tanks["tank"], drawn.world.tanks[0]
    t0 = course.events["opening/tank"]
    depleted = course.events.get("depletion/tank")
    end = course.events["closing"] + 0.5 * tank.valve_stroke if depleted is None else depleted + 0.12
    start = _parameters(drawn, course, true, tank, t0, end)
    time = np.linspace(t0, end, GRID)
    pressure, left = _curve(start, time, tank)
    by_pressure, by_left = _derivatives(start, time, tank)
    slope, flow = np.gradient(pressure, time), np.gradient(left, time)
    names = list(
        dict.fromkeys(
            [
                *CURVE[:7],
                "end",
                "knee",
                *(GASES_OWN if depleted is not None else ("reheat",)),
                "rest slope",
                "hold slope",
                "hold bend",
                "gain",
                "zero",
                "ambient",
                "volume",
                "load",
                "density",
                "clock",
                *(f"own {kind}" for kind in spec.amounts),
            ]
        )
    )
    rho = start[-1]
    gauge, reference = float(spec.gauge), 1.0e5 if spec.gauge else 0.0
    rows = []

    def add(u, parts):
        row = np.zeros(len(names))
        for name, value in parts.items():
            row[names.index(name)] += value / u
        rows.append(row)

    def of_curve(columns, t, rate):
        """Parts of a quantity of the curve: by its own parameters, then by what these follow from."""
        own = dict(zip(CURVE, columns, strict=True))
        ullage, back = own.pop("ullage"), own.pop("back")
        # Ullage is internal volume less load over density; relative parameters throughout but where stated.
        own["volume"] = ullage / start[7]
        own["load"] = -ullage / start[7] / rho
        own["density"] += ullage / start[7] * spec.load / rho
        own["ambient"] = back
        own["clock"] = -rate * (t - t0)
        return own

    def of_pressure(k):
        parts = of_curve(by_pressure[k], time[k], slope[k])
        parts["gain"], parts["zero"] = pressure[k] - reference, 1.0
        parts["ambient"] += gauge
        return parts

    sample_u = _sample_u(spec)
    rest = min(spec.hold, REST)
    for at in np.linspace(-rest, 0.0, REST_POINTS):
        add(
            sample_u / math.sqrt(spec.rate * rest / REST_POINTS),
            {"p0": start[6], "rest slope": at, "gain": start[6] - reference, "zero": 1.0, "ambient": gauge},
        )
    for k in range(1, GRID):
        add(sample_u / math.sqrt(spec.rate * (time[1] - time[0])), of_pressure(k))
    if depleted is None:
        for at in np.linspace(0.0, REST, REST_POINTS):
            add(
                sample_u / math.sqrt(spec.rate * REST / REST_POINTS),
                of_pressure(-1)
                | {
                    "clock": 0.0,
                    "end": slope[-1],
                    "hold slope": at,
                    "hold bend": at * at,
                    "reheat": 1.0 - math.exp(-at / REHEAT_TIME),
                },
            )
    else:
        told = course.at(np.array([end + GAS[0], end + GAS[1]]), true.pressure)
        gas_slope = float(np.diff(told)[0]) / (GAS[1] - GAS[0])
        for at in np.linspace(*GAS, REST_POINTS):
            # Of an end on the record's own clock: the liquid's slope goes on so long, the gas's begins so late.
            bent = {"end": slope[-1] - gas_slope, "gas slope": at, "gas bend": at * at}
            add(sample_u / math.sqrt(spec.rate * (GAS[1] - GAS[0]) / REST_POINTS), of_pressure(-1) | bent)
    for kind in spec.amounts:
        _amount(
            add=add,
            spec=spec,
            kind=kind,
            time=time,
            left=left,
            flow=flow,
            rho=rho,
            parts_at=lambda k: of_curve(by_left[k], time[k], flow[k]),
            t0=t0,
            end=end,
        )
        add(1.0, {f"own {kind}": 1.0})
    priors = {
        "c": BEND_U,
        "d": BEND_U,
        "e": BEND_U,
        "gain": spec.gain_u,
        "zero": spec.zero_u * spec.full_scale,
        "ambient": spec.ambient_u,
        "volume": spec.volume_u * spec.volume,
        "load": spec.load_u * spec.load,
        "density": spec.density_u,
        "clock": spec.clock_tolerance / math.sqrt(3.0),
        "hold slope": 0.05 * pressure[-1],
        "hold bend": 0.02 * pressure[-1],
        "rest slope": 0.02 * pressure[0],
        "knee": STROKE_U * tank.valve_stroke,
    }
    if depleted is None:
        priors["reheat"] = REHEAT_U * pressure[-1]
    else:
        priors |= {
            "knee": KNEE_U,
            "film": 1.0,
            "gas slope": GAS_SLOPE_U * abs(gas_slope),
            "gas bend": GAS_BEND_U * gas_slope**2 / pressure[-1],
        }
    for name, u in priors.items():
        add(u, {name: 1.0})
    design = np.array(rows)
    scale = np.linalg.norm(design, axis=0)
    covariance = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
    # The chord from the law; what its end's log ratio is off by moves it by the law's bend there.
    c, d, e = start[1:4]
    L = math.log1p(left[-1] / rho / start[7])
    by_L = c + 2.0 * d * L + 3.0 * e * L * L
    chord = np.zeros(len(names))
    for power, name in enumerate(CURVE[:4]):
        chord[names.index(name)] += L**power
    gas = start[7] + left[-1] / rho
    volume_of = {name: value / rho for name, value in of_curve(by_left[-1], time[-1], flow[-1]).items()}
    volume_of["density"] -= left[-1] / rho
    volume_of["end"] = flow[-1] / rho
    for name, value in volume_of.items():
        chord[names.index(name)] += by_L * value / gas
    for name, value in (("volume", 1.0), ("load", -1.0 / rho), ("density", spec.load / rho)):
        chord[names.index(name)] += by_L * value * (1.0 / gas - 1.0 / start[7])
    cda = names.index("cda")
    return math.sqrt(covariance[cda, cda]), math.sqrt(float(chord @ covariance @ chord))


def _parameters(drawn, course, true, tank, t0, end):
    """Return what the curve's parameters are in truth, in the order of CURVE."""
    at = np.linspace(t0 + tank.valve_stroke, end - 0.02 * (end - t0), 100)
    pressure, gas = course.at(at, true.pressure), course.at(at, true.gas_volume)
    start = float(course.at(np.array([t0 - tank.valve_stroke]), true.pressure)[0])
    ullage = float(true.gas_volume[0])
    L = np.log(gas / ullage)
    law = np.linalg.lstsq(-np.column_stack([L, L**2, L**3, L**4]), np.log(pressure / start), rcond=None)[0]
    return np.array([*law, drawn.cda, t0, start, ullage, 1.0e5, tank.liquid_density])


def _curve(parameters, time, tank):
    """Return pressure and mass that left at times; trapezoids over a fine grid of gas volumes."""
    n0, c, d, e, cda, t0, start, ullage, back, rho = parameters
    # Beyond the end of any flow here; where the drive is gone the grid ends.
    L = np.linspace(0.0, math.log(max(4.5, 1.0)), 3000)
    pressure = start * np.exp(-(n0 * L + c * L**2 + d * L**3 + e * L**4))
    gone = ullage * np.expm1(L)
    height = tank.outlet_head + (tank.load / tank.liquid_density - gone) / tank.section
    drive = pressure - back + rho * 9.80665 * height
    stays = int(np.argmax(np.append(drive, -1.0) < 1e3))
    slowness = 1.0 / (cda * np.sqrt(2.0 * drive[:stays] / rho))
    steps = 0.5 * np.diff(gone[:stays]) * (slowness[1:] + slowness[:-1])
    at = t0 + np.concatenate([[0.0], np.cumsum(steps)])
    left = np.interp(time, at, gone[:stays])
    return np.interp(left, gone[:stays], pressure[:stays]), rho * left


def _derivatives(parameters, time, tank):
    """Return derivatives of pressure and mass by CURVE, CdA and density by their logarithms. (N, 10) each."""
    columns = []
    for k, (name, step) in enumerate(zip(CURVE, STEPS, strict=True)):
        size = step if name in ("n0", "c", "d", "e", "t0", "back") else step * parameters[k]
        moved = [np.array(parameters), np.array(parameters)]
        moved[0][k] -= size
        moved[1][k] += size
        low, high = (_curve(m, time, tank) for m in moved)
        # CdA, start pressure, ullage volume and density are relative unknowns.
        unit = size if name in ("n0", "c", "d", "e", "t0", "back") else step
        columns.append([(h - lo) / (2.0 * unit) for lo, h in zip(low, high, strict=True)])
    return tuple(np.array([column[j] for column in columns]).T for j in range(2))


def _sample_u(spec):
    """Return the deviation of a single sample as if all noise were white. [Pa]."""
    step = 1.1 / 2**spec.bits
    variance = spec.white**2 + step**2 / 12.0
    if spec.correlated:
        keep = math.exp(-1.0 / (spec.rate * spec.correlation_time))
        variance += spec.correlated**2 * (1.0 + keep) / (1.0 - keep)
    return spec.full_scale * math.sqrt(variance)


def _amount(add, spec, kind, time, left, flow, rho, parts_at, t0, end):
    """Add one observed mass: what it should be by the curve, and its own error."""
    first, last = (int(np.searchsorted(time, t0 + 0.5)), int(np.searchsorted(time, end - 0.5)) - 1)
    if kind not in STREAMS:
        first, last = 0, GRID - 1
    if last - first < 5:
        return
    parts = parts_at(last)
    for name, value in (parts_at(first) if kind in STREAMS else {}).items():
        parts[name] -= value
    mass, length = float(left[last] - left[first]), float(time[last] - time[first])
    relative = spec.amount_u[kind]
    noise, own = 1e-5 * mass, relative * mass
    if kind not in STREAMS:
        # All of the flow, however long the clock says it was.
        parts["clock"], parts["end"] = 0.0, float(flow[last])
        own = relative * spec.expelled
        parts["knee"] = float(flow[last])
        if spec.runs_dry:
            # Where gas ends it, the end is read on the record's clock; how it fades, and what drips on, in nothing.
            parts["clock"], parts["film"] = -float(flow[last]) * (end - t0), FILM_U * spec.load
    if kind in ("drained", "run-out"):
        parts["load"] -= 1.0
    if kind == "run-out":
        own = 0.1 * spec.left_share * spec.load
    elif kind == "liquid mass":
        noise = 5e-4 * 1.3 * spec.load * math.sqrt(12.0 / (80.0 * length))
    elif kind == "liquid flow":
        peak = 1.3 * float(np.max(flow))
        own = math.hypot(own, 1e-4 * peak * length)
        noise = 3e-3 * peak * length / math.sqrt(50.0 * length)
        parts["clock"] += mass
    elif kind == "venturi pressure":
        peak, mean = 1.3 * float(np.max(flow)) ** 2, float(np.mean(flow[first : last + 1] ** 2))
        own = mass * math.hypot(relative, 0.5e-3, 0.5 * 3e-4 * peak / mean)
        noise = mass * 0.5 * 1e-3 * peak / mean / math.sqrt(200.0 * length)
        parts["clock"] += mass
        parts["density"] -= 0.5 * mass
    add(max(noise, 1e-6 * mass), parts | {f"own {kind}": own})
