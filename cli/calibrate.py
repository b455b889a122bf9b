"""``standbook calibrate``: make a readings sheet into the next revision of a calibration."""

import re
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import open_page, say, say_all
from standbook.cli.sheets import campaign_of, check_day, make_folder, write_new
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, StandError, UsageError

if TYPE_CHECKING:
    from standbook.analysis.calibration.readings_sheet import ReadingsSheet
    from standbook.analysis.calibration_sheet.calibrate import Calibrated
    from standbook.analysis.calibration_sheet.reach import ExpectedReading
    from standbook.analysis.calibration_sheet.sheet_sentences import Said
    from standbook.daq.config.calibration import Calibration

REVISION = re.compile(r"r(\d{1,6})")


def calibrate(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="What was read: CAMPAIGN/readings/TAG_DATE.toml")],
    revision: Annotated[
        str | None, typer.Option("--revision", metavar="rNN", help="A later revision than the next free one.")
    ] = None,
    port: Annotated[
        list[str] | None,
        typer.Option("--port", metavar="DEVICE=PATH", help="Take the sheet's levels from this board first."),
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The board is simulated: nothing becomes a calibration.")
    ] = False,
    new: Annotated[bool, typer.Option("--new", help="Write a sheet of levels to be taken, and end.")] = False,
    show: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
) -> None:
    """Fit a readings sheet, hold it against the last revision, and write the next one with its page beside it.

    With --port the levels are taken from the board first, one key each, and recorded. Nothing that exists is written
    over; a plan uses a revision only once it names it. Ends with 10 where the sensor differs from its last revision or
    something needs review.

    Example: standbook calibrate teasel-2/readings/PT-11_2031-06-02.toml
    """
    if new and (port or revision or rehearsal or show):
        raise UsageError("--new writes a sheet and ends; give the other options when its levels are taken")
    if rehearsal and not port:
        raise UsageError("--rehearsal goes with --port: it says that the board there is simulated")
    campaign = campaign_of(sheet)
    if new:
        _write_new(sheet, campaign)
        return
    if port:
        from standbook.cli.record import ports_of
        from standbook.cli.take_levels import take_into_sheet

        take_into_sheet(sheet, campaign, ports_of(port), rehearsal=rehearsal)
    needs_review, page = _calibrated(sheet, campaign, revision)
    if show and page is not None:
        open_page(page)
    if needs_review:
        raise typer.Exit(EXIT_FINDINGS)


def _calibrated(sheet: Path, campaign: Path, revision: str | None) -> tuple[bool, Path | None]:
    """Make a sheet into the next revision; tell whether something needs review, and where the page lies."""
    from standbook.analysis.calibration.readings_sheet import read_sheet
    from standbook.analysis.calibration_sheet.calibrate import calibrate_sheet
    from standbook.analysis.calibration_sheet.calibration_text import calibration_text
    from standbook.analysis.calibration_sheet.journal_levels import is_rehearsed, signals_filled_in
    from standbook.analysis.calibration_sheet.page import calibration_page
    from standbook.analysis.calibration_sheet.sheet_sentences import sentences
    from standbook.daq.config.calibration import Calibration
    from standbook.daq.config.campaign import CALIBRATIONS
    from standbook.daq.config.toml_document import parse_document

    typed, date = read_sheet(sheet, change=lambda values: signals_filled_in(values, campaign, str(sheet)))
    check_day(sheet, date)
    _check_stand(campaign, typed, str(sheet))
    last = _last(campaign / CALIBRATIONS, typed.tag)
    name = _next(campaign / CALIBRATIONS, typed.tag, last, revision)
    found = calibrate_sheet(typed, date, last, str(sheet))
    said = sentences(found, name, _expected(campaign, typed.tag))
    needs_review = bool(said.review) or (found.comparison is not None and found.comparison.differs)
    written = f"{sheet.resolve().parent.name}/{sheet.name}"
    text = calibration_text(found, name, written)
    place = campaign / CALIBRATIONS / f"{typed.tag}_{name}.toml"
    parse_document(text, Calibration, str(place))  # what is written reads back, or is not written
    if is_rehearsed(typed.journal, campaign):
        say(f"REHEARSAL: the levels are simulated; no {name} is written. It would be:")
        _print(said)
        return needs_review, None
    page = _write(place, text, calibration_page(found, said, name, written))
    _print(said)
    _say_questioned(campaign, found)
    say(f"Calibration: {place}")
    say(f"Page: {page}")
    return needs_review, page


def _expected(campaign: Path, tag: str) -> "tuple[ExpectedReading, ...]":
    """Return what the plans of a campaign expect a sensor to read; another command tells of a faulty plan."""
    from standbook.analysis.calibration_sheet.reach import ExpectedReading
    from standbook.analysis.campaign.ranges import greatest_expected
    from standbook.daq.config.campaign import PLANS, STAND_FILE
    from standbook.daq.config.plan import read_plan
    from standbook.daq.config.stand import read_stand

    if not (campaign / STAND_FILE).exists():
        return ()
    stand = read_stand(campaign / STAND_FILE)
    found = []
    for path in sorted((campaign / PLANS).glob("*.toml")):
        try:
            plan = read_plan(path)
            value = greatest_expected(plan, stand, stand.input_tagged(tag))
        except StandError:
            continue
        if value is not None:
            ambient = plan.site.ambient_pressure.value
            found.append(ExpectedReading(plan=f"{PLANS}/{path.name}", value=value, ambient=ambient))
    return tuple(found)


def _say_questioned(campaign: Path, found: "Calibrated") -> None:
    """Name the runs in question where a sensor, as found, is not what its last revision says."""
    from standbook.analysis.calibration_sheet.questioned_runs import questioned, runs_with

    against = found.comparison
    if found.last is not None and against is not None and against.differs and found.sheet.sensor.state == "as found":
        say_all(questioned(runs_with(campaign, found.last), against))


def _write_new(sheet: Path, campaign: Path) -> None:
    from standbook.analysis.calibration.readings_sheet import tag_and_day
    from standbook.analysis.calibration_sheet.new_sheet import new_sheet_text
    from standbook.daq.config.campaign import CALIBRATIONS, STAND_FILE
    from standbook.daq.config.stand import read_stand

    tag, _ = tag_and_day(sheet)
    stand = read_stand(campaign / STAND_FILE)
    if tag not in {item.tag for item in stand.input}:
        raise ConfigError(f"{sheet}: {STAND_FILE} has no {tag}; it has {', '.join(sorted(i.tag for i in stand.input))}")
    item = stand.input_tagged(tag)
    write_new(sheet, new_sheet_text(item, _last(campaign / CALIBRATIONS, tag)))
    say(f"Sheet: {sheet}. Write what the reference is, correct the levels, then take them:")
    say(f"  standbook calibrate {sheet} --port {item.device}=PATH")


def _print(said: "Said") -> None:
    say(said.result)
    say(said.comparison)
    say(said.surely_seen)
    say_all(f"CAUTION: {sentence}" for sentence in said.cautions)
    say_all(f"REVIEW: {sentence}" for sentence in said.review)
    say_all(said.notes)


def _check_stand(campaign: Path, sheet: "ReadingsSheet", name: str) -> None:
    """Refuse a sheet of a sensor that the stand does not have, where there is a stand."""
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import read_stand
    from standbook.daq.stand_sheets.typed_reading import ratio_hint

    if not (campaign / STAND_FILE).exists():
        return
    stand = read_stand(campaign / STAND_FILE)
    tags = {item.tag: item for item in stand.input}
    if sheet.tag not in tags:
        raise ConfigError(f"{name}: tag: {STAND_FILE} has no {sheet.tag}; it has {', '.join(sorted(tags))}")
    item = tags[sheet.tag]
    if item.sensor_serial and item.sensor_serial != sheet.sensor.serial:
        raise ConfigError(
            f"{name}: sensor.serial: {sheet.sensor.serial}, but {STAND_FILE} has {item.sensor_serial} as {sheet.tag}; "
            "correct the one that is not mounted"
        )
    if (wanted := item.sensor_kind.signal_unit) != sheet.sensor.signal_unit:
        first = sheet.run[0].readings[0]
        raise ConfigError(
            f"{name}: sensor.signal_unit: {sheet.sensor.signal_unit}, but a {item.kind} input gives "
            f"{wanted}; correct the sheet or {STAND_FILE}{ratio_hint(first.signal, first.signal_unit, wanted)}"
        )


def _revisions(folder: Path, tag: str, *suffixes: str) -> dict[int, Path]:
    """Return the files of a tag's revisions by their number, one a revision."""
    found: dict[int, Path] = {}
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        own, _, name = path.stem.rpartition("_")
        match = REVISION.fullmatch(name)
        if own == tag and match is not None and path.suffix in suffixes:
            found[int(match[1])] = path
    return found


def _last(folder: Path, tag: str) -> "Calibration | None":
    from standbook.daq.config.calibration import read_calibration

    found = _revisions(folder, tag, ".toml")
    return read_calibration(found[max(found)]) if found else None


def _next(folder: Path, tag: str, last: "Calibration | None", wanted: str | None) -> str:
    highest = max(_revisions(folder, tag, ".toml", ".html"), default=0)
    if wanted is None:
        return f"r{highest + 1:02d}"
    match = REVISION.fullmatch(wanted)
    if match is None or int(match[1]) <= highest:
        has = f"{tag} has revisions up to {last.revision}" if last is not None else f"{tag} has none yet"
        raise ConfigError(f"--revision {wanted}: {has}; a new one is later, like r{highest + 1:02d}")
    return wanted


def _write(place: Path, text: str, html: str) -> Path:
    """Write page and calibration, the calibration last; where it cannot be, the page goes too."""
    from standbook.daq.storage.atomic_write import write_atomic

    page = place.with_suffix(".html")
    if place.exists() or page.exists():
        raise ConfigError(f"{place}: exists already; nothing was written")
    make_folder(place.parent)
    write_atomic(page, html.encode("utf-8"))
    try:
        write_atomic(place, text.encode("utf-8"))
    except BaseException:
        with suppress(OSError):
            page.unlink()
        raise
    return page
