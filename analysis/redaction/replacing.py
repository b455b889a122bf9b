"""Replace secrets in data: texts, and frozen records, tables and lists that hold texts, keys included. Pure."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar, cast

from standbook.analysis.redaction.folding import fold, folded_text
from standbook.analysis.redaction.secrets import Secret

T = TypeVar("T")
# The day stays, the time of day goes: with it a passer-by finds the day's firing.
INSTANT = re.compile(r"(\d{4}-\d\d-\d\d)[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d| UTC)?")
CLOCK = re.compile(r"(?<![\d:.])[0-2]?\d:[0-5]\d(?::[0-5]\d(?:[.,]\d+)?)?(?![\d:])")
TIME_WORD = "[time of day]"
VOCABULARY = ("code", "severity", "kind", "outcome", "unit")  # fields that hold words of the program


class Redaction:
    """The secrets of one run, and the words in their place.

    Parameters
    ----------
    secrets : sequence of Secret
        The longest first.
    """

    def __init__(self, secrets: Sequence[Secret]) -> None:
        self.secrets = tuple(secrets)
        self._patterns = [(secret, pattern) for secret in self.secrets for pattern in secret.patterns]

    def text(self, text: str) -> str:
        """Return a text with a word for each secret, and without times of day."""
        text = CLOCK.sub(TIME_WORD, INSTANT.sub(r"\1", text))
        plain = folded_text(text)
        for secret, pattern in self._patterns:
            if pattern.search(plain):
                text = _replaced(text, secret, pattern)
                plain = folded_text(text)
        return text

    def data(self, value: T) -> T:
        """Return the same data with every text in it replaced; what holds none stays the same object."""
        return cast("T", self._data(value))

    def _data(self, value: Any) -> Any:  # noqa: ANN401
        if isinstance(value, str):
            return self.text(value)
        if is_dataclass(value) and not isinstance(value, type):
            changed = {
                field.name: self._data(getattr(value, field.name))
                for field in fields(value)
                if field.init and field.name not in VOCABULARY
            }
            return replace(value, **changed)
        if isinstance(value, Mapping):
            return {self._data(key): self._data(one) for key, one in value.items()}
        if isinstance(value, tuple) and hasattr(value, "_fields"):  # a named one takes its values one by one
            return type(value)(*(self._data(one) for one in value))
        if isinstance(value, tuple | list):
            return type(value)(self._data(one) for one in value)
        return value


def spans_of(text: str, secret: Secret, pattern: re.Pattern[str]) -> list[tuple[int, int]]:
    """Return where a secret stands in a text; initials count only as they are written."""
    folded = fold(text)
    spans = [(folded.places[m.start()], folded.places[m.end() - 1] + 1) for m in pattern.finditer(folded.text) if m[0]]
    return [span for span in spans if not secret.is_short or secret.text in text[slice(*span)]]


def _replaced(text: str, secret: Secret, pattern: re.Pattern[str]) -> str:
    for start, end in reversed(spans_of(text, secret, pattern)):
        text = text[:start] + secret.word + text[end:]
    return text
