"""A covariance that its points contradict is refused; what the program ships is not."""

import re

import numpy as np
import pytest

from standbook.daq.config.calibration import read_calibration
from standbook.daq.errors import ConfigError
from tests.campaign_fixture import campaign
from tests.repository import ROOT


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    """The starter's calibration of its load cell."""
    folder = campaign(tmp_path_factory.mktemp("calibrations"))
    return folder / "calibrations" / "LC-1_r04.toml"


def with_covariance(cell, tmp_path, change):
    text = cell.read_text(encoding="utf-8")
    kept = np.array(read_calibration(cell).covariance)
    changed = change(kept)
    rows = ", ".join("[" + ", ".join(f"{v:.9g}" for v in row) + "]" for row in changed)
    text, number = re.subn(r"covariance = \[\[.*\]\]", f"covariance = [{rows}]", text)
    assert number == 1
    place = tmp_path / cell.name
    place.write_text(text, encoding="utf-8")
    return place


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda c: 0.5 * c, "covariance does not follow from points: it has 0.71 to 0.71"),
        (lambda c: 2.0 * c, "covariance does not follow from points: it has 1.41 to 1.41"),
        (lambda c: 0.0 * c, "covariance does not follow from points: it has 0.00 to 0.00"),
        (lambda c: 1e-8 * c, "covariance does not follow from points: it has 0.00 to 0.00"),
        (lambda c: -c, "covariance gives some reading a negative variance"),
        (lambda c: c + np.array([[0.0, 2.0], [2.0, 0.0]]) * np.sqrt(c[0, 0] * c[1, 1]), "negative variance"),
        (lambda c: c + np.array([[0.0, 0.5], [0.0, 0.0]]) * np.sqrt(c[0, 0] * c[1, 1]), "covariance is not symmetric"),
        # Each variance is right, and the line at one end is not: both errors are said to go together.
        (lambda c: c + np.array([[0.0, 0.7], [0.7, 0.0]]) * np.sqrt(c[0, 0] * c[1, 1]), "covariance does not follow"),
    ],
)
def test_a_covariance_that_contradicts_its_points_is_refused(cell, tmp_path, change, said):
    with pytest.raises(ConfigError, match=said) as caught:
        read_calibration(with_covariance(cell, tmp_path, change))
    assert "LC-1_r04.toml" in str(caught.value)


@pytest.mark.parametrize("share", [0.7, 1.0, 1.5])
def test_rounding_and_a_little_more_are_accepted(cell, tmp_path, share):
    assert read_calibration(with_covariance(cell, tmp_path, lambda c: share * c)).covariance


def test_every_calibration_that_is_shipped_is_accepted(cell):
    shipped = [*cell.parent.glob("*.toml"), *ROOT.glob("sample_runs/**/calibrations/*.toml")]
    shipped += ROOT.glob("tests/analysis/teasel/**/calibrations/*.toml")
    assert len({path.name for path in shipped}) >= 11
    assert all(read_calibration(path).tag for path in shipped)
