"""A kind of sensor is one entry of one table, and everything else asks it."""

import ast
import re

import numpy as np
import pytest

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.sensor_kinds import SENSOR_KINDS, SIGNAL_UNITS
from standbook.daq.config.stand import Input
from standbook.daq.errors import ConfigError
from tests.campaign_fixture import TODAY, campaign, edit
from tests.repository import ROOT

STATED = {
    "volt_per_count": "0.1875 mV",
    "amplifier_gain": "4",
    "supply": "5.000 V",
    "burden": "150.0 ohm",
    "reference_resistor": "400.0 +/- 0.04 ohm",
    "nominal": "100 ohm",
}


def input_of(kind, **more):
    """An input that states what its kind needs."""
    needed = {field: STATED[field] for field in SENSOR_KINDS[kind].needs}
    gain = {"amplifier_gain": STATED["amplifier_gain"]} if SENSOR_KINDS[kind].is_voltage else {}
    item = {"device": "cradle-a", "wire": "adc9", "tag": "X-1", "measures": "other", "kind": kind}
    return Input.model_validate({**item, **gain, **needed, **more})


def by_pocket_calculator(rule, counts):
    """Work out a rule in words as a person would."""
    if rule == "the counts as they are":
        return counts
    numbers = re.sub(r" of the sensor supply| over the reference resistor| V\b| ohm\b", "", rule)
    numbers = re.sub(r" \+/- [\d.]+", "", numbers)
    return eval(numbers.replace("×", "*").replace("counts", repr(counts)), {"__builtins__": {}})


@pytest.mark.parametrize("kind", SENSOR_KINDS)
def test_the_rule_in_words_gives_the_signal_that_the_program_gives(kind):
    item = input_of(kind)
    signal = item.sensor_kind.signal(item, np.array([12345]), 5.0)
    assert by_pocket_calculator(item.sensor_kind.words(item), 12345) == pytest.approx(signal[0], rel=1e-12)


@pytest.mark.parametrize(
    ("kind", "stated", "said"),
    [
        ("counts", {}, "the counts as they are"),
        ("voltage", {}, "counts × 2e-06 V / 128.0"),
        ("bridge", {"supply": "VS-1"}, "1000 × counts × 2e-06 V / 128.0 / the reading of VS-1 in V"),
        ("ratiometric", {"supply": "5.000 V"}, "counts × 2e-06 V / 128.0 / 5.000 V of the sensor supply"),
        ("loop", {"burden": "100 ohm"}, "1000 × counts × 2e-06 V / 128.0 / 100 ohm"),
        (
            "resistance thermometer",
            {"supply": "0.500 V"},
            "counts × 2e-06 V / 128.0 / 0.500 V over the reference resistor × 400.0 +/- 0.04 ohm",
        ),
    ],
)
def test_the_rule_from_counts_to_signal_names_numbers_and_where_they_come_from(kind, stated, said):
    volts = {"volt_per_count": "2 uV", "amplifier_gain": "128"} if SENSOR_KINDS[kind].is_voltage else {}
    item = input_of(kind, **volts, **stated)
    assert item.sensor_kind.words(item) == said


@pytest.mark.parametrize("kind", SENSOR_KINDS)
def test_counts_become_a_signal_and_back(kind):
    item = input_of(kind)
    counts, supply = np.array([-20, 1000, 20000]), np.array([4.9, 5.0, 5.1])
    signal = item.sensor_kind.signal(item, counts, supply)
    assert item.sensor_kind.counts(item, signal, supply) == pytest.approx(counts, rel=1e-12)


@pytest.mark.parametrize(("kind", "field"), [(k.name, field) for k in SENSOR_KINDS.values() for field in k.needs])
def test_a_stand_that_does_not_state_what_a_kind_needs_is_refused(kind, field):
    with pytest.raises(ValueError, match=f"input X-1: a {kind} input needs .*{field}"):
        input_of(kind, **{field: None})


def test_all_that_is_missing_is_said_at_once():
    with pytest.raises(ValueError, match="a ratiometric input needs volt_per_count, not zero and its supply, a tag or"):
        input_of("ratiometric", volt_per_count="0 mV", supply=None)


@pytest.mark.parametrize("kind", [kind for kind in SENSOR_KINDS.values() if kind.follows_supply], ids=lambda k: k.name)
def test_a_kind_that_follows_its_supply_keeps_its_signal_when_both_sag(kind):
    item = input_of(kind.name)
    whole, sagged = (kind.signal(item, np.array([share * 10000.0]), share * 5.0) for share in (1.0, 0.9))
    assert sagged == pytest.approx(whole, rel=1e-12)


def test_an_unknown_kind_is_refused_with_file_line_and_those_that_are_known(tmp_path):
    folder = campaign(tmp_path)
    edit(folder / "stand.toml", 'kind = "loop"', 'kind = "thermistor"')
    known = ", ".join(SENSOR_KINDS)
    with pytest.raises(
        ConfigError, match=rf'stand.toml line \d+: input\[3\].kind: unknown kind "thermistor"; .*{known}'
    ):
        read_campaign(folder / "plans" / "HF-02.toml", today=TODAY)


def test_a_signal_that_no_kind_gives_is_refused_with_those_that_some_give(tmp_path):
    folder = campaign(tmp_path)
    edit(folder / "calibrations" / "PT-12_r02.toml", 'signal_unit = "mA"', 'signal_unit = "uA"')
    with pytest.raises(ConfigError, match=f'signal_unit: no kind of sensor gives "uA"; .*{", ".join(SIGNAL_UNITS)}'):
        read_campaign(folder / "plans" / "HF-02.toml", today=TODAY)


def test_a_calibration_of_another_dimension_than_the_input_measures_is_refused(tmp_path):
    folder = campaign(tmp_path)
    edit(folder / "calibrations" / "PT-12_r02.toml", 'reading_unit = "bar(g)"', 'reading_unit = "N"')
    with pytest.raises(ConfigError, match=r"PT-12: the stand has it measure tank pressure, but .* PT-12_r02 reads N"):
        read_campaign(folder / "plans" / "HF-02.toml", today=TODAY)


def test_a_calibration_takes_the_signal_of_every_kind():
    for unit in SIGNAL_UNITS:
        assert Calibration.model_fields["signal_unit"].metadata[0].func(unit) == unit


def decides_by_kind(source):
    """Lines that hold the name of a kind, or compare a kind with a word."""
    names = set(SENSOR_KINDS) - {"voltage", "counts"}  # a dimension, a unit
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and node.value in names:
            yield node.lineno
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            words = {side.value for side in sides if isinstance(side, ast.Constant)}
            if any(getattr(side, "attr", "") == "kind" for side in sides) and words & set(SENSOR_KINDS):
                yield node.lineno


@pytest.mark.slow
def test_no_module_but_the_table_decides_by_the_name_of_a_kind():
    table = ROOT / "daq" / "config" / "sensor_kinds.py"
    modules = [p for place in ("daq", "analysis", "cli") for p in sorted((ROOT / place).rglob("*.py")) if p != table]
    found = {p.relative_to(ROOT).as_posix(): list(decides_by_kind(p.read_text(encoding="utf-8"))) for p in modules}
    assert {name: lines for name, lines in found.items() if lines} == {}
    assert sorted(decides_by_kind('if item.kind == "counts": pass\nx = "bridge"\ny = "counts"')) == [1, 2]


@pytest.mark.parametrize("page", ["cli/guide/files.md", "cli/starter_files/stand.toml"])
def test_every_kind_stands_where_a_crew_looks_for_it(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    assert [name for name in SENSOR_KINDS if name not in text] == []


@pytest.mark.parametrize(
    ("typed", "relative_u"),
    [("5.000 V", 0.005 / 3.0**0.5), ("5.000 +/- 0.015 V", 0.003), ("2.5 +/- 0.0005 V", 0.0002), ("5.000 +/- 0 V", 0.0)],
)
def test_a_supply_stated_without_its_doubt_counts_as_known_within_half_a_percent(typed, relative_u):
    assert input_of("bridge", supply=typed).stated_supply.relative_u == pytest.approx(relative_u)


def test_the_voltage_over_a_reference_resistor_is_what_the_converter_is_referred_to():
    assert input_of("resistance thermometer", supply="0.500 V").stated_supply.relative_u == 0.0


def test_a_supply_that_is_measured_states_nothing():
    assert input_of("bridge", supply="VS-1").stated_supply is None
