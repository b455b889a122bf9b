"""Seal and open the run folder: made before recording, sealed after it, read by everything later.

::

    runs/2031-06-14_HF-02/
      run.json plan.toml stand.toml calibrations/ prediction.json lock.json   as locked
      layouts/                                                               saved earlier, for boards without hello
      raw/ samples/ record.json manifest.json                                 the record, sealed
      additions/001/ ...                                                     what became known later
      analysis/rev-A/ ...

Nothing sealed is touched again.
"""

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from standbook.daq.config.calibration import Calibration, read_calibration
from standbook.daq.config.campaign import CALIBRATIONS, STAND_FILE
from standbook.daq.config.csv_mapping import MAPPING_FILE, imported_calibrations, imported_stand, read_mapping
from standbook.daq.config.plan import Plan, TestKind, read_plan
from standbook.daq.config.printed_counts import calibration_of_counts, input_of_counts
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.config.stand import Stand, read_stand
from standbook.daq.config.toml_document import Document
from standbook.daq.errors import RecordError
from standbook.daq.quantity import Quantity
from standbook.daq.regular_file import read_regular
from standbook.daq.run.additions import ADDITIONS, CheckWeight, Weighing, read_additions
from standbook.daq.run.lock import PLAN_FILE, PREDICTION_FILE
from standbook.daq.run.merged_rows import AddedFill, as_recorded, merge, read_fills
from standbook.daq.run.record_summary import Gap, RecordSummary, read_record_file
from standbook.daq.run.samples_file import read_samples
from standbook.daq.stand_sheets.evidence import Evidence, read_evidence
from standbook.daq.stand_sheets.pull_file import PullFile, newest_pulls
from standbook.daq.stand_sheets.tap_file import TapFile, newest_taps
from standbook.daq.storage.manifest import Manifest, read_manifest, write_manifest
from standbook.daq.storage.manifest import verify as verify_manifest

RUN_FILE = "run.json"
RECORD_FILE = "record.json"
RAW = "raw"
SAMPLES = "samples"
ANALYSIS = "analysis"
ASIDE = (ADDITIONS, ANALYSIS)  # folders with manifests of their own

Status = Literal["locked", "postdiction"]


class RunInfo(Document):
    """``run.json``: identity and kind of the run."""

    format: Literal[1] = 1
    number: str
    kind: TestKind
    rehearsal: bool
    software: str
    created_utc: str  # when the run began
    prediction: Status
    lock: dict[str, str] | None  # plan_sha256, locked_at_utc
    source: Literal["recorded", "imported"] = "recorded"
    devices: tuple[str, ...] = ()  # of the stand that were to be recorded; none named: all


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class StreamData:
    """Rows of one stream, counts by tag; inputs that the stand does not name are ``wire:NAME``."""

    sequence: NDArray[np.int64]  # (N,)
    boot: NDArray[np.int32]  # (N,)
    ticks: NDArray[np.int64]  # (N,) unwrapped
    host_ns: NDArray[np.int64]  # (N,) since 1970, UTC [ns]
    counts: Mapping[str, NDArray[np.int64]]  # each (N,)
    rails: Mapping[str, Rails]
    filled: NDArray[np.bool_]  # (N,) the row was not recorded but taken from a second recorder's copy
    gaps: tuple[Gap, ...]  # what is still missing
    skews: Mapping[str, float] = field(default_factory=dict)  # converted so long after the row's time [s]
    latencies: Mapping[str, float] = field(default_factory=dict)  # that converters are behind their inputs [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A sealed run, checked. Calibrations and stand are as they apply to the run's counts."""

    folder: Path
    info: RunInfo
    plan: Plan
    stand: Stand
    calibrations: Mapping[str, Calibration]  # by tag
    pulls: Mapping[str, PullFile] = field(default_factory=dict)  # by the tag of the cell
    taps: TapFile | None = None
    prediction_text: str | None  # as locked
    record: RecordSummary  # as sealed, T-0 aside: one that only a second recorder saw stands here, its source named
    weighings: Mapping[str, Weighing]  # by tank
    check_weights: tuple[CheckWeight, ...] = ()
    throat_after: Quantity | None = None  # diameter gauged after the run [m]
    scale_u: Quantity | None = None  # relative, of the one scale that weighed loads and all else
    manifest: Manifest
    fills: tuple[AddedFill, ...] = ()  # what a second recorder's copies gave

    @property
    def stand_sha256(self) -> str:
        """Hash of the stand file as locked; empty where there is none."""
        return self.manifest.files.get(STAND_FILE, "")

    @property
    def evidence(self) -> Evidence:
        """What was known of the stand before the run; ``ConfigError`` where a file of it is damaged."""
        return read_evidence(self.folder, self.info.number)

    @property
    def prediction(self) -> dict[str, Any] | None:
        """The locked prediction."""
        return None if self.prediction_text is None else dict(json.loads(self.prediction_text))

    @property
    def plan_sha256(self) -> str:
        """Hash of the plan that the run was made with."""
        return self.manifest.files[PLAN_FILE]

    @property
    def prediction_status(self) -> Status:
        """``locked`` only where a lock is older than T-0; without one (scrub, detected opening), than the recording."""
        if self.info.prediction != "locked" or self.info.lock is None or self.prediction_text is None:
            return "postdiction"
        locked_at = dt.datetime.fromisoformat(self.info.lock["locked_at_utc"])
        if self.record.t_zero is not None:
            return "locked" if locked_at.timestamp() * 1e9 < self.record.t_zero.host_ns else "postdiction"
        return "locked" if locked_at <= dt.datetime.fromisoformat(self.info.created_utc) else "postdiction"

    def streams(self) -> tuple[tuple[str, str], ...]:
        """Return device and name of each stream that has rows."""
        return tuple(
            (device, name)
            for device, known in self.record.devices.items()
            for name, stream in known.streams.items()
            if stream.rows
        )

    def stream(self, device: str, name: str) -> StreamData:
        """Read the rows of one stream, those that were filled in later among them.

        Raises
        ------
        RecordError
            The samples file is missing, damaged or without our metadata.
        """
        recorded = read_samples(samples_path(self.folder, device, name))
        gaps = self.record.devices[device].streams[name].gaps
        whole = merge(recorded, gaps, self.fills) if self.fills else as_recorded(recorded, gaps)
        samples = whole.samples
        rails = {column.name: column.rails for column in samples.header.columns}
        return StreamData(
            sequence=samples.sequence,
            boot=samples.boot,
            ticks=samples.ticks,
            host_ns=samples.host_ns,
            counts=samples.counts,
            rails=rails,
            filled=whole.filled,
            gaps=whole.gaps,
            skews={column.name: column.skew for column in samples.header.columns if column.skew},
            latencies={column.name: column.latency for column in samples.header.columns if column.latency},
        )

    def for_counts(self, calibration: Calibration) -> Calibration:
        """Adapt another revision of a calibration to the counts of this run, for a later analysis.

        Raises
        ------
        RecordError
            The run is imported: its values were calibrated by another program, and no counts exist.
        """
        if self.info.source == "imported":
            raise RecordError(
                f"{self.folder}: imported values were calibrated by another logger; {calibration.name} cannot be "
                "applied to them, only to recorded counts"
            )
        item = self.stand.input_tagged(calibration.tag)
        return calibration_of_counts(calibration, item, _resolutions(self.record).get(calibration.tag, 1.0))


def samples_path(folder: Path, device: str, stream: str) -> Path:
    """Name the samples file of a stream."""
    return folder / SAMPLES / f"{device}_{stream}.parquet"


@dataclass(frozen=True, slots=True)
class RunFiles:
    """Files of a run folder before sealing: identity, plan, stand, calibrations, prediction."""

    info: RunInfo
    plan: Plan
    stand: Stand
    calibrations: Mapping[str, Calibration]
    pulls: Mapping[str, PullFile]
    taps: TapFile | None


def read_run_info(folder: Path) -> RunInfo:
    """Read the identity of a run folder.

    Raises
    ------
    RecordError
        It is no run folder.
    """
    try:
        return RunInfo.model_validate_json(read_regular(folder / RUN_FILE))
    except OSError:
        raise RecordError(f"{folder}: no {RUN_FILE}; give a run folder, CAMPAIGN/runs/DATE_NUMBER") from None
    except ValidationError as error:
        raise RecordError(f"{folder / RUN_FILE}: not readable: {error.errors()[0]['msg']}") from None


def read_run_files(folder: Path) -> RunFiles:
    """Read the typed files of a run folder, sealed or not; an import's stand and calibrations are derived.

    Raises
    ------
    RecordError
        It is no run folder.
    ConfigError
        A typed file is damaged.
    """
    info = read_run_info(folder)
    plan, stand = read_plan(folder / PLAN_FILE), read_stand(folder / STAND_FILE)
    stand = stand.of_devices(info.devices) if info.devices else stand
    found = [read_calibration(path) for path in sorted((folder / CALIBRATIONS).glob("*.toml"))]
    calibrations = {calibration.tag: calibration for calibration in found}
    if info.source == "imported":
        mapping = read_mapping(folder / RAW / MAPPING_FILE)
        stand, calibrations = imported_stand(stand, mapping), imported_calibrations(calibrations, mapping)
    taps = newest_taps(folder)
    pulls = newest_pulls(folder, until=dt.date.max)
    return RunFiles(info, plan, stand, calibrations, pulls, None if taps is None else taps[1])


def open_run(folder: Path, *, verify: bool = True) -> Run:
    """Open a sealed run.

    Parameters
    ----------
    folder : Path
        ``CAMPAIGN/runs/DATE_NUMBER``.
    verify : bool
        Hash every file against the manifest first; without it only what is read can be found damaged.

    Raises
    ------
    RecordError
        Not a run, not sealed, damaged, or changed since it was sealed.
    """
    if not (folder / RUN_FILE).is_file():
        raise RecordError(f"{folder}: no {RUN_FILE}; give a run folder, CAMPAIGN/runs/DATE_NUMBER")
    manifest = check_run(folder) if verify else read_manifest(folder)
    files = read_run_files(folder)
    record = read_record_file(folder / RECORD_FILE)
    added_masses = read_additions(folder, files.plan)  # verifies them
    fills = read_fills(folder)
    for added in fills:
        if record.t_zero is None and added.fill.t_zero is not None:
            record = record.model_copy(update={"t_zero": added.fill.t_zero, "t_zero_missing": None})
    resolutions = _resolutions(record)
    inputs = tuple(input_of_counts(item, resolutions.get(item.tag, 1.0)) for item in files.stand.input)
    calibrations = {
        tag: calibration_of_counts(c, files.stand.input_tagged(tag), resolutions.get(tag, 1.0))
        for tag, c in files.calibrations.items()
    }
    prediction = folder / PREDICTION_FILE
    return Run(
        folder=folder,
        info=files.info,
        plan=files.plan,
        stand=files.stand.model_copy(update={"input": inputs}),
        calibrations=calibrations,
        pulls=files.pulls,
        taps=files.taps,
        prediction_text=prediction.read_text("utf-8") if prediction.is_file() else None,
        record=record,
        weighings=added_masses.tanks,
        check_weights=added_masses.check_weights,
        throat_after=added_masses.throat_after,
        scale_u=added_masses.scale_u,
        manifest=manifest,
        fills=fills,
    )


def _resolutions(record: RecordSummary) -> dict[str, float]:
    return {
        channel.tag: channel.resolution
        for device in record.devices.values()
        for stream in device.streams.values()
        for channel in stream.channels
        if channel.tag is not None
    }


def seal_run(folder: Path) -> Manifest:
    """Write the manifest over all files of a run, which are not changed from here on."""
    return write_manifest(folder, leave_out=ASIDE)


def check_run(folder: Path) -> Manifest:
    """Check every sealed file of a run against its manifest.

    Raises
    ------
    RecordError
        Names what changed, is missing or was added.
    """
    return verify_manifest(folder, leave_out=ASIDE)
