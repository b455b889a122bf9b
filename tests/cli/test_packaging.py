"""The wheel: one import name, everything they read beside them, and nothing of the house it was built in."""

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path, PurePosixPath

import pytest

from tests.repository import ROOT

PACKAGES = ("analysis", "cli", "daq")
PUBLIC = "standbook/analysis/public.py"  # becomes standbook/__init__.py
LEFT_OUT = (
    ".git",
    ".venv",
    ".*_cache",
    ".hypothesis",
    ".coverage*",
    "__pycache__",
    "build",
    "dist",
    "*.egg-info",
)  # what is no part of a fresh clone


def built(sources, folder):
    """Build a wheel from sources; return its path."""
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", str(folder), str(sources)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = folder.glob("*.whl")
    return made


def names_in(wheel):
    with zipfile.ZipFile(wheel) as archive:
        return sorted(name for name in archive.namelist() if not name.endswith("/"))


@pytest.fixture(scope="module")
def sources(tmp_path_factory):
    """A fresh clone, as far as a build can tell."""
    return shutil.copytree(
        ROOT, tmp_path_factory.mktemp("sources") / "clone", symlinks=True, ignore=shutil.ignore_patterns(*LEFT_OUT)
    )


@pytest.fixture(scope="module")
def wheel(sources, tmp_path_factory):
    return built(sources, tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def names(wheel):
    return names_in(wheel)


@pytest.fixture(scope="module")
def unpacked(wheel, tmp_path_factory):
    folder = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


def standbook(unpacked, cwd, *arguments):
    """Run the unpacked wheel from a folder that holds nothing of ours."""
    environment = {**os.environ, "PYTHONPATH": str(unpacked)}
    command = [sys.executable, "-P", "-m", "standbook.cli", *arguments]
    return subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)


def test_it_is_of_every_python_and_every_system(wheel):
    assert wheel.name.startswith("standbook-")
    assert wheel.name.endswith("-py3-none-any.whl")


def test_one_name_and_the_metadata_stand_at_the_top(names):
    tops = {PurePosixPath(name).parts[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"standbook"}
    assert len(tops) == 2


def test_every_file_of_the_packages_is_in_it_and_no_other(names):
    """What git ignores is not of the packages; what is kept, module or template or page, is."""
    here = {
        f"standbook/{path.relative_to(ROOT).as_posix()}"
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert {name for name in names if ".dist-info/" not in name} == here - {PUBLIC} | {"standbook/__init__.py"}


@pytest.mark.parametrize(
    "name",
    [
        "standbook/daq/py.typed",
        "standbook/analysis/py.typed",
        "standbook/cli/py.typed",
        "standbook/cli/guide/cautions.md",
        "standbook/cli/starter_files/stand.toml",
        "standbook/cli/starter_files/HF-02.toml",
        "standbook/analysis/report/templates/report.html.j2",
    ],
)
def test_what_the_commands_read_is_inside(names, name):
    assert name in names


def test_no_test_is_inside(names):
    stems = {name: PurePosixPath(name).stem for name in names}
    assert [name for name, stem in stems.items() if stem.startswith(("test_", "bench_")) or stem == "conftest"] == []


def test_the_command_and_the_licence_are_declared(wheel):
    with zipfile.ZipFile(wheel) as archive:
        (info,) = {name.partition("/")[0] for name in archive.namelist() if ".dist-info/" in name}
        assert archive.read(f"{info}/entry_points.txt").decode().split() == [
            "[console_scripts]",
            "standbook",
            "=",
            "standbook.cli.start:main",
        ]
        metadata = archive.read(f"{info}/METADATA").decode()
        assert "License-Expression: MIT" in metadata
        assert "Requires-Python: >=3.11" in metadata
        assert any(name.startswith(f"{info}/licenses/LICENSE") for name in archive.namelist())


def test_the_unpacked_wheel_is_what_runs(unpacked, tmp_path):
    environment = {**os.environ, "PYTHONPATH": str(unpacked)}
    code = "from standbook import analysis, cli, daq; print(*(m.__path__[0] for m in (analysis, cli, daq)), sep='\\n')"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == [str(unpacked / "standbook" / package) for package in PACKAGES]


@pytest.mark.slow
def test_help_guide_new_and_predict_work_away_from_the_sources(unpacked, tmp_path):
    shown = standbook(unpacked, tmp_path, "--help")
    assert shown.returncode == 0, shown.stderr
    assert "analyse" in shown.stdout
    page = standbook(unpacked, tmp_path, "guide", "cautions")
    assert page.returncode == 0, page.stderr
    assert "relief valves" in page.stdout
    made = standbook(unpacked, tmp_path, "new", "teasel-2")
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "teasel-2/calibrations/LC-1_r04.toml").is_file()
    predicted = standbook(unpacked, tmp_path, "predict", "teasel-2/plans/WF-03.toml")
    assert predicted.returncode == 0, predicted.stderr
    assert "Expelled" in predicted.stdout


@pytest.mark.slow
def test_a_build_leaves_the_clone_clean_and_a_second_one_ships_no_module_that_was_deleted(sources, tmp_path):
    def files():
        return {path.relative_to(sources) for path in sources.rglob("*")}

    before = files()
    module = sources / "daq" / "wire" / "gone_tomorrow.py"
    module.write_text('"""Here today."""\n', encoding="utf-8")
    assert "standbook/daq/wire/gone_tomorrow.py" in names_in(built(sources, tmp_path / "first"))
    module.unlink()
    assert "standbook/daq/wire/gone_tomorrow.py" not in names_in(built(sources, tmp_path / "second"))
    assert files() == before


def foreign_wheel(folder, name):
    """A distribution of somebody else's that owns a top-level name."""
    path = folder / f"{name}_of_others-1.0-py3-none-any.whl"
    info = f"{name}_of_others-1.0.dist-info"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(f"{name}/__init__.py", "raise SystemExit('not ours')\n")
        archive.writestr(f"{info}/METADATA", f"Metadata-Version: 2.1\nName: {name}-of-others\nVersion: 1.0\n")
        archive.writestr(f"{info}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        archive.writestr(f"{info}/RECORD", "")
    return path


@pytest.mark.slow
def test_the_demo_runs_beside_distributions_that_own_the_names_of_our_folders(wheel, tmp_path):
    """In an environment of its own, which is lent what standbook needs, and in a folder with a package of our name."""
    place = tmp_path / "environment"
    (tmp_path / "standbook").mkdir()
    (tmp_path / "standbook/__init__.py").write_text("raise SystemExit('not ours')\n", encoding="utf-8")
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(place)], check=True)
    python = place / "bin" / "python"
    (site,) = (place / "lib").glob("python*/site-packages")
    lent = [path for path in sys.path if path.endswith("site-packages")]
    (site / "lent.pth").write_text("\n".join(lent) + "\n", encoding="utf-8")
    archives = [str(wheel), str(foreign_wheel(tmp_path, "daq")), str(foreign_wheel(tmp_path, "analysis"))]
    pip = [sys.executable, "-m", "pip", "--python", str(python)]
    command = [*pip, "install", "--quiet", "--no-deps", "--force-reinstall", *archives]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    where = subprocess.run(
        [str(python), "-P", "-c", "import standbook; print(standbook.__file__)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(where.stdout.strip()).is_relative_to(site)
    command = [str(place / "bin" / "standbook"), "demo", "--time-scale", "20"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    report = Path(done.stdout.rstrip().rpartition("Report: ")[2])
    assert report.is_relative_to(tmp_path)
    assert "REHEARSAL" in report.read_text(encoding="utf-8")
