"""Steps of a check, one key each: what is refused and why, what is left out, struck out, taken all the same."""

import dataclasses
from types import SimpleNamespace

import pytest

from standbook.daq.bench.live_level import Standing
from standbook.daq.bench.settled_level import Level
from standbook.daq.bench.step_taking import STEP_KEY, Step, StepTaking
from standbook.daq.config.plan import LineEdgeName
from standbook.daq.host_clock import HostClocks
from standbook.daq.run.marks import MARKS_FILE, MarkLog


def level(mean):
    return Level(
        mean=mean, mean_u=1e-3, scatter=1e-2, rows=500, change=0.0, change_u=1e-3, jump=0.0, usual_jump=1e-3,
        lowest=mean - 1e-3, highest=mean + 1e-3,
    )  # fmt: skip


class Live:
    """Two inputs that read what the test says."""

    def __init__(self):
        self.reads = {"PT-11": 0.0, "LC-1": 0.0}
        self.why_not = dict.fromkeys(self.reads, "")
        self.unfelt = {}
        self.edges = 0
        self.of = {
            tag: SimpleNamespace(
                standing=self._standing(tag), range=10.0, told=lambda level: f"{level.mean:.2f} bar(g)"
            )
            for tag in self.reads
        }

    def _standing(self, tag):
        def standing(_now, unfelt=0.0):
            self.unfelt[tag] = unfelt
            return Standing(None if self.reads[tag] is None else level(self.reads[tag]), self.why_not[tag])

        return standing


STEPS = (
    Step(name="vented", asks="all open", tags=("PT-11", "LC-1"), value="97.80", unit="kPa(a)"),
    Step(name="push", asks="push it", tags=("LC-1",), stands=False),
    Step(name="tank oxidiser", asks="pressurise", tags=("PT-11",), unit="bar(g)", moves=("PT-11",)),
)


@pytest.fixture
def live():
    return Live()


@pytest.fixture
def taking(live, tmp_path):
    judged = lambda taken: tuple(f"seen {step.name}" for step in taken[-1:])  # noqa: E731 - as a command hands one in
    return StepTaking(STEPS, live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), judged)


def press(taking, keys):
    for key in keys:
        taking.press(key, 0)
    return taking.said


def test_a_step_is_taken_with_its_planned_value_and_judged_at_once(taking):
    assert taking.said == "vented: all open"
    assert taking.state(0) == "1/3 vented 97.80 kPa(a): PT-11 0.00 bar(g), stands, press space"
    assert press(taking, " ") == "taken: vented 97.80 kPa(a)\nseen vented\npush: push it"
    (step,) = taking.taken
    assert (step.name, step.value, sorted(step.levels)) == ("vented", "97.80", ["LC-1", "PT-11"])


def test_a_typed_value_takes_the_place_of_the_planned_one_and_backspace_takes_a_digit_back(taking):
    press(taking, "981\x7f0.5")
    assert press(taking, " ").startswith("taken: vented 980.5 kPa(a)")


def test_a_step_whose_inputs_do_not_stand_is_refused_by_the_name_of_the_input(taking, live):
    live.why_not["PT-11"] = "jumped by 0.2 bar; more of it"
    assert taking.state(0) == "1/3 vented 97.80 kPa(a): PT-11 0.00 bar(g), jumped by 0.2 bar"
    assert press(taking, " ") == "not taken: PT-11 jumped by 0.2 bar; more of it"
    live.reads["PT-11"], live.why_not["PT-11"] = None, "no rows yet"
    assert "PT-11 no rows yet" in press(taking, " ")
    assert taking.taken == ()


def test_a_push_need_not_stand(taking, live):
    press(taking, " ")
    live.why_not["LC-1"] = "rising 2 N in 5 s"
    assert press(taking, " ").startswith("taken: push")


def test_a_tank_that_has_not_moved_is_not_offered_until_it_is_taken_all_the_same(taking, live):
    press(taking, "  30")
    assert "PT-11 has not moved yet; A takes it all the same" in press(taking, " ")
    live.reads["PT-11"] = 3.0
    assert press(taking, " ").startswith("taken: tank oxidiser 30 bar(g)")
    assert taking.next is None
    assert taking.state(0) == "all steps are done"
    press(taking, "\x7f")
    live.reads["PT-11"] = 0.0
    press(taking, "30")
    assert press(taking, "a").startswith("taken: tank oxidiser 30 bar(g)")


def test_a_value_that_is_missing_or_no_number_is_asked_for(taking, live):
    press(taking, "  ")
    live.reads["PT-11"] = 3.0
    assert press(taking, " ") == "not taken: type what it reads, in bar(g)"
    press(taking, "3-")
    assert '"3-" is no number' in press(taking, " ")


def test_a_step_may_be_left_out_and_the_last_one_struck_out(taking, tmp_path):
    assert press(taking, "\x7f") == "nothing to strike out"
    press(taking, " ")
    assert press(taking, "n") == "left out: push\ntank oxidiser: pressurise"
    assert press(taking, "\x7f").startswith("struck out: vented\nvented:")
    marks = MarkLog(tmp_path / MARKS_FILE, HostClocks()).marks
    assert [(mark.text, mark.key, mark.struck) for mark in marks] == [("vented 97.80 kPa(a)", STEP_KEY, True)]


def test_an_angle_is_typed_with_its_u_and_without_it_is_asked_for(live, tmp_path):
    step = Step(name="alignment", asks="angle", tags=("LC-1",), unit="deg", stands=False, with_u=True)
    taking = StepTaking((step,), live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), lambda _: ())
    live.why_not["LC-1"] = "rising 2 N in 5 s"
    assert taking.state(0) == "1/1 alignment deg: type it and its u, in deg, like 0.5/0.2"
    assert "type it and its u" in press(taking, "0.5 ")
    assert "type it and its u" in press(taking, "/0 ")
    assert press(taking, ".2 ") == "taken: alignment 0.5/0.2 deg"
    assert taking.taken[0].value == "0.5/0.2"


def test_a_slash_is_no_part_of_a_value_without_u(taking):
    press(taking, "98/1")
    assert press(taking, " ").startswith("taken: vented 981 kPa(a)")


def test_each_input_may_move_by_what_the_step_does_not_feel(live, tmp_path):
    step = Step(name="vented", asks="all open", tags=("PT-11", "LC-1"), unfelt={"PT-11": 0.02})
    taking = StepTaking((step,), live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), lambda _: ())
    taking.why_not(0)
    assert live.unfelt == {"PT-11": 0.02, "LC-1": 0.0}


def taking_of(step, live, tmp_path, judge=lambda _: ()):
    return StepTaking((step,), live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), judge)


def test_what_is_being_typed_is_named_at_once_and_so_is_what_is_no_number(live, tmp_path):
    taking = taking_of(dataclasses.replace(STEPS[0], quantity="barometer"), live, tmp_path)
    press(taking, "98.1")
    assert taking.state(0) == "1/1 vented: barometer typed: 98.1 kPa(a): stands, press space"
    press(taking, ".2")
    assert taking.state(0) == '1/1 vented: barometer typed: 98.1.2 kPa(a): "98.1.2" is no number'


def test_an_edge_is_waited_for_then_offered_and_none_is_taken_before(live, tmp_path):
    edge = LineEdgeName(device="cradle-a", line="fire", rising=True)
    seen = []
    step = Step(name="T-0", asks="switch it", tags=(), stands=False, edge=edge)
    taking = taking_of(step, live, tmp_path, lambda taken: seen.append(taken[-1].edges) or ())
    assert taking.state(0) == "1/1 T-0: waiting for the edge"
    assert press(taking, " ") == "not taken: no rising edge of fire was seen yet; A takes it all the same"
    assert taking.taken == ()
    live.edges = 1
    assert taking.state(0) == "1/1 T-0: edge seen, press space"
    assert press(taking, " ") == "taken: T-0"
    press(taking, "\x7f")
    live.edges = 3
    assert taking.state(0) == "1/1 T-0: 3 edges seen, press space"
    press(taking, " ")
    assert seen == [1, 3]


def test_an_edge_before_the_newest_step_counts_no_more_and_a_dead_line_is_taken_all_the_same(live, tmp_path):
    edge = LineEdgeName(device="cradle-a", line="fire", rising=False)
    steps = (
        Step(name="push", asks="push", tags=("LC-1",), stands=False),
        Step(name="T-0", asks="", tags=(), edge=edge),
    )
    taking = StepTaking(steps, live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), lambda _: ())
    live.edges = 2
    press(taking, " ")
    assert taking.state(0) == "2/2 T-0: waiting for the edge"
    assert "no falling edge of fire" in press(taking, " ")
    assert press(taking, "a") == "taken: T-0"
    assert taking.taken[-1].edges == 0


def test_a_shunt_is_a_step_off_the_first_level_and_not_the_weight_that_was_taken_off(live, tmp_path):
    steps = (
        Step(name="vented", asks="", tags=("LC-1",)),
        Step(name="weight", asks="", tags=("LC-1",)),
        Step(name="shunt LC-1", asks="", tags=("LC-1",), moves=("LC-1",), least_share=0.01),
    )
    taking = StepTaking(steps, live, MarkLog(tmp_path / MARKS_FILE, HostClocks()), lambda _: ())
    press(taking, " ")
    live.reads["LC-1"] = 2.0
    press(taking, " ")
    refused = "not taken: LC-1 has not moved by 1 % since vented yet; A takes it all the same"
    for reads in (2.0, 0.0, 0.09):  # the weight on, off; less than a hundredth of a range of 10
        live.reads["LC-1"] = reads
        assert press(taking, " ") == refused
    live.reads["LC-1"] = 0.11
    assert press(taking, " ") == "taken: shunt LC-1"
