"""Hand-made pictures of a recording for the tests of what is shown of it."""

from dataclasses import replace

from standbook.cli.live_words import Head, Picture
from standbook.daq.capture.disk_space import DiskState
from standbook.daq.live.live_state import (
    ImpulseState,
    Indication,
    LiveState,
    MarkState,
    Phase,
    RedlineState,
    Validity,
    VesselState,
)
from standbook.daq.recording.link_health import LinkState

BAR = 1e5
HEAD = Head(number="HF-02", kind="static fire", mark_keys=(("P", "fuel tank pressurising"),), takes_keys=True)
LINK = LinkState(
    device="cradle-a",
    state="recording",
    rate=1010.0,
    lost_rows=0,
    damaged_frames=0,
    received_bytes=123_456,
    openings=1,
    data_age=0.03,
    sync_age=0.12,
)
DISK = DiskState(81_300_000_000, 90 * 3600.0)


def pressure(tag, measures, value, *, tank=None, low=None, high=None, is_key=False, reference="gauge"):
    unit = "bar(g)" if reference == "gauge" else "bar(a)"
    low, high = (None if end is None else end * BAR for end in (low, high))
    return Indication(
        tag=tag,
        measures=measures,
        tank=tank,
        dimension="pressure",
        unit=unit,
        reference=reference,
        value=value * BAR,
        age=0.12,
        standing=Validity.INDICATED,
        low=low,
        high=high,
        is_key=is_key,
    )


def withdrawn(channel, standing, age=0.9):
    return replace(channel, value=None, standing=standing, age=age)


LC_1 = Indication(
    tag="LC-1",
    measures="thrust",
    tank=None,
    dimension="force",
    unit="N",
    reference=None,
    value=1802.4,
    age=0.12,
    standing=Validity.INDICATED,
    low=1750.0,
    high=1930.0,
    is_key=True,
)
PT_11 = pressure("PT-11", "tank pressure", 22.71, tank="oxidiser", low=21.5, high=23.5, is_key=True)
PT_21 = pressure("PT-21", "tank pressure", 21.93, tank="fuel", low=22.1, high=23.2, is_key=True)
PT_31 = pressure("PT-31", "chamber pressure", 16.42, low=15.9, high=17.1, is_key=True)
OTHERS = (
    pressure("PT-12", "tank pressure", 22.69, tank="oxidiser"),
    pressure("PT-13", "manifold pressure", 20.14, tank="oxidiser"),
    pressure("PT-22", "tank pressure", 21.95, tank="fuel"),
    pressure("PT-23", "manifold pressure", 19.87, tank="fuel"),
    pressure("PT-32", "chamber pressure", 16.45),
    Indication(
        tag="TC-11",
        measures="temperature",
        tank=None,
        dimension="temperature",
        unit="degC",
        reference=None,
        value=90.25,
        age=0.2,
        standing=Validity.INDICATED,
    ),
    Indication(
        tag="VS-1",
        measures="supply voltage",
        tank=None,
        dimension="voltage",
        unit="V",
        reference=None,
        value=4.987,
        age=0.2,
        standing=Validity.INDICATED,
    ),
)
VESSELS = (
    VesselState(
        name="oxidiser tank",
        sensors=("PT-11", "PT-12"),
        value=22.7 * BAR,
        unit="bar(g)",
        reference="gauge",
        age=0.12,
        agree=True,
        sentence="oxidiser tank 22.7 bar(g), 0.1 s old, PT-11 and PT-12 agree; confirm with the mechanical gauge",
    ),
    VesselState(
        name="fuel tank",
        sensors=("PT-21", "PT-22"),
        value=21.9 * BAR,
        unit="bar(g)",
        reference="gauge",
        age=0.12,
        agree=True,
        sentence="fuel tank 21.9 bar(g), 0.1 s old, PT-21 and PT-22 agree; confirm with the mechanical gauge",
    ),
    VesselState(
        name="chamber",
        sensors=("PT-31", "PT-32"),
        value=16.4 * BAR,
        unit="bar(g)",
        reference="gauge",
        age=0.12,
        agree=True,
        sentence="chamber 16.4 bar(g), 0.1 s old, PT-31 and PT-32 agree",
    ),
)
NO_LIGHT = RedlineState(
    name="no light", call="NO LIGHT", tag="PT-31", armed=True, tripped_at=None, order=None, text="PT-31 below 5 bar(g)"
)
IMPULSE = ImpulseState(
    19_876.0, 40_960.0, "14 CFR 101.22 Class 2", "indication only; lost weight modelled, not weighed"
)
MARK = MarkState(number=1, text="fuel tank pressurising", at=-61.2, struck=False, remark="PT-21 rose, PT-11 stayed")

BURN = LiveState(
    elapsed=83.4,
    since_t_zero=10.2,
    phase=Phase.BURN,
    phase_seconds=10.1,
    rehearsal=True,
    channels=(LC_1, PT_11, PT_21, PT_31, *OTHERS),
    vessels=VESSELS,
    redlines=(NO_LIGHT,),
    impulse=IMPULSE,
    marks=(MARK,),
    alarms=(),
)
DISAGREE = replace(
    VESSELS[0],
    value=None,
    agree=False,
    sentence="oxidiser tank: unknown; PT-11 0.0 bar(g) and PT-12 9.4 bar(g) disagree. Do not use for approach",
)
SAFING = replace(
    BURN,
    phase=Phase.SAFING,
    phase_seconds=31.0,
    since_t_zero=51.0,
    vessels=(DISAGREE, *VESSELS[1:]),
)


def picture(state=BURN, *, links=(LINK,), disk=DISK, alarms=(), newest="", head=HEAD):
    return Picture(head=head, state=state, links=links, disk=disk, alarms=tuple(alarms), newest=newest)
