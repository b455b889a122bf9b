"""Search finished bytes for every secret: tags stripped, entities and soft hyphens resolved, case and accents folded.

What a page draws is not searched for numbers: its lines are coordinates of pixels. Nor are the numbers of a table.
"""

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from html.parser import HTMLParser
from itertools import islice
from typing import Any

from standbook.analysis.redaction.folding import folded_text
from standbook.analysis.redaction.replacing import CLOCK, INSTANT, spans_of
from standbook.analysis.redaction.secrets import Secret
from standbook.daq.errors import DataError

DRAWN = frozenset(
    ("d", "points", "transform", "viewbox", "style", "x", "y", "x1", "x2", "y1", "y2", "dx", "dy", "width", "height")
)
ESCAPE = re.compile(r"\\([0-9a-fA-F]{6})")
MARKUP = {".html", ".svg"}
FIRST_SHEET = '<section class="sheet"'
TIME = "the time of day"
DIGITS = 8  # of the manifest that a copy names


class _Texts(HTMLParser):
    """Collects all that a page says: its text, its attributes, its comments, what its style prints."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.attributes: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take the attributes."""
        self.attributes += [value for name, value in attrs if value and name.lower() not in DRAWN]

    def handle_data(self, data: str) -> None:
        """Take a text."""
        self.words.append(ESCAPE.sub(lambda found: chr(int(found[1], 16)), data))

    def handle_comment(self, data: str) -> None:
        """Take a comment."""
        self.attributes.append(data)


def searchable(name: str, content: bytes) -> list[str]:
    """Return the texts of a finished file.

    Parameters
    ----------
    name : str
        Of the file; its ending says what it is.
    content : bytes
        UTF-8.
    """
    text = content.decode("utf-8", errors="replace")
    ending = name[name.rfind(".") :].lower() if "." in name else ""
    if ending in MARKUP:
        parser = _Texts()
        parser.feed(text)
        parser.close()
        # A secret may be parted by a tag in the middle of a word, or only by one between words.
        return [name, " ".join(parser.words), "".join(parser.words), *parser.attributes]
    if ending == ".csv":
        cells = (cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row)
        return [name, "\n".join(cell for cell in cells if not _is_number(cell))]
    if ending == ".json":
        return [name, "\n".join(_strings(json.loads(text)))]
    return [name, text]


def _strings(value: Any) -> Iterator[str]:  # noqa: ANN401
    """Give every text of a JSON value, keys among them, as it reads without its escapes."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from (text for pair in value.items() for one in pair for text in _strings(one))
    elif isinstance(value, list):
        yield from (text for one in value for text in _strings(one))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return not text
    return True


def hits(name: str, content: bytes, secrets: Sequence[Secret]) -> list[str]:
    """Return every secret that a finished file still holds, and a time of day, each named with its kind."""
    texts = [(text, folded_text(text)) for text in searchable(name, content)]
    found = [f"{secret.kind} {secret.text!r}" for secret in secrets if _stands_in(texts, secret)]
    times = (match[0] for text, _ in texts for form in (INSTANT, CLOCK) for match in form.finditer(text))
    return found + [f"{TIME} {time!r}" for time in islice(times, 1)]


def _stands_in(texts: Sequence[tuple[str, str]], secret: Secret) -> bool:
    """Tell whether a secret stands in one of the texts, given with their folded selves."""
    return any(
        pattern.search(folded) and (not secret.is_short or spans_of(text, secret, pattern))
        for text, folded in texts
        for pattern in secret.patterns
    )


def prove(files: Mapping[str, bytes], secrets: Sequence[Secret]) -> str:
    """Search finished files, and say how many strings were looked for.

    Raises
    ------
    DataError
        Something was found: the file and the string are named.
    """
    for name, content in files.items():
        found = hits(name, content, secrets)
        if found:
            raise DataError(
                f"{name}: still holds {', '.join(found)}; no file was left. Where the program's own words hold it, "
                "list something longer in private.toml"
            )
    return f"searched {len(secrets) + 1} strings, 0 found"


def sealed_line(manifest: str) -> str:
    """Return the first line of a redacted copy, which ties it to the whole record."""
    return f"REDACTED COPY of manifest {manifest[:DIGITS]}...: names, serials, notes, times of day are left out."


def with_first_line(html: str, line: str) -> str:
    """Put a line above all else of a page; where it has a first sheet, on that, so that print needs no other."""
    mark = next(mark for mark in (FIRST_SHEET, "<body") if mark in html)
    before, _, rest = html.partition(mark)
    tag, _, inside = rest.partition(">")
    return f'{before}{mark}{tag}>\n<p class="notice">{line}</p>{inside}'
