"""A firing with a hole in its burn, filled from the board's memory card: the analysis is that of a whole recording."""

import datetime as dt
import json

import numpy as np
import pytest

from standbook.analysis.kinds.registry import predict
from standbook.analysis.results.json_codec import from_json
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import rehearse
from standbook.cli.main import run as standbook
from standbook.daq.journal.record_format import Event
from standbook.daq.run.lock import check_lock, lock_campaign
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from standbook.daq.wire.hello import Hello, WireLine
from tests.recorded_run import NOW, ROWS_PER_FRAME, Player, new_run, starter

FIRST_ROW_OF_HOLE = 8.88  # [s] after T-0
HOLE_FRAMES = 22


@pytest.fixture(scope="module")
def firing(tmp_path_factory):
    """The demo's firing as counts, with a locked prediction."""
    folder = tmp_path_factory.mktemp("fill")
    campaign = starter(folder)
    lock_campaign(
        campaign, predict(campaign.plan, campaign.stand, samples=60).to_json(), now=NOW - dt.timedelta(hours=1)
    )
    return folder, check_lock(campaign), rehearse(campaign, Draw(3, Errors.sensors_only()))


def play(run, rehearsal, drop):
    table = rehearsal.table
    (stream,) = table.streams
    hello = Hello(
        device="cradle-a",
        serial="0007",
        firmware="1.0.0",
        boot=17,
        tick_hz=table.tick_hz,
        stream=stream.number,
        streams=1,
        name=stream.name,
        interval_ticks=stream.interval_ticks,
        channels=stream.channels,
        lines=(WireLine(0, "fire"),),
        time_scale=1.0,
    )
    edges = [(table.start_ticks + e.ticks, e.level) for e in table.edges if table.lines[e.line].name == "fire"]
    sequence = table.start_ticks // stream.interval_ticks
    counts = stream.counts.astype("int64")
    return Player(run, hello).play(counts, sequence=sequence, ticks=table.start_ticks, edges=edges, drop=drop)


def record(firing, days, drop):
    """A sealed run with its weighings; what the card holds of all that was played."""
    folder, lock, rehearsal = firing
    run = new_run(folder, lock=lock, now=NOW + dt.timedelta(days=days))
    play(run, rehearsal, drop).write()
    card = folder / f"card{days}.bin"
    whole = play(run, rehearsal, set())
    card.write_bytes(b"".join(data for _, event, data in whole.records if event is Event.DATA))
    seal(run)
    typed = folder / "weighings.toml"
    rows = [
        f'[[weighing]]\ntank = "{tank}"\n' + "".join(f'{key} = "{text}"\n' for key, text in said.items())
        for tank, said in rehearsal.weighings.items()
    ]
    typed.write_text('by = "DAQ"\n\n' + "\n".join(rows), encoding="utf-8")
    assert standbook(["add", str(run), str(typed)]) == 0
    return run, card


def hole(rehearsal):
    """Frames that the port lost, from a time after T-0 on."""
    table = rehearsal.table
    zero = next(edge.ticks for edge in table.edges if edge.level == 1)
    row = (zero + FIRST_ROW_OF_HOLE * table.tick_hz) / table.streams[0].interval_ticks
    first = int(np.ceil(row / ROWS_PER_FRAME))
    return set(range(first, first + HOLE_FRAMES))


def analysed(run, revision):
    code = standbook(["analyse", str(run)])
    return code, from_json((run / "analysis" / f"rev-{revision}" / "results.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def filled(firing):
    """The firing recorded with a hole, and filled from its card."""
    holed, card = record(firing, 1, hole(firing[2]))
    assert standbook(["fill", str(holed), str(card)]) == 0
    return holed, card


@pytest.fixture(scope="module")
def story(firing):
    """One firing recorded whole, once with a hole; analysed with the hole, filled, analysed again."""
    whole, _ = record(firing, 0, set())
    holed, card = record(firing, 3, hole(firing[2]))
    before = analysed(holed, "A")
    code = standbook(["fill", str(holed), str(card)])
    return analysed(whole, "A"), before, code, analysed(holed, "B"), holed


@pytest.mark.slow
def test_a_filled_gap_no_longer_counts_against_the_verdict(story):
    (_, truth), (_, before), code, (_, after), _ = story
    assert code == 0
    assert before.verdicts["site"].outcome == "not shown"
    assert before.impulse.lower_bound_only
    assert truth.verdicts["site"].outcome == "within"
    assert after.verdicts["site"].outcome == "within"
    assert not after.impulse.lower_bound_only


@pytest.mark.slow
def test_the_analysis_of_a_filled_run_is_that_of_a_whole_recording(story):
    (_, truth), (_, before), _, (_, after), _ = story
    # The same counts; the host's clock was fitted to 22 arrivals fewer.
    assert after.impulse.value == pytest.approx(truth.impulse.value, rel=1e-9)
    assert after.impulse.u == pytest.approx(truth.impulse.u, rel=1e-6)
    assert after.thrust.peak.value == pytest.approx(truth.thrust.peak.value, rel=1e-9)
    assert after.tanks["oxidiser"].exponent.chord.value == pytest.approx(
        truth.tanks["oxidiser"].exponent.chord.value, rel=1e-6
    )
    assert abs(before.impulse.value / truth.impulse.value - 1.0) > 1e-9


@pytest.mark.slow
def test_the_results_say_what_was_lost_and_what_was_filled(story):
    _, (_, before), _, (_, after), _ = story
    lost = HOLE_FRAMES * ROWS_PER_FRAME
    was, now = before.record["cradle-a/fast"], after.record["cradle-a/fast"]
    assert (was.lost_rows, was.filled_rows, len(was.gaps)) == (lost, 0, 1)
    assert (now.lost_rows, now.filled_rows, now.gaps) == (0, lost, ())
    assert now.rows == was.rows + lost
    (said,) = [finding for finding in after.findings if finding.code == "rows-filled"]
    assert said.severity == "note"
    assert said.text.startswith(f"220 rows of cradle-a/fast from T+{said.time:.2f} s were filled from additions/002 ")
    assert said.text.endswith(f"(card copy card3.bin); {was.rows:,} overlapping rows agreed.")
    assert said.time == pytest.approx(FIRST_ROW_OF_HOLE, abs=0.02)
    assert not [finding for finding in after.findings if finding.code in ("gap", "rows-lost")]


@pytest.mark.slow
def test_the_report_states_rows_filled(story):
    *_, holed = story
    assert standbook(["report", str(holed)]) in (0, 10)
    (page,) = (holed / "analysis").glob("*rev-B.html")
    text = page.read_text(encoding="utf-8")
    assert "0; 220 filled from a second recorder" in text
    assert "samples/cradle-a_fast.parquet and additions/002/cradle-a_fast.parquet (filled rows)" in text


def test_a_second_time_there_is_nothing_to_fill(filled, capsys):
    holed, card = filled
    assert standbook(["fill", str(holed), str(card)]) == 0
    said = capsys.readouterr().out
    assert said.splitlines()[0] == f"Nothing to fill from {card}, nothing added:"
    assert not (holed / "additions" / "003").exists()
    assert standbook(["fill", str(holed), str(card), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["addition"] is None


def test_a_card_that_leaves_gaps_ends_in_exit_code_10(firing, capsys):
    run, card = record(firing, 2, hole(firing[2]) | {40, 41})
    content = card.read_bytes()
    assert [gap.rows for gap in open_run(run).stream("cradle-a", "fast").gaps] == [20, 220]
    card.write_bytes(content[len(content) // 4 :])  # the card was put in late
    assert standbook(["fill", str(run), str(card), "--device", "cradle-a"]) == 10
    said = capsys.readouterr().out
    assert "220 rows filled" in said
    assert "cradle-a/fast: still missing: 20 rows known, 1 gap\n" in said


@pytest.mark.parametrize("content", [b"", b"\0" * 100, b"no frames\n" * 99, bytes(range(256)) * 40])
def test_rubbish_ends_in_one_sentence(filled, tmp_path, capsys, content):
    holed, _ = filled
    card = tmp_path / "card.bin"
    card.write_bytes(content)
    assert standbook(["fill", str(holed), str(card)]) == 7
    said = capsys.readouterr().err
    assert said.startswith(f"standbook: {card}: ")
    assert said.count("\n") == 1


def test_a_folder_a_missing_file_and_an_unsealed_run_are_refused(filled, firing, tmp_path, capsys):
    holed, card = filled
    assert standbook(["fill", str(holed), str(tmp_path)]) == 3
    assert standbook(["fill", str(holed), str(tmp_path / "none.bin")]) == 3
    assert standbook(["fill", str(tmp_path), str(card)]) == 6
    assert standbook(["fill", str(new_run(firing[0], now=NOW + dt.timedelta(days=9))), str(card)]) == 6
    assert len(capsys.readouterr().err.splitlines()) == 4
