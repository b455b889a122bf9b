"""Write the guide's pages as linked HTML files: the same text as in the terminal, no script, nothing from a network."""

import re
from collections.abc import Mapping
from html import escape

from markdown_it import MarkdownIt

from standbook.analysis.report.render import page_environment, page_style
from standbook.cli.screen import CAUTION

LINKED = re.compile(r"<code>standbook guide ([a-z-]+)</code>")
INDEX = "index.html"
LAYOUT = """main { max-width: 52rem; padding: 2rem 1.5rem; } main > :is(p, ul, ol) { margin-top: .7rem; }
main :is(h2, h3) { margin-top: 1.8rem; } main table { display: block; overflow-x: auto; } main li { margin: .2rem 0; }
nav { margin-bottom: 1.5rem; }"""


def pages_as_html(pages: Mapping[str, str]) -> dict[str, str]:
    """Return every page and their list, by file name.

    Parameters
    ----------
    pages : mapping of name to str
        Markdown, each beginning with its title as a heading.
    """
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    style = f"{page_style(page_environment())}\n{LAYOUT}"
    titles = {name: pages[name].partition("\n")[0].removeprefix("# ").strip() for name in sorted(pages)}
    entries = "".join(f'<li><a href="{name}.html">{escape(title)}</a></li>' for name, title in titles.items())
    written = {INDEX: _page("The guide of standbook", f"<h1>The guide of standbook</h1><ul>{entries}</ul>", style)}
    for name, title in titles.items():
        text = LINKED.sub(lambda found: _link(found, titles), reader.render(pages[name]))
        written[f"{name}.html"] = _page(title, f'<nav><a href="{INDEX}">All pages</a></nav>{text}', style)
    return written


def _link(found: re.Match[str], titles: Mapping[str, str]) -> str:
    """Turn the command that shows another page into a link to it."""
    return f'<a href="{found[1]}.html">{found[0]}</a>' if found[1] in titles else found[0]


def _page(title: str, body: str, style: str) -> str:
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{style}</style></head>"
        f'<body><main>{body}<p class="caution">{escape(CAUTION)}</p></main></body></html>\n'
    )
