"""While recording, a level can be taken where the signal stands, and is what the sealed record says of it too."""

import numpy as np
import pytest

from standbook.daq.bench.live_level import LiveLevel, LiveLevels
from standbook.daq.bench.unplanned_run import newest_calibrations
from standbook.daq.config.plan import LineEdgeName
from standbook.daq.config.stand import read_stand
from standbook.daq.errors import ConfigError
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import edge_body, encode_frame, encode_samples, hello_body
from tests.daq.bench.test_recorded_levels import PT_11, ROWS_A_SECOND, STEP, stair
from tests.recorded_run import fast_hello, starter

HELLO = fast_hello(tick_hz=1_000_000, interval=1_000_000 // ROWS_A_SECOND)


@pytest.fixture
def folder(tmp_path):
    return starter(tmp_path).folder


def followed(folder, tag="PT-11"):
    supplies = {one.tag: one for one in newest_calibrations(folder, {"VS-1"})}
    return LiveLevel(read_stand(folder / "stand.toml"), tag, supplies)


def play(live, counts, look):
    """Give the rows a tenth of a second at a time; after each, ``look`` is called with the second."""
    decoder = Decoder()
    for begin in range(0, len(counts), 10):
        piece = encode_frame(hello_body(HELLO)) if begin == 0 else b""
        frames = encode_samples(HELLO, begin, 10_000 * begin, 0, counts[begin : begin + 10], 10)
        decoded = decoder.feed(piece + b"".join(frames))
        end = (begin + 10) / ROWS_A_SECOND
        live.take(Taken(device="cradle-a", decoded=decoded, arrival_ns=round(end * 1e9), hellos=(HELLO,)))
        look(end)


def test_it_stands_on_each_level_and_not_between(folder):
    counts, live, told = stair(), followed(folder), {}
    play(live, counts, lambda second: told.update({second: live.standing(round(second * 1e9))}))
    for number in range(1, 5):
        assert told[number * STEP].why_not == ""
        assert "jumped by" in told[number * STEP + 1.0].why_not
    early = told[2.0]
    assert early.level is None
    assert "no rows for" in early.why_not


def test_the_level_is_the_mean_of_the_newest_five_seconds(folder):
    counts, live = stair(), followed(folder)
    play(live, counts[: round(STEP * ROWS_A_SECOND)], lambda _: None)
    ratio = counts[:, PT_11] / counts[:, 10]
    last = round(STEP * ROWS_A_SECOND)
    # the supply's calibration is 2.3e-5 off its nominal
    assert live.standing(round(STEP * 1e9)).level.mean == pytest.approx(np.mean(ratio[last - 500 : last]), rel=4e-5)


def test_levels_that_were_taken_tell_what_change_counts(folder):
    live = followed(folder)
    counts = stair()
    play(
        live,
        counts,
        lambda second: (
            live.note_taken(live.standing(round(second * 1e9)).level) if second in (STEP, 3 * STEP) else None
        ),
    )
    assert live.span == pytest.approx((11_000 - 2_700) / 26_667, rel=1e-3)


def test_clipped_rows_make_no_level(folder):
    live, counts = followed(folder), stair()
    counts[:, PT_11] = 32_767
    play(live, counts[:800], lambda _: None)
    assert live.standing(round(8e9)).level is None
    assert "only 0 rows" in live.standing(round(8e9)).why_not


def test_a_board_that_fell_silent_stands_no_more(folder):
    live = followed(folder)
    play(live, stair()[:800], lambda _: None)
    assert live.standing(round(8.5e9)).why_not == ""
    assert live.standing(round(10e9)).why_not == "no rows for 2.0 s"
    assert live.standing(round(10e9)).level is None


def test_an_unknown_input_or_a_supply_without_calibration_is_refused(folder):
    with pytest.raises(ConfigError, match="no input PT-99; it has"):
        followed(folder, "PT-99")
    with pytest.raises(ConfigError, match="its supply VS-1 has no calibration"):
        LiveLevel(read_stand(folder / "stand.toml"), "PT-11", {})


def test_a_level_is_told_as_its_calibration_reads_it_and_without_one_in_the_signal_s_unit(folder):
    stand = read_stand(folder / "stand.toml")
    known = {one.tag: one for one in newest_calibrations(folder, {"VS-1", "PT-11"})}
    moving = stair()[:900]
    moving[:, PT_11] = moving[0, PT_11]
    moving[400:, PT_11] += np.linspace(0.0, 200.0, 500).astype(np.int64)  # 200 of 26,667 counts: 0.56 bar over 0.8 V/V
    live = LiveLevel(stand, "PT-11", known)
    play(live, moving, lambda _: None)
    said = live.standing(round(9e9))
    assert live.told(said.level).endswith(" bar(g)")
    expected = 75.0 * (np.mean(moving[400:, PT_11]) / 26_667 - 0.1)
    assert float(live.told(said.level).split()[0]) == pytest.approx(expected, abs=0.1)
    assert said.why_not == "rising 0.56 bar in 5 s"
    assert live.standing(round(9e9), 0.01).why_not == ""
    assert followed(folder).told(said.level).endswith(" V/V")


@pytest.mark.parametrize(("rising", "counted"), [(True, [0, 0, 1, 1]), (False, [0, 0, 0, 1])])
def test_edges_of_a_line_count_from_the_row_on_that_has_reached_them(folder, rising, counted):
    edge = LineEdgeName(device="cradle-a", line="fire", rising=rising)
    live = LiveLevels(read_stand(folder / "stand.toml"), ["LC-1"], {}, edge)
    decoder, seen, counts = Decoder(), [], stair()
    edges = {1: edge_body(0, HELLO.boot, 1, 1, 250_000), 3: edge_body(0, HELLO.boot, 0, 2, 350_000)}
    for piece, begin in enumerate(range(0, 40, 10)):
        sent = encode_frame(hello_body(HELLO)) if begin == 0 else b""
        sent += b"".join(encode_samples(HELLO, begin, 10_000 * begin, 0, counts[begin : begin + 10], 10))
        sent += encode_frame(edges[piece]) if piece in edges else b""
        at = round((begin + 10) / ROWS_A_SECOND * 1e9)
        live.take(Taken(device="cradle-a", decoded=decoder.feed(sent), arrival_ns=at, hellos=(HELLO,)))
        seen.append(live.edges)
    assert seen == counted
