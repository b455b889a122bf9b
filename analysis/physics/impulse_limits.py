"""Verdicts on total impulse against a limit, and the limits that regulations print.

Impulse in newton seconds throughout; pound-force seconds are shown, never compared. A limit is exact and belongs
to the class when met; only the measurement carries uncertainty. Says nothing about the next article of a type.
"""

import math
from dataclasses import dataclass

from scipy.special import ndtr, ndtri, stdtr, stdtrit

from standbook.analysis.results.results import Outcome, Verdict
from standbook.daq.errors import DataError
from standbook.daq.quantity import factor

_LBF_S = factor("lbf*s", "impulse")  # N*s


@dataclass(frozen=True, slots=True)
class RegulatoryLimit:
    """The greatest total impulse that a rule allows, the limit itself included."""

    name: str
    impulse: float  # of all motors together [N*s]
    printed: str  # the rule's own second unit, as text: the two printed figures differ slightly
    source: str


# The printed 9,208 lbf*s is 40,959.225 N*s and 200,000 lbf*s is 889,644.32 N*s: hence N*s alone is compared.
# Class 1 has no impulse number (mass and construction only), so it cannot be told from impulse.
REGULATORY_LIMITS = (
    RegulatoryLimit("14 CFR 101.22 Class 2", 40960.0, "9,208 lbf*s", "[CFR101] 101.22(b)"),
    RegulatoryLimit("14 CFR 1.1 amateur rocket", 889600.0, "200,000 lbf*s", "[CFR1] 1.1"),
)


def regulatory_limit(limit_name: str) -> RegulatoryLimit | None:
    """Return the regulatory limit of that name, ``None`` where the name is somebody's own."""
    wanted = " ".join(limit_name.lower().split())
    return next((limit for limit in REGULATORY_LIMITS if limit.name.lower() == wanted), None)


def is_met(impulse: float, limit: float) -> bool:
    """Tell whether an exact impulse [N*s] lies within an inclusive limit [N*s]."""
    return impulse <= limit


def guard_factor(guard_share: float, dof: float | None = None) -> float:
    """Return the number of standard uncertainties that a one-sided share needs.

    Normal distribution, or Student's with ``dof`` degrees of freedom. Source: [GUM] G.3.

    Raises
    ------
    ValueError
        The share is not between one half and one.
    """
    if not 0.5 < guard_share < 1.0:
        raise ValueError(f"guard share {guard_share!r} must lie between 0.5 and 1")
    return float(ndtri(guard_share) if dof is None else stdtrit(dof, guard_share))


def probability_at_most(limit: float, value: float, u: float, dof: float | None = None) -> float:
    """Return the probability that the true value is at most ``limit``, normal or Student's about ``value``."""
    z = (limit - value) / u
    return float(ndtr(z) if dof is None else stdtr(dof, z))


def verdict(
    impulse: float,
    u: float | None,
    *,
    limit: float,
    limit_name: str,
    guard_share: float = 0.95,
    lower_bound_only: bool = False,
    unseen: float = 0.0,
    allowance: float = 0.0,
    dof: float | None = None,
    ambient: str = "at site ambient pressure",
    raised: "RaisedBound | None" = None,
    withheld: str = "",
    earned: str = "",
) -> Verdict:
    """Judge a measured total impulse against a limit with a one-sided guard band.

    Parameters
    ----------
    impulse, u : float
        Measured value and its standard uncertainty. [N*s]
    limit : float
        Exact and inclusive. [N*s]
    guard_share : float
        Probability that "within" or "exceeds" must reach, one-sided. [-]
    lower_bound_only : bool
        Part of the impulse was hidden by an unknown amount: "within" is out of reach.
    unseen : float
        Most that short gaps can have hidden; it raises the upper bound only. [N*s]
    allowance : float
        Most that something never measured may have hidden; it raises the upper bound only. [N*s]
    dof : float, optional
        Effective degrees of freedom behind ``u``; none: so many that the normal distribution serves.
    ambient : str
        What pressure the value stands for, in words, for the sentence.
    raised : RaisedBound, optional
        What another route makes of the impulse where nothing proves the cell: the upper bound is at least that.
    withheld : str
        Why neither "within" nor "exceeds" may be said, as a sentence; empty where they may.
    earned : str
        What a verdict "within" rests on beside the cell, as the end of a sentence.

    Raises
    ------
    DataError
        No uncertainty, or an impulse that is not positive: neither can be judged.

    Notes
    -----
    Within where I + z u + unseen + allowance <= L, exceeds where I - z u >= L, otherwise not shown; the limit is not
    guarded a second time. Of few degrees of freedom z is Student's t. With something unseen, ``probability_within`` is
    the least it can be; of a lower bound alone it is not known. Source: [JCGM106] (decision rule with a guard band of
    z u).
    """
    u = _checked(impulse, u, unseen, ambient)
    z = guard_factor(guard_share, dof)
    own = impulse + z * u + unseen + allowance
    least = raised.impulse if raised is not None else -math.inf
    judged = _Judged(
        head=f"{impulse:,.0f} N*s ({impulse / _LBF_S:,.0f} lbf*s), standard uncertainty {u:,.0f} N*s, {ambient}",
        edge=f"the limit of {limit:,.0f} N*s ({limit / _LBF_S:,.1f} lbf*s, {limit_name})",
        share=f"{100.0 * guard_share:g} % one-sided",
        limit=limit,
        value=max(own - z * u, least - z * u),
        unseen=unseen,
        allowance=allowance,
        lower=impulse - z * u,
        upper=None if lower_bound_only else max(own, least),
        raised=raised if least > own else None,
        withheld=withheld,
        earned=earned,
    )
    return Verdict(
        outcome=judged.outcome,
        limit=limit,
        limit_name=limit_name,
        guard_share=guard_share,
        upper_bound=judged.upper,
        lower_bound=judged.lower,
        probability_within=None if lower_bound_only or withheld else probability_at_most(limit, judged.value, u, dof),
        reason=judged.reason(),
        withheld=withheld,
        raised_by=judged.raised.by if judged.raised is not None else "",
        rests_on=earned if judged.outcome == "within" else "",
    )


@dataclass(frozen=True, slots=True)
class RaisedBound:
    """An impulse that the record cannot exclude, by another route than the cell."""

    impulse: float  # [N*s]
    by: str  # the route, in words


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judged:
    """An impulse between its bounds, beside a limit. [N*s]."""

    head: str  # the value in words
    edge: str  # the limit in words
    share: str  # the guard share in words
    limit: float
    value: float  # with what may have been hidden
    unseen: float
    allowance: float
    lower: float
    upper: float | None  # ``None`` where an unknown amount was hidden
    raised: RaisedBound | None  # where it, not the cell's own bound, is the upper one
    withheld: str
    earned: str

    @property
    def outcome(self) -> Outcome:
        """Say on which side of the limit the bounds are."""
        if self.withheld:
            return "not shown"
        if is_met(self.limit, self.lower):
            return "exceeds"
        return "within" if self.upper is not None and is_met(self.upper, self.limit) else "not shown"

    def reason(self) -> str:
        """Say why, in a sentence."""
        if self.withheld:
            return f"{self.head}: {self.withheld}; not shown"
        if self.upper is None:
            return f"At least {self.head}: {self._by_lower_bound()}"
        return f"{self.head}: {self._by_lower_bound() if self.outcome == 'exceeds' else self._by_upper_bound()}"

    def _by_lower_bound(self) -> str:
        if self.outcome == "exceeds":
            return (
                f"the {self.share} lower bound {self.lower:,.0f} N*s is not below {self.edge}, so this run exceeds it;"
                " lower the load"
            )
        return (
            "part of the thrust was not seen, so there is no upper bound and no probability to set against"
            f" {self.edge}; not shown, repeat the run"
        )

    def _by_upper_bound(self) -> str:
        parts = ((self.unseen, "gaps"), (self.allowance, "what was never measured"))
        held = " and ".join(f"{amount:,.0f} N*s for {words}" for amount, words in parts if amount > 0.0)
        hidden = f", with {held}," if held else ""
        bound = f"the {self.share} upper bound {self.upper:,.0f} N*s{hidden}"
        if self.raised is not None:
            bound = (
                f"nothing in the record proves the cell, so the upper bound is {self.raised.impulse:,.0f} N*s, from "
                f"{self.raised.by}; it"
            )
        if self.outcome == "within":
            rests = f" ({self.earned})" if self.earned else ""
            return (
                f"{bound} is not above {self.edge}, so this run is within it{rests}; that speaks for this run, not for"
                " the next"
            )
        too_high = "" if is_met(self.value, self.limit) else "and the value itself is over it, "
        return f"{bound} is over {self.edge}; not shown, {too_high}lower the load"


def _checked(impulse: float, u: float | None, unseen: float, ambient: str) -> float:
    if u is None or not math.isfinite(u) or u <= 0.0:
        raise DataError(
            f"total impulse {ambient}: standard uncertainty {u!r} N*s is not a positive number; without it there is no"
            " verdict, so state the calibration's uncertainty"
        )
    if not math.isfinite(impulse) or impulse <= 0.0:
        raise DataError(
            f"total impulse {ambient} is {impulse:,.0f} N*s, not positive; check the load cell's sign and its tare"
        )
    if unseen < 0.0:
        raise ValueError(f"unseen impulse {unseen!r} N*s is negative")
    return u
