"""Does the budget hold of each claimed error what that error does to the results? A signed table, error by result.

A firing without any error is analysed again and again: once with one input a standard uncertainty higher than noted,
which moves each result, with its sign; and with that input's claim made wider, by which u of each result tells what it
holds of the claim, through whatever sums and roots. What several inputs share is pushed in all of them at once, so that
a wrong sign in the budget shows as a wrong size. Run from the project's folder:

    python -m tests.studies.sensitivities
"""

import argparse
import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.daq.config.calibration import Calibration
from tests.rehearsed import dataset_of
from tests.studies.impulse_coverage import NEEDED, campaign_for_study, truths

WIDER = (2.0, 4.0)  # times the claim: above the floors of the budget, and apart enough for a difference of squares
SHARE = 0.05  # of what is held: the curvature of a shift by one u
OF_U = 0.05  # of the result's u: instants that are found again move by little, and so much changes u by a thousandth
LEAST = 2e-5  # of a result: what is not worth a line
# Where hoses lie before a valve they push at the first zero too, behind it they do not: the budget holds the larger.
HELD_WIDER = ("hoses",)
TANKS = ("oxidiser", "fuel")


@dataclass(frozen=True)
class Noted:
    """What the crew wrote down, and by how much the clock runs beside what they say of it."""

    campaign: object
    residual: dict[str, tuple[float, float]] = dataclasses.field(default_factory=dict)  # kg more, u times
    clock: tuple[float, float] = (0.0, 1.0)  # in u of it; u times


@dataclass(frozen=True)
class Claim:
    """One input with a stated uncertainty."""

    name: str
    wider: Callable[[Noted, float], Noted]  # its u so many times as large
    pushed: Callable[[Noted], Noted]  # its value one u higher


def of_quantity(name, get, put):
    """Make a claim of a quantity that lies anywhere in a campaign."""

    def wider(noted, times):
        quantity = get(noted.campaign)
        return dataclasses.replace(
            noted, campaign=put(noted.campaign, dataclasses.replace(quantity, u=times * quantity.u))
        )

    def pushed(noted):
        quantity = get(noted.campaign)
        moved = dataclasses.replace(quantity, value=quantity.value + quantity.u)
        return dataclasses.replace(noted, campaign=put(noted.campaign, moved))

    return Claim(name, wider, pushed)


def in_plan(part, key):
    """Return how a quantity of the plan's engine or site is read and written."""

    def put(campaign, quantity):
        changed = getattr(campaign.plan, part).model_copy(update={key: quantity})
        return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={part: changed}))

    return lambda campaign: getattr(getattr(campaign.plan, part), key), put


def in_tank(name, key):
    """Return how a quantity of one of the plan's tanks is read and written."""

    def put(campaign, quantity):
        tanks = tuple(t.model_copy(update={key: quantity}) if t.name == name else t for t in campaign.plan.tank)
        return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"tank": tanks}))

    return lambda campaign: getattr(campaign.plan.tank_named(name), key), put


def in_load_path(key):
    """Return how a quantity of the cell's load path is read and written."""

    def put(campaign, quantity):
        path = campaign.calibrations["LC-1"].stand_interaction.model_copy(update={key: quantity})
        return with_calibration(campaign, "LC-1", {"stand_interaction": path})

    return lambda campaign: getattr(campaign.calibrations["LC-1"].stand_interaction, key), put


def with_calibration(campaign, tag, update):
    """Return a campaign with one calibration changed."""
    changed = campaign.calibrations[tag].model_copy(update=update)
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, tag: changed})


def of_sensor(tag, part):
    """Make a claim of a sensor's gain or zero."""

    def wider(noted, times):
        c: Calibration = noted.campaign.calibrations[tag]
        u = c.reference_uncertainty
        wide = {
            "gain": {"reference_uncertainty": dataclasses.replace(u, value=times * u.value)},
            "zero": {"zero_uncertainty": times * c.zero_uncertainty},
        }
        return dataclasses.replace(noted, campaign=with_calibration(noted.campaign, tag, wide[part]))

    def pushed(noted):
        c: Calibration = noted.campaign.calibrations[tag]
        more = 1.0 + (c.reference_uncertainty.value if part == "gain" else 0.0)
        curve = [more * k for k in c.coefficients]
        curve[0] += c.zero_uncertainty if part == "zero" else 0.0
        changed = {"coefficients": tuple(curve), "points": ()}
        return dataclasses.replace(noted, campaign=with_calibration(noted.campaign, tag, changed))

    return Claim(f"{tag} {part}", wider, pushed)


def of_residual(name, u):
    """Make a claim of what was weighed after the run in one tank."""

    def wider(noted, times):
        return dataclasses.replace(noted, residual={name: (0.0, times)})

    return Claim(f"{name} weighed after", wider, lambda noted: dataclasses.replace(noted, residual={name: (u, 1.0)}))


def claims(campaign, weighed):
    """Return every claim that is pushed; ``weighed`` is what the scale claims of each tank, in kg."""
    of_tank = {"load": "liquid_load", "density": "liquid_density", "volume": "internal_volume"}
    return (
        of_sensor("LC-1", "gain"),
        of_quantity("load path factor", *in_load_path("factor")),
        of_quantity("hoses", *in_load_path("line_load")),
        Claim(
            "clock",
            lambda noted, times: dataclasses.replace(noted, clock=(0.0, times)),
            lambda noted: dataclasses.replace(noted, clock=(1.0, 1.0)),
        ),
        *(of_sensor(tag, part) for tag in ("PT-31", "PT-11", "PT-21") for part in ("gain", "zero")),
        of_quantity("throat", *in_plan("engine", "throat_diameter")),
        of_quantity("barometer", *in_plan("site", "ambient_pressure")),
        *(of_quantity(f"{t} {word}", *in_tank(t, key)) for t in TANKS for word, key in of_tank.items()),
        *(of_residual(t, weighed[t]) for t in TANKS),
    )


def numbers_of(noted, rehearsal):
    """Analyse one set of notes: every result as measured, by name."""
    dataset = dataset_of(noted.campaign, rehearsal)
    clock_u = dataset.clock_u
    if noted.clock[0]:
        rate = 1.0 + noted.clock[0] * clock_u
        dataset = dataset_of(
            noted.campaign, rehearsal, alter=lambda played: dataclasses.replace(played, time=rate * played.time)
        )
    weighings = dict(dataset.weighings)
    for name, (more, times) in noted.residual.items():
        left = weighings[name].residual
        moved = dataclasses.replace(left, value=left.value + more, u=times * left.u)
        weighings[name] = dataclasses.replace(weighings[name], residual=moved)
    dataset = dataclasses.replace(dataset, weighings=weighings, clock_u=noted.clock[1] * clock_u)
    results = analyse_static_fire(dataset).results
    engine = results.engine
    found = {
        "impulse": results.impulse,
        "c*": engine.cstar,
        "Isp": engine.isp,
        "CF": engine.thrust_coefficient,
        "O/F": engine.mixture_ratio,
    }
    for name, tank in results.tanks.items():
        found |= {f"CdA {name}": tank.cda, f"n {name}": tank.exponent.chord}
    return found


@dataclass(frozen=True)
class Sensitivity:
    """What one claim does to one result, relative."""

    claim: str
    result: str
    moves: float  # by one u more of the input, signed
    held: float  # part of the result's u
    u: float  # of the result

    @property
    def agrees(self):
        """Within curvature, and what instants found again make."""
        over = self.held - abs(self.moves)
        if self.claim in HELD_WIDER and over > 0.0:
            return True
        return abs(over) <= SHARE * max(self.held, abs(self.moves)) + OF_U * self.u

    def line(self):
        """Write it out."""
        word = "" if self.agrees else "  APART"
        moves, held = 100.0 * self.moves, 100.0 * self.held
        return f"{self.claim:22s} {self.result:13s} moves {moves:+8.4f} %, u holds {held:6.4f} %{word}"


def held_of(wide, wider, value):
    """Return what u holds of a claim, from u with the claim so many times as large as `WIDER` says."""
    low, high = WIDER
    return math.sqrt(max(wider**2 - wide**2, 0.0) / (high**2 - low**2)) / abs(value)


def sensitivities(of, noted, rehearsal, exact):
    """Return one row of the table."""
    pushed = numbers_of(of.pushed(noted), rehearsal)
    wide, wider = (numbers_of(of.wider(noted, times), rehearsal) for times in WIDER)
    return [
        Sensitivity(
            of.name,
            name,
            pushed[name].value / value.value - 1.0,
            held_of(wide[name].u, wider[name].u, value.value),
            value.u / abs(value.value),
        )
        for name, value in exact.items()
    ]


def table(campaign, physics, only=()):
    """Return the whole table, or the rows of some claims."""
    rehearsal = instrument(campaign, physics, Draw(1, Errors.none()), tags=NEEDED)
    noted = Noted(campaign)
    weighed = {tank: weighing.residual.u for tank, weighing in dataset_of(campaign, rehearsal).weighings.items()}
    exact = numbers_of(noted, rehearsal)
    for of in claims(campaign, weighed):
        if not only or of.name in only:
            yield from sensitivities(of, noted, rehearsal, exact)


def main():
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    campaign = campaign_for_study()
    physics = truths(campaign, 1, Errors.none())[0]
    apart = 0
    for one in table(campaign, physics):
        apart += not one.agrees
        if max(abs(one.moves), one.held) > LEAST:
            print(one.line(), flush=True)
    print(f"apart: {apart}")
    return 0 if apart == 0 else 1


if __name__ == "__main__":
    raise SystemExit(main())
