"""What an input may measure is decided in one table: no module outside holds its words to decide by."""

import ast

import pytest

from standbook.daq.config.measurands import MEASURANDS, TANK_PRESSURE, of_tank
from standbook.daq.config.stand import Input
from standbook.daq.quantity import UNITS
from tests.repository import ROOT

TABLE = ROOT / "daq" / "config" / "measurands.py"
SHOWN = {"Section"}  # their first word is an anchor on a page


def parents(tree):
    return {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}


def is_dimension(node, above):
    """Tell whether a word, such as "temperature", names a dimension here: beside other dimensions, or held to one."""
    holder = above[node]
    if isinstance(holder, ast.Dict):
        return "pressure" in {key.value for key in holder.keys if isinstance(key, ast.Constant)}
    if isinstance(holder, ast.Compare):
        sides = [holder.left, *holder.comparators]
        return any(getattr(side, "attr", getattr(side, "id", "")) == "dimension" for side in sides)
    return isinstance(holder, ast.Call) and getattr(holder.func, "id", "") == "_field"


def is_shown(node, above):
    holder = above[node]
    holder = above[holder] if isinstance(holder, ast.keyword) else holder
    if isinstance(holder, ast.JoinedStr):  # a sentence; the name of a quantity begins with the word and a stroke
        return not node.value.startswith(tuple(f"{name}/" for name in MEASURANDS))
    return isinstance(holder, ast.Call) and getattr(holder.func, "id", "") in SHOWN


def words_that_decide(source):
    tree = ast.parse(source)
    above = parents(tree)
    begun = tuple(f"{name}/" for name in MEASURANDS)
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and (node.value in MEASURANDS or node.value.startswith(begun))
        and not is_shown(node, above)
        and not (node.value in UNITS and is_dimension(node, above))
    ]


@pytest.mark.slow
def test_no_module_but_the_table_decides_by_the_words_of_a_measurand():
    modules = [p for place in ("daq", "analysis", "cli") for p in sorted((ROOT / place).rglob("*.py")) if p != TABLE]
    assert len(modules) > 200
    found = {p.relative_to(ROOT).as_posix(): words_that_decide(p.read_text(encoding="utf-8")) for p in modules}
    assert {name: words for name, words in found.items() if words} == {}


@pytest.mark.parametrize(
    ("source", "count"),
    [
        ('if item.measures == "thrust": pass', 1),
        ('if item.measures in ("tank pressure", "chamber pressure"): pass', 2),
        ('stand.measuring("temperature")', 1),
        ('bands[f"tank pressure/{name}"]', 1),
        ('names = {"thrust": 1}', 1),
        ('if calibration.dimension == "temperature": pass', 0),
        ('text = f"thrust{when} 5 N"', 0),
        ('Section("thrust", "Thrust")', 0),
        ('text = "thrust above the class"', 0),
    ],
)
def test_the_search_finds_words_that_decide_and_passes_over_sentences(source, count):
    assert len(words_that_decide(source)) == count


def test_every_dimension_of_the_table_is_one_that_quantities_have():
    assert {d for measurand in MEASURANDS.values() for d in measurand.dimensions} <= set(UNITS)


def test_an_input_knows_what_is_asked_of_what_it_measures():
    item = Input.model_validate(
        {"device": "a", "wire": "adc0", "tag": "T", "measures": "tank pressure", "tank": "fuel", "kind": "counts"}
    )
    assert item.measurand is MEASURANDS[TANK_PRESSURE]
    assert item.measurand.is_of_vessel
    assert item.measurand.can_freeze


def test_a_quantity_of_a_tank_is_named_by_both():
    assert of_tank(TANK_PRESSURE, "fuel") == "tank pressure/fuel"
    assert of_tank("thrust", None) == "thrust"


def test_an_unknown_measurand_is_refused_with_those_that_are_known():
    with pytest.raises(ValueError, match=r"nothing here measures.*known: thrust, tank pressure,.* other"):
        Input.model_validate({"device": "a", "wire": "adc0", "tag": "T", "measures": "humour", "kind": "counts"})
