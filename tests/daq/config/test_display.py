"""Units for people in ``stand.toml``: what is refused with file, line and key, and that nothing else follows them."""

import pytest

from standbook.daq.config.stand import Display, Stand, read_stand
from standbook.daq.errors import ConfigError
from tests.campaign_fixture import campaign, edit


@pytest.fixture
def stand(tmp_path):
    return campaign(tmp_path / "teasel-2") / "stand.toml"


def displayed(path, table):
    return edit(path, "[checks]", f"[display]\n{table}\n\n[checks]")


def test_a_stand_says_in_which_units_it_is_shown(stand):
    assert read_stand(stand).display.chosen == {}
    found = read_stand(displayed(stand, 'pressure = "psi(g)"\nforce = "lbf"'))
    assert found.display.chosen == {"pressure": "psi", "force": "lbf"}
    assert found.shown_in({"force": "kN", "mass": "lb"}).display.chosen == {
        "pressure": "psi",
        "force": "kN",
        "mass": "lb",
    }


@pytest.mark.parametrize(
    ("table", "key", "words"),
    [
        ('pressure = "psi"', "display.pressure", 'does not say which pressure; write "psi(g)" or "psi(a)"'),
        ('pressure = "psig"', "display.pressure", "unknown unit 'psig' for pressure; known: Pa, hPa"),
        ('pressure = "lbf"', "display.pressure", "unknown unit 'lbf' for pressure"),
        ('force = "N(g)"', "display.force", "only pressures take a reference"),
        ('mass = "stone"', "display.mass", "known: kg, g, lb"),
        ("force = 3", "display.force", "string"),
        ('length = "mm"', "display.length", "unknown key"),
    ],
)
def test_a_unit_that_is_none_is_refused_with_file_line_and_key(stand, table, key, words):
    with pytest.raises(ConfigError) as refused:
        read_stand(displayed(stand, table))
    (problem,) = refused.value.problems
    line = 1 + stand.read_text(encoding="utf-8").splitlines().index(table)
    assert problem.startswith(f"{stand} line {line}: {key}: ")
    assert words in problem


def test_a_choice_changes_nothing_else_of_a_stand(stand):
    own = read_stand(stand)
    shown = own.shown_in({"pressure": "psi"})
    assert shown != own
    assert shown.model_copy(update={"display": Display()}) == own
    assert set(Stand.model_fields) - {"display"} == {
        name for name in Stand.model_fields if getattr(shown, name) is getattr(own, name)
    }


def test_a_second_unit_of_a_dimension_cannot_be_typed(stand):
    with pytest.raises(ConfigError, match="not valid TOML"):
        read_stand(displayed(stand, 'pressure = "psi(g)"\npressure = "bar(g)"'))
