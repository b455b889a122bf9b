"""Configurations follow from what runs state: same hardware joins, a changed throat parts, loads do not count."""

from standbook.analysis.campaign.configuration import breaks, changed, configured, numbered
from standbook.daq.config.plan import read_plan


def with_changes(campaign, old, new):
    """Return the plan with one text of its file changed."""
    text = campaign.plan_path.read_text(encoding="utf-8")
    assert old in text
    path = campaign.plan_path.with_name("changed.toml")
    path.write_text(text.replace(old, new), encoding="utf-8")
    try:
        return read_plan(path)
    finally:
        path.unlink()


def test_a_flow_of_one_tank_joins_the_firing_of_the_same_article(hf02_campaign, wf03_campaign):
    firing = configured(hf02_campaign.plan, hf02_campaign.stand, hf02_campaign.calibrations)
    flow = configured(wf03_campaign.plan, wf03_campaign.stand, wf03_campaign.calibrations)
    assert "throat diameter" in firing.hardware
    assert "throat diameter" not in flow.hardware
    assert numbered([flow.hardware, firing.hardware]) == [1, 1]
    assert numbered([flow.instruments, firing.instruments]) == [1, 1]


def test_another_throat_is_another_configuration_and_another_load_is_not(hf02_campaign):
    def hardware(plan):
        return configured(plan, hf02_campaign.stand, hf02_campaign.calibrations).hardware

    as_planned = hardware(hf02_campaign.plan)
    throat = hardware(with_changes(hf02_campaign, '"32.00 +/- 0.05 mm"', '"32.15 +/- 0.05 mm"'))
    load = hardware(with_changes(hf02_campaign, "10.66 +/-", "10.40 +/-"))
    assert changed(as_planned, throat) == ("throat diameter",)
    assert changed(as_planned, load) == ()
    assert numbered([as_planned, throat, load, throat]) == [1, 2, 1, 2]


def test_a_unit_is_no_change(hf02_campaign):
    other = with_changes(hf02_campaign, '"32.00 +/- 0.05 mm"', '"0.032 +/- 0.00005 m"')
    stated = [
        configured(plan, hf02_campaign.stand, hf02_campaign.calibrations).hardware
        for plan in (hf02_campaign.plan, other)
    ]
    assert numbered(stated) == [1, 1]


def test_what_a_run_adds_counts_for_the_next():
    stated = [{"a": "1"}, {"a": "1", "b": "2"}, {"a": "1", "b": "3"}, {"b": "2"}]
    assert breaks(stated, numbered(stated)) == ["", "", "b", ""]
    assert numbered([{"a": "1"}, {"a": "1", "b": "2"}, {"a": "1", "b": "3"}, {"b": "2"}]) == [1, 1, 2, 1]
