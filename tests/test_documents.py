"""README and DEVELOPERS.md say what is there: links, modules, names, commands, decisions that are numbers."""

import re

import pytest

from standbook.analysis.blowdown.exponent import LAW_MISFIT
from standbook.analysis.blowdown.joint_fit import LAW_FREEDOM
from standbook.analysis.kinds.registry import SAMPLES
from standbook.daq import errors
from standbook.daq.journal.record_format import ROW_OVERHEAD
from standbook.daq.recovery.device_clock import AGREEMENT
from tests.repository import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


EXIT_CRASH = 1  # Python's own


def section(number):
    return DEVELOPERS.partition(f"\n## {number}. ")[2].partition("\n## ")[0]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_relative_links_lead_somewhere(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    links = [link.partition("#")[0] for link in re.findall(r"\]\(([^)\s]+)\)", text) if "://" not in link]
    assert name != "README.md" or len(links) >= 3
    assert [link for link in links if link and not (ROOT / link).exists()] == []


def test_paths_into_the_samples_lead_somewhere():
    folders = re.findall(r'Path\("(sample_runs/[^"]*)"\)\.glob\("([^"]*)"\)', README)
    assert folders
    assert [(place, name) for place, name in folders if not list((ROOT / place).glob(name))] == []


def test_the_two_commands_stand_between_their_marks():
    for number in (1, 2):
        block = README.partition(f"<!-- command {number} -->\n```sh\n")[2].partition("\n```")[0]
        assert block.startswith("python3 -m venv .venv && "), number
        assert "\n" not in block
    assert ". .venv/bin/activate" in README


def test_the_exit_codes_of_the_readme_are_those_of_the_error_tree():
    printed = {int(code): meaning for code, meaning in re.findall(r"^\| (\d+) \| (.+) \|$", README, re.MULTILINE)}
    branches = {branch.exit_code for branch in errors.StandError.__subclasses__()}
    own = {errors.EXIT_FINE, EXIT_CRASH, errors.EXIT_USAGE, errors.StandError.exit_code, errors.EXIT_FINDINGS}
    assert set(printed) == branches | own
    assert "| 128+N |" in README


@pytest.mark.parametrize("package", ["daq", "analysis"])
def test_the_map_of_the_house_names_every_folder(package):
    mapped = set(re.findall(rf"^\| `({package}/[a-z_/]+)` \|", section(1), re.MULTILINE))
    there = {
        path.parent.relative_to(ROOT).as_posix()
        for path in (ROOT / package).rglob("*.py")
        if path.parent != ROOT / package
    }
    assert there - mapped == set(), "missing in DEVELOPERS.md"


def test_the_map_of_the_house_names_every_command_file():
    part = section(1).partition("### cli:")[2]
    there = {path.stem for path in (ROOT / "cli").glob("*.py") if path.stem != "__init__"}
    assert there - set(re.findall(r"`([a-z_]+)`", part)) == set(), "missing in DEVELOPERS.md"


def identifiers(source_nodes):
    for nodes in source_nodes.values():
        for node in nodes:
            for field in ("arg", "id", "attr", "name"):
                name = getattr(node, field, None)
                if isinstance(name, str):
                    yield name


def test_every_name_of_the_nomenclature_is_one_that_the_code_uses(source_nodes):
    names = re.findall(r"`([A-Za-z_]+)`", "\n".join(re.findall(r"^\|([^|]*)\|", section(3), re.MULTILINE)))
    assert len(names) > 35
    assert set(names) - set(identifiers(source_nodes)) == set()


def test_commands_of_the_checks_exist():
    told = section(5)
    commands = [name for name in re.findall(r"-m (tests\.[a-z_.]+)", told) if not name.endswith(".")]
    table = told[told.index("| what | NAME |") :].partition("\n\n")[0]
    commands += [f"tests.studies.{name}" for name in re.findall(r"`([a-z_]+)[^`]*`", table)]
    commands += [f"tests.benchmarks.{name}" for name in re.findall(r"`(bench_[a-z_]+)", told)]
    assert len(commands) >= 7
    assert [name for name in commands if not (ROOT / (name.replace(".", "/") + ".py")).is_file()] == []
    written = {
        f"tests.{p.parent.name}.{p.stem}"
        for k in ("studies", "benchmarks")
        for p in (ROOT / "tests" / k).glob("[!t_]*.py")
    }
    assert written - set(commands) == set()
    assert (ROOT / ".ci" / "run").is_file()


def test_decisions_that_are_numbers_are_those_of_the_code():
    said = " ".join(section(6).split())
    assert f"{ROW_OVERHEAD} bytes a record" in said
    assert f"hypercube of {SAMPLES} draws" in said
    assert f"Beyond {AGREEMENT:g} combined u" in said
    assert f"{100 * LAW_MISFIT:g} % of the squared log ratio" in said
    assert LAW_FREEDOM == 5.0
    assert "five independent points" in said


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_lines_outside_tables_fit_a_screen(name):
    lines = (ROOT / name).read_text(encoding="utf-8").splitlines()
    assert [(n, len(line)) for n, line in enumerate(lines, 1) if len(line) > 120 and not line.startswith("|")] == []
