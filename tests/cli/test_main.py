"""Where errors become exit codes, and what merely starting the command costs."""

import ast
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from standbook.cli import main
from standbook.cli.commands import COMMANDS, PHASES
from standbook.cli.main import run
from standbook.daq.capture import serial_port
from standbook.daq.errors import ConfigError, DataError, FrameError, LinkError, RecordError, StandError
from tests.cli.made_run import standbook
from tests.repository import ROOT, tree_of

ENDS = {"typer.Exit", "sys.exit", "os._exit", "SystemExit", "exit"}
HEAVY = {
    "numpy",
    "pandas",
    "scipy",
    "pyarrow",
    "matplotlib",
    "CoolProp",
    "pydantic",
    "jinja2",
    "serial",
}
OURS = {
    "standbook.daq",
    "standbook.daq.errors",
    "standbook.daq.printable",
}  # all of ours, besides the command files, that a start may load


def failing(monkeypatch, error):
    def fail():
        raise error

    monkeypatch.setattr(serial_port, "list_ports", fail)


@pytest.mark.parametrize(
    ("branch", "code"),
    [(ConfigError, 3), (LinkError, 4), (FrameError, 5), (RecordError, 6), (DataError, 7), (StandError, 9)],
)
def test_each_branch_of_the_error_tree_ends_in_its_code_and_its_sentence(monkeypatch, capsys, branch, code):
    failing(monkeypatch, branch("PT-11: it broke"))
    assert run(["ports"]) == code
    assert capsys.readouterr().err == "standbook: PT-11: it broke\n"


def test_every_fault_of_a_file_has_a_line_of_its_own(monkeypatch, capsys):
    failing(monkeypatch, ConfigError("first", "second"))
    assert run(["ports"]) == 3
    assert capsys.readouterr().err == "standbook: first\nstandbook: second\n"


def test_an_error_nobody_foresaw_passes_through(monkeypatch):
    failing(monkeypatch, ZeroDivisionError("ours"))
    with pytest.raises(ZeroDivisionError, match="ours"):
        run(["ports"])


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [("ZeroDivisionError('ours')", 1, "Traceback"), ("KeyboardInterrupt", 130, "standbook: stopped")],
)
def test_a_crash_ends_in_1_with_its_traceback_and_an_interrupt_in_130(error, code, words):
    program = (
        "import sys, standbook.daq.capture.serial_port, standbook.cli.main\n"
        f"def fail(): raise {error}\n"
        "standbook.daq.capture.serial_port.list_ports = fail\nsys.argv[1:] = ['ports']\nstandbook.cli.main.main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert words in done.stderr
    assert ("Traceback" in done.stderr) == (code == 1)


@pytest.mark.parametrize("arguments", [["ports"], ["guide", "files"], ["--help"]])
def test_a_reader_that_has_gone_ends_the_command_quietly(arguments):
    process = standbook(*arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    process.stdout.close()
    assert process.wait(60) == 141  # 128 + SIGPIPE
    assert process.stderr.read() == ""
    process.stderr.close()


def test_usage_errors_name_what_is_wrong_and_end_in_2(capsys):
    for arguments, words in (
        (["nope"], "No such command 'nope'"),
        (["predict"], "Missing argument 'PLAN'"),
        (["record", "plan.toml", "--for", "-1"], "--for"),
        (["rehearse", "plan.toml", "--time-scale", "0"], "--time-scale"),
        (["new", "a", "b"], "unexpected extra argument"),
    ):
        assert run(arguments) == 2
        assert words in capsys.readouterr().err


@pytest.fixture
def own_signals():
    """What the command does to signals ends with the test."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.usefixtures("own_signals")
def test_main_takes_its_arguments_from_the_command_line(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["standbook", "guide"])
    with pytest.raises(SystemExit) as end:
        main.main()
    assert end.value.code == 0
    assert "cautions" in capsys.readouterr().out


def loaded_by(*arguments):
    """What is loaded when a command has said what it is."""
    program = (
        "import sys\nfrom standbook.cli.main import run\n"
        f"run({list(arguments)!r})\nprint(*sorted(sys.modules), sep='\\n', file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def ours(loaded):
    return {name for name in loaded if name.split(".")[:2] in (["standbook", "daq"], ["standbook", "analysis"])}


def test_the_list_of_commands_loads_no_command():
    loaded = loaded_by("--help")
    assert loaded & HEAVY == set()
    assert ours(loaded) == OURS
    assert {name for name in loaded if name.startswith("standbook.cli.")} == {
        "standbook.cli.commands",
        "standbook.cli.main",
    }


@pytest.fixture(scope="module")
def loaded_by_help():
    """What each command has loaded when it has said its help, by command; each forks from what they all load."""
    program = """
import json, os, sys
from standbook.cli.main import run
for command in sys.argv[1:]:
    if os.fork() == 0:
        run([command, "--help"])
        sys.stderr.write(json.dumps([command, sorted(sys.modules)]) + "\\n")
        sys.stderr.flush()
        os._exit(0)
    os.wait()
"""
    command = [sys.executable, "-c", program, *COMMANDS]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return {command: set(names) for command, names in map(json.loads, done.stderr.splitlines())}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the system's processes cannot fork")
@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_a_command_s_help_loads_that_command_and_nothing_heavy(loaded_by_help, command):
    loaded = loaded_by_help[command]
    assert f"standbook.cli.{COMMANDS[command].module}" in loaded
    assert loaded & HEAVY <= {"pydantic"}  # the command-line library checks arguments by it
    assert ours(loaded) <= OURS
    others = {f"standbook.cli.{other.module}" for name, other in COMMANDS.items() if name != command}
    used = {"standbook.cli.record", "standbook.cli.rehearse"} if command == "demo" else set()
    assert loaded & others - used == set()


def test_lines_of_the_list_of_commands_fit_it(capsys):
    assert run(["--help"]) == 0
    shown = capsys.readouterr().out
    assert [name for name, command in COMMANDS.items() if command.line not in shown] == []


def test_the_version_names_program_commit_and_python(capsys):
    assert run(["--version"]) == 0
    assert re.fullmatch(
        r"standbook \d+\.\d+\S*( \([0-9a-f]{7,}(-dirty)?\))?, Python 3\.\d+\.\d+\n", capsys.readouterr().out
    )


def test_commands_end_with_no_code_of_their_own():
    """What they end with is named in the error tree, whose table in the README is whole."""
    given = {}
    for path in (ROOT / "cli").glob("*.py"):
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ENDS:
                given.setdefault(path.name, set()).update(map(ast.unparse, node.args))
    assert given.pop("main.py") == {"code"}
    assert given.pop("start.py") == {"128 + (stopped.args[0] if stopped.args else signal.SIGINT)"}
    named = {"EXIT_FINDINGS", "found.exit_code"}
    assert {code for codes in given.values() for code in codes} == named
    assert len(given) >= 5


def test_the_readme_names_the_signals_that_end_a_command():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    ends = (signal.SIGINT, "Ctrl-C"), (main.SIGPIPE, "nobody reads the output"), (signal.SIGTERM, "terminated")
    said = ", ".join(f"{main.EXIT_SIGNAL + number} {word}" for number, word in ends)
    assert f"| 128+N | ended by signal N: {said} |" in readme


def test_a_sentence_of_thousands_of_letters_loses_its_middle(monkeypatch, capsys):
    failing(monkeypatch, ConfigError(f"plan.toml: {'x' * 9000} is no tag; correct it"))
    assert run(["ports"]) == 3
    (line,) = capsys.readouterr().err.splitlines()
    assert len(line) < 1500
    assert line.startswith("standbook: plan.toml: xxx")
    assert line.endswith("xxx is no tag; correct it")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux has a device that is always full")
def test_an_output_that_takes_no_more_is_said():
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        process = standbook("guide", stdout=full, stderr=subprocess.PIPE)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 6
    assert err == "standbook: the output cannot be written: disk full; free some space or choose another disk\n"


def test_the_list_of_commands_goes_by_phase_and_names_each_once(capsys):
    assert run(["--help"]) == 0
    listed = [line for line in capsys.readouterr().out.splitlines() if line.startswith("  ")]
    for name, command in COMMANDS.items():
        assert [line for line in listed if line.split()[0] == name] == [f"  {name:9}  {command.line}"]
    assert sum(len(commands) for commands in PHASES.values()) == len(COMMANDS)
