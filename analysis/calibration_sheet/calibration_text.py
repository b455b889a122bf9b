"""Write a worked-out sheet as the text of a calibration file, so that it reads back as what it says. Pure."""

import json
import math
from collections.abc import Iterable

from standbook.analysis.calibration.level_fit import JUDGED_SCATTER
from standbook.analysis.calibration.reference_error import ALIKE, reference_u
from standbook.analysis.calibration_sheet.calibrate import Calibrated
from standbook.analysis.calibration_sheet.sheet_sentences import plain_unit
from standbook.analysis.report.content.number_format import two_digits
from standbook.daq.config.stand_interaction import StandInteraction


def quoted(text: str) -> str:
    """Write a text as TOML has it, controls by number."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def share(value: float) -> str:
    """Write a share in percent, as a quoted quantity."""
    return quoted(f"{100.0 * value:.6g} %")


def calibration_text(c: Calibrated, revision: str, sheet_path: str) -> str:
    """Return the file's text; ``sheet_path`` is that of the sheet, from the campaign's folder."""
    return "\n".join(
        (
            "# Made by standbook calibrate; never edited, only superseded by a new revision.",
            *_identity(c, revision),
            *_curve(c),
            *_uncertainties(c),
            *_produced(c, sheet_path),
            *_points(c),
            *_interaction(c.last.stand_interaction if c.last is not None else StandInteraction()),
            "",
        )
    )


def _identity(c: Calibrated, revision: str) -> Iterable[str]:
    sheet, last = c.sheet, c.last
    yield f"tag = {quoted(sheet.tag)}"
    yield f"revision = {quoted(revision)}"
    yield f"sensor = {quoted(sheet.sensor.what or (last.sensor if last is not None else 'sensor'))}"
    yield f"sensor_serial = {quoted(sheet.sensor.serial)}"
    yield f"date = {c.date}"
    yield f"valid_until = {c.valid_until}"
    if last is not None and last.place:
        yield f"place = {quoted(last.place)}"
    yield f"reference_standard = {quoted(f'{sheet.reference.what}, {c.claim.words}')}"
    yield f"reference_serial = {quoted(sheet.reference.serial)}"
    yield f"signal_unit = {quoted(sheet.sensor.signal_unit)}"
    yield f"reading_unit = {quoted(c.unit)}"
    yield f"lowest = {float(c.levels.reading.min())!r}  # calibrated, not the sensor's own range"
    yield f"highest = {float(c.levels.reading.max())!r}"


def _curve(c: Calibrated) -> Iterable[str]:
    rows = ", ".join(f"[{', '.join(repr(float(v)) for v in row)}]" for row in c.fit.covariance)
    yield f"pivot = {c.fit.pivot!r}"
    yield f"coefficients = [{', '.join(repr(float(v)) for v in c.fit.coefficients)}]"
    yield f"covariance = [{rows}]  # by the scatter of the points alone"


def _uncertainties(c: Calibrated) -> Iterable[str]:
    tared = "the largest share of a reading from 20 % up, zero taken off" if c.sources.tared else "the share of reading"
    yield f"reference_uncertainty = {share(c.of_reading)}  # {tared}; what is no share of it stands in reference_u"
    yield f"zero_uncertainty = {c.zero_u!r}  # zero since then, creep, column, runs, step of the reference"
    yield f"hysteresis_uncertainty = {share(0.5 * c.sources.loop / 3.0**0.5 / c.span)}  # half the loop, limits"
    latency = c.sheet.sensor.latency or (c.last.latency if c.last is not None else None)
    if latency is not None:
        yield f"latency = {quoted(latency.text)}"


def _produced(c: Calibrated, sheet_path: str) -> Iterable[str]:
    test = c.fit.test
    estimator = "equal weights, zeros taken off run by run" if c.zeroed else "equal weights"
    tested = ", F on the means of both ways" if test.on_means else ""
    yield f"sheet = {quoted(sheet_path)}"
    chosen = f"degree = {test.degree}, f = {test.f:.6g}, p = {test.p:.6g}"
    yield f"fit = {{ estimator = {quoted(estimator + tested)}, {chosen} }}"
    alike = f", levels_alike = {share(ALIKE)}" if c.of_span > 0.0 else ""
    yield (
        f"reference_u = {{ of_reading = {share(c.of_reading)}, of_span = {share(c.of_span / c.span)}{alike}, "
        f"serial = {quoted(c.sheet.reference.serial)} }}{_flat(c)}"
    )
    yield f"found = {{ {', '.join(f'{key} = {value}' for key, value in _found(c))} }}"
    if c.last is not None:
        reason = _reason(c)
        yield f"supersedes = {{ revision = {quoted(c.last.revision)}, reason = {quoted(reason)} }}"
    at = c.reading_u(c.at)
    yield f"good_for = {{ at = {quoted(f'{c.at:.6g} {c.unit}')}, u = {quoted(f'{at.u:.3g} {c.unit}')} }}"


def _flat(c: Calibrated) -> str:
    """Say how far the curve itself leaves more open than the part that is written."""
    if c.of_span == 0.0:
        return ""
    beside = []
    for x in (float(c.levels.reading.min()), float(c.levels.reading.max())):
        whole = reference_u(c.fit.powers(c.fit.signal(x), tared=c.sources.tared), c.sources.reference)
        beside.append(math.sqrt(max(whole**2 - (c.of_reading * x) ** 2, 0.0)))
    most = max(beside)
    return f"  # alike at all levels; the curve leaves up to {most / c.of_span:.2f} of it at the ends of the range"


def _found(c: Calibrated) -> Iterable[tuple[str, str]]:
    terms = c.terms
    yield "runs", str(c.levels.runs)
    yield "run_span", share(c.fit.run_scatter)
    yield "non_linearity", share(terms.non_linearity / c.span)
    yield "hysteresis", share(terms.hysteresis / c.span)
    if terms.repeatability is not None:
        yield "repeatability", share(terms.repeatability / c.span)
    yield "static_error_band", share(terms.static_error_band / c.span)
    yield "zero_since", quoted(f"{c.sources.zero:.6g} {c.unit}")
    if terms.zero_return is not None:
        yield "zero_return", quoted(f"{terms.zero_return:.3g} {c.unit}")
    if c.creep is not None:
        yield "creep_30_min", share(abs(c.creep) / c.span)
    if c.zero_by_temperature is not None:
        z = c.zero_by_temperature
        yield "zero_by_temperature", quoted(f"{z.value:.3g} +/- {two_digits(z.u)} {plain_unit(c.unit)}/K")


def _reason(c: Calibrated) -> str:
    against, state = c.comparison, c.sheet.sensor.state
    if against is None:
        return f"{state}; reads in another unit"
    shift, limit = 100.0 * against.span_shift, 100.0 * against.limit
    reads = f"{against.revision} reads {two_digits(shift, signed=True)} % of span"
    return f"{state}: {reads}, {against.which}, limit {two_digits(limit)} %"


def _points(c: Calibrated) -> Iterable[str]:
    taken = ", each run's zero taken off and the mean zero put back" if c.zeroed else ""
    yield f"points = [  # signal{taken}; reading; direction"
    for signal, reading, up in zip(c.levels.signal, c.levels.reading, c.levels.up, strict=True):
        yield f'    [{float(signal)!r}, {float(reading)!r}, "{"up" if up else "down"}"],'
    yield "]"
    if c.levels.runs < 3:
        yield f"# run_span: {100 * JUDGED_SCATTER:g} % by judgement, of fewer than three runs"


def _interaction(path: StandInteraction) -> Iterable[str]:
    """Carry the load path over as it was typed."""
    typed = path.model_fields_set
    names: list[str] = [name for name in ("factor", "line_load") if name in typed and not path.pull]
    names += [name for name in ("alignment", "angle", "pull_reference") if name in typed and getattr(path, name)]
    if not names and not path.pull:
        return
    yield "\n[stand_interaction]  # carried over from the revision before"
    for name in names:
        yield f"{name} = {quoted(getattr(path, name).text)}"
    if path.pull:
        yield "pull = ["
        for point in path.pull:
            texts = ", ".join(f"{name} = {quoted(getattr(point, name).text)}" for name in ("reference", "cell", "line"))
            yield f"    {{ {texts} }},"
        yield "]"
