"""Show a run in a notebook: heading, verdict, a table of at most eight rows. No script; everything typed is escaped."""

from collections.abc import Iterator

from markupsafe import Markup

from standbook.analysis.report.content.number_format import show
from standbook.analysis.report.content.sentences import verdict_sentence
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results

ROWS = 8


def results_html(name: str, results: Results) -> str:
    """Return the newest results of a run as HTML.

    Parameters
    ----------
    name : str
        Of the run's folder.
    results : Results
    """
    banner = Markup("<p><strong>REHEARSAL: simulated data</strong></p>") if results.rehearsal else Markup()
    rows = Markup().join(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td></tr>").format(quantity, shown.with_unit, shown.u_with_unit)
        for quantity, shown in ((quantity, show(value)) for quantity, value in list(_quantities(results))[:ROWS])
    )
    head = Markup("<tr><th>quantity</th><th>value</th><th>standard uncertainty</th></tr>")
    title = Markup("<h4>{}, {}, rev-{}</h4>").format(name, results.kind, results.revision)
    said = Markup().join(Markup("<p>{}</p>").format(words) for words in _verdicts(results))
    return str(banner + title + said + Markup("<table>{}{}</table>").format(head, rows))


def _verdicts(results: Results) -> Iterator[str]:
    for place, verdict in results.verdicts.items():
        yield f"{verdict.outcome.upper()}: {verdict_sentence(place, results)}"


def _quantities(results: Results) -> Iterator[tuple[str, Measured]]:
    """Yield what the run found, what readers ask for first."""
    found: list[tuple[str, Measured | None]] = []
    if (impulse := results.impulse) is not None:
        bound = " (recorded part, a lower bound)" if impulse.lower_bound_only else ""
        found.append((f"total impulse{bound}", Measured(impulse.value, impulse.u, impulse.unit)))
    found.append(("burn time", results.burn_time))
    if (engine := results.engine) is not None:
        found += [("c*", engine.cstar), ("specific impulse", engine.isp), ("mixture ratio", engine.mixture_ratio)]
    tanks = results.tanks.items()
    found += [(f"CdA {name}", tank.cda) for name, tank in tanks]
    found += [(f"exponent {name}", tank.exponent.chord) for name, tank in tanks if tank.exponent is not None]
    found += [(f"expelled mass {name}", tank.expelled_mass) for name, tank in tanks]
    yield from ((name, value) for name, value in found if value is not None)
