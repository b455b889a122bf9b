"""Render results, curves and context as one self-contained HTML file: no script, nothing from outside. Pure."""

import base64
from collections.abc import Mapping
from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import Register
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.sections.page_one import evidence, page_one
from standbook.analysis.report.sections.page_parts import PageParts
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import Results
from standbook.daq.printable import printable_lines

TEMPLATE = "report.html.j2"
STYLESHEET = "style.css"
REHEARSAL_WORD = "REHEARSAL"


def render_report(results: Results, curves: Mapping[str, Curve], context: ReportContext, parts: PageParts) -> str:
    """Render the report of one analysis.

    Parameters
    ----------
    results : Results
        What the analysis found.
    curves : mapping of name to Curve
        For the figures; a missing one leaves its figure out.
    context : ReportContext
        Plan, stand, calibrations, hashes, and whether a signature block may stand. A rehearsal never has one.
    parts : PageParts
        What the kind of test shows.

    Returns
    -------
    str
        HTML, the same for the same arguments.
    """
    environment = page_environment()
    register = Register.of(results.findings)
    return environment.get_template(TEMPLATE).render(
        results=results,
        context=context,
        page=page_one(results, curves, context, register, parts),
        sections=evidence(results, curves, context, register, parts),
        style=page_style(environment),
        running_head=Markup(css_string(f"{results.run}, revision {results.revision}")),  # noqa: S704 - quoted
        rehearsal_word=REHEARSAL_WORD,
        watermark=Markup(watermark(REHEARSAL_WORD)) if results.rehearsal else "",  # noqa: S704 - drawn by us
    )


def page_style(environment: Environment) -> Markup:
    """Return the report's stylesheet, for every page that is written with it."""
    text = environment.loader.get_source(environment, STYLESHEET)[0] if environment.loader else ""
    return Markup(text)  # noqa: S704 - our own file


@cache
def watermark(word: str) -> str:
    """Draw a word aslant as an address for a stylesheet: outlines, so that its letters are no text of page or PDF."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path
    from matplotlib.textpath import TextPath

    outline = TextPath((0, 0), word, size=64, prop=FontProperties(family="DejaVu Sans", weight="bold"))
    ends = {Path.MOVETO: "M", Path.LINETO: "L", Path.CURVE3: "Q", Path.CURVE4: "C"}
    drawn = "".join(
        "Z" if code == Path.CLOSEPOLY else ends[code] + " ".join(f"{number:.1f}" for number in points)
        for points, code in outline.iter_segments(simplify=False)
    )
    width = float(outline.vertices[:, 0].max())
    side = 0.9 * width
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side:.0f} {side:.0f}"><path fill="#b34700" '
        f'fill-opacity="0.12" transform="translate({side / 2:.0f} {side / 2:.0f}) rotate(-35) scale(0.9 -0.9) '
        f'translate({-width / 2:.0f} -24)" d="{drawn}"/></svg>'
    )
    return f'url("data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}")'


def css_string(text: str) -> str:
    """Quote text for a stylesheet; everything but letters and digits is written by number."""
    return '"' + "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text) + '"'


def _tie(value: object) -> object:
    """Tie numbers to their units in plain text, commands to a screen escaped; what is markup already stays as it is."""
    plain = isinstance(value, str) and not isinstance(value, Markup)
    return number_format.tie(printable_lines(str(value))) if plain else value


@cache
def page_environment(*folders: str) -> Environment:
    """Return what renders templates of ours, the first folder's before the report's own: escaped, printable, tied."""
    places = (*folders, "standbook.analysis.report")
    return Environment(
        loader=ChoiceLoader([PackageLoader(place) for place in places]),
        autoescape=select_autoescape(enabled_extensions=("j2",)),
        undefined=StrictUndefined,
        finalize=_tie,
        trim_blocks=True,
        lstrip_blocks=True,
    )
