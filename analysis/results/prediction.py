"""What a prediction holds and how it is written down. SI, absolute pressures.

Times count from the opening of the valves, which a run places at T-0. Numbers are rounded to eight digits when the
prediction is made, so that a file gives back exactly what was locked.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from standbook.analysis.results.json_codec import JsonArray, built, plain
from standbook.analysis.results.results import BudgetTerm, Outcome
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

FORMAT = 1
DIGITS = 8  # significant; far below any uncertainty, and it halves the file


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One quantity against the prediction's time: nominal and the 95 % band of the samples. Each (N,).

    Not a number where the model says nothing: a tank's pressure after its liquid is out.
    """

    nominal: JsonArray
    low: JsonArray  # 2.5 % of the samples lie below
    high: JsonArray  # 2.5 % of the samples lie above
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scalar:
    """One number of the run: nominal, 95 % band, mean and standard deviation of the samples."""

    nominal: float
    low: float
    high: float
    mean: float
    u: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassNumber:
    """A predicted total impulse against the limit. [N*s]."""

    nominal: float
    upper: float  # one-sided, at the guard share
    share_of_limit: float  # nominal over limit [-]
    upper_share_of_limit: float  # upper over limit [-]
    probability_within: float  # share of the samples at or below the limit [-]
    outlook: Outcome  # of the samples, in the words of a verdict; only a measurement earns a verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassMargin:
    """The numbers that say whether this run could leave its class."""

    limit: float  # N*s
    limit_name: str
    guard_share: float
    site: ClassNumber
    vacuum: ClassNumber
    full_site: ClassNumber | None  # tanks as full as the hardware permits; none: nothing limits the load
    full_vacuum: ClassNumber | None
    load_control: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftOffCheck:
    """Thrust at start over lift-off weight."""

    mass: float  # kg
    ratio: float  # nominal
    lower: float  # lower end of the 95 % band
    required: float
    holds: bool  # on the lower end
    greatest_mass: float  # that the lower end still lifts at the required ratio [kg]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Prediction:
    """What every gauge should read, from the plan alone."""

    number: str  # of the test
    kind: str
    article: str
    samples: int
    seed: int
    ambient_pressure: float  # absolute [Pa]
    time: JsonArray  # (N,) after opening [s]
    quantities: Mapping[str, Band]
    scalars: Mapping[str, Scalar]
    contributions: tuple[BudgetTerm, ...]  # of each input to the run's main number, largest first
    main_number: str  # the scalar that contributions speak of
    class_margin: ClassMargin | None
    lift_off: LiftOffCheck | None
    findings: tuple[Finding, ...]

    def to_json(self) -> str:
        """Write the prediction; what is not known at a time is null."""
        return (
            json.dumps({"format": FORMAT, **plain(Prediction, self)}, ensure_ascii=False, allow_nan=False, indent=0)
            + "\n"
        )

    @classmethod
    def from_json(cls, text: str) -> "Prediction":
        """Read what :meth:`to_json` wrote.

        Raises
        ------
        DataError
            Not JSON, not a prediction, or of another format.
        """
        try:
            values = json.loads(text)
            if values.pop("format") != FORMAT:
                raise DataError(f"prediction: format is not {FORMAT}; predict again with this version")
            return built(Prediction, values)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise DataError(f"prediction cannot be read ({error!r}); predict again from the plan") from None


def rounded(values: Array) -> Array:
    """Return values at the digits that are written down; the array cannot be changed."""
    array = np.array([float(f"{value:.{DIGITS}g}") for value in np.ravel(values)])
    array.flags.writeable = False
    return array


def rounded_number(value: float) -> float:
    """Return one number at the digits that are written down."""
    return float(f"{value:.{DIGITS}g}")
