"""All kinds of findings by their code, and what is asked of a finding whose kind is not at hand."""

from collections.abc import Iterable, Iterator, Mapping
from types import ModuleType

from standbook.analysis.findings import (
    causes,
    channels,
    cold_flow,
    discharge,
    firing,
    prediction,
    record_faults,
    thrust,
    witnesses,
)
from standbook.daq.findings.finding import Finding, FindingKind

SUBJECTS: Mapping[str, ModuleType] = {
    "Channels, supplies and gaps": channels,
    "Faults of a tank's record": record_faults,
    "Cold flow": cold_flow,
    "Discharge of a tank": discharge,
    "Likely causes": causes,
    "Thrust and impulse": thrust,
    "Independent checks": witnesses,
    "Firing": firing,
    "Prediction and comparison": prediction,
}


def kinds_of(subject: ModuleType) -> Iterator[FindingKind]:
    """Give the kinds that a module of the catalogue defines, other wordings of one included."""
    for value in vars(subject).values():
        if isinstance(value, FindingKind):
            yield value
        elif isinstance(value, Mapping):
            yield from (kind for kind in value.values() if isinstance(kind, FindingKind))


def _by_code() -> dict[str, FindingKind]:
    found: dict[str, FindingKind] = {}
    for subject in SUBJECTS.values():
        for kind in kinds_of(subject):
            found.setdefault(kind.code, kind)
    return found


CATALOGUE: Mapping[str, FindingKind] = _by_code()


def kind_of(finding: Finding) -> FindingKind | None:
    """Return the kind of a finding, ``None`` for one that an older or newer program wrote."""
    return CATALOGUE.get(finding.code)


def is_in_group(finding: Finding, *groups: str) -> bool:
    """Tell whether a finding is of a kind that readers treat as one of these groups."""
    kind = kind_of(finding)
    return kind is not None and kind.group in groups


def suppress_consequences(findings: Iterable[Finding]) -> list[Finding]:
    """Suppress findings that merely follow from a systematic fault already reported.

    A note spoils nothing, what it doubts may still be right; but of what a likely cause explains nothing is advised.
    """
    findings = list(findings)
    spoilt: set[str] = set()
    for finding in findings:
        kind = kind_of(finding)
        if kind is not None and (finding.severity != "note" or kind.group == causes.LIKELY_CAUSE):
            spoilt |= kind.spoils
    return [finding for finding in findings if not _follows(finding, spoilt)]


def _follows(finding: Finding, spoilt: set[str]) -> bool:
    kind = kind_of(finding)
    return kind is not None and bool(kind.follows_from & spoilt)
