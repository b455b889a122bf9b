"""Define findings and their kinds: a kind says once what a finding means, a finding where, when and how much.

Values travel with the finding, so that nothing ever reads them back from its sentence.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from numbers import Integral, Real
from typing import Literal

Severity = Literal["note", "caution", "serious"]  # serious: the number it touches must not be used as it is
Value = str | float | int | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One sentence that a person must read: value, limit, consequence, what to do."""

    code: str  # of its kind
    severity: Severity
    channel: str | None  # tag, or tank name, or None for the whole run
    time: float | None  # [s] after T-0
    text: str
    decided_by: str | None = None  # of a likely cause: the measurement that would decide
    values: Mapping[str, Value] = field(default_factory=dict, compare=False)  # what the sentence says, by name

    def of(self, *kinds: "FindingKind") -> bool:
        """Tell whether the finding is of one of these kinds."""
        return any(self.code == kind.code for kind in kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingKind:
    """What all findings of one code have in common."""

    code: str  # short, stable, lower case with dashes; stands in results for ever
    severity: Severity  # unless the emitter says otherwise
    text: str  # template of the sentence; the names in it are the names of its values
    spoils: frozenset[str] = frozenset()  # what cannot be used as it is where such a finding stands
    follows_from: frozenset[str] = frozenset()  # where one of these is spoilt, it says nothing new
    group: str = ""  # kinds that readers treat alike, such as likely causes
    withholds_verdict: bool = False  # the impulse must not be held against a limit

    def worded(self, text: str, *, severity: Severity | None = None) -> "FindingKind":
        """Return the same kind with another wording, for another place that makes the same finding."""
        return replace(self, text=text, severity=severity or self.severity)

    def at(
        self,
        channel: str | None,
        time: float | None = None,
        *,
        severity: Severity | None = None,
        decided_by: str | None = None,
        **values: object,
    ) -> Finding:
        """Make a finding of this kind.

        Parameters
        ----------
        channel : str or None
            Tag or tank name; ``{channel}`` in the template.
        time : float or None
            Seconds after T-0; ``{time}`` in the template. [s]
        severity : str, optional
            Where it is not that of the kind.
        decided_by : str, optional
            The measurement that would decide.
        **values
            What the template names, each as it is printed: its unit stands in the template.
        """
        plain = {name: _plain(value) for name, value in values.items()}
        text = self.text.format(channel=channel, time=time, **values)
        return Finding(
            code=self.code,
            severity=severity or self.severity,
            channel=channel,
            time=_seconds(time),
            text=text,
            decided_by=decided_by,
            values=plain,
        )


def deduplicate(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Remove repeated findings, order kept."""
    return tuple(dict.fromkeys(findings))


def _seconds(time: float | None) -> float | None:
    return None if time is None else float(time)


def _plain(value: object) -> Value:
    """Turn numbers of any library into those that JSON knows; all else is said in words."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Integral):
        return int(value)
    return float(value) if isinstance(value, Real) else str(value)
