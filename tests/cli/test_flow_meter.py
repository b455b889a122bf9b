"""A stand without scales but with a flow meter, from another logger's file to CdA and exponent on the command line."""

import math
import random

import pytest

from standbook.analysis.results.json_codec import from_json
from standbook.cli.main import run
from tests.campaign_fixture import edit

AREA, DENSITY, AMBIENT = 16.2e-6, 998.6, 0.978e5
INPUT = """
[[input]]
device = "cradle-a"
wire = "adc12"
tag = "FM-1"
measures = "liquid flow"
tank = "oxidiser"
kind = "counts"

[[device]]"""
MAPPING = """
start = 2025-06-14T09:58:00Z
clock = "t"
clock_unit = "ms"
t_zero = "VALVE rising 0.5"
[columns]
"P" = "PT-11 bar(g)"
{meter}
"""


def flow(head):
    """Return rows of a simulated flow: tank pressure in bar(g), litres a minute with 0.3 % of noise, valve."""
    noise = random.Random(1)
    gas = start = 14.647e-3
    first = pressure = 9.978e5
    rows = ["t,P,Q,VALVE"]
    for k in range(22_000):
        rate = 0.0
        if 5_000 <= k < 19_000:
            drive = pressure - AMBIENT + DENSITY * 9.80665 * head(gas - start)
            rate = AREA * math.sqrt(2.0 * drive / DENSITY)
            gas += 1e-3 * rate
            grown = math.log(gas / start)
            pressure = first * math.exp(-(1.42 - 0.30 * grown) * grown)
        if k % 10 == 0:
            shown = (pressure - AMBIENT) / 1e5 + noise.gauss(0.0, 0.005)
            metered = 6e4 * rate * (1.0 + noise.gauss(0.0, 0.003))
            rows.append(f"{k},{shown:.4f},{metered:.4f},{int(rate > 0.0)}")
    return "\n".join(rows) + "\n", DENSITY * (gas - start)


@pytest.fixture
def imported(tmp_path, capsys):
    """Import the flow with or without its meter; return the run's folder, the mass that left, what analyse returns."""

    def go(*, metered):
        place = tmp_path / "teasel-2"
        assert run(["new", str(place)]) == 0
        edit(place / "stand.toml", "\n[[device]]", INPUT)
        section = math.pi / 4.0 * 0.23**2
        text, left = flow(lambda gone: 0.25 + (9.34 / DENSITY - gone) / section)
        (tmp_path / "flow.csv").write_text(text, encoding="utf-8")
        meter = '"Q" = "FM-1 L/min +/- 0.5 %"' if metered else ""
        (tmp_path / "map.toml").write_text(MAPPING.format(meter=meter), encoding="utf-8")
        plan = place / "plans" / "WF-03.toml"
        assert run(["import", str(tmp_path / "flow.csv"), str(tmp_path / "map.toml"), str(plan)]) == 0
        (folder,) = (place / "runs").iterdir()
        code = run(["analyse", str(folder)])
        capsys.readouterr()
        return from_json((folder / "analysis/rev-A/results.json").read_text(encoding="utf-8")), left, code

    return go


@pytest.mark.slow
def test_a_stand_without_scales_but_with_a_flow_meter_gives_cda_and_exponent(imported):
    results, left, _ = imported(metered=True)
    tank = results.tanks["oxidiser"]
    assert abs(tank.cda.value - AREA) < 3.0 * tank.cda.u
    assert tank.cda.u < 0.01 * AREA
    assert tank.exponent is not None
    assert tank.expelled_mass.value == pytest.approx(left, rel=0.015)  # the meter's 0.5 % three times
    assert "FM-1 gain" in {term.source for term in tank.cda_budget}
    assert "not-weighed" not in {f.code for f in results.findings}


def test_without_any_amount_the_command_refuses_both_in_one_sentence(imported):
    results, _, code = imported(metered=False)
    assert code == 10
    assert results.tanks["oxidiser"].cda is None
    assert results.tanks["oxidiser"].exponent is None
    assert any("no exponent and no CdA without an amount" in f.text for f in results.findings)
