"""``standbook guide``: show the user guide in the terminal, since a test stand has no network."""

from difflib import get_close_matches
from importlib import resources
from typing import Annotated

import typer

from standbook.cli.screen import say
from standbook.daq.errors import UsageError

LEAST_WIDTH, USUAL_WIDTH = 10, 80  # columns


def guide(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="One page; without it, the list.")] = None,
) -> None:
    """Read the user guide in the terminal.

    Example: standbook guide first-test-day
    """
    pages = {page.name.removesuffix(".md"): page for page in (resources.files("standbook.cli") / "guide").iterdir()}
    if topic is None:
        names = sorted(pages)
        width = max(map(len, names))
        for name in names:
            with pages[name].open(encoding="utf-8") as page:
                say(f"{name:{width}}  {page.readline().removeprefix('# ').strip()}")
        return
    if topic not in pages:
        near = get_close_matches(topic, pages, n=1)
        meant = f'; perhaps "{near[0]}"' if near else ""
        raise UsageError(f'guide: no topic "{topic}"{meant}; topics are {", ".join(sorted(pages))}')
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    if console.width < LEAST_WIDTH:  # a terminal that does not know its size
        console = Console(width=USUAL_WIDTH)
    console.print(Markdown(pages[topic].read_text(encoding="utf-8")))
