"""What the reference of a sheet may claim: covariances of its error over the readings, in their unit."""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.applied_level import scale_limit
from standbook.analysis.calibration.readings_sheet import WEIGHT_CLASSES, ReadingsSheet
from standbook.analysis.calibration.reference_error import (
    class_covariances,
    gain_covariance,
    level_covariance,
    stacked_covariance,
)
from standbook.analysis.calibration_sheet.applied_levels import AppliedLevels
from standbook.daq.arrays import Array
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Quantity, dimension_of, factor, in_unit

LARGEST = 0.1  # relative: what may be off by more calibrates nothing; judgement


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ReferenceClaim:
    """Error of the reference."""

    covariances: tuple[Array, ...]  # (N, N) [unit²]; the larger counts where there are two
    of_reading: float  # standard: its share of every reading, where nothing is taken off in use
    of_span: float  # standard, beside it: from level to level [unit]
    resolution: float  # step of the reference's own reading [unit]
    words: str


def reference_claim(sheet: ReadingsSheet, applied: AppliedLevels, name: str) -> ReferenceClaim:
    """Return what the reference may claim.

    Raises
    ------
    ConfigError
        It states nothing, or the same twice.
    """
    reference = sheet.reference
    if reference.of_class is not None and (reference.certificate_u or reference.certificate_level_u):
        raise ConfigError(f"{name}: reference.class: a certificate stands beside it and says more; keep one of the two")
    if reference.what == "dead weights":
        return _weights(sheet, applied, name)
    resolution = in_unit_of(reference.scale_interval, applied.unit, f"{name}: reference.scale_interval")
    if reference.of_class is not None:
        return _of_class(sheet, applied, resolution, name)
    if reference.certificate_u is None:
        raise ConfigError(
            f'{name}: reference: nothing says how far it may be off; write class = "0.25 % of 60 bar(g)", '
            'or certificate_u = "0.05 %" of reading'
        )
    level_u = in_unit_of(reference.certificate_level_u, applied.unit, f"{name}: reference.certificate_level_u")
    top = float(np.max(np.abs(applied.value)))
    _credible(reference.certificate_u.value, f"{name}: reference.certificate_u")
    _credible(level_u / top, f"{name}: reference.certificate_level_u")
    share = math.hypot(reference.certificate_u.value, applied.gain_u)
    covariance = gain_covariance(applied.value, share)
    if level_u > 0.0:
        covariance = covariance + level_covariance(applied.value, level_u, top)
    words = f"certificate: standard uncertainty {_certified(reference.certificate_u, ' of reading')}"
    return ReferenceClaim(
        covariances=(covariance,), of_reading=share, of_span=level_u, resolution=resolution, words=words
    )


def _of_class(sheet: ReadingsSheet, applied: AppliedLevels, resolution: float, name: str) -> ReferenceClaim:
    """Spread a class, limits of its own span, over gain and levels; nobody knows how, so both stand."""
    stated = sheet.reference.span_class
    if stated is None:
        raise ConfigError(f'{name}: reference.class: "{sheet.reference.of_class}" is a class of weights')
    span = in_unit_of(stated[1], applied.unit, f"{name}: reference.class")
    u = stated[0] * span / math.sqrt(3.0)
    top = float(np.max(np.abs(applied.value)))
    _credible(u / top, f"{name}: reference.class")
    if top > 1.02 * span:
        raise ConfigError(f"{name}: reference.class: levels up to {top:g} lie beyond its {span:g} {applied.unit}")
    covariances = class_covariances(applied.value, u, span)
    words = f"class {sheet.reference.of_class}: limits, u = {u:.3g} {applied.unit.partition('(')[0]}"
    return ReferenceClaim(covariances=covariances, of_reading=0.0, of_span=u, resolution=resolution, words=words)


def _weights(sheet: ReadingsSheet, applied: AppliedLevels, name: str) -> ReferenceClaim:
    """Add what each weight is off by, what their scale is off by, and gravity."""
    reference = sheet.reference
    mass = np.array([w.value for w in reference.weights])
    own = np.array([w.u for w in reference.weights])
    common, said = applied.gain_u, []
    if reference.of_class is not None:
        if reference.of_class not in WEIGHT_CLASSES:
            raise ConfigError(
                f'{name}: reference.class: "{reference.of_class}" is no class of weights; write M1, M2 or M3'
            )
        share = WEIGHT_CLASSES[reference.of_class] / math.sqrt(3.0)
        own, common = np.hypot(own, share * mass), common if mass.size else math.hypot(common, share)
        said.append(f"class {reference.of_class}")
    if own.size:
        _credible(float(np.max(own / mass)), f"{name}: reference.weights")
    if reference.certificate_u is not None:
        _credible(reference.certificate_u.value, f"{name}: reference.certificate_u")
        common = math.hypot(common, reference.certificate_u.value)
        said.append(f"certificate, standard uncertainty {_certified(reference.certificate_u, ' common to all')}")
    if reference.certificate_level_u is not None:
        raise ConfigError(f"{name}: reference.certificate_level_u: weights have none; type their u in weights")
    if reference.scale_interval is not None:
        share = _scale_share(sheet, mass, reference.scale_interval, name)
        _credible(share, f"{name}: reference.scale_interval")
        common = math.hypot(common, share)
        said.append(f"one scale in steps of {reference.scale_interval.text}, {100 * share:.3g} % common to all")
    if own.size and np.all(own > 0.0):
        said.append("weights stacked, each with its own u")
    if not said:
        raise ConfigError(
            f"{name}: reference: nothing says how far the masses may be off; write the scale_interval of the scale "
            'that weighed them, class = "M1", certificate_u, or weights with their u'
        )
    covariance = gain_covariance(applied.value, common)
    if own.size:
        covariance = covariance + stacked_covariance(applied.stack, own * applied.per_kilogram)
    return ReferenceClaim(
        covariances=(covariance,), of_reading=common, of_span=0.0, resolution=0.0, words="; ".join(said)
    )


def _certified(share: Quantity, of: str) -> str:
    """Say the standard uncertainty of a certificate, and how it came from what was typed."""
    how = (
        f"{share.text} divided by its k" if "k" in share.text else "taken as stated: a certificate's U divided by its k"
    )
    return f"{100 * share.value:.3g} %{of}, {how}"


def _credible(share: float, where: str) -> None:
    """Refuse a reference that may be off by more than any sensor is."""
    if not share < LARGEST:
        raise ConfigError(
            f"{where}: u is {100 * share:.3g} % of the levels; what may be off by that calibrates nothing"
        )


def _scale_share(sheet: ReadingsSheet, weights: Array, interval: Quantity, name: str) -> float:
    """Return the relative standard uncertainty common to what one trade scale weighed, by its lightest load."""
    if interval.dimension != "mass":
        raise ConfigError(f'{name}: reference.scale_interval: "{interval.text}" is no mass')
    if weights.size:
        lightest = float(weights.min())
    else:
        levels = np.unique([level.value for level in sheet.levels])
        lightest = float(np.min(np.diff(levels)))
    return scale_limit(lightest, interval.value) / math.sqrt(3.0) / lightest


def in_unit_of(of: Quantity | None, unit: str, where: str) -> float:
    """Return a span or a step in a unit; zero where nothing is stated."""
    if of is None:
        return 0.0
    if of.dimension != dimension_of(unit):
        raise ConfigError(f'{where}: "{of.text}" is no {dimension_of(unit)}')
    own = of.text.split()[-1]
    one = factor(own.partition("(")[0], of.dimension) / factor(unit.partition("(")[0], of.dimension)
    return in_unit(of.value, own) * one
