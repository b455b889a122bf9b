"""``standbook predict``: predict every gauge reading, and the margin to the class limit."""

from standbook.cli.screen import AsJson, PlanPath, say, say_all, today


def predict(plan: PlanPath, as_json: AsJson = False) -> None:
    """Predict the run from its plan, with a 95 % band from the plan's own uncertainties.

    Example: standbook predict teasel-2/plans/HF-02.toml
    """
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.prediction.pad_card import prediction_sentences
    from standbook.daq.config.campaign import read_campaign

    campaign = read_campaign(plan, today=today())
    prediction = predict_in_campaign(campaign)
    if as_json:
        say(prediction.to_json())
        return
    say(f"{campaign.plan.test.number}, {campaign.plan.test.kind} of {campaign.plan.test.article}:")
    say_all(prediction_sentences(prediction))
    say_all(f"{finding.severity.upper()}: {finding.text}" for finding in prediction.findings)
    say(f"Next: standbook lock {plan}")
