"""Build the findings of a run: merged by cause, those above a note first; notes alone stand in an appendix."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from standbook.analysis.findings.catalogue import is_in_group
from standbook.analysis.findings.causes import DEPARTURE, LIKELY_CAUSE, MOVED_ASSUMPTION
from standbook.analysis.findings.channels import DEVICE_NOTE
from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import Block, Cell, Register, Section, Table, Text, escaped
from standbook.analysis.report.content.sentences import findings_count
from standbook.analysis.results.results import Results
from standbook.daq.findings.finding import Finding

FINDING_WORDS = {"serious": "SERIOUS", "caution": "Caution", "note": "Note"}
ONE_CAUSE = "Departures from the plan, with what explains them best:"
_SENTENCE_END = re.compile(r"(?<=[.!?]) (?=[A-Z])")
Numbered = tuple[int, Finding]


@dataclass(frozen=True, slots=True)
class Group:
    """Findings that say one thing, by their numbers."""

    items: tuple[tuple[Numbered, ...], ...]  # each of one kind, said together
    heading: str = ""

    @property
    def members(self) -> tuple[Numbered, ...]:
        """All of them in order."""
        return tuple(one for item in self.items for one in item)

    @property
    def rank(self) -> str:
        """The worst severity."""
        return min((finding.severity for _, finding in self.members), key=list(FINDING_WORDS).index)


def findings(results: Results, register: Register) -> Section:
    """List what a person must judge, worst first, one row a cause."""
    above = [group for group in grouped(register) if group.rank != "note"]
    notes = len(register.findings) - sum(len(group.members) for group in above)
    where = {0: "", 1: "one note stands in the appendix"}.get(notes, f"{notes} notes stand in the appendix")
    blocks: tuple[Block, ...] = (Text(f"Nothing was found that needs a person's eyes{where and '; '}{where}."),)
    if above:
        more = f" {where[:1].upper()}{where[1:]}." if where else ""
        blocks = (Text(f"{findings_count(results.findings)}{more}"), _table(above))
    return Section(
        anchor="findings",
        title="Findings",
        lead="What a person must judge, worst first: a serious one means that the number it touches must not be used "
        "as it stands.",
        blocks=blocks,
    )


def appendix(register: Register) -> tuple[Section, ...]:
    """List the notes, what the boards and ports said last; nothing where there is none."""
    notes = [group for group in grouped(register) if group.rank == "note"]
    if not notes:
        return ()
    order = sorted(notes, key=lambda group: group.members[0][1].of(DEVICE_NOTE))
    return (
        Section(
            anchor="notes",
            title="Appendix: notes",
            lead="Findings for completeness, and what boards and ports said of themselves.",
            blocks=(
                Table(
                    head=("Note", "About", "What, and what to do"),
                    rows=tuple(_note_row(group) for group in order),
                    style="notes",
                ),
            ),
        ),
    )


def grouped(register: Register) -> tuple[Group, ...]:
    """Merge findings: a ranked cause with the departures it explains, then those of one kind; order kept."""
    numbered = tuple(enumerate(register.findings, start=1))
    causes = [pair for pair in numbered if is_in_group(pair[1], LIKELY_CAUSE, MOVED_ASSUMPTION)]
    explained = [pair for pair in numbered if causes and is_in_group(pair[1], DEPARTURE)]
    first: tuple[Group, ...] = ()
    if explained:
        first = (Group((*_by_code(explained), *_by_code(causes)), ONE_CAUSE),)
    taken = {number for group in first for number, _ in group.members}
    others = tuple(Group((item,)) for item in _by_code([pair for pair in numbered if pair[0] not in taken]))
    ranks = list(FINDING_WORDS)
    return tuple(sorted((*first, *others), key=lambda group: (ranks.index(group.rank), group.members[0][0])))


def _by_code(pairs: Sequence[Numbered]) -> tuple[tuple[Numbered, ...], ...]:
    found: dict[str, list[Numbered]] = {}
    for number, finding in pairs:
        found.setdefault(finding.code, []).append((number, finding))
    return tuple(tuple(item) for item in found.values())


def merged_text(findings_of_a_kind: Sequence[Finding]) -> str:
    """Say findings of one kind together: what differs of each, then once what all of them end with."""
    texts = [finding.text for finding in findings_of_a_kind]
    channels = [finding.channel for finding in findings_of_a_kind]
    bare = [text.removeprefix(f"{channel}: ") for text, channel in zip(texts, channels, strict=True)]
    if len(texts) > 1 and len(set(bare)) == 1 and None not in channels:
        return f"{', '.join(str(channel) for channel in channels)}: {bare[0]}"
    parts = [_SENTENCE_END.split(text) for text in texts]
    common = 0
    while len(texts) > 1 and len({part[-1 - common] for part in parts}) == 1 and common + 1 < min(map(len, parts)):
        common += 1
    told = [" ".join(part[: len(part) - common]) for part in parts]
    ended = [text if text.endswith((".", "!", "?")) else f"{text};" for text in told[:-1]]
    return " ".join([*ended, told[-1], *parts[0][len(parts[0]) - common :]])


def _table(groups: Sequence[Group]) -> Table:
    head = ("Rank, number", "What, and what to do")
    return Table(head=head, rows=tuple(_row(group) for group in groups), style="findings")


def _row(group: Group) -> tuple[Cell, ...]:
    """Write what a group is about, and when, under its rank; its sentences beside it."""
    rank = Markup('<span class="severity {}">{}</span> {}').format(
        group.rank, FINDING_WORDS[group.rank], _numbers(group, above=True)
    )
    beside = _numbers(group, above=False)
    if beside:
        rank += Markup("; notes {}").format(beside)
    return Markup('{}<br><span class="about">{}</span>').format(rank, _about(group)), _told(group)


def _note_row(group: Group) -> tuple[Cell, ...]:
    return _numbers(group, above=False), Markup('<span class="about">{}</span>').format(_about(group)), _told(group)


def _numbers(group: Group, *, above: bool) -> Markup:
    """Return the numbers of the findings of a group that stand above a note, or of its notes."""
    numbers = sorted(number for number, finding in group.members if (finding.severity != "note") is above)
    return Markup(", ").join(Markup('<strong id="finding-{0}">{0}</strong>').format(number) for number in numbers)


def _about(group: Group) -> Markup:
    """Name the channels and the instants."""
    about = dict.fromkeys(finding.channel or "run" for _, finding in group.members)
    times = sorted({finding.time for _, finding in group.members if finding.time is not None})
    when = [number_format.seconds(time, 2) for time in times]
    return escaped(", ".join([*about, *when]))


def _told(group: Group) -> Cell:
    texts = [(item, merged_text([finding for _, finding in item])) for item in group.items]
    if len(texts) == 1 and not group.heading:
        return texts[0][1]
    said = [Markup("<strong>{}</strong>").format(group.heading)]
    for item, text in texts:
        numbers = ", ".join(str(number) for number, _ in item)
        said.append(Markup("<strong>{}</strong> {}").format(numbers, escaped(text)))
    return Markup("<br>").join(said)
