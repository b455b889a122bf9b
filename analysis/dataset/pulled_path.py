"""Put what a pull or a check of the angle found in the place of the load path that a cell's calibration states. SI.

A pull's points are fitted again with the calibration that the run uses, so that both belong together.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from standbook.analysis.calibration.pull_fit import PullFit, fit_of_pull
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.findings.thrust import PULL_NOT_APPLIED, PULL_WITHOUT_STIFFENING
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand_interaction import Pull, StandInteraction
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity, parse_quantity
from standbook.daq.stand_sheets.check_file import CheckFile
from standbook.daq.stand_sheets.pull_file import BAR, PullFile

ALIGNMENT = "alignment"  # kind of a check


def with_pulls(
    channels: Mapping[str, Channel], pulls: Mapping[str, PullFile]
) -> tuple[dict[str, Channel], list[Finding]]:
    """Give each pulled cell the load path of its pull, and say where that cannot be.

    Parameters
    ----------
    channels : mapping of tag to Channel
        Calibrated.
    pulls : mapping of tag to PullFile
        The newest of each cell.
    """
    found, said = dict(channels), []
    for tag, pull in pulls.items():
        channel = channels.get(tag)
        if channel is None:
            continue
        why_not = _foreign(pull, channel.calibration)
        if not why_not:
            try:
                fit = fit_of_pull(pull, channel.calibration)
            except DataError as error:
                why_not = str(error)
        if why_not:
            said.append(PULL_NOT_APPLIED.at(tag, pull=pull.name, why=why_not))
            continue
        path = _interaction(pull, fit, channel.calibration)
        calibration = channel.calibration.model_copy(update={"stand_interaction": path})
        found[tag] = replace(channel, calibration=calibration, pull=fit)
        if "stiffening" in fit.not_fitted:
            said.append(PULL_WITHOUT_STIFFENING.at(tag, pull=pull.name, line_bar=fit.pressure_range[1] / BAR))
    return found, said


def with_alignments(
    channels: Mapping[str, Channel], check: CheckFile | None, *, stand_sha256: str, rehearsal: bool
) -> dict[str, Channel]:
    """Return channels with the share of a force that the angle of each cell was found to hide.

    A check of another state of the stand says nothing, one on simulated boards only of a rehearsal; after a pull
    through the same angle its factor holds it.
    """
    found = dict(channels)
    if check is None or check.stand_sha256 != stand_sha256 or (check.rehearsal and not rehearsal):
        return found
    for done in check.of_kind(ALIGNMENT):
        channel, hidden = found.get(done.of.tag), _share(done.outcome.as_found)
        if channel is not None and channel.pull is None and hidden is not None:
            found[done.of.tag] = replace(channel, hidden_by_angle=hidden)
    return found


def _foreign(pull: PullFile, calibration: Calibration) -> str:
    if calibration.signal_unit != pull.signal_unit:
        return f"its points are in {pull.signal_unit}, the record's in {calibration.signal_unit}"
    if calibration.dimension != "force":
        return f"{calibration.name} reads no force"
    return ""


def _interaction(pull: PullFile, fit: PullFit, calibration: Calibration) -> StandInteraction:
    """Return the load path in the words of a calibration: factor at the highest pressure of the lines."""
    high = np.array([fit.pressure_range[1]])
    load, load_u = fit.of("line_load")
    signal = np.array([point[1] for point in pull.points])
    read = calibration.si_reading(signal)
    points = tuple(
        Pull(reference=_quantity(force, "force"), cell=_quantity(float(cell), "force"), line=_gauge(line * BAR))
        for (force, _, line, _), cell in zip(pull.points, read, strict=True)
    )
    factor = _quantity(float(fit.factor(high)[0]), "number", float(fit.factor_u(high)[0]))
    hoses = _quantity(load, "force per pressure", load_u)
    return StandInteraction().model_copy(update={"factor": factor, "line_load": hoses, "pull": points})


def _quantity(value: float, dimension: str, u: float = 0.0) -> Quantity:
    return Quantity(value=value, u=u, dimension=dimension, reference=None, text=f"{value:.6g} +/- {u:.2g}")


def _gauge(pressure: float) -> Quantity:
    return Quantity(value=pressure, u=0.0, dimension="pressure", reference="gauge", text=f"{pressure / BAR:.4g} bar(g)")


def _share(text: str) -> Measured | None:
    try:
        share = parse_quantity(text, "share")
    except ValueError:
        return None  # not read
    return Measured(share.value, share.u, "1") if share.u > 0.0 else None
