"""A flow of liquid nitrogen under helium, as the simulated stand would play it: it knows no vapour in a hole."""

from dataclasses import replace

from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.results.quantities import Measured
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.story import rehearse
from standbook.daq.config.campaign import read_campaign
from tests.campaign_fixture import TODAY, campaign, edit
from tests.rehearsed import dataset_of

PLAN = (
    ('liquid = "water"', 'liquid = "liquid nitrogen"'),
    ("998.6 +/- 0.4 kg/m3", "800 +/- 8 kg/m3"),
    ("9.34 +/- 0.02 kg", "5.00 +/- 0.02 kg"),
    ('pressurant = "nitrogen"', 'pressurant = "helium"\ngas_temperature = "180 K"\nwall_material = "aluminium"'),
    ("1.30 +/- 0.06", "1.75 +/- 0.15"),
    ('close_after = "14 s"', 'close_after = "10 s"\nback_pressure = "4.3 bar(g)"'),
)
STOOD, STOOD_U = 300.0, 0.02  # s vented; kg
BOILS, BOILS_U = 2e-4, 5e-5  # kg/s


def nitrogen_campaign(folder):
    """The starter's oxidiser flow with nitrogen in place of water, and its thermometer at that tank's outlet."""
    root = campaign(folder)
    plan = root / "plans" / "WF-03.toml"
    for old, new in PLAN:
        edit(plan, old, new)
    return read_campaign(plan, today=TODAY)  # still called a water flow: that kind is played


def nitrogen_dataset(noted):
    """Its record, with the tank weighed before and after, and what boiled off in between taken off what was aboard."""
    played = rehearse(noted, Draw(2))
    test = noted.plan.test.model_copy(update={"kind": "nitrogen flow"})
    dataset = dataset_of(noted, played, plan=noted.plan.model_copy(update={"test": test}))
    # what boiled off was weighed, though the simulated tank never held it
    load = replace(dataset.plan.tank[0].liquid_load, value=dataset.plan.tank[0].liquid_load.value + BOILS * STOOD)
    tank = dataset.plan.tank[0].model_copy(update={"liquid_load": load})
    left = Measured(played.truth.residual_mass["oxidiser"], STOOD_U, "kg")
    weighed = Weighing(residual=left, vented=STOOD, boil_off=Measured(BOILS, BOILS_U, "kg/s"))
    plan = dataset.plan.model_copy(update={"tank": (tank,)})
    return replace(dataset, plan=plan, weighings={"oxidiser": weighed}), played.truth
