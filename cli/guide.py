"""``standbook guide``: the user guide in the terminal, searched, or as pages, since a test stand has no network."""

import re
import sys
from collections.abc import Mapping
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import say, say_all
from standbook.daq.errors import UsageError

LEAST_WIDTH, USUAL_WIDTH = 10, 80  # columns
MARKS = re.compile(r"[*`#|]+")  # of Markdown, which a line that was found has no use for


def guide(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="One page; without it, the list.")] = None,
    search: Annotated[str, typer.Option("--search", metavar="TEXT", help="Find lines with this text.")] = "",
    html: Annotated[
        Path | None, typer.Option("--html", metavar="DIR", help="Write all pages as linked HTML files into a folder.")
    ] = None,
    no_pager: Annotated[bool, typer.Option("--no-pager", help="Print a page at once, on a terminal too.")] = False,
) -> None:
    """Read the user guide in the terminal, find a word in it, or write it as HTML for a browser without a network.

    On a terminal a page is shown through the program that $PAGER names.

    Example: standbook guide first-test-day
    """
    if (topic is not None) + bool(search) + (html is not None) > 1:
        raise UsageError("guide: a topic, --search and --html are three things; ask for one of them")
    pages = {
        page.name.removesuffix(".md"): page.read_text(encoding="utf-8")
        for page in (resources.files("standbook.cli") / "guide").iterdir()
    }
    if search:
        _search(pages, search)
    elif html is not None:
        _write(pages, html)
    elif topic is None:
        width = max(map(len, pages))
        say_all((f"{name:{width}}  {_title(pages[name])}" for name in sorted(pages)), indent="")
    else:
        _show(pages, topic, paged=not no_pager and sys.stdout.isatty())


def _title(text: str) -> str:
    return text.partition("\n")[0].removeprefix("# ").strip()


def _show(pages: Mapping[str, str], topic: str, *, paged: bool) -> None:
    if topic not in pages:
        near = get_close_matches(topic, pages, n=1)
        meant = f'; perhaps "{near[0]}"' if near else ""
        raise UsageError(f'guide: no topic "{topic}"{meant}; topics are {", ".join(sorted(pages))}')
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    if console.width < LEAST_WIDTH:  # a terminal that does not know its size
        console = Console(width=USUAL_WIDTH)
    page = Markdown(pages[topic])
    if paged:
        with console.pager(styles=True):
            console.print(page)
    else:
        console.print(page)


def _search(pages: Mapping[str, str], text: str) -> None:
    """Print every line that holds the text, in whatever case, under the name of its page."""
    wanted, found = text.casefold(), 0
    for name in sorted(pages):
        lines = [line for line in pages[name].splitlines() if wanted in line.casefold()]
        if lines:
            say(f"{name}: {_title(pages[name])}")
            say_all(" ".join(MARKS.sub(" ", line).split()) for line in lines)
            found += len(lines)
    if not found:
        raise UsageError(f'guide: no page holds "{text}"; the pages: standbook guide')
    say("Next: standbook guide TOPIC")


def _write(pages: Mapping[str, str], folder: Path) -> None:
    from standbook.cli.guide_pages import pages_as_html
    from standbook.cli.sheets import make_folder
    from standbook.daq.storage.atomic_write import write_atomic

    make_folder(folder)
    for name, page in pages_as_html(pages).items():
        write_atomic(folder / name, page.encode("utf-8"))
    say(f"Guide: {folder / 'index.html'}, {len(pages)} pages; open it in a browser.")
