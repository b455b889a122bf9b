"""``standbook predict``: predict every gauge reading, and the margin to the class limit."""

from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, PlanPath, Units, check_units, say, say_all, today
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, RecordError

if TYPE_CHECKING:
    from standbook.analysis.results.prediction import Prediction
    from standbook.daq.config.campaign import Campaign

CARDS = "cards"  # folder of a campaign


def predict(
    plan: PlanPath,
    card: Annotated[bool, typer.Option("--card", help="Write the pad card, one page for a clipboard.")] = False,
    paper: Annotated[str, typer.Option("--paper", help="Of the card: a5 or half-letter.")] = "a5",
    units: Units = "",
    as_json: AsJson = False,
) -> None:
    """Predict the run from its plan, with a 95 % band from the plan's own uncertainties.

    With --card what screen and gauges should read is written to cards/NUMBER.html; 10 where a box of it stays empty,
    or where words of the plan hold another unit than --units. What is printed stays in bar and N.

    Example: standbook predict teasel-2/plans/HF-02.toml --card
    """
    chosen = check_units(units)
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.pad_card.page import PAPERS
    from standbook.analysis.prediction.sentences import prediction_sentences
    from standbook.daq.config.campaign import read_campaign

    if paper not in PAPERS:
        raise typer.BadParameter(f"--paper {paper}: write {' or '.join(PAPERS)}")
    campaign = read_campaign(plan, today=today()).shown_in(chosen)
    prediction = predict_in_campaign(campaign)
    if as_json:
        say(prediction.to_json())
        return
    say(f"{campaign.plan.test.number}, {campaign.plan.test.kind} of {campaign.plan.test.article}:")
    say_all(prediction_sentences(prediction))
    say_all(f"{finding.severity.upper()}: {finding.text}" for finding in prediction.findings)
    whole = not card or write_card(campaign, prediction, paper=paper)
    say(f"Next: standbook lock {plan}")
    if not whole:
        raise typer.Exit(EXIT_FINDINGS)


def write_card(campaign: "Campaign", prediction: "Prediction", *, paper: str = "a5") -> bool:
    """Write a campaign's pad card and say where; tell whether it is whole.

    Whole: no other plan is locked, no box stays empty, and all of it is in one unit of a dimension.
    """
    from standbook.analysis.pad_card.card import pad_card
    from standbook.analysis.pad_card.page import pad_card_page
    from standbook.daq.storage.atomic_write import write_atomic
    from standbook.daq.storage.durable_file import reason

    heading, is_this_plan = _heading(campaign)
    content = pad_card(campaign.plan, campaign.stand, campaign.calibrations, prediction, heading=heading)
    place = campaign.folder / CARDS / f"{campaign.plan.test.number}.html"
    try:
        place.parent.mkdir(exist_ok=True)
        write_atomic(place, pad_card_page(content, paper=paper).encode("utf-8"))
    except OSError as error:
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error
    say(f"Pad card: {place}" + ("; its box of holds or aborts is empty" if content.is_incomplete else ""))
    say_all(f"REVIEW: a rule keeps its own unit, as typed: {words}" for words in content.foreign)
    return is_this_plan and not content.is_incomplete and not content.foreign


def _heading(campaign: "Campaign") -> tuple[str, bool]:
    """Say whether the plan is locked as it is, with the first digits of its hash; tell that no other one is."""
    from standbook.daq.run.lock import check_lock

    try:
        lock = check_lock(campaign)
    except ConfigError:
        return "NOT THE LOCKED PLAN", False
    if lock is None:
        return "DRAFT, NOT LOCKED", True
    return f"LOCKED {lock.locked_at:%Y-%m-%d %H:%M} UTC {lock.plan_sha256[:8]}", True
