"""List the faults that a rehearsal can simulate: their names, descriptions and syntax.

``NAME[=TAG][@SECONDS][:AMOUNT]``. Seconds count from T-0's edge where the table has one, else from the first row; once
placed (``placed``) from the first row. What a fault does to a table is ``daq.rehearsal.sensor_fault_injection``, to
bytes on the link ``daq.rehearsal.link_fault_injection``, to the device ``daq.rehearsal.script``, to its port
``daq.rehearsal.device``. All of it is simulated and hits simulated devices only.
"""

import dataclasses
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar, Final

from standbook.daq.errors import ConfigError
from standbook.daq.rehearsal.sensor_faults import Clip as Clip
from standbook.daq.rehearsal.sensor_faults import Fault as Fault
from standbook.daq.rehearsal.sensor_faults import FrozenLine as FrozenLine
from standbook.daq.rehearsal.sensor_faults import OpenWire as OpenWire
from standbook.daq.rehearsal.sensor_faults import Saturation as Saturation
from standbook.daq.rehearsal.sensor_faults import SensorFault as SensorFault
from standbook.daq.rehearsal.sensor_faults import Spike as Spike
from standbook.daq.rehearsal.sensor_faults import SupplySag as SupplySag

PACKET: Final = 64  # bytes that a full-speed USB endpoint hands over at once

_TYPED: Final = re.compile(r"(?P<name>[a-z-]+)(?:=(?P<tag>[^@:=]+))?(?:@(?P<at>[^@:=]+))?(?::(?P<amount>[^@:=]+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class DroppedBytes(Fault):
    """Bytes are lost on the link."""

    about = "so many bytes vanish on the link (200)"

    at: float = 1.0
    count: int = 200

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.count} bytes vanish on the link at {when}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlippedBits(Fault):
    """Single bits are inverted, spread over a kilobyte."""

    about = "so many bits of the next kilobyte turn over (8)"
    spread: ClassVar[int] = 1024  # bytes

    at: float = 1.0
    count: int = 8

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.count} bits of the {self.spread} bytes after {when} turn over"


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubledChunks(Fault):
    """Packets of the link arrive twice."""

    about = f"a run of so many {PACKET}-byte packets comes twice (16)"

    at: float = 1.0
    count: int = 16

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.count} packets of {PACKET} bytes come twice at {when}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReorderedChunks(Fault):
    """Packets of the link arrive after those that follow them."""

    about = f"so many {PACKET}-byte packets come behind the same number that follow (8)"

    at: float = 1.0
    count: int = 8

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.count} packets of {PACKET} bytes come behind the {self.count} that follow, at {when}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrownOut(Fault):
    """The supply sags: the device falls silent, then restarts."""

    about = "the device resets and is silent for so many seconds (2.1)"

    at: float = 0.15
    seconds: float = 2.1

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the device browns out at {when}, is silent for {self.seconds:g} s and restarts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rollover(Fault):
    """The 32-bit device clock rolls over to zero at this instant."""

    about = "the 32-bit tick counter rolls over at that instant"

    at: float = 5.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the device's 32-bit clock rolls over at {when}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockOff(Fault):
    """The device's oscillator runs fast or slow from its boot on."""

    about = "the device's clock runs so many percent fast, slow when negative (-0.5)"

    percent: float = -0.5

    @property
    def rate(self) -> float:
        """Device seconds gained per real second."""
        return self.percent / 100.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        way = "slow" if self.percent < 0.0 else "fast"
        return f"the device's clock runs {abs(self.percent):g} % {way}, all the time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplug(Fault):
    """The port hangs up and comes back under another name; the device counts on."""

    about = "the cable is out for so many seconds, then the port has another name (2); needs --link"

    at: float = 5.0
    seconds: float = 2.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"unplug at {when} for {self.seconds:g} s: the port comes back under another name, the device counts on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stall(Fault):
    """The link takes no bytes for a while; what the device's ring holds comes late, the rest is lost."""

    about = "the link takes nothing for so many seconds, then all that the device kept (0.5)"

    at: float = 5.0
    seconds: float = 0.5

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the link stalls at {when} for {self.seconds:g} s: what the device can keep comes late, the rest never"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFirst(Fault):
    """Random bytes come before the first frame."""

    about = "so many random bytes before the first frame (300)"

    count: int = 300

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.count} random bytes come before the first frame"


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfFrameFirst(Fault):
    """The stream begins in the middle of a frame."""

    about = "the stream begins in the middle of a frame"

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return "the stream begins in the middle of a frame"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoHello(Fault):
    """The device never describes itself."""

    about = "the device never says hello; its rows need a layout saved before"

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return "no hello ever comes: only a layout saved before explains the rows"


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutChange(Fault):
    """The first stream changes its layout: one channel fewer, or one more where it has a single one."""

    about = "the first stream goes on with one channel fewer (one more where it has but one)"

    at: float = 5.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"hello and rows of the first stream change their layout at {when}"


FAULTS: Final[Mapping[str, type[Fault]]] = MappingProxyType(
    {
        "dropped-bytes": DroppedBytes,
        "flipped-bits": FlippedBits,
        "doubled-chunks": DoubledChunks,
        "reordered-chunks": ReorderedChunks,
        "brown-out": BrownOut,
        "rollover": Rollover,
        "clock-off": ClockOff,
        "unplug": Unplug,
        "stall": Stall,
        "noise-first": NoiseFirst,
        "half-frame-first": HalfFrameFirst,
        "no-hello": NoHello,
        "layout-change": LayoutChange,
        "frozen-line": FrozenLine,
        "clip": Clip,
        "open-wire": OpenWire,
        "saturation": Saturation,
        "spike": Spike,
        "supply-sag": SupplySag,
    }
)
# At all times or before the first row, so that no instant can be named.
TIMELESS: Final = (ClockOff, NoiseFirst, HalfFrameFirst, NoHello)
MOST: Final = MappingProxyType({"count": 4096.0, "seconds": 600.0, "percent": 5.0, "level": 100.0})


def parse_fault(text: str) -> Fault:
    """Parse a fault as it is typed, such as ``unplug@5:2`` or ``frozen-line=PT-11@7``.

    Raises
    ------
    ConfigError
        An unknown name, a number that is none, or a part that this fault does not have.

    Examples
    --------
    >>> parse_fault("brown-out@0.15")
    BrownOut(at=0.15, seconds=2.1)
    """
    match = _TYPED.fullmatch(text.strip())
    if match is None:
        raise ConfigError(f'--fault "{text}": not understood; write NAME, NAME@SECONDS or NAME@SECONDS:AMOUNT')
    name, tag, at, amount = match["name"], match["tag"], match["at"], match["amount"]
    kind = FAULTS.get(name)
    if kind is None:
        raise ConfigError(f'--fault "{text}": there is no fault "{name}"; there are {", ".join(FAULTS)}')
    given: dict[str, object] = {}
    if issubclass(kind, SensorFault) is not (tag is not None):
        want = f"needs a tag, such as {name}=PT-11@7" if tag is None else "takes no tag"
        raise ConfigError(f'--fault "{text}": {name} {want}')
    if tag is not None:
        given["tag"] = tag
    if at is not None:
        if kind in TIMELESS:
            raise ConfigError(f'--fault "{text}": {name} holds all the time or before the first row; leave out @{at}')
        given["at"] = _number(at, text)
    if amount is not None:
        field, whole = _amount(kind)
        if field is None:
            raise ConfigError(f'--fault "{text}": {name} takes no amount; leave out :{amount}')
        given[field] = _checked(_number(amount, text), field, whole, text)
    build: Callable[..., Fault] = kind
    return build(**given)


def placed(faults: Iterable[Fault], zero: float) -> tuple[Fault, ...]:
    """Return faults with ``at`` counted from the first row, where T-0 lies ``zero`` seconds after it.

    Raises
    ------
    ConfigError
        A fault would lie before the first row.
    """
    found = tuple(f if isinstance(f, TIMELESS) else dataclasses.replace(f, at=f.at + zero) for f in faults)
    for fault in found:
        if fault.at < 0.0:
            raise ConfigError(
                f"--fault {_name(fault)}@{fault.at - zero:g}: lies before the first row, which is at {-zero:g} s"
            )
    return found


def sentences(faults: Iterable[Fault], zero: float | None) -> tuple[str, ...]:
    """Describe the faults, one line each; ``zero`` is where T-0 lies after the first row."""

    def when(fault: Fault) -> str:
        return f"{fault.at:.2f} s after the first row" if zero is None else f"T{fault.at - zero:+.2f} s"

    return tuple(f"FAULT: {fault.sentence(when(fault))}." for fault in faults)


def names_in_words() -> tuple[str, ...]:
    """List every fault with its syntax and effect; defaults stand in brackets."""
    return tuple(f"{_form(name, kind)}: {kind.about}" for name, kind in FAULTS.items())


def _form(name: str, kind: type[Fault]) -> str:
    form = f"{name}=TAG" if issubclass(kind, SensorFault) else name
    if kind not in TIMELESS:
        form += "[@SECONDS]"
    field, _ = _amount(kind)
    amount = {"count": "[:N]", "seconds": "[:SECONDS]", "percent": "[:PERCENT]", "level": "[:PERCENT]", None: ""}
    return form + amount[field]


def _name(fault: Fault) -> str:
    return next(name for name, kind in FAULTS.items() if kind is type(fault))


def _amount(kind: type[Fault]) -> tuple[str | None, bool]:
    """Name the field that an amount goes to, and whether it is a whole number."""
    fields = [field.name for field in dataclasses.fields(kind) if field.name in MOST]
    return (fields[-1], fields[-1] == "count") if fields else (None, False)


def _number(text: str, fault: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ConfigError(f'--fault "{fault}": "{text}" is not a number')
    return value


def _checked(value: float, field: str, whole: bool, fault: str) -> float | int:
    most = MOST[field]
    low_enough = abs(value) <= most if field == "percent" else 0.0 < value <= most
    if not low_enough or value == 0.0 or (whole and value != int(value)):
        bounds = f"at most {most:g} either way and not 0" if field == "percent" else f"above 0 and at most {most:g}"
        raise ConfigError(f'--fault "{fault}": {value:g} must be {"a whole number " if whole else ""}{bounds}')
    return int(value) if whole else value
