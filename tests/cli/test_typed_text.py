"""Nothing that somebody typed, or a board sent, commands a terminal: live screen, lines, refusals, JSON."""

import ast
import json
from dataclasses import replace

import pytest
from rich.text import Text

from standbook.cli import screen
from standbook.cli.live_screen import screen_lines
from standbook.cli.main import run
from standbook.cli.painter import Painter
from standbook.daq.printable import printable
from tests.cli.live_states import BURN, HEAD, IMPULSE, LINK, MARK, NO_LIGHT, VESSELS, picture
from tests.payloads import PAYLOADS
from tests.repository import ROOT, tree_of

SPEAKERS = {"screen.py", "main.py", "showing.py", "painter.py", "start.py", "guide.py", "ports.py", "guided.py"}
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


def hostile_screen(payload):
    channels = tuple(replace(one, tag=one.tag + payload, tank=payload) for one in BURN.channels)
    state = replace(
        BURN,
        channels=channels,
        vessels=tuple(replace(one, name=payload, sensors=(payload, payload), sentence=payload * 9) for one in VESSELS),
        redlines=(replace(NO_LIGHT, name=payload, text=payload * 9),),
        marks=(replace(MARK, text=payload * 9),),
        impulse=replace(IMPULSE, limit_name=payload * 9, sentence=payload * 9),
    )
    head = replace(HEAD, number=payload * 3, mark_keys=((payload, payload),))
    link = replace(LINK, device=payload * 5)
    return replace(picture(state, links=(link,), alarms=[payload * 30], head=head), notices=(payload * 30,))


@pytest.mark.parametrize("payload", PAYLOADS)
def test_a_live_screen_of_typed_commands_is_text_that_fits(payload):
    for height in (24, 60):
        lines = screen_lines(hostile_screen(payload), 80, height)
        assert all(line.plain.isprintable() and len(line.plain) <= 80 for line in lines)
    assert sum(printable(payload) in line.plain for line in lines) > 8


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
