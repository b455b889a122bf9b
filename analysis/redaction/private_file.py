"""Read ``private.toml`` of a campaign: what may not stand in a copy for the public. It is never copied itself."""

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator

from standbook.analysis.redaction.coordinates import parse_coordinates
from standbook.daq.config.campaign import RUNS
from standbook.daq.config.toml_document import Document, read_document

PRIVATE_FILE = "private.toml"
SHORTEST = 2  # letters; one alone stands in every sentence


def is_searchable(text: str) -> bool:
    """Tell whether a text is long enough to be looked for."""
    return len("".join(text.split())) >= SHORTEST


def _text(text: str) -> str:
    if not is_searchable(text):
        raise ValueError(f'"{text}" is too short to be searched for; write {SHORTEST} letters or more')
    return text


def _coordinates(text: str) -> str:
    parse_coordinates(text)
    return text


PrivateText = Annotated[str, AfterValidator(_text)]
Coordinates = Annotated[str, AfterValidator(_coordinates)]


class PrivateFile(Document):
    """What the crew lists as private."""

    names: tuple[PrivateText, ...] = ()  # of people
    places: tuple[PrivateText, ...] = ()
    coordinates: tuple[Coordinates, ...] = ()  # "52.2053, 0.1218", degrees
    words: tuple[PrivateText, ...] = ()  # anything else


def private_of(run: Path) -> PrivateFile:
    """Read the file of the campaign that a run lies in; where there is none, nothing is listed.

    Raises
    ------
    ConfigError
        It cannot be read, or holds what is no list of texts or no coordinates.
    """
    campaign = run.parent.parent if run.parent.name == RUNS else run.parent
    return private_in(campaign)


def private_in(campaign: Path) -> PrivateFile:
    """Read the file of a campaign; as for :func:`private_of`."""
    place = campaign / PRIVATE_FILE
    return read_document(place, PrivateFile) if place.exists() or place.is_symlink() else PrivateFile()
