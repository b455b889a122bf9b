"""``standbook lock``: freeze plan, stand, calibrations and prediction before the run."""

from typing import Annotated

import typer

from standbook.cli.screen import PlanPath, Units, check_units, now, say, say_all, today


def lock(
    plan: PlanPath,
    again: Annotated[
        bool, typer.Option("--again", help="Lock the plan as it is now; the older lock is kept beside it.")
    ] = False,
    units: Units = "",
) -> None:
    """Predict the run and lock the prediction with its hash and time; one changed later does not count as locked.

    The pad card is written in --units, the lock as it is.

    Example: standbook lock teasel-2/plans/HF-02.toml
    """
    chosen = check_units(units)
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.findings.catalogue import is_in_group
    from standbook.analysis.findings.prediction import EARLIER_RUN, VESSEL
    from standbook.analysis.prediction.sentences import prediction_sentences
    from standbook.cli.predict import write_card
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.errors import ConfigError
    from standbook.daq.run.lock import lock_campaign

    campaign = read_campaign(plan, today=today()).shown_in(chosen)
    prediction = predict_in_campaign(campaign)
    refused = [finding.text for finding in prediction.findings if is_in_group(finding, VESSEL)]
    if refused:
        raise ConfigError(*(f"{plan}: {text}" for text in refused))
    folder = lock_campaign(campaign, prediction.to_json(), now=now(), replace=again)
    say(f"Locked {campaign.plan.test.number} in {folder}:")
    say_all(prediction_sentences(prediction))
    write_card(campaign, prediction)
    say_all(
        f"{finding.severity.upper()}: {finding.text}"
        for finding in prediction.findings
        if finding.severity != "note" or is_in_group(finding, EARLIER_RUN)
    )
