"""The guide's page of findings, made from the catalogue: ``python -m standbook.analysis.findings.guide_page``."""

import re
import sys
import textwrap
from collections.abc import Iterator

from standbook.analysis.findings.catalogue import SUBJECTS, kinds_of
from standbook.daq.findings.finding import FindingKind

WIDTH = 118
INTRODUCTION = """\
# Findings

A finding is one sentence that a person must read: value, limit, consequence, what to do. **note**: worth knowing.
**caution**: judge it before the number beside it is used. **serious**: that number must not be used as it is. Analysis,
prediction, report and `results.json` name a finding by its code; its values stand in `results.json` too, by the names
that are in angle brackets here. Made from the program's own list.
"""


def page() -> str:
    """Return the whole page as Markdown."""
    return INTRODUCTION + "".join(_lines())


def _lines() -> Iterator[str]:
    for title, subject in SUBJECTS.items():
        yield f"\n## {title}\n\n"
        alike: dict[tuple[str, str], list[str]] = {}
        for kind in sorted(kinds_of(subject), key=lambda kind: kind.code):
            alike.setdefault((kind.severity, _sentence(kind)), []).append(f"`{kind.code}`")
        for (severity, sentence), codes in alike.items():
            yield textwrap.fill(
                f"- {', '.join(codes)}, {severity}: {sentence}",
                WIDTH,
                subsequent_indent="  ",
                break_long_words=False,
                break_on_hyphens=False,
            )
            yield "\n"


def _sentence(kind: FindingKind) -> str:
    """Return the template with its values as names in angle brackets, all in one line."""
    return re.sub(r"\{(\w+)[^}]*\}", lambda match: f"‹{match[1].replace('_', ' ')}›", kind.text)


if __name__ == "__main__":
    sys.stdout.write(page())
