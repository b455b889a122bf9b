"""Write the page by which a stranger opens an archive: what each file is, its units, how to read and to check it."""

from collections.abc import Sequence
from dataclasses import dataclass

from standbook.daq.config.campaign import RUNS

RULE = "-" * 100


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadmeFacts:
    """What the page says of one run."""

    run: str  # name of its folder
    kind: str  # of test
    article: str
    rehearsal: bool
    imported: bool
    software: str
    manifest: str
    revision: str | None
    exports: Sequence[str]  # tables, by their names in the archive
    samples: Sequence[str]  # Parquet files, likewise
    apart: float | None  # of recompute.py from the results, relative; there is none where that is not known
    missing: Sequence[str]


def readme(facts: ReadmeFacts) -> str:
    """Return the page as plain text."""
    parts = (_head(facts), _files(facts), _units(facts), _pandas(facts), _again(facts), _checks(facts))
    return f"\n\n{RULE}\n".join("\n".join(part) for part in parts) + "\n"


def _head(facts: ReadmeFacts) -> list[str]:
    said = [f"{facts.run}: {facts.kind} of {facts.article}", "=" * len(f"{facts.run}: {facts.kind} of {facts.article}")]
    if facts.rehearsal:
        said.append("REHEARSAL: all data are simulated. Nothing was fired.")
    if facts.imported:
        said.append("IMPORTED: the values are another logger's, which the program below did not record.")
    said += [
        f"Made by {facts.software}, an open program for ground tests of small liquid rocket engines.",
        f"Manifest of the record (SHA-256): {facts.manifest}",
        f"Newest analysis: revision {facts.revision}" if facts.revision else "Not analysed: the record alone.",
    ]
    return said + [f"Missing: {text}" for text in facts.missing]


def _files(facts: ReadmeFacts) -> list[str]:
    place = "RUN"
    said = [
        "WHAT EACH FILE IS",
        f"RUN is the folder {RUNS}/{facts.run}:",
        f"{place}/plan.toml, stand.toml, calibrations/   what was planned, which wire carries what, counts to units",
        f"{place}/prediction.json, lock.json             what was predicted, and when it was locked",
        f"{place}/raw/        every byte that the boards sent, as it arrived, or the imported table",
        f"{place}/samples/    the same as tables: Parquet, one file a board and stream",
        f"{place}/record.json rows, losses, clock, edges of the lines, T-0",
        f"{place}/manifest.json  SHA-256 of every file above; nothing sealed was changed since",
        f"{place}/additions/  what became known later, such as weighings, each with a manifest of its own",
    ]
    if facts.revision:
        said += [
            f"{place}/analysis/rev-{facts.revision}/  results.json (SI), curves.parquet, manifest",
            f"{place}/analysis/report_rev-{facts.revision}.html  the report: open it in any browser",
        ]
    said += [f"{name}  and its -metadata.json (CSV on the Web)" for name in facts.exports]
    return [*said, "SHA256SUMS  hashes of all files here"]


def _units(facts: ReadmeFacts) -> list[str]:
    said = [
        "UNITS",
        "Every column of a CSV has its unit in its head. (g) is gauge, (a) absolute, (d) a difference of pressures.",
        "Times are seconds after T-0; rows that were lost are absent, and the column segment counts up there.",
        "In Parquet TAG.counts are what the converter gave, TAG the reading; unit and calibration stand in the schema.",
    ]
    if facts.revision:
        said.append("results.json is SI, pressures absolute; u is a standard uncertainty (k = 1). null is not known.")
    return said


def _pandas(facts: ReadmeFacts) -> list[str]:
    said = ["OPEN WITH PANDAS", "In this folder, with Python and its packages pandas and pyarrow:", ""]
    said.append("    import pandas as pd")
    tables = {name.rpartition("_")[2].removesuffix(".csv").replace("-", "_"): name for name in facts.exports}
    said += [f'    {variable} = pd.read_csv("{name}", index_col=0)' for variable, name in tables.items()]
    said += [f'    samples = pd.read_parquet("{name}")' for name in facts.samples[:1]]
    if facts.revision:
        place = f"{RUNS}/{facts.run}/analysis/rev-{facts.revision}/results.json"
        said += ["    import json", f'    results = json.load(open("{place}", encoding="utf-8"))']
    if facts.apart is not None:
        said += [
            "    thrust, time = thrust_full.iloc[:, 0].to_numpy(), thrust_full.index.to_numpy()",
            "    area = ((thrust[1:] + thrust[:-1]) / 2 * (time[1:] - time[:-1])).sum()",
            '    print(area, "N s is the total impulse:", results["impulse"]["value"])',
        ]
    return said


def _again(facts: ReadmeFacts) -> list[str]:
    said = ["COMPUTE IT AGAIN"]
    if facts.apart is not None:
        said += [
            "python recompute.py computes the total impulse from the raw counts (Python 3.11, numpy, pyarrow; 60 lines",
            f"to read) and prints it beside the report's: {facts.apart:.0e} apart, relative, when this was written.",
            "What it takes as stored, and no line of it computes: T-0, the window, and the impulse of the weight that",
            "left, which follows both tanks' flows; recompute.json holds them.",
        ]
    else:
        said.append("No total impulse is known of this run, so there is no recompute.py.")
    return [*said, f"With the program itself: standbook analyse {RUNS}/{facts.run} makes all results again."]


def _checks(facts: ReadmeFacts) -> list[str]:
    return [
        "CHECK IT",
        "sha256sum -c SHA256SUMS (on macOS: shasum -a 256 -c SHA256SUMS) checks every file.",
        "standbook verify FILE.zip checks the zip itself as well, decodes the raw bytes and analyses again.",
        "manifest.json proves that nothing changed by accident; who deceives can write a new one. The hash of the zip",
        "in the crew's paper logbook, or the manifest's above on a signed report, tells of that.",
    ]
