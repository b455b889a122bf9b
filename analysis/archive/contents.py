"""Choose what is archived of a run: its folder byte for byte, the exports, a page for a stranger, the recomputation.

The folder of the archive is laid out as a campaign is, so that what a report says of ``runs/NAME`` holds in it.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from standbook.analysis.archive import recompute
from standbook.analysis.archive.container import Entry
from standbook.analysis.archive.readme import ReadmeFacts, readme
from standbook.analysis.archive.terms import TERMS_FILE, recompute_terms
from standbook.analysis.export.files import Export, exported
from standbook.analysis.opened_run import Run
from standbook.daq.config import measurands
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import DataError, RecordError
from standbook.daq.run.run_folder import ANALYSIS

README = "README.txt"
EXPORTS = "exports"
SCRIPT = "recompute.py"
AGREES = 1e-9  # relative: nine digits


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """What is put into a zip, and what a person must know of it."""

    folder: str  # of the zip that all lies in
    entries: Sequence[Entry]
    missing: Sequence[str]  # what the run does not hold yet, and the command that makes it


def archive_of(run: Run) -> Archive:
    """Collect the archive of a sealed run; without an analysis the record alone.

    Raises
    ------
    RecordError
        The run holds a link, or anything else that is no file; or its newest analysis was changed.
    """
    name = run.folder.name
    files = run_files(run.folder)
    missing = _missing(run)
    made, why_not = _exports(run)
    missing += why_not
    script, apart, differs = _recomputation(run)
    made += script
    missing += differs
    facts = ReadmeFacts(
        run=name,
        kind=run.record.info.kind,
        article=run.plan.test.article,
        rehearsal=run.record.info.rehearsal,
        imported=run.record.info.source == "imported",
        software=run.results.software if run.is_analysed else run.record.info.software,
        manifest=run.record.manifest.sha256,
        revision=run.results.revision if run.is_analysed else None,
        exports=tuple(entry.name for entry in made if entry.name.endswith(".csv")),
        samples=tuple(f"{RUNS}/{name}/{file}" for file in files if file.startswith("samples/")),
        apart=apart,
        missing=tuple(text.replace(str(run.folder), f"{RUNS}/{name}") for text in missing),  # a path names a person
    )
    entries = [
        Entry(name=README, source=readme(facts).encode("utf-8")),
        *made,
        *(Entry(name=f"{RUNS}/{name}/{file}", source=path) for file, path in files.items()),
    ]
    return Archive(folder=name, entries=entries, missing=missing)


def run_files(folder: Path) -> dict[str, Path]:
    """Return every file of a run folder by its name in it; half-made ones have hidden names and are left out.

    Raises
    ------
    RecordError
        There is a link, or anything else that is no file.
    """
    found = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if any(part.startswith(".") for part in parts):
            continue
        if path.is_symlink() or not (path.is_dir() or path.is_file()):
            raise RecordError(f"{path}: is no file of its own; an archive holds files: put the file itself there")
        if path.is_file():
            found["/".join(parts)] = path
    return found


def _missing(run: Run) -> list[str]:
    """Say what is not there yet, each with the command that makes it."""
    if not run.is_analysed:
        return [f"no results: not analysed yet; standbook analyse {run.folder}, then archive it again"]
    revision = run.results.revision
    if not (run.folder / ANALYSIS / f"report_rev-{revision}.html").is_file():
        return [f"no report of revision {revision}; standbook report {run.folder}, then archive it again"]
    return []


def _recomputation(run: Run) -> tuple[list[Entry], float | None, list[str]]:
    """Return script and terms, how far it comes from the results, relative, and what to do where that is far."""
    again = f"analyse it with this version: standbook analyse {run.folder}, then archive it again"
    try:
        terms = recompute_terms(run)
    except DataError as error:
        return [], None, [f"no {SCRIPT}: {error}; {again}"]
    if terms is None:
        return [], None, []
    mine, report = recompute.total_impulse(run.folder, terms)
    apart = abs(mine / report - 1.0) if report else abs(mine)
    said = [f"{SCRIPT} gives {mine:.6f} N s, the results have {report:.6f} N s; {again}"] if apart > AGREES else []
    text = json.dumps(terms, ensure_ascii=False, indent=1) + "\n"
    script = Path(recompute.__file__).read_bytes()
    return [Entry(name=TERMS_FILE, source=text.encode("utf-8")), Entry(name=SCRIPT, source=script)], apart, said


def _exports(run: Run) -> tuple[list[Entry], list[str]]:
    """Return the exported tables, or why there are none."""
    kinds = ["csv"]
    if run.is_analysed and run.results.impulse is not None:
        kinds.append(measurands.THRUST)
    try:
        files = exported(run, Export(kinds=kinds))
    except DataError as error:
        return [], [f"no {EXPORTS}: {error}"]
    return [Entry(name=f"{EXPORTS}/{file.name}", source=file.content) for file in files], []
