"""What a firing tells besides its main numbers, put together. SI, absolute pressures; times in seconds after T-0."""

from collections.abc import Mapping

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.firing.firing_transients import burns, scale_of, shutdown, start_transient, stiffness_of
from standbook.analysis.firing.mass_closure import boil_off_findings, closure_findings, mass_routes
from standbook.analysis.firing.stability import stability_of
from standbook.analysis.impulse.budget_findings import budget_findings
from standbook.analysis.impulse.hand_recipe import hand_recipe
from standbook.analysis.impulse.load_path import load_path, load_path_findings
from standbook.analysis.impulse.total_impulse import relative_gain_u
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.firing_results import FiringDetail
from standbook.analysis.results.results import ImpulseResult
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.tank_flows import TankFlow, first_run_out
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.findings.finding import Finding


def firing_detail(
    dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow], impulse: ImpulseResult
) -> tuple[FiringDetail, dict[str, Curve], list[Finding]]:
    """Return transients, stiffness, masses and stability, the spectra to draw, and what must be said about them."""
    first_out = first_run_out(flows)
    scale = scale_of(burn, impulse.value, impulse.budget)
    gain_u = relative_gain_u(impulse.budget, impulse.value)
    routes = mass_routes(dataset, record, flows, relative_gain_u=gain_u)
    steady = stability_of(dataset, record, burn, first_out)
    detail = FiringDetail(
        start=start_transient(dataset, record, burn),
        shutdown=shutdown(record, burn, scale, first_out=first_out),
        burns=burns(record, burn, scale),
        stiffness=stiffness_of(dataset, burn, flows, first_out=first_out),
        masses=routes,
        stability=steady.result,
        load_path=load_path(record),
        recipe=hand_recipe(dataset, record, burn),
    )
    of_masses = [*closure_findings(routes), *boil_off_findings(dataset, flows)]
    said = [*load_path_findings(record), *budget_findings(dataset, record, impulse), *of_masses]
    return detail, steady.curves, [*said, *steady.findings]
