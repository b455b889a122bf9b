"""Every state that the live screen can be in, and every sentence that can stand on it, at 80 columns and whole.

Each axis lists all that one subject can be: sentences come from what makes them while recording, not from here. Every
state of every axis is drawn by itself, and many together.
"""

import itertools
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.cli import live_words
from standbook.cli.live_screen import screen_lines
from standbook.cli.live_words import CAUTION_SHORT, Picture, band, link_alarms
from standbook.daq.capture.disk_space import DiskSpace
from standbook.daq.capture.process_status import CaptureStatus
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import ImpulseClass
from standbook.daq.config.stand import Device
from standbook.daq.live.alarms import Alarms, at_words
from standbook.daq.live.channel_monitor import ChannelMonitor, ChannelReading
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.live_state import MarkState, Phase, Validity
from standbook.daq.live.running_impulse import RunningImpulse
from standbook.daq.live.vessel_agreement import VesselMonitor
from standbook.daq.recording.journal_follower import Seen
from standbook.daq.recording.link_health import LinkWatch
from standbook.daq.recording.rate_watch import rate_sentence
from standbook.daq.wire.tick_steps import TickStep, step_sentences
from tests.campaign_fixture import TODAY
from tests.cli.live_states import BURN, DISK, HEAD, LC_1, LINK, MARK, NO_LIGHT, OTHERS, PT_11, VESSELS

WIDTH, HEIGHT = 80, 24
WIDE = (500, 60)  # where nothing is broken and nothing left out
COUNTED = re.compile(r"\(\+|\d+|(earlier|marks|notes|lines?|channels?|more)\)?")
WORDS = (  # of the board's start and clock, and of the port
    "the board restarted; what it measured meanwhile is lost",
    rate_sentence(0.0123),
    rate_sentence(-0.0123),
    *step_sentences([TickStep("back", 123_456, 0, -65_536)], 1e6),
    *step_sentences([TickStep("forward", 123_456, 0, 500_000)], 1e6),
    *step_sentences([TickStep("frames", 123_456, 20, -500_000)], 1e6),
)
LOST = "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0: the port was lost (hang-up); plug it in again"


def links():
    """Every state of a link, with every count and message that it can have."""
    for state, damaged, restarts, steps, rates in itertools.product(
        ("recording", "lost", "ended"), (0, 1_234), (0, 12), (0, 3), (0, 1)
    ):
        yield replace(
            LINK,
            device="cradle-upper",
            state=state,
            rate=12_345.0,
            lost_rows=1_234_567,
            damaged_frames=damaged,
            restarts=restarts,
            clock_steps=steps,
            rate_changes=rates,
            sync_age=None if state == "ended" else 12.3,
            message=LOST if state == "lost" else "",
        )


def words_of_links():
    """Every sentence that a link can say."""
    device = Device.model_validate({"name": "cradle-a"})
    status = CaptureStatus(device="cradle-a", pid=1, port="/dev/ttyACM0", state="recording", openings=1)
    statuses = (
        None,
        replace(status, dropped_bytes=12_345_678),
        replace(status, written_ns=20_000_000_000, synced_ns=1_000_000_000),
        replace(status, state="lost", message=LOST),
    )
    for now, word in itertools.product(statuses, ("", *WORDS)):
        seen = Seen(
            device="cradle-a",
            received_bytes=1,
            frames=1,
            rows=1,
            lost_rows=0,
            damaged=0,
            openings=1,
            newest_arrival_ns=1_000_000_000,
            word=word,
            word_ns=1_000_000_000 if word else None,
        )
        link = LinkWatch(device).evaluate(2.0, seen, now, (), has_ended=False)
        yield from link_alarms([link], DISK, ()).values()


def disks():
    """Every state of the disk, from the one that recording asks."""
    for free in (None, 10**5, 3 * 10**6, 10**9, 80 * 10**9, 9 * 10**13):
        for rate in (0, 16_000, 6_000_000):
            written = iter(range(0, 100 * max(1, rate), max(1, rate)))
            left = iter([free] * 4 if free is None else range(free, free - 4 * rate - 4, -max(1, rate)))
            space = DiskSpace(None, free=lambda _, left=left: next(left), written=lambda _, w=written: next(w))
            yield [space.poll(float(second)) for second in range(3)][-1]


def vessels(stand, calibrations, ambient):
    """Every state of a tank of one, two and three sensors and of a chamber, as a recording finds it."""
    tank = [ChannelMonitor(stand.input_tagged(tag), calibrations[tag]) for tag in ("PT-11", "PT-12")]
    third = ChannelMonitor(tank[1].item.model_copy(update={"tag": "PT-14"}), tank[1].calibration)
    chamber = [ChannelMonitor(stand.input_tagged(tag), calibrations[tag]) for tag in ("PT-31", "PT-32")]
    found = {}
    for sensors, vents in ((tank[:1], True), (tank, True), ([*tank, third], True), (chamber[:1], False), (chamber, 0)):
        for standings in itertools.product(Validity, repeat=min(2, len(sensors))):
            for phase, apart, moved in itertools.product((Phase.BURN, Phase.SAFING), (False, True), (False, True)):
                monitor = VesselMonitor("oxidiser tank" if vents else "chamber", sensors, ambient, vents=bool(vents))
                of = dict(zip([s.tag for s in sensors], [*standings, Validity.INDICATED], strict=False))
                for value in (40e5, 20e5) if moved else (20e5, 20e5):
                    looks = {tag: reading(value if one.is_shown else None, one) for tag, one in of.items()}
                    monitor.judge(looks, 1.0, is_safing=phase is Phase.SAFING)
                monitor.apart = apart and len(sensors) > 1
                state = monitor.state(looks, of, phase)
                found[state.name, state.sensors, state.sentence, state.value is None, state.agree] = (state, phase)
    return list(found.values())


def reading(value, standing):
    return ChannelReading(standing=standing, value=value, noise=0.0, rows=100, age=12.3)


def impulses(stand, calibrations):
    """Every state of the running impulse."""
    limit = ImpulseClass.model_validate({"limit": "40960 N*s", "limit_name": "14 CFR 101.22 Class 2"})
    monitor = ChannelMonitor(stand.input_tagged("LC-1"), calibrations["LC-1"])
    zero = Moment(TimeBase(1e6), 0)
    for sign, modelled, missing, railed, tare, standing in itertools.product(
        (-1, 0, 1), (False, True), (0.0, 12.345), (0, 12_345), (None, 0.0), Validity
    ):
        one = RunningImpulse(monitor, limit, weight_sign=sign, expelled_weight=abs if modelled else None)
        one._missing, one._railed, one._tare, one._sum, one._t_zero = missing, railed, tare, 123_456.0, zero
        yield one.state(standing)
    yield RunningImpulse(monitor, limit, weight_sign=0).state(Validity.INDICATED)


def alarms(stand, calibrations):
    """Every alarm that channels, redlines and the phase can raise."""
    monitors = {tag: ChannelMonitor(stand.input_tagged(tag), calibrations[tag]) for tag in ("PT-11", "PT-12", "LC-1")}
    for standing in Validity:
        for tags in (["PT-11"], ["PT-11", "PT-12"], list(monitors)):
            one = Alarms(stand, monitors)
            one.note(dict.fromkeys(tags, Validity.INDICATED), dict.fromkeys(tags, reading(1.0, standing)), 0)
            one.note(dict.fromkeys(tags, standing), dict.fromkeys(tags, reading(None, standing)), 10**9)
            for (_, sentence), has_zero in itertools.product(one.standing(), (False, True)):
                yield f"{sentence} {at_words(123.45, has_zero)}"
    yield f"MISFIRE: fire command seen, nothing lit {at_words(123.45, has_t_zero=True)}"
    yield f"{NO_LIGHT.call}: {NO_LIGHT.text} {at_words(-123.45, has_t_zero=True)}"


def redlines():
    """Every state of a redline."""
    places = ((None, None), (123.4, None), (123.4, 1), (123.4, 2))
    for armed, (tripped, order), standing in itertools.product((False, True), places, Validity):
        words = "" if standing.is_shown else f"; not watched: PT-31 {standing.value}"
        yield replace(NO_LIGHT, armed=armed, tripped_at=tripped, order=order, text=NO_LIGHT.text + words)


def channels():
    """Every standing of every kind of channel, inside and outside a band, small and large, young and old."""
    negative = replace(PT_11, value=-0.5e5, low=-1.5e5, high=100.5e5)
    every = (LC_1, PT_11, negative, OTHERS[-2], OTHERS[-1])
    for one, standing, age, is_key in itertools.product(every, Validity, (None, 12_345.6), (False, True)):
        yield replace(one, standing=standing, age=age, is_key=is_key, value=one.value if standing.is_shown else None)


REMARKS = (
    "",
    "PT-21 rose; PT-11 stayed still",
    "PT-11 and PT-12 rose, PT-21 should have; PT-11 rose, which should have stayed still",
    "PT-21 did not rise within 10 s, PT-22 did",
    "PT-21 was not indicated",
)
HEADS = (HEAD, replace(HEAD, takes_keys=False), replace(HEAD, takes_keys=False, leave="Ctrl-C ends this screen"))
HEADS += (replace(HEAD, number="HF-2031-06-14-repeat-of-the-second-one", kind="nitrogen flow"),)
HEADS += (replace(HEAD, mark_keys=tuple((key, "oxidiser tank pressurising") for key in "ABCDEFG")),)


@pytest.fixture(scope="module")
def axes(starter_folder):
    """For each subject the functions that put each of its states into a picture."""
    campaign = read_campaign(starter_folder / "plans" / "HF-02.toml", today=TODAY)
    parts = (campaign.stand, campaign.calibrations)
    sentences = sorted({*alarms(*parts), *words_of_links(), f"cradle-a PORT LOST: nothing new comes. {LOST}"})
    phases = itertools.product(Phase, (0.0, 12_345.6), (None, -123.4, 0.0, 12_345.6))

    def with_state(**changes):
        return lambda shown: replace(shown, state=replace(shown.state, **changes))

    def with_channel(channel):
        def change(shown):
            own = [one for one in shown.state.channels if one.tag != channel.tag]
            return with_state(channels=(*own[:3], channel, *own[3:]))(shown)

        return change

    def with_vessel(vessel, phase):
        return with_state(phase=phase, vessels=(vessel, VESSELS[1], VESSELS[2]))

    return {
        "link": [lambda s, one=one: replace(s, links=(one,)) for one in links()],
        "links": [lambda s, one=one: replace(s, links=(one, LINK, one)) for one in list(links())[::7]],
        "disk": [lambda s, one=one: replace(s, disk=one) for one in disks()],
        "vessel": [with_vessel(*one) for one in vessels(*parts, campaign.plan.site.ambient_pressure)],
        "impulse": [with_state(impulse=one) for one in {*impulses(*parts), None}],
        "redline": [with_state(redlines=(one, replace(one, name="other"))) for one in redlines()],
        "channel": [with_channel(one) for one in channels()],
        "alarm": [
            lambda s, one=one, seen=seen: replace(s, alarms=(one,), acknowledged=frozenset({one} if seen else ()))
            for one in sentences
            for seen in (False, True)
        ],
        "alarms": [
            lambda s, k=k: replace(s, alarms=tuple(sentences[k : k + 5]), newest=sentences[k]) for k in range(20)
        ],
        "phase": [with_state(phase=p, phase_seconds=t, elapsed=t, since_t_zero=z) for p, t, z in phases],
        "marks": [
            with_state(
                marks=tuple(
                    MarkState(number=k, text=MARK.text, at=-1.2, struck=k % 2 > 0, remark=remark) for k in range(many)
                )
            )
            for remark in REMARKS
            for many in (0, 1, 5)
        ],
        "notes": [lambda s, many=many: replace(s, notices=tuple(WORDS[:many])) for many in range(6)],
        "head": [lambda s, one=one: replace(s, head=one) for one in HEADS],
    }


BASE = Picture(head=HEAD, state=BURN, links=(LINK,), disk=DISK)


def words(lines):
    return {word for line in lines for word in line.plain.split() if not re.fullmatch("[█▀▄]+", word)}


def wrong(shown):
    """Say what is wrong of a screen; empty where nothing is."""
    lines = screen_lines(shown, WIDTH, HEIGHT)
    if len(lines) > HEIGHT or max(len(line.plain) for line in lines) > WIDTH:
        return "does not fit"
    whole = words(screen_lines(shown, *WIDE))
    whole |= {
        word for channel in shown.state.channels for word in (*band(channel, 18).split(), live_words.shown(channel))
    }
    broken = {word for word in words(lines) - whole if not COUNTED.fullmatch(word)}
    if broken:
        return f"broken or made up: {sorted(broken)}"
    text = " ".join(" ".join(line.plain for line in lines).split())
    must = [CAUTION_SHORT, shown.head.leave, shown.head.number]
    missing = [part for part in must if part not in text]
    return f"missing: {missing}" if missing else ""


@pytest.mark.slow
def test_every_state_of_every_subject_fits_with_whole_words(axes):
    found = {name: {w for put in puts if (w := wrong(put(BASE)))} for name, puts in axes.items()}
    assert {name: sorted(said) for name, said in found.items() if said} == {}
    assert sum(map(len, axes.values())) > 400


@settings(max_examples=60)
@given(chosen=st.data())
def test_states_of_all_subjects_together_fit_with_whole_words(axes, chosen):
    shown = BASE
    for name, puts in axes.items():
        place = chosen.draw(st.integers(-1, len(puts) - 1), label=name)
        shown = puts[place](shown) if place >= 0 else shown
    assert wrong(shown) == ""
