"""The direction of imports is the architecture; these tests read it from the source."""

import ast
import graphlib
import subprocess
import sys
from functools import cache

import pytest

from tests.repository import ROOT, tree_of

PACKAGES = ("daq", "analysis", "cli")
ALLOWED = {"daq": {"daq"}, "analysis": {"analysis", "daq"}, "cli": {"cli", "analysis", "daq"}}
MOST_MODULES = 12  # in a folder
OPEN_TO_ALL = "daq"  # its own modules are vocabulary: errors, quantities, array types, the clock
PUBLIC_FACE = "analysis/public.py"  # stands above all folders: the build makes it the package itself


def modules(package):
    return sorted((ROOT / package).rglob("*.py"))


@cache
def imported(path):
    """Every module name that a file imports, ours without ``standbook.``, wherever in the file the import stands."""
    return tuple(name.removeprefix("standbook.") for name in names_of(path))


@pytest.fixture(scope="module", autouse=True)
def sources_are_read_once_for_all_tests():
    for package in PACKAGES:
        for path in modules(package):
            imported(path)


def names_of(path):
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_imports_only_downward(package):
    wrong = [
        (path.name, name)
        for path in modules(package)
        for name in imported(path)
        if name.split(".")[0] in PACKAGES and name.split(".")[0] not in ALLOWED[package]
    ]
    assert wrong == []


def folders():
    return sorted({path.parent for package in ("daq", "analysis") for path in modules(package)})


def place(folder):
    return folder.relative_to(ROOT).as_posix()


def folder_of(name):
    """The folder of ours that a module name lies in, ``None`` for anything else."""
    parts = name.split(".")
    while parts and not (ROOT / "/".join(parts)).is_dir():
        parts.pop()
    return "/".join(parts) or None if parts[:1] in (["daq"], ["analysis"]) else None


def arrows(folder):
    """The other folders that the modules of a folder import from."""
    return {
        target
        for path in folder.glob("*.py")
        if path.relative_to(ROOT).as_posix() != PUBLIC_FACE
        for name in imported(path)
        if (target := folder_of(name)) and target != place(folder) and not (ROOT / name.replace(".", "/")).is_dir()
    } - {OPEN_TO_ALL}


def may_import(folder):
    """What the folder says of itself that it may import: the third part of its docstring."""
    text = " ".join(ast.get_docstring(tree_of(folder / "__init__.py")).split())
    listed = text.partition("May import: ")[2].rstrip(".")
    return set() if listed == "nothing but daq" else set(listed.split(", "))


@pytest.mark.parametrize("folder", [f for f in folders() if f.parent != ROOT], ids=place)
def test_a_folder_imports_what_its_docstring_allows_and_allows_no_more(folder):
    """The list of allowed arrows stands where it is read: a new arrow is a new word in the folder's own docstring."""
    assert arrows(folder) == may_import(folder)


def test_no_arrow_between_folders_runs_back():
    graph = {place(folder): arrows(folder) for folder in folders()}
    order = list(graphlib.TopologicalSorter(graph).static_order())  # a circle raises, and names itself
    assert set(graph) <= set(order)


def test_the_vocabulary_imports_nothing_of_ours_but_itself():
    assert arrows(ROOT / "daq") == set()


def test_analysis_takes_from_daq_only_vocabulary_configuration_the_run_folder_and_levels_in_it():
    taken = {
        (place(folder), target)
        for folder in folders()
        if place(folder).startswith("analysis")
        for target in arrows(folder)
        if target.startswith("daq/")
    }
    simulated = {(user, target) for user, target in taken if user == "analysis/simulation"}
    assert {target for _, target in taken - simulated} <= {
        "daq/bench",
        "daq/config",
        "daq/findings",
        "daq/kinds",
        "daq/run",
        "daq/stand_sheets",
    }
    assert {target for _, target in simulated} <= {"daq/config", "daq/kinds", "daq/rehearsal", "daq/wire"}


@pytest.mark.parametrize("folder", folders(), ids=place)
def test_a_folder_holds_at_most_a_dozen_modules(folder):
    assert len([path for path in folder.glob("*.py") if path.stem != "__init__"]) <= MOST_MODULES


@pytest.mark.parametrize(
    ("package", "banned"),
    [("daq", ("matplotlib", "scipy", "analysis", "cli", "typer", "rich")), ("analysis", ("serial", "typer", "rich"))],
)
def test_a_package_keeps_out_what_is_not_its_subject(package, banned):
    wrong = [
        (path.name, name)
        for path in modules(package)
        for name in imported(path)
        if name.split(".")[0] in banned and not name.startswith("scipy.constants") and name != "scipy"
    ]
    wrong += [
        (path.name, "scipy without constants")
        for path in modules(package)
        if package == "daq"
        for name in imported(path)
        if name == "scipy" and "scipy.constants" not in set(imported(path))
    ]
    assert wrong == []


def test_only_the_port_module_imports_the_serial_driver():
    users = [
        p.relative_to(ROOT).as_posix()
        for k in PACKAGES
        for p in modules(k)
        if any(name.split(".")[0] == "serial" for name in imported(p))
    ]
    assert users == ["daq/capture/serial_port.py"]


@pytest.mark.parametrize("package", PACKAGES)
def test_package_init_files_hold_a_docstring_and_nothing_else(package):
    for path in (ROOT / package).rglob("__init__.py"):
        body = tree_of(path).body
        assert len(body) == 1, path
        assert ast.get_docstring(tree_of(path)), path


@pytest.mark.parametrize("package", PACKAGES)
def test_no_module_is_named_after_nothing(package):
    banned = {"utils", "util", "common", "helpers", "misc", "base", "core"}
    assert [p.name for p in (ROOT / package).rglob("*.py") if p.stem in banned] == []


@pytest.mark.parametrize("package", ["daq", "analysis"])
def test_libraries_print_nothing(package):
    calls = [
        (path.name, node.lineno)
        for path in modules(package)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert calls == []


@pytest.mark.slow
def test_analysis_and_report_load_with_the_serial_driver_blocked():
    names = [
        "standbook." + ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in modules("analysis")
        if path.stem != "__init__" and "simulation" not in path.parts
    ]
    code = "import sys; sys.modules['serial'] = None\nimport " + ", ".join(names)
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_word_that_no_screen_may_use_stands_nowhere():
    """A screen reading is never authority to approach."""
    wrong = []
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*"):
            if path.suffix in {".py", ".md", ".j2", ".css", ".toml", ".h", ".c", ".ino"}:
                for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
                    words = line.lower().replace("-", " ").replace("_", " ").replace('"', " ").replace("'", " ").split()
                    if any(w.strip(".,;:()|`") == "safe" for w in words):
                        wrong.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()}")
    assert wrong == []
