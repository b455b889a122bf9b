"""Modes of a tap test in the place of typed ones, and what is said where they differ."""

import tomllib

import pytest

from standbook.analysis.dataset.tapped_stand import tapped_stand
from standbook.daq.stand_sheets.tap_file import TapFile

TEXT = """
date = 2031-06-01
tag = "LC-1"
journal = "x"
tanks = "full, water"
moving_mass = "76 +/- 2 kg"
[[state]]
added = "0 kg"
taps = 8
modes = [{ frequency = "FOUND +/- 0.05 Hz", damping = "2 +/- 0.1 %" }]
"""


@pytest.mark.parametrize(("found", "codes"), [(41.5, []), (44.0, ["taps-differ"])])
def test_a_tap_test_replaces_what_is_typed_and_a_mode_elsewhere_is_said(hf02_campaign, found, codes):
    taps = TapFile.model_validate(tomllib.loads(TEXT.replace("FOUND", str(found))))
    stand, said = tapped_stand(hf02_campaign.stand, taps)
    assert [finding.code for finding in said] == codes
    assert (stand.modes[0].value, stand.moving_mass.value) == (found, 76.0)


def test_without_a_tap_test_the_stand_is_as_it_is_typed(hf02_campaign):
    assert tapped_stand(hf02_campaign.stand, None) == (hf02_campaign.stand, [])
