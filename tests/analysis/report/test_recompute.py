"""What the report prints for computing a result again: every step with its numbers, and only the steps that are due."""

from dataclasses import replace

from standbook.analysis.report.content.blocks import Table, Text
from standbook.analysis.report.sections.recompute import recompute
from standbook.analysis.results.firing_results import FiringDetail, HandRecipe
from tests.analysis import report_fixture as fixture

RECIPE = HandRecipe(
    cell="LC-1",
    window=(-0.091, 19.846),
    zero_before=(-2.501, -0.501),
    zero_after=(20.754, 22.754),
    step=None,
    left_later=0.0,
    share_by="PT-31",
    lines=(),
    line_load=0.0,
    gain=0.985,
    stiffening=0.0,
    impulse=32_787.0,
)


def words(results, context):
    """Return what the section says, step by step."""
    rows = [row for block in recompute(results, context).blocks if isinstance(block, Table) for row in block.rows]
    said = [str(block.text) for block in recompute(results, context).blocks if isinstance(block, Text)]
    return " ".join([*said, *(f"{name} {text}" for name, text in rows)])


def printed(recipe, *, impulse=None, **changed):
    results = replace(fixture.firing(), firing=FiringDetail(recipe=recipe))
    if impulse is not None:
        results = replace(results, impulse=replace(results.impulse, value=impulse))
    return words(results, replace(fixture.CONTEXT, **changed))


def test_the_recipe_goes_from_counts_to_the_sum_and_says_what_comes_out():
    text = printed(RECIPE, impulse=32_780.0)
    for step in (
        "1. Counts to signal signal in mV/V = 1000 × counts × 5.96e-07 V / 128 / supply in V",
        "2. Signal to reading reading in N = -12.31 + 2502.7 × signal",
        "3. Count from T-0 time of a row = its host_time less 2031-06-14T09:58:12.125740972Z",
        "tick 28000247 of the device, and the first row after it has sequence 8001",
        "4. Subtract the zero take off the mean reading from T−2.501 s to T−0.501 s",
        "5. What the weight moved W = mean of what remains from T+20.754 s to T+22.754 s",
        "6. Take out the weight s = running sum, from T−0.091 s to T+19.846 s",
        "gauge pressure of PT-31 in the same row (signal in V/V = counts × 0.000125 V / 5.000 V of the sensor supply, "
        "bar = (-7.5 + 75.0 × signal))",
        "7. Stand factor divide by 0.985",
        "8. Sum from T−0.091 s to T+19.846 s",
        "9. Compare these steps give 32,787.0 N·s, 0.021 % above the 32,780.0 N·s",  # 7 of 32,780
    ):
        assert step in text, step


def test_hoses_that_push_and_stiffen_are_taken_off_row_by_row():
    recipe = replace(RECIPE, lines=("PT-31",), line_load=1.5e-5, gain=0.9921, stiffening=-2.0e-9)
    text = printed(recipe)
    assert "Pressure of the lines gauge pressure in bar of the tanks at each row, PT-31:" in text
    assert "N/bar × (p less its mean from T−2.501 s to T−0.501 s)" in text
    assert "divide by 0.9921 − 0.0002 p" in text


def test_what_is_not_due_is_not_printed():
    text = printed(replace(RECIPE, gain=1.0))
    assert "Stand factor" not in text
    assert "Pressure of the lines" not in text
    assert "that left after the burn" not in text


def test_without_a_second_zero_the_weight_is_a_number_and_gas_that_left_later_is_taken_off():
    assert "W = -166.25 N, from the mass that left: no second zero" in printed(
        replace(RECIPE, zero_after=None, step=-166.25)
    )
    assert "to T+22.754 s, less 3.5 N that left after the burn" in printed(replace(RECIPE, left_later=3.5))


def test_a_cell_that_does_not_feel_weight_has_a_zero_that_moved():
    base = fixture.firing()
    level = replace(base, weight_correction=replace(base.weight_correction, applied=False, sign=0))
    text = words(replace(level, firing=FiringDetail(recipe=RECIPE)), fixture.CONTEXT)
    assert "5. What the zero moved W = mean of what remains" in text
    assert "6. Take out what it moved s = running sum" in text
    assert "weight" not in text.replace("weight left", "")


def test_without_a_chamber_sensor_the_cell_itself_tells_the_share():
    item = replace(fixture.CONTEXT.recomputation, channels=fixture.CONTEXT.recomputation.channels[:1])
    text = printed(replace(RECIPE, share_by="LC-1"), recomputation=item)
    assert "the time between two neighbouring rows of what remains, over its total" in text


def test_pounds_become_newtons_and_a_late_sensor_is_counted_late():
    cell, chamber = fixture.CONTEXT.recomputation.channels
    item = replace(
        fixture.CONTEXT.recomputation,
        channels=(replace(cell, scale=4.448, reading_unit="lbf", latency=0.0035), chamber),
    )
    text = printed(RECIPE, recomputation=item)
    assert "3. Into newtons multiply by 4.448" in text
    assert "12.125740972Z, less 3.5 ms that the sensor is late" in text


def test_the_recipe_of_a_flow_ends_in_absolute_pressure():
    results, _, context = fixture.water_flow()
    cell = fixture.CONTEXT.recomputation.channels[0]
    gauge = replace(cell, tag="PT-11", reading_unit="bar(g)", signal_unit="V/V", pivot=0.5)
    item = replace(fixture.CONTEXT.recomputation, channels=(gauge,))
    text = words(results, replace(context, recomputation=item))
    assert "reading in bar(g) = -12.31 + 2502.7 × (signal − 0.5)" in text
    assert "3. Gauge to absolute add the ambient pressure of the plan" in text
    assert "Sum from" not in text


def test_values_of_another_logger_are_not_called_counts():
    results = replace(fixture.firing(), firing=FiringDetail(recipe=RECIPE))
    text = words(results, replace(fixture.CONTEXT, imported="flow.csv"))
    assert "from the values as imported of LC-1" in text
    assert "raw counts" not in text
