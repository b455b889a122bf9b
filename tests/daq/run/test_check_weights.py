"""Check weights and a gauged throat in weighings.toml: what is taken, what is refused, which one counts."""

import pytest

from standbook.daq.config.plan import read_plan
from standbook.daq.errors import ConfigError
from standbook.daq.run.additions import ADDITIONS, add, read_additions, read_weighings
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts

BY = 'by = "DAQ"\n'


def hung(when="before", mass="60.02 +/- 0.02 kg", reading="588.9 +/- 0.6 N"):
    return f'[[check_weight]]\nhung = "{when}"\nmass = "{mass}"\nreading = "{reading}"\n'


WEIGHED = '[[weighing]]\ntank = "oxidiser"\nresidual = "0.98 +/- 0.03 kg"\n'

VENTED = (
    WEIGHED
    + """loaded_at = "2031-06-14T08:40:00+02:00"
vented_until = "2031-06-14T08:55:30+02:00"
"""
)


@pytest.fixture(scope="module")
def plan(starter_folder):
    return read_plan(starter_folder / "plans" / "HF-02.toml")


def read(tmp_path, plan, text):
    path = tmp_path / "weighings.toml"
    path.write_text(BY + text)
    return read_weighings(path, plan)


def test_check_weights_before_and_after_are_read_in_si(tmp_path, plan):
    found = read(tmp_path, plan, hung() + hung("after", "132.3 +/- 0.1 lb", "0.5885 +/- 0.0006 kN")).check_weight
    assert [row.hung for row in found] == ["before", "after"]
    assert (found[0].mass.value, found[0].mass.u) == (60.02, 0.02)
    assert (found[0].reading.value, found[0].reading.u) == (588.9, 0.6)
    assert found[1].mass.value == pytest.approx(132.3 * 0.45359237)
    assert (found[1].reading.value, found[1].reading.u) == pytest.approx((588.5, 0.6))


def test_check_weights_stand_beside_weighed_tanks_or_alone(tmp_path, plan):
    both = read(tmp_path, plan, WEIGHED + hung())
    assert (len(both.weighing), len(both.check_weight)) == (1, 1)
    assert len(read(tmp_path, plan, hung("after")).check_weight) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (hung(mass="60.02 kg"), ("check weight hung before", "60.02 kg", "uncertainty")),
        (hung("after", reading="588.9 N"), ("check weight hung after", "588.9 N", "uncertainty")),
        (hung(mass="0 +/- 0.02 kg"), ("check_weight", "mass", "0 +/- 0.02 kg", "more than zero")),
        (hung(reading="0 +/- 0.6 N"), ("check weight hung before", "above zero")),
        (hung(reading="-588.9 +/- 0.6 N"), ("check weight hung before", "above zero")),
        (hung() + hung(mass="20 +/- 0.01 kg"), ("two check weights", "before")),
        (hung("after") + hung("after"), ("two check weights", "after")),
        ("", ("no [[weighing]]", "no [[check_weight]]", "no throat_after")),
        ('throat_after = "32.10 mm"\n', ("throat_after", "32.10 mm", "uncertainty")),
        ('scale_u = "0.05 %"\n' + hung(), ("scale_u", "beside no [[weighing]]")),
        ('scale_u = "5 %"\n' + WEIGHED, ("scale_u", "5 %", "at most 2 %")),
        ('scale_u = "0 %"\n' + WEIGHED, ("scale_u", "above 0")),
        ('throat_after = "3.21 +/- 0.02 mm"\n', ("throat_after 3.21", "throat_diameter", "check the unit")),
        (VENTED.replace('vented_until = "2031-06-14T08:55:30+02:00"\n', ""), ("oxidiser", "both loaded_at", "neither")),
        (VENTED.replace("T08:55", "T07:55"), ("oxidiser", "vented_until is before loaded_at")),
        (VENTED + 'boil_off = "12 g/min"\n', ("oxidiser", "boil_off", "uncertainty")),
        (VENTED.replace("+02:00", ""), ("loaded_at", "timezone")),
        (hung("during"), ("hung", "before", "after")),
        (hung(reading="60.02 +/- 0.02 kg"), ("reading", "kg")),
        (hung().replace("mass = ", "weight = "), ("mass",)),
    ],
)
def test_a_wrong_check_weight_is_refused_in_sentences_that_name_it(tmp_path, plan, text, said):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, plan, text)
    together = str(caught.value)
    assert [word for word in ("weighings.toml", *said) if word not in together] == []


@pytest.mark.parametrize(
    "text",
    [hung(mass="60.02 kg"), hung() + hung(), hung(mass="0 +/- 0.02 kg"), ""],
    ids=["no uncertainty", "two before", "no mass", "neither"],
)
def test_one_fault_is_one_sentence(tmp_path, plan, text):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, plan, text)
    assert len(caught.value.problems) == 1
    assert "\n" not in str(caught.value)


@pytest.fixture
def sealed(tmp_path):
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(1000), edges=[(500_000, 1)]).write()
    seal(run)
    return run


def added(run, tmp_path, text):
    path = tmp_path / "weighings.toml"
    path.write_text(BY + text)
    return add(run, [path])


def test_a_later_check_weight_replaces_the_earlier_of_its_own_time_alone(sealed, tmp_path, plan):
    added(sealed, tmp_path, WEIGHED + hung())
    added(sealed, tmp_path, hung("after", reading="588.2 +/- 0.6 N"))
    added(sealed, tmp_path, hung(reading="588.7 +/- 0.6 N"))
    found = read_additions(sealed, plan)
    assert {row.hung: row.reading.value for row in found.check_weights} == {"before": 588.7, "after": 588.2}
    assert found.tanks["oxidiser"].residual.value == 0.98


def test_a_run_opens_with_its_check_weights(sealed, tmp_path):
    added(sealed, tmp_path, hung() + hung("after"))
    assert [row.hung for row in open_run(sealed).check_weights] == ["before", "after"]


def test_a_wrong_check_weight_adds_nothing(sealed, tmp_path):
    with pytest.raises(ConfigError, match="two check weights"):
        added(sealed, tmp_path, hung() + hung())
    assert not (sealed / ADDITIONS).exists()


def test_a_run_opens_with_the_throat_that_was_gauged_last(sealed, tmp_path):
    assert open_run(sealed).throat_after is None
    added(sealed, tmp_path, 'throat_after = "32.10 +/- 0.02 mm"\n')
    added(sealed, tmp_path, hung())
    throat = open_run(sealed).throat_after
    assert (throat.value, throat.u) == pytest.approx((32.10e-3, 0.02e-3))


def test_a_run_opens_with_what_the_scale_of_its_last_weighing_is_good_for(sealed, tmp_path):
    assert open_run(sealed).scale_u is None
    added(sealed, tmp_path, 'scale_u = "0.05 %"\n' + WEIGHED)
    added(sealed, tmp_path, hung())
    assert open_run(sealed).scale_u.value == pytest.approx(5e-4)
    added(sealed, tmp_path, WEIGHED)
    assert open_run(sealed).scale_u is None


def test_a_run_opens_with_how_long_a_load_was_vented(sealed, tmp_path):
    added(sealed, tmp_path, VENTED + 'boil_off = "12 +/- 3 g/min"\n')
    weighing = open_run(sealed).weighings["oxidiser"]
    assert weighing.vented == 930.0
    assert (weighing.boil_off.value, weighing.boil_off.u) == pytest.approx((2e-4, 5e-5))
