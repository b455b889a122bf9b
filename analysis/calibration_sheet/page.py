"""The page beside a calibration: one printed sheet, self-contained, no script. Pure."""

import re

from markupsafe import Markup

from standbook.analysis.calibration_sheet.calibrate import Calibrated
from standbook.analysis.calibration_sheet.residual_figure import residual_figures
from standbook.analysis.calibration_sheet.sheet_sentences import NOTHING, Said, percent, plain_unit, seen
from standbook.analysis.report.content import number_format
from standbook.analysis.report.render import css_string, page_environment, page_style

TEMPLATE = "sheet.html.j2"
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the calibrated range, where the uncertainty of a reading is printed
_POWER = re.compile(rf"\b10\^([{number_format.MINUS}-]?\d+)")
_RAISED = str.maketrans(f"{number_format.MINUS}-0123456789", "⁻⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
Row = tuple[str, ...]


def calibration_page(c: Calibrated, said: Said, revision: str, sheet_path: str) -> str:
    """Render the page of one calibration; the same for the same arguments."""
    environment = page_environment("standbook.analysis.calibration_sheet")
    page = environment.get_template(TEMPLATE).render(
        c=c,
        said=said,
        revision=revision,
        sheet_path=sheet_path,
        figures=[Markup(one) for one in residual_figures(c)],  # noqa: S704 - drawn by us, free text escaped there
        curve=_curve(c),
        uncertainty=_uncertainty(c),
        zero_u=f"{number_format.two_digits(c.zero_u)} {plain_unit(c.unit)}" if c.sources.tared and c.zero_u else "",
        budget=_budget(c),
        terms=_terms(c),
        facts=_facts(c, sheet_path),
        style=page_style(environment),
        running_head=Markup(css_string(f"{c.sheet.tag} {revision}")),  # noqa: S704 - quoted
    )
    return _POWER.sub(lambda power: f"10{power[1].translate(_RAISED)}", page)


def _curve(c: Calibrated) -> str:
    names = ("c0", "c1", "c2")
    powers = ("", " · (signal − pivot)", " · (signal − pivot)²")
    parts = [f"{name}{power}" for name, power in zip(names, powers, strict=True)][: c.fit.coefficients.size]
    values = ", ".join(f"{name} = {value:.7g}" for name, value in zip(names, c.fit.coefficients, strict=False))
    return f"reading = {' + '.join(parts)}, pivot = {c.fit.pivot:.7g} {c.sheet.sensor.signal_unit}, {values}"


def _uncertainty(c: Calibrated) -> tuple[Row, ...]:
    low, span, unit = c.sources.low, c.span, plain_unit(c.unit)
    rows = []
    for share in SHARES:
        u = c.reading_u(low + share * span)
        if not (c.sources.tared and abs(u.reading) <= NOTHING * span):
            dof = "many" if u.dof > 1e3 else f"{u.dof:.0f}"
            own, wide = (f"{number_format.two_digits(one)} {unit}" for one in (u.u, u.expanded))
            rows.append((_signed(u.reading), own, percent(u.u / span), wide, dof))
    return tuple(rows)


def _signed(value: float) -> str:
    return f"{value:.4g}".replace("-", number_format.MINUS)


def _share(of_variance: float) -> str:
    return f"{100.0 * of_variance:.0f} %" if of_variance >= 0.005 else "< 1 %"


def _budget(c: Calibrated) -> tuple[Row, ...]:
    at = c.reading_u(c.at)
    return tuple(
        (
            term.source,
            f"{number_format.two_digits(term.u)} {plain_unit(c.unit)}",
            _share((term.u / at.u) ** 2),
        )
        for term in at.terms
        if term.u > NOTHING * at.u
    )


def _terms(c: Calibrated) -> tuple[Row, ...]:
    terms, span = c.terms, c.span
    found = [
        ("non-linearity, least-squares line", terms.non_linearity),
        ("non-linearity, line through the ends", terms.non_linearity_terminal),
        ("hysteresis", terms.hysteresis),
        ("repeatability", terms.repeatability),
        ("static error band", terms.static_error_band),
        ("zero return", terms.zero_return),
        ("creep, 30 min", c.creep),
        ("lower limit factor, 2.4 standard deviations", terms.lower_limit_factor),
    ]
    return tuple((name, seen(value / span, percent(abs(value) / span))) for name, value in found if value is not None)


def _facts(c: Calibrated, sheet_path: str) -> tuple[Row, ...]:
    sheet, f = c.sheet, c.fit
    typed = (run.temperature.text for run in sheet.run if run.temperature is not None)
    temperatures = ", ".join(dict.fromkeys(typed))
    test = f"F = {f.test.f:.3g}, p = {f.test.p:.2g}{', on means of both ways' if f.test.on_means else ''}"
    rows = [
        ("sheet", sheet_path),
        ("sensor", f"{sheet.sensor.what or (c.last.sensor if c.last else '')} {sheet.sensor.serial}".strip()),
        ("state", sheet.sensor.state),
        ("reference", f"{sheet.reference.what} {sheet.reference.serial}; {c.claim.words}"),
        ("fit", f"{_curve(c)}; a parabola against the line: {test}"),
        ("zeros", "taken off run by run" if c.zeroed else "left in"),
        ("by, on", f"{sheet.by + ', ' if sheet.by else ''}{c.date}; valid until {c.valid_until}"),
        ("temperatures", temperatures),
        ("barometer", sheet.place.barometer.text if sheet.place.barometer else ""),
    ]
    return tuple((name, str(value)) for name, value in rows if value)
