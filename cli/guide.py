"""``standbook guide``: the user guide in the terminal, since a test stand has no network."""

from importlib import resources
from typing import Annotated

import typer

from cli.screen import say
from daq.errors import ConfigError


def guide(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="One page; without it, the list.")] = None,
) -> None:
    """Read the user guide in the terminal.

    Example: standbook guide first-test-day
    """
    pages = {page.name.removesuffix(".md"): page for page in (resources.files("cli") / "guide").iterdir()}
    if topic is None:
        say("Topics: " + ", ".join(sorted(name for name in pages if not name.startswith("_"))))
        return
    if topic not in pages:
        raise ConfigError(f'guide: no topic "{topic}"; topics are {", ".join(sorted(pages))}')
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(pages[topic].read_text(encoding="utf-8")))
