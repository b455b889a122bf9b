"""Take secrets out of exported tables: heads and metadata are texts, what stands below is numbers."""

import json
from collections.abc import Sequence
from typing import Any

from standbook.analysis.export.files import Exported
from standbook.analysis.redaction.proof import prove, sealed_line
from standbook.analysis.redaction.replacing import Redaction
from standbook.daq.errors import UsageError

TABLES = (".csv", ".json")


def redacted_exports(
    files: Sequence[Exported], redaction: Redaction, manifest: str
) -> tuple[tuple[Exported, ...], str]:
    """Return files without secrets, and what they were searched for.

    Raises
    ------
    UsageError
        A file of another kind than CSV.
    DataError
        Something is left in one.
    """
    made = tuple(_redacted(file, redaction, manifest) for file in files)
    return made, prove({file.name: file.content for file in made}, redaction.secrets)


def _redacted(file: Exported, redaction: Redaction, manifest: str) -> Exported:
    if not file.name.endswith(TABLES):
        raise UsageError(f"{file.name}: a redacted copy is CSV; write --as csv, or csv,thrust")
    name = redaction.text(file.name)
    if file.name.endswith(".csv"):
        head, end, rows = file.content.partition(b"\r\n")
        return Exported(name, redaction.text(head.decode("utf-8")).encode("utf-8") + end + rows)
    about = _told(json.loads(file.content), redaction)
    about = {"rdfs:comment": sealed_line(manifest), **about}
    return Exported(name, (json.dumps(about, ensure_ascii=False, indent=1) + "\n").encode("utf-8"))


def _told(value: Any, redaction: Redaction) -> Any:  # noqa: ANN401
    """Replace what stands under a key; the keys are words of the format."""
    if isinstance(value, dict):
        return {key: _told(one, redaction) for key, one in value.items()}
    return [_told(one, redaction) for one in value] if isinstance(value, list) else redaction.data(value)
