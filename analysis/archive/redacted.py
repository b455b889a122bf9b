"""Choose what is archived for the public: tables and the report, redacted; journals and samples carry serials."""

import datetime as dt
from collections.abc import Sequence

from standbook.analysis.archive.container import Entry
from standbook.analysis.archive.contents import EXPORTS, README, Archive
from standbook.analysis.export.files import Export, exported
from standbook.analysis.export.redacted import redacted_exports
from standbook.analysis.opened_run import Run
from standbook.analysis.redaction.proof import prove, sealed_line
from standbook.analysis.redaction.replacing import Redaction
from standbook.analysis.report.redacted_copy import redacted_page
from standbook.daq.config import measurands
from standbook.daq.errors import RecordError

REPORT = "report.html"


def redacted_archive(run: Run, redaction: Redaction, *, now: dt.datetime) -> tuple[Archive, str]:
    """Collect the redacted archive of an analysed run, and say what it was searched for.

    Raises
    ------
    RecordError
        The run is not analysed.
    DataError
        Something of what must not be published is left.
    """
    if not run.is_analysed:
        raise RecordError(f"{run.folder}: not analysed yet; analyse it first: standbook analyse {run.folder}")
    kinds = ("csv", measurands.THRUST) if run.results.impulse is not None else ("csv",)
    manifest = run.record.manifest.sha256
    tables, _ = redacted_exports(exported(run, Export(kinds=kinds)), redaction, manifest)
    page = redacted_page(run.record, redaction, now=now)
    folder = redaction.text(run.folder.name)
    text = redaction.text("\n".join(_readme(run, [table.name for table in tables]))) + "\n"
    files = {README: f"{sealed_line(manifest)}\n{text}".encode(), REPORT: page.html.encode("utf-8")}
    files |= {f"{EXPORTS}/{table.name}": table.content for table in tables}
    searched = prove({f"{folder}/{name}": content for name, content in files.items()}, redaction.secrets)
    entries = [Entry(name=name, source=content) for name, content in files.items()]
    return Archive(folder=folder, entries=entries, missing=()), searched


def _readme(run: Run, tables: Sequence[str]) -> list[str]:
    said = [
        "",
        f"{run.folder.name}: {run.record.info.kind} of {run.plan.test.article}",
        "Journals, samples, plan and calibrations are left out, since they carry serials and names. Who may see them",
        "holds them against the manifest above.",
        "",
        f"{REPORT}  the report: open it in any browser",
        *(f"{EXPORTS}/{name}" for name in tables),
        "SHA256SUMS  hashes of all files here, for sha256sum -c SHA256SUMS",
        "",
        "Every column has its unit in its head; (g) is gauge, (a) absolute. Times are seconds after T-0. With pandas:",
        "",
        "    import pandas as pd",
    ]
    first = next(name for name in tables if name.endswith(".csv"))
    return [*said, f'    channels = pd.read_csv("{EXPORTS}/{first}", index_col=0)']
