"""How long from a sample to the disk and to the live screen, in real time: 8 channels at 1 kHz.

``python -m tests.studies.screen_latency`` plays 30 s of a simulated device in a process of its own and records it here
as ``standbook record`` does, with its live model and its painter. A sample's time is that of the device's clock, on
this computer's by the piece that came with the least delay, which so counts as none. Durable: the capture process is
started with a clock around its writes and its syncs; a row is durable at the end of the first sync that began after
the write of its record. On the screen: the picture that holds the row was handed to the terminal. Prints median and
99th percentile.
"""

import argparse
import datetime as dt
import json
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standbook.cli.live_words import head_of
from standbook.cli.painter import Painter
from standbook.cli.showing import Showing, live_of
from standbook.cli.starter import write_campaign
from standbook.daq.capture import process
from standbook.daq.capture.launcher import CaptureHandle
from standbook.daq.capture.process_status import status_path
from standbook.daq.config.campaign import read_campaign
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.recording.recorder import Watch, record_devices
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.wire.decoder import Decoded
from tests.studies.real_time_loss import made_up_table

TARGET_DURABLE, TARGET_SCREEN = 0.150, 0.250  # [s]
TIMES = "times.json"
SETTLED = 2.0  # [s] left out at the start: processes load


@dataclass(frozen=True, slots=True)
class Delays:
    """Seconds from a sample."""

    durable: np.ndarray
    screen: np.ndarray
    drawing: float  # mean of a picture [s]
    slowest: float
    pictures: int

    def __str__(self) -> str:
        lines = [
            f"{name}: median {1e3 * np.median(found):.0f} ms, 99th percentile {1e3 * np.percentile(found, 99):.0f} ms, "
            f"worst {1e3 * found.max():.0f} ms, of {found.size} rows (target {1e3 * target:.0f} ms)"
            for name, found, target in (
                ("sample to durable", self.durable, TARGET_DURABLE),
                ("sample to screen", self.screen, TARGET_SCREEN),
            )
        ]
        lines.append(
            f"pictures: {self.pictures}, drawing {1e3 * self.drawing:.1f} ms each, slowest {1e3 * self.slowest:.1f} ms"
        )
        return "\n".join(lines)


class _TimedPainter(Painter):
    """Notes when the picture of a moment had been handed to the terminal."""

    def __init__(self, descriptor: int, newest: "list[int]") -> None:
        self.painted: list[tuple[int, int]] = []  # newest row in the picture, when [ns]
        self._newest = newest
        super().__init__(descriptor, size=lambda: (80, 24))

    def show(self, draw, *, bell=False):
        def timed(width, height):
            return draw(width, height)

        timed.rows = self._newest[0]
        super().show(timed, bell=bell)

    def _paint(self, draw, bells):
        super()._paint(draw, bells)
        self.painted.append((draw.rows, time.monotonic_ns()))


def measure(folder: Path, seconds: float) -> Delays:
    """Play, record, and time."""
    campaign_folder = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    campaign = read_campaign(campaign_folder / "plans/WF-03.toml", today=dt.datetime.now().astimezone().date())
    raw = folder / "raw"
    raw.mkdir()
    link = folder / "port"
    player = subprocess.Popen(
        [sys.executable, "-m", "tests.studies.screen_latency", "--play", str(link), "--seconds", str(seconds)]
    )
    master, slave = pty.openpty()
    drain = threading.Thread(target=_drain, args=(master,), daemon=True)
    drain.start()
    try:
        while not link.is_symlink():
            time.sleep(0.01)
        newest = [-1]
        rows: list[tuple[int, int]] = []  # sequence of the newest row of a piece, when capture saw it [ns]
        live, _ = live_of(campaign.plan, campaign.stand, campaign.calibrations, folder, started_ns=time.monotonic_ns())
        head = head_of(campaign.plan, takes_keys=False)
        showing = Showing(live, head, folder, plain=True)
        showing._lines = None
        painter = _TimedPainter(slave, newest)
        showing.painter = painter

        def taken(piece: Taken) -> None:
            live.take(piece)
            if isinstance(piece.decoded, Decoded):
                for block in piece.decoded.blocks:
                    newest[0] = int(block.sequence[-1])
                    rows.append((newest[0], piece.arrival_ns))

        def stop(watch: Watch) -> bool:
            return watch.all_silent or watch.elapsed > seconds + 20.0

        record_devices(
            campaign.stand,
            {"cradle-a": str(link)},
            raw,
            stop=stop,
            report=showing.report,
            taken=taken,
            start=_start_timed,
        )
        showing.close()
    finally:
        player.terminate()
        player.wait()
        os.close(slave)
        os.close(master)
    return _delays(rows, json.loads((raw / TIMES).read_text("utf-8")), painter)


def _delays(rows, times, painter) -> Delays:
    sequence, arrival = (np.array(part, dtype=np.int64) for part in zip(*rows, strict=True))
    # A row's time on this computer: 1 ms a row, by the piece that came with the least delay.
    offset = int((arrival - sequence * 1_000_000).min())
    chosen = np.arange(round(SETTLED * 1000), int(sequence[-1]))
    at = offset + chosen * 1_000_000
    painted_rows, painted_at = (np.array(part, dtype=np.int64) for part in zip(*painter.painted, strict=True))
    place = np.searchsorted(painted_rows, chosen)  # the first picture that holds the row
    inside = place < painted_rows.size
    screen = (painted_at[place[inside]] - at[inside]) / 1e9
    writes, syncs = (np.array(times[name], dtype=np.int64) for name in ("write", "fdatasync"))  # began, ended [ns]
    came = arrival[np.searchsorted(sequence, chosen)]  # when capture had the newest byte of the record
    write = np.searchsorted(writes[:, 0], came)
    chosen_writes = write < len(writes)
    sync = np.searchsorted(syncs[:, 0], writes[write[chosen_writes], 1])
    known = sync < len(syncs)
    durable = (syncs[sync[known], 1] - at[chosen_writes][known]) / 1e9
    return Delays(durable, screen, painter.drawing / painter.pictures, painter.slowest, painter.pictures)


def _start_timed(device: str, port: str, baud: int, folder: Path) -> CaptureHandle:
    """Start capture as ``daq.capture.launcher`` does, with clocks in it."""
    status = status_path(folder, device)
    command = [sys.executable, "-m", "tests.studies.screen_latency", "--capture", "--device", device, "--port", port]
    command += ["--baud", str(baud), "--folder", str(folder), "--status", str(status)]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True)
    return CaptureHandle(process, device, folder, status)


def _capture_timed(arguments: list[str], folder: Path) -> int:
    times: dict[str, list[tuple[int, int]]] = {"write": [], "fdatasync": []}

    def timed(name):
        call = getattr(os, name)

        def timing(*given):
            began = time.monotonic_ns()
            try:
                return call(*given)
            finally:
                times[name].append((began, time.monotonic_ns()))

        return timing

    for name in times:
        setattr(os, name, timed(name))
    code = process.main(arguments)
    (folder / TIMES).write_text(json.dumps(times), "utf-8")
    return code


def _drain(master: int) -> None:
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        return


def _play(link: Path, seconds: float) -> None:
    with RehearsalDevice(made_up_table(seconds)) as device:
        link.symlink_to(device.port)
        device.run(wait=60.0)


def main() -> None:
    """Print the figures."""
    if sys.argv[1:2] == ["--capture"]:
        arguments = sys.argv[2:]
        sys.exit(_capture_timed(arguments, Path(arguments[arguments.index("--folder") + 1])))
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--play", type=Path)
    told = parser.parse_args()
    if told.play is not None:
        _play(told.play, told.seconds)
        return
    with tempfile.TemporaryDirectory() as folder:
        print(measure(Path(folder), told.seconds))


if __name__ == "__main__":
    main()
