"""A report as PDF: which browser prints, and what is said and left where it does not."""

import os
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from standbook.analysis.report import write  # loaded before a test is timed
from standbook.cli import print_pdf as printing
from standbook.cli.main import run
from standbook.cli.print_pdf import find_browser, print_pdf
from standbook.daq.errors import StandError, UsageError
from tests.browser import EXECUTABLE

PRINTS = """import sys
place = next(a for a in sys.argv if a.startswith("--print-to-pdf=")).partition("=")[2]
assert sys.argv[-1].startswith("file:///"), sys.argv
open(place, "wb").write(b"%PDF-1.4 " + b"x" * 2000 + b" %%EOF")
"""
posix = pytest.mark.skipif(
    os.name != "posix", reason="the simulated browsers are scripts that only such a system starts"
)


@pytest.fixture
def page(tmp_path):
    place = tmp_path / "report_rev-A.html"
    place.write_text("<!doctype html><title>x</title><p>One page.", encoding="utf-8")
    return place


def made_browser(tmp_path, code, name="chromium"):
    """A program that does what is asked of it in place of a browser."""
    place = tmp_path / "bin" / name
    place.parent.mkdir(exist_ok=True)
    place.write_text(f"#!{sys.executable}\n{code}", encoding="utf-8")
    place.chmod(place.stat().st_mode | stat.S_IXUSR)
    return place


def left_in(folder):
    return sorted(path.name for path in folder.iterdir() if path.is_file())


@posix
def test_a_browser_prints_beside_the_page(page, tmp_path):
    place = print_pdf(page, made_browser(tmp_path, PRINTS))
    assert place == page.with_suffix(".pdf")
    assert place.read_bytes().startswith(b"%PDF-")
    assert left_in(tmp_path) == ["report_rev-A.html", "report_rev-A.pdf"]


@posix
@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("raise SystemExit(3)", "ended with code 3"),
        ("pass", "left no whole PDF"),
        (PRINTS.replace("%%EOF", ""), "left no whole PDF"),
        (PRINTS.replace("%PDF-", "<html>"), "left no whole PDF"),
    ],
)
def test_a_browser_that_fails_leaves_no_pdf_and_says_what_to_do(page, tmp_path, code, said):
    with pytest.raises(StandError, match=said) as raised:
        print_pdf(page, made_browser(tmp_path, code))
    assert "open " in str(raised.value)
    assert "in a browser and print it" in str(raised.value)
    assert raised.value.exit_code == 9
    assert left_in(tmp_path) == ["report_rev-A.html"]


@posix
def test_an_older_pdf_stays_where_a_browser_fails(page, tmp_path):
    older = page.with_suffix(".pdf")
    older.write_bytes(b"%PDF- of before %%EOF")
    with pytest.raises(StandError):
        print_pdf(page, made_browser(tmp_path, "raise SystemExit(1)"))
    assert older.read_bytes() == b"%PDF- of before %%EOF"


def is_gone(pid):
    """Tell whether a process ended; one that nobody has waited for yet counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@posix
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="asks the system for a process by its number")
def test_a_browser_that_hangs_is_ended_with_all_that_it_started(page, tmp_path, monkeypatch):
    told = tmp_path / "child"
    code = (
        "import os, subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(told) + '.new'!r}, 'w').write(str(child.pid))\n"
        f"os.rename({str(told) + '.new'!r}, {str(told)!r})\n"
        "time.sleep(600)"
    )
    wait = subprocess.Popen.wait

    def wait_for_the_child(process, timeout=None):
        while timeout is not None and not told.exists():
            time.sleep(0.01)
        return wait(process, timeout)

    monkeypatch.setattr(subprocess.Popen, "wait", wait_for_the_child)
    with pytest.raises(StandError, match="did not print within"):
        print_pdf(page, made_browser(tmp_path, code), patience=0.05)
    assert left_in(tmp_path) == ["child", "report_rev-A.html"]
    pid = int(told.read_text(encoding="utf-8"))
    while not is_gone(pid):  # the kernel takes its time
        time.sleep(0.01)


@posix
def test_what_cannot_be_started_is_said(page, tmp_path):
    place = made_browser(tmp_path, "")
    place.write_bytes(b"\x7fELF no program")
    with pytest.raises(StandError, match="cannot be run"):
        print_pdf(page, place)


@posix
def test_the_first_browser_on_the_path_prints(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    assert find_browser() is None
    edge = made_browser(tmp_path, "", "msedge")
    assert find_browser() == edge
    assert find_browser(made_browser(tmp_path, "", "own")) == tmp_path / "bin" / "own"
    assert find_browser() == edge
    assert find_browser(tmp_path / "bin" / "own").name == "own"
    chromium = made_browser(tmp_path, "", "chromium")
    assert find_browser() == chromium


def test_a_named_browser_that_is_none_is_refused(tmp_path):
    with pytest.raises(UsageError, match="is no program that can be run"):
        find_browser(tmp_path)


@posix
def test_no_sandbox_is_given_up_except_for_root(page, tmp_path, monkeypatch):
    command = printing._command(Path("/bin/x"), page, page.with_suffix(".pdf"), "profile")
    assert ("--no-sandbox" in command) is (os.geteuid() == 0)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert "--no-sandbox" not in printing._command(Path("/bin/x"), page, page.with_suffix(".pdf"), "profile")


@pytest.fixture
def written(page, monkeypatch):
    """A command line whose report is written already."""
    monkeypatch.setattr(write, "write_report", lambda *_, **__: page)
    return page


@posix
def test_the_command_prints_and_says_where(written, tmp_path, capsys):
    browser = made_browser(tmp_path, PRINTS)
    assert run(["report", "x", "--pdf", "--browser", str(browser)]) == 0
    assert f"Printed: {written.with_suffix('.pdf')}" in capsys.readouterr().out


def test_without_a_browser_the_page_is_written_and_the_command_says_so(written, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert run(["report", "x", "--pdf"]) == 10
    told = capsys.readouterr()
    assert f"Report: {written}" in told.out
    assert "open it and print" in told.err
    assert not written.with_suffix(".pdf").exists()


@posix
def test_a_browser_that_fails_ends_the_command_in_its_code(written, tmp_path, capsys):
    assert run(["report", "x", "--pdf", "--browser", str(made_browser(tmp_path, "raise SystemExit(1)"))]) == 9
    assert "ended with code 1" in capsys.readouterr().err


def test_a_browser_without_a_pdf_to_print_is_refused(written, capsys):
    assert run(["report", "x", "--browser", "chromium"]) == 2
    assert "add --pdf" in capsys.readouterr().err


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.skipif(EXECUTABLE is None, reason="needs a browser: apt-get update && apt-get install -y chromium")
def test_the_browser_that_is_installed_prints(page):
    found = find_browser()
    assert found is not None
    assert found == Path(shutil.which(found.name))
    assert print_pdf(page, found).read_bytes().startswith(b"%PDF-")
    assert left_in(page.parent) == ["report_rev-A.html", "report_rev-A.pdf"]
