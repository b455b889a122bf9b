"""The direction of imports is the architecture; these tests read it from the source."""

import ast
import subprocess
import sys

import pytest

from tests.repository import ROOT

PACKAGES = ("daq", "analysis", "cli")
ALLOWED = {"daq": {"daq"}, "analysis": {"analysis", "daq"}, "cli": {"cli", "analysis", "daq"}}
VOCABULARY = {"errors", "quantity", "document", "plan", "stand", "calibration", "channels", "campaign"}
FROM_DAQ_TO_ANALYSIS = VOCABULARY | {"run", "revision"}  # the run folder: the record, and what is added to it
SCENARIO_ALSO = {"rehearsal"}  # the made-up stand hands its table to the device that plays it


def modules(package):
    return sorted((ROOT / package).rglob("*.py"))


def imported(path):
    """Every module name that a file imports, ours without ``standbook.``, wherever in the file the import stands."""
    yield from (name.removeprefix("standbook.") for name in names_of(path))


def names_of(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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


def test_vocabulary_imports_nothing_of_ours_but_itself():
    wrong = [
        (name, other)
        for name in VOCABULARY
        for other in imported(ROOT / "daq" / f"{name}.py")
        if other.split(".")[0] in PACKAGES and other.count(".") >= 1 and other.split(".")[1] not in VOCABULARY
    ]
    assert wrong == []


def test_analysis_takes_from_daq_only_the_vocabulary_and_the_run_folder():
    wrong = []
    for path in modules("analysis"):
        allowed = FROM_DAQ_TO_ANALYSIS | (SCENARIO_ALSO if "scenario" in path.parts else set())
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "daq" and len(parts) > 1 and parts[1] not in allowed:
                wrong.append((str(path.relative_to(ROOT)), name))
    assert wrong == []


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
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert len(body) == 1, path
        assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))), path


@pytest.mark.parametrize("package", PACKAGES)
def test_no_module_is_named_after_nothing(package):
    banned = {"utils", "util", "common", "helpers", "misc", "base", "core"}
    assert [p.name for p in (ROOT / package).rglob("*.py") if p.stem in banned] == []


@pytest.mark.parametrize("package", ["daq", "analysis"])
def test_libraries_print_nothing(package):
    calls = [
        (path.name, node.lineno)
        for path in modules(package)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert calls == []


def test_analysis_and_report_load_with_the_serial_driver_blocked():
    names = [
        "standbook." + ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in modules("analysis")
        if path.stem != "__init__" and "scenario" not in path.parts
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
