"""Read a typed TOML file into a frozen model and list every fault at once.

A fault names file, line, key, what stands there and what to write instead.
"""

import re
import tomllib
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ConfigDict, ValidationError

from standbook.daq.errors import ConfigError
from standbook.daq.quantity import LONGEST
from standbook.daq.regular_file import TYPED_BYTES, read_regular


class Document(BaseModel):
    """Base class of every typed file and of its tables: frozen, and no unknown key is ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True, allow_inf_nan=False)


DocumentT = TypeVar("DocumentT", bound=Document)
Change = Callable[[dict[str, Any]], dict[str, Any]]
MOST_KEPT = 64  # documents as validated: a campaign's, and those of the run made from it
_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([\"']?)([^\"'=#]+?)\1\s*=")


def read_document(path: Path, model: type[DocumentT], *, change: Change | None = None) -> DocumentT:
    """Read and validate one file as a whole; ``change`` fills in what stands elsewhere before it is validated.

    Raises
    ------
    ConfigError
        The file cannot be read, is not TOML, or breaks the model; one problem a line.
    """
    return parse_document(_text(path), model, str(path), change=change)


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """Read one file as text and as TOML, not validated.

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML.
    """
    text = _text(path)
    return text, _toml(text, str(path))


def _text(path: Path) -> str:
    try:
        return read_regular(path, at_most=TYPED_BYTES).decode("utf-8")
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: cannot be read as text: {error}") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from None


def parse_document(text: str, model: type[DocumentT], name: str, *, change: Change | None = None) -> DocumentT:
    """Validate the text of one file; ``name`` is what messages call it, ``change`` as for :func:`read_document`.

    Raises
    ------
    ConfigError
        As for :func:`read_document`.
    """
    changed = None if change is None else change(_toml(text, name))
    try:
        if changed is None:
            return cast("DocumentT", _as_typed(text, model))
        return model.model_validate(changed)
    except ValidationError as error:
        lines, faults = key_lines(text), error.errors()
        raise ConfigError(*(_problem(name, fault, lines) for fault in faults if not _follows(fault, faults))) from None
    except (ValueError, RecursionError) as error:
        raise _no_toml(name, error) from None


@lru_cache(maxsize=MOST_KEPT)
def _as_typed(text: str, model: type[Document]) -> Document:
    """Validate a text; the parts of a command read the same files, and the same text is the same frozen document."""
    return model.model_validate(tomllib.loads(text))


def _toml(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _no_toml(name, error) from None


def _no_toml(name: str, error: Exception) -> ConfigError:
    """Say why a text is no TOML; a number of too many digits is a ``ValueError`` and no TOMLDecodeError."""
    if isinstance(error, RecursionError):
        return ConfigError(f"{name}: tables or lists are nested too deep to be read")
    return ConfigError(f"{name}: not valid TOML: {error}")


def _follows(fault: Any, faults: Sequence[Any]) -> bool:  # noqa: ANN401
    """Tell whether a list is called too short only because what stands in it is faulty."""
    place = fault["loc"]
    return fault["type"] == "too_short" and any(
        other["loc"][: len(place)] == place for other in faults if other is not fault
    )


def _problem(name: str, fault: Any, lines: dict[tuple[str | int, ...], int]) -> str:  # noqa: ANN401
    location = tuple(fault["loc"])
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")
    line = next((lines[location[:n]] for n in range(len(location), 0, -1) if location[:n] in lines), None)
    where = f"{name} line {line}" if line else name
    message = fault["msg"].removeprefix("Value error, ")
    match fault["type"]:
        case "missing":
            message = "this key is missing"
        case "extra_forbidden":
            message = "unknown key; check its spelling"
        case "too_short":
            message = "nothing stands here; at least one is needed"
        case "string_too_short":
            message = "nothing stands here; write it"
    return f"{where}: {key}: {message}" if key else f"{where}: {message}"


def key_lines(text: str) -> dict[tuple[str | int, ...], int]:
    """Map each key of a TOML text, ``("tank", 0, "liquid_load")``, to its line, counted from 1."""
    found: dict[tuple[str | int, ...], int] = {}
    counts: dict[str, int] = {}
    prefix: tuple[str | int, ...] = ()
    for number, whole in enumerate(text.splitlines(), start=1):
        line = whole[:LONGEST]
        if header := _HEADER.match(line):
            name = header[2].strip("\"'")
            if header[1] == "[[":
                counts[name] = counts.get(name, -1) + 1
                prefix = (name, counts[name])
            else:
                prefix = tuple(part.strip("\"' ") for part in name.split("."))
            found.setdefault(prefix, number)
        elif key := _KEY.match(line):
            found.setdefault((*prefix, key[2].strip()), number)
    return found
