"""What every command shares: the report's way into a browser, sentences within 80 columns."""

import fcntl
import os
import pty
import struct
import subprocess
import sys
import termios
import webbrowser

import pytest

from standbook.cli.main import run
from standbook.cli.screen import hanging, open_page, say_wrapped
from tests.repository import ROOT


@pytest.mark.parametrize("found", [True, False])
def test_a_report_opens_in_a_browser_and_where_there_is_none_one_sentence_says_so(tmp_path, monkeypatch, capsys, found):
    opened = []
    monkeypatch.setattr(webbrowser, "open", lambda address: bool(opened.append(address)) or found)
    page = tmp_path / "report_rev-A.html"
    open_page(page)
    assert opened == [page.as_uri()]
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == (
        [] if found else ["No browser can be started here: open the report named above in one."]
    )


def test_a_long_sentence_stays_within_80_columns_and_whole(capsys):
    sentence = "By the cell 17.77 +/- 0.26 kg, by containers 17.690 +/- 0.108 kg, which lead: " + "they agree " * 9
    say_wrapped([sentence, "Quiet."])
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert " ".join(" ".join(lines).split()) == f"{sentence}Quiet."
    assert [line[:4].strip() == "" for line in lines] == [False, True, True, False]


def test_a_line_breaks_between_words_hangs_by_two_and_what_is_copied_stays_whole():
    line = "  oxidiser tank: " + "word " * 30
    broken = hanging(line.rstrip(), 80).split("\n")
    assert max(map(len, broken)) <= 80
    assert broken[0].startswith("  oxidiser")
    assert all(part.startswith("    word") for part in broken[1:])
    assert " ".join(" ".join(broken).split()) == " ".join(line.split())
    copied = "Next: standbook analyse " + "folder/" * 20
    assert hanging(copied, 80) == copied
    path = "Report: /" + "folder/" * 20
    assert "".join(hanging(path, 80).split()) == "".join(path.split())
    assert hanging("short", 80) == "short"


def on_a_terminal(*arguments, columns=80):
    """Run a command on a pseudo-terminal; its lines, of both outputs."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    command = [sys.executable, "-m", "standbook.cli", *map(str, arguments)]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment, cwd=ROOT) as process:
        os.close(theirs)
        said = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            said += part
        process.wait()
    os.close(ours)
    return said.decode().replace("\r\n", "\n").split("\n")


RUNS = sorted((ROOT / "sample_runs/teasel-2/runs").glob("*_rehearsal"))
PLAN = ROOT / "sample_runs/teasel-2/plans/HF-02.toml"


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [
        ("predict", PLAN),
        ("quick", next(run for run in RUNS if "_HF-02_r" in run.name)),
        ("compare", *[run for run in RUNS if "_WF-0" in run.name]),
        ("runs", PLAN.parent.parent, "--rehearsals"),
        ("verify", next(run for run in RUNS if "_WF-03" in run.name)),
        ("next-load", PLAN),
        ("analyse", PLAN),
        ("ports",),
    ],
    ids=lambda arguments: arguments[0],
)
def test_at_80_columns_no_line_is_wider(arguments):
    wide = [
        line
        for line in on_a_terminal(*arguments)
        if len(line) > 80 and not line.lstrip().startswith("Next: ") and " " in line.strip()
    ]
    assert wide == []


@pytest.mark.parametrize("command", ["predict", "lock", "record", "watch", "export"])
@pytest.mark.parametrize(
    ("units", "words"),
    [("psig", 'unknown unit "psig"'), ("psi,bar", "psi and bar are two units of pressure; give one of them")],
)
def test_units_that_are_none_are_one_sentence_before_anything_is_read(tmp_path, capsys, command, units, words):
    assert run([command, str(tmp_path), "--units", units]) == 2
    said = capsys.readouterr().err
    assert f"--units {units}: " in said
    assert words in said
    assert list(tmp_path.iterdir()) == []
