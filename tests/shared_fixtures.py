"""Simulated tests that the whole run of the tests shares: the starter campaign's firing HF-02 and its water flow WF-03.

They are made once a process and only read. What is loaded here would not be counted as covered, so that each fixture
imports what it needs.
"""

import importlib

import pytest

FLUIDS_IN = {"analysis", "published", "studies", "worlds", "cli"}  # folders whose tests ask the property library


@pytest.fixture(scope="session", autouse=True)
def fluid_library(request):
    """Load the property library, which takes seconds, before a test that asks it is timed."""
    if any(FLUIDS_IN.intersection(item.path.parts) for item in request.session.items):
        importlib.import_module("CoolProp.CoolProp")


@pytest.fixture(scope="session")
def starter_folder(tmp_path_factory):
    """The starter campaign, its calibrations valid on the day of the tests."""
    from tests.campaign_fixture import campaign

    return campaign(tmp_path_factory.mktemp("starter"))


def campaign_of(folder, number):
    from standbook.daq.config.campaign import read_campaign
    from tests.campaign_fixture import TODAY

    return read_campaign(folder / "plans" / f"{number}.toml", today=TODAY)


@pytest.fixture(scope="session")
def hf02_campaign(starter_folder):
    """Plan, stand and calibrations of the firing."""
    return campaign_of(starter_folder, "HF-02")


@pytest.fixture(scope="session")
def hf02_physics(hf02_campaign):
    """The firing as it truly was, on a stand that is as its plan says."""
    from standbook.analysis.simulation.draw import Draw, Errors
    from standbook.analysis.simulation.stage import perform
    from standbook.analysis.simulation.world import world_of

    stand = hf02_campaign.stand
    return perform(world_of(hf02_campaign.plan, stand, Draw(1, Errors.none())), stand)


@pytest.fixture(scope="session")
def hf02_rehearsal(hf02_campaign, hf02_physics):
    """The firing as sensors read it that err as their calibrations say."""
    from standbook.analysis.simulation.draw import Draw
    from standbook.analysis.simulation.story import instrument

    return instrument(hf02_campaign, hf02_physics, Draw(4))


@pytest.fixture(scope="session")
def hf02_prediction(hf02_campaign):
    """What the plan of the firing predicts."""
    from standbook.analysis.kinds.registry import predict

    return predict(hf02_campaign.plan, hf02_campaign.stand, samples=100)


@pytest.fixture(scope="session")
def hf02_results(hf02_campaign, hf02_rehearsal, hf02_prediction):
    """What the analysis finds in the firing, beside its prediction."""
    from standbook.analysis.kinds.static_fire import analyse_static_fire
    from tests.rehearsed import dataset_of

    return analyse_static_fire(dataset_of(hf02_campaign, hf02_rehearsal, prediction=hf02_prediction)).results


@pytest.fixture(scope="session")
def hf02_story(hf02_campaign):
    """The demonstration's firing, in which the plan is wrong in one telling way."""
    from standbook.analysis.simulation.story import demo_draw, rehearse

    return rehearse(hf02_campaign, demo_draw("HF-02"))


@pytest.fixture(scope="session")
def wf03_campaign(starter_folder):
    """Plan, stand and calibrations of the water flow."""
    return campaign_of(starter_folder, "WF-03")


@pytest.fixture(scope="session")
def wf03_story(wf03_campaign):
    """The demonstration's water flow."""
    from standbook.analysis.simulation.story import demo_draw, rehearse

    return rehearse(wf03_campaign, demo_draw("WF-03"))


@pytest.fixture(scope="session")
def wf03_prediction(wf03_campaign):
    """What the plan of the water flow predicts."""
    from standbook.analysis.kinds.registry import predict

    return predict(wf03_campaign.plan, wf03_campaign.stand, samples=100)


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """A headless browser, for one page after the other."""
    from tests.browser import started

    with started(tmp_path_factory.mktemp("browser")) as one:
        yield one


@pytest.fixture(scope="session")
def source_nodes():
    """All nodes of every source file of ours, by its path from the root; no test is charged with the reading."""
    from tests.repository import ROOT, nodes_of, sources

    return {path.relative_to(ROOT).as_posix(): nodes_of(path) for path in sources()}
