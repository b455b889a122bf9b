"""Whatever write the disk refuses, nothing is torn: what was there stands, what is new is whole or not there."""

import errno
import hashlib
import os
import shutil
from pathlib import Path

import pytest

from standbook.analysis.analyse import analyse_run
from standbook.analysis.report.write import write_report
from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import StandError
from standbook.daq.run.lock import check_lock, lock_campaign
from standbook.daq.run.revision import open_revision, revisions_of
from standbook.daq.run.run_folder import check_run
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST
from tests.recorded_run import NOW, TODAY
from tests.repository import ROOT

WRITES = ((os, "fsync"), (Path, "replace"), (Path, "write_bytes"), (Path, "write_text"), (Path, "mkdir"))
WF_03 = next((ROOT / "sample_runs" / "teasel-2" / "runs").glob("*WF-03*"))


class Disk:
    """Counts what a program asks of the disk, and refuses one of it, and then all."""

    def __init__(self, patch, refuses_from=None):
        self.asked = 0
        self._refuses_from = refuses_from
        for owner, name in WRITES:
            patch.setattr(owner, name, self._watched(getattr(owner, name)))

    def _watched(self, original):
        def call(*arguments, **options):
            self.asked += 1
            if self._refuses_from is not None and self.asked >= self._refuses_from:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return original(*arguments, **options)

        return call


def seen(folder):
    """Every file that a person sees in a folder, with its content; what is half made has a hidden name."""
    found = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if path.is_file() and not any(part.startswith(".") for part in parts):
            found["/".join(parts)] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def sealed(folder):
    seal(folder / "run")


def unsealed(folder):
    shutil.copytree(WF_03, folder / "run")
    for name in ("analysis", "additions", "samples"):
        shutil.rmtree(folder / "run" / name, ignore_errors=True)
    for name in (MANIFEST, "record.json"):
        (folder / "run" / name).unlink()


def analysed(folder):
    analyse_run(folder / "run")


def reported(folder):
    write_report(folder / "run", now=NOW)


def as_sample(folder):
    shutil.copytree(WF_03, folder / "run")


def locked(folder):
    campaign = read_campaign(folder / "teasel-2" / "plans" / "WF-03.toml", today=TODAY)
    lock_campaign(campaign, {"a": 1}, now=NOW, replace=True)


def locked_before(folder):
    write_campaign(folder, today=TODAY)
    locked(folder)


def is_whole(folder):
    """Hold every seal in a folder to what it covers."""
    run = folder / "run"
    if (run / MANIFEST).exists():
        check_run(run)
        for revision in revisions_of(run):
            open_revision(run, revision)
    if (folder / "teasel-2").exists():
        check_lock(read_campaign(folder / "teasel-2" / "plans" / "WF-03.toml", today=TODAY))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("prepare", "work", "may_replace"),
    [
        (unsealed, sealed, ()),
        (as_sample, analysed, ()),
        (as_sample, reported, ("report_rev-A.html",)),
        (locked_before, locked, ()),
    ],
    ids=["seal", "analyse", "report", "lock"],
)
def test_a_disk_that_refuses_any_write_leaves_what_was_there_and_nothing_torn(
    tmp_path, monkeypatch, prepare, work, may_replace
):
    prepare(tmp_path / "clean")
    with monkeypatch.context() as patch:
        disk = Disk(patch)
        work(tmp_path / "clean")
    assert disk.asked >= 3
    for number in range(1, disk.asked + 1):
        place = tmp_path / f"refused-{number}"
        prepare(place)
        before = seen(place)
        with monkeypatch.context() as patch:
            Disk(patch, refuses_from=number)
            with pytest.raises(StandError) as refusal:
                work(place)
        assert "\n" not in str(refusal.value)
        after = seen(place)
        kept = {name: content for name, content in before.items() if not name.endswith(may_replace)}
        assert {name: after.get(name) for name in kept} == kept, number
        is_whole(place)
        shutil.rmtree(place)
