"""Every source that code or guide names stands in the Sources table of DEVELOPERS.md, and the other way round."""

import io
import re
import tokenize
from functools import cache
from pathlib import Path

import pytest

from tests.repository import ROOT

STATUSES = ("confirmed", "from memory", "derived")
KEY = re.compile(r"(?<![\w\])])\[([A-Z][A-Za-z0-9.-]{2,})\]")
PROMISE = re.compile(r"[Ss]ource:\s+(\S+)")
RAW_PATTERN = re.compile(r"""^[rR][fF]?(?!\"\"\"|''')|^[fF][rR](?!\"\"\"|''')""")  # regular expressions hold no sources


@cache
def words_of(path):
    """Comments and texts of a Python file; brackets in its code are subscripts.

    None of a file in which nothing looks like a key or like the promise of one: taking files apart takes seconds.
    """
    text = path.read_text(encoding="utf-8")
    if not KEY.search(text) and not PROMISE.search(text):
        return []
    return [
        (token.start[0], token.string)
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type == tokenize.COMMENT or (token.type == tokenize.STRING and not RAW_PATTERN.match(token.string))
    ]


@pytest.fixture(scope="module")
def named():
    """Where each key is named, by key; every source is read once."""
    found = {}
    for package in ("daq", "analysis", "cli", "tests"):
        for path in sorted((ROOT / package).rglob("*.py")):
            if path != Path(__file__).resolve():
                for line, words in words_of(path):
                    for key in KEY.findall(words):
                        found.setdefault(key, []).append(f"{path.relative_to(ROOT)}:{line}")
    for path in sorted((ROOT / "cli" / "guide").glob("*.md")):
        for key in KEY.findall(path.read_text(encoding="utf-8")):
            found.setdefault(key, []).append(str(path.relative_to(ROOT)))
    return found


def table():
    """Rows of the Sources table: key, what it is, what is taken, status."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## 4. Sources")[2].partition("\n## ")[0]
    rows, last = [], ""
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("|") and len(cells) == 4 and cells[3] != "status" and set(cells[0]) != {"-"}:
            last = cells[0].strip("[]") or last
            rows.append((last, *cells[1:]))
    return rows


def test_every_key_that_is_named_stands_in_the_table(named):
    known = {key for key, *_ in table()}
    assert {key: places for key, places in named.items() if key not in known} == {}


def test_every_key_of_the_table_is_named_somewhere(named):
    assert len(table()) > 15
    assert [key for key, *_ in table() if key not in named] == []


def test_every_row_says_what_it_is_what_is_taken_and_how_it_is_known():
    for key, what, taken, status in table():
        assert taken, key
        assert what or sum(row[0] == key for row in table()) > 1, key
        assert status.startswith(STATUSES), f"{key}: {status}"


@pytest.mark.parametrize("place", ["daq", "analysis"])
@pytest.mark.usefixtures("named")
def test_a_line_that_promises_a_source_names_one(place):
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {words.strip()[:80]}"
        for path in sorted((ROOT / place).rglob("*.py"))
        for line, words in words_of(path)
        for promised in PROMISE.findall(words)
        if not KEY.match(promised)
    ]
    assert wrong == []


@pytest.mark.slow
def test_nothing_from_memory_alone_is_called_confirmed():
    """A comment that calls a value confirmed names no key whose every row is from memory."""
    remembered = {key for key, *_ in table()} - {key for key, *_, status in table() if status.startswith("confirmed")}
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {key}"
        for package in ("daq", "analysis", "tests")
        for path in sorted((ROOT / package).rglob("*.py"))
        if path != Path(__file__).resolve()
        for line, words in words_of(path)
        if words.startswith("#") and "confirmed" in words.lower() and "from memory" not in words.lower()
        for key in KEY.findall(words)
        if key in remembered
    ]
    assert wrong == []
