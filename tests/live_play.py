"""A made-up test played into the live picture in memory: frames as a device sends them, arrivals by a made-up clock."""

from daq.follow import Taken
from daq.live import Live
from daq.script import script
from daq.wire import Decoder

STARTED = 5_000_000_000_000  # monotonic [ns]
READ_EVERY = 20_000_000  # of capture [ns]
LATENCY = 4_000_000  # of the link [ns]


def said_of(table, *, faults=(), time_scale=1.0):
    """Give the frames of a table in pieces as capture writes them: seconds, bytes."""
    piece, due = b"", READ_EVERY / 1e9 * time_scale
    for item in script(table, faults=faults, time_scale=time_scale):
        while item.at > due:
            if piece:
                yield due, piece
            piece, due = b"", due + READ_EVERY / 1e9 * time_scale
        piece += item.frame
    yield due, piece


class Played:
    """Plays one device into a ``Live`` and looks at it ten times a second."""

    def __init__(self, campaign, device, *, bands=None, layouts=(), time_scale=1.0, **more):
        self.live = Live(campaign.plan, campaign.stand, campaign.calibrations, started_ns=STARTED, bands=bands, **more)
        self.device, self.time_scale = device, time_scale
        self.decoder = Decoder(layouts)
        self.hellos = {hello.name: hello for hello in layouts}
        self.states = []  # (seconds of the device since its first row, LiveState)
        self._next = 0.0

    def at(self, seconds):
        """Turn seconds of the device into the monotonic clock."""
        return STARTED + LATENCY + round(seconds / self.time_scale * 1e9)

    def give(self, seconds, piece):
        """Hand over bytes that arrive now."""
        decoded = self.decoder.feed(piece)
        self.hellos.update({hello.name: hello for hello, _ in decoded.hellos})
        self.live.take(Taken(self.device, decoded, self.at(seconds), tuple(self.hellos.values())))

    def play(self, pieces, *, look_every=0.1, until=None, on_look=None):
        """Play pieces; a picture is taken every ``look_every`` seconds, silence included."""
        for seconds, piece in pieces:
            if until is not None and seconds > until:
                break
            self.look_until(seconds, look_every, on_look)
            self.give(seconds, piece)
        return self

    def look_until(self, seconds, look_every=0.1, on_look=None):
        """Let time pass."""
        while self._next <= seconds:
            if on_look is not None:
                on_look(self._next, self)
            self.states.append((self._next, self.live.state(self.at(self._next))))
            self._next += look_every
        return self

    @property
    def alarms(self):
        """Every alarm sentence, with the time it was first shown."""
        found = {}
        for seconds, state in self.states:
            for sentence in state.alarms:
                found.setdefault(sentence, seconds)
        return found
