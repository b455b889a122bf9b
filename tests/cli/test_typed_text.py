"""Nothing that somebody typed, or a board sent, commands a terminal: live screen, lines, refusals, JSON."""

import ast
import json

import pytest
from rich.text import Text

from standbook.cli import screen
from standbook.cli.main import run
from standbook.cli.painter import Painter
from tests.payloads import PAYLOADS
from tests.repository import ROOT, tree_of

SPEAKERS = {"screen.py", "main.py", "showing.py", "painter.py", "start.py", "guide.py", "ports.py"}
HOSTILE = "".join(PAYLOADS)


def commands_in(text):
    return [mark for mark in text if not mark.isprintable() and mark != "\n"]


def test_lines_and_json_are_text(capsys):
    screen.say(f"mark {HOSTILE}")
    screen.warn(f"mark {HOSTILE}")
    screen.say_all([f"mark {HOSTILE}"])
    screen.heading(f"mark {HOSTILE}")
    told = capsys.readouterr()
    assert commands_in(told.out) == commands_in(told.err) == []
    assert told.out.count("\\x1b[2J") == 3
    screen.say_json({HOSTILE: HOSTILE})
    text = capsys.readouterr().out
    assert commands_in(text) == []
    assert json.loads(text) == {HOSTILE: HOSTILE}


@pytest.mark.parametrize("payload", PAYLOADS)
def test_a_refusal_that_repeats_what_was_typed_is_text(capsys, tmp_path, payload):
    if "\0" in payload:
        payload = payload.replace("\0", "\x1b")
    assert run(["predict", str(tmp_path / f"a{payload}.toml")]) == 3
    assert commands_in(capsys.readouterr().err) == []


def test_the_live_screen_writes_no_command_but_its_own():
    taken = []
    painter = Painter(0, size=lambda: (80, 4), write=lambda data: taken.append(data) or len(data))
    painter.show(lambda width, height: [Text(f"{payload}x") for payload in PAYLOADS[:4]])
    painter.close()
    shown = b"".join(taken).decode()
    assert not any(payload in shown for payload in PAYLOADS[:4])
    assert "\\x1b[2Jx" in shown


def test_only_a_few_modules_write_to_a_terminal():
    """What they write goes through ``printable``; a new speaker must be thought about."""
    found = set()
    for path in (ROOT / "cli").glob("*.py"):
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in {"print", "typer.echo", "typer.secho", "sys.stdout.write", "sys.stderr.write"}:
                    found.add(path.name)
    assert found <= SPEAKERS


def test_every_payload_can_do_harm():
    assert all(commands_in(payload) for payload in PAYLOADS)
