"""Compare texts as readers do: case, accents, soft hyphens and kinds of space and dash make no difference. Pure."""

import re
import unicodedata
from collections.abc import Sequence
from typing import NamedTuple

DASHES = dict.fromkeys(map(ord, "‐‑‒–—―−"), "-")
APOSTROPHES = dict.fromkeys(map(ord, "’‘ʼ"), "'")
SPACES = re.compile(r"\s+")
UNSEEN = ("Mn", "Cf")  # accents that stand apart; soft hyphens, joiners and marks of direction


class Folded(NamedTuple):
    """A text as it is compared, and where each of its characters stands in the text itself."""

    text: str
    places: Sequence[int]


def folded_text(text: str) -> str:
    """Return a text as it is compared, quickly: what :func:`fold` gives, without places."""
    plain = unicodedata.normalize("NFKD", text).translate(DASHES).translate(APOSTROPHES).casefold()
    if not plain.isascii():
        plain = "".join(letter for letter in plain if unicodedata.category(letter) not in UNSEEN)
    return SPACES.sub(" ", plain)


def fold(text: str) -> Folded:
    """Fold a text: one space for any run of white space, no accents, no case."""
    letters: list[str] = []
    places: list[int] = []
    for place, character in enumerate(text):
        plain = unicodedata.normalize("NFKD", character).translate(DASHES).translate(APOSTROPHES).casefold()
        for letter in plain:
            if unicodedata.category(letter) in UNSEEN:
                continue
            if letter.isspace():
                if letters and letters[-1] == " ":
                    continue
                letter = " "
            letters.append(letter)
            places.append(place)
    return Folded("".join(letters), places)
