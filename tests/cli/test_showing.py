"""From a moment of a recording to what is shown of it: lost links, notices, failures, marks of another process."""

import datetime as dt
import time
from types import SimpleNamespace

import pytest

from standbook.cli.live_words import head_of
from standbook.cli.showing import Showing, live_of, started_at
from standbook.daq.capture.disk_space import DiskState
from standbook.daq.config.campaign import read_campaign
from standbook.daq.host_clock import HostClocks
from standbook.daq.recording.journal_follower import Seen
from standbook.daq.recording.link_health import LinkState
from standbook.daq.recording.recorder import Watch
from standbook.daq.run.marks import MARKS_FILE, MarkLog
from tests.cli.made_run import small_campaign, today

LINK = LinkState(
    device="cradle-a",
    state="recording",
    rate=1000.0,
    lost_rows=0,
    damaged_frames=0,
    received_bytes=10,
    openings=1,
    data_age=0.0,
    sync_age=0.1,
)
NOT_KNOWN = DiskState(None, None)


def watch(link=LINK, *, played_out=(), disk=NOT_KNOWN):
    seen = Seen(
        device=link.device,
        received_bytes=10,
        frames=1,
        rows=1,
        lost_rows=0,
        damaged=0,
        openings=1,
        newest_arrival_ns=None,
    )
    return Watch(
        elapsed=1.0,
        devices=(seen,),
        lost=(),
        ended=(),
        played_out=played_out,
        rehearsal=False,
        links=(link,),
        disk=disk,
    )


@pytest.fixture
def campaign(tmp_path):
    return read_campaign(small_campaign(tmp_path) / "plans/WF-03.toml", today=today())


@pytest.fixture
def showing(campaign, tmp_path):
    live, trouble = live_of(
        campaign.plan, campaign.stand, campaign.calibrations, tmp_path, started_ns=time.monotonic_ns()
    )
    assert trouble == ""
    one = Showing(live, head_of(campaign.plan, takes_keys=False), tmp_path, plain=True)
    yield one
    one.close()


def said(capsys):
    return [line.partition(" s  ")[2] for line in capsys.readouterr().out.splitlines()]


def test_a_lost_link_is_called_at_once_and_once(showing, capsys):
    showing.report(watch())
    capsys.readouterr()
    lost = LinkState(
        device="cradle-a",
        state="lost",
        rate=0.0,
        lost_rows=0,
        damaged_frames=0,
        received_bytes=10,
        openings=1,
        data_age=0.4,
        sync_age=0.1,
        message="the port is gone",
    )
    showing.report(watch(lost))
    assert said(capsys)[0] == "ALARM cradle-a PORT LOST: nothing new comes. the port is gone"
    showing.report(watch(lost))
    assert not any("ALARM" in line for line in said(capsys))
    showing.report(watch())
    assert said(capsys)[0].startswith("alarm cleared: cradle-a PORT LOST")


def test_a_device_that_has_played_out_is_no_alarm(showing, capsys):
    lost = LinkState(
        device="cradle-a",
        state="lost",
        rate=0.0,
        lost_rows=0,
        damaged_frames=0,
        received_bytes=10,
        openings=1,
        data_age=0.4,
        sync_age=0.1,
    )
    showing.report(watch(lost, played_out=("cradle-a",)))
    assert not any("ALARM" in line for line in said(capsys))


def test_a_disk_that_fills_is_called(showing, capsys):
    showing.report(watch(disk=DiskState(10**6, 30.0, "the disk has room for 30 s")))
    assert "ALARM the disk has room for 30 s" in said(capsys)


def test_marks_that_another_process_drops_are_shown(showing, tmp_path, capsys):
    showing.report(watch())
    MarkLog(tmp_path / MARKS_FILE, HostClocks()).drop("fuel tank pressurising", key="P")
    showing.report(watch())
    assert any("fuel tank pressurising" in line for line in said(capsys))


def test_a_sentence_is_told_on_standard_error_where_lines_are_printed(showing, capsys):
    showing.tell("this computer may fall asleep")
    assert capsys.readouterr().err == "this computer may fall asleep\n"


def test_of_many_sentences_told_on_the_screen_the_newest_are_shown_and_the_others_counted(showing, monkeypatch):
    pictures = []
    painter = SimpleNamespace(
        is_gone=False, failure=None, show=lambda draw, bell: pictures.append(draw(80, 60)), close=lambda: None
    )
    monkeypatch.setattr(showing, "painter", painter)
    for k in range(1, 101):
        showing.tell(f"sentence {k}")
    showing.report(watch())
    words = " ".join(line.plain for line in pictures[-1])
    assert "Note: sentence 100 Note: sentence 99 Note: sentence 98 (+ 97 earlier notes)" in " ".join(words.split())


def test_a_prediction_that_cannot_be_read_holds_up_no_recording(campaign, tmp_path):
    (tmp_path / "prediction.json").write_text("{", encoding="utf-8")
    live, trouble = live_of(campaign.plan, campaign.stand, campaign.calibrations, tmp_path, started_ns=0)
    assert trouble.startswith("no predicted bands are shown: prediction cannot be read")
    assert all(channel.low is None for channel in live.state(0).channels)


def test_the_start_of_another_process_is_placed_on_our_clock():
    created = dt.datetime.now(dt.UTC) - dt.timedelta(seconds=100)
    assert (time.monotonic_ns() - started_at(created)) / 1e9 == pytest.approx(100.0, abs=5.0)
