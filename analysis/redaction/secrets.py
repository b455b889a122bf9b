"""Collect what a run tells of people, places and devices: from its own files, and from what the crew lists.

Which key of a typed file holds what is one table; ports, home folders and the time of day are known by their form.
"""

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from standbook.analysis.redaction.coordinates import forms_of, parse_coordinates
from standbook.analysis.redaction.folding import folded_text
from standbook.analysis.redaction.private_file import SHORTEST, PrivateFile
from standbook.daq.run.run_folder import ANALYSIS, SAMPLES

MACHINE_KEYS = {  # of any file in a run folder
    "serial": "serial",
    "port": "port",
    "host": "host",
    "hostname": "host",
    "user": "user",
}
TYPED_KEYS = MACHINE_KEYS | {  # of TOML files, and of marks
    "sensor_serial": "serial",
    "reference_serial": "serial",
    "gauge": "serial",
    "record": "note",
    "by": "person",
    "conductor": "person",
    "range_safety": "person",
    "witness": "person",
    "note": "note",
    "notes": "note",
    "reason": "note",
}
FORMS = {  # wherever they stand
    "port": re.compile(r"/dev/[\w./-]+|\bCOM\d+\b"),
    "user": re.compile(r"(?:/home/|/Users/|[A-Za-z]:\\Users\\)([^/\\\s\"']+)"),
}
SCREENS = {"screen", "watch", "a second screen"}  # what a mark is dropped by is no person
SHORT = 3  # letters; initials are looked for as they are written, alone
READ = {".toml", ".json", ".jsonl"}
ASCII_PADDING = "\0 \n"


@dataclass(frozen=True, kw_only=True)
class Secret:
    """One thing that may not be published."""

    kind: str  # "serial", "name", ...
    text: str  # as it is written
    word: str  # what stands in its place

    @cached_property
    def patterns(self) -> tuple[re.Pattern[str], ...]:
        """What it looks like in folded text."""
        if self.kind == "coordinates":
            return tuple(re.compile(form) for one in parse_coordinates(self.text) for form in forms_of(one))
        return (re.compile(_bounded(folded_text(self.text).strip())),)

    @property
    def is_short(self) -> bool:
        """Tell whether it is so short that other words hold it: initials."""
        return len(self.text) <= SHORT


def _bounded(text: str) -> str:
    """Return a pattern of a text that is not a part of a longer word or number."""
    before, after = r"(?<![\w.,-])" if text[:1].isdigit() else r"(?<!\w)", r"(?![\w])"
    if len(text) <= SHORT:
        before, after = r"(?<![\w.,-])", r"(?![\w-])"
    inside = re.escape(text).replace(r"\ ", "[ _-]")  # so names of files hold it too
    if len(text) > SHORT and not text.isdigit():
        return inside
    return f"{before}{inside}{after}"


def secrets_of(folders: Iterable[Path], private: PrivateFile, hide: Iterable[str] = ()) -> tuple[Secret, ...]:
    """Collect the secrets of runs, the longest first, each with the word for it.

    Parameters
    ----------
    folders : iterable of Path
        The runs.
    private : PrivateFile
        What the crew lists.
    hide : iterable of str
        What is to be hidden besides.
    """
    listed = [("name", text) for text in private.names] + [("place", text) for text in private.places]
    listed += [("coordinates", text) for text in private.coordinates] + [("word", text) for text in private.words]
    listed += [("word", text) for text in hide]
    return numbered([*listed, *(found for folder in folders for found in _in_files(folder))])


def numbered(found: Iterable[tuple[str, str]]) -> tuple[Secret, ...]:
    """Give each text its word, the same for the same thing, and put the longest first."""
    words: dict[str, Secret] = {}
    counts: dict[str, int] = {}
    for kind, raw in found:
        text = raw.strip()
        key = folded_text(text)
        if len(key) < SHORTEST or key in words:
            continue
        counts[kind] = counts.get(kind, 0) + 1
        words[key] = Secret(kind=kind, text=text, word=f"[{kind} {counts[kind]}]")
    return tuple(sorted(words.values(), key=lambda secret: -len(secret.text)))


def _in_files(folder: Path) -> Iterator[tuple[str, str]]:
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if (
            path.suffix not in READ
            or parts[0] == SAMPLES
            or not path.is_file()
            or any(p.startswith(".") for p in parts)
        ):
            continue
        text = path.read_text("utf-8", errors="replace").strip(ASCII_PADDING)
        for kind, form in FORMS.items():
            yield from ((kind, match[match.lastindex or 0]) for match in form.finditer(text))
        if parts[0] != ANALYSIS:
            for values in _parsed(path, text):
                yield from _values(values, MACHINE_KEYS if path.suffix == ".json" else TYPED_KEYS)


def _parsed(path: Path, text: str) -> Iterator[Any]:
    pieces: Sequence[str] = text.splitlines() if path.suffix == ".jsonl" else [text]
    for piece in pieces:
        try:
            yield tomllib.loads(piece) if path.suffix == ".toml" else json.loads(piece)
        except (ValueError, RecursionError):
            continue


def _values(value: Any, keys: Mapping[str, str]) -> Iterator[tuple[str, str]]:  # noqa: ANN401
    """Give what stands under one of the keys, however deep; of a mark without a key of the plan, what was typed."""
    if isinstance(value, list):
        for one in value:
            yield from _values(one, keys)
    elif isinstance(value, dict):
        if "monotonic_ns" in value and not value.get("key") and isinstance(value.get("text"), str):
            yield "note", value["text"]
        for key, one in value.items():
            if isinstance(one, str) and key in keys and one not in SCREENS:
                yield keys[key], one
            else:
                yield from _values(one, keys)
