"""Hit random bytes of a long stream of frames and hold every accepted value and the count of lost rows to the truth.

``python -m tests.studies.frame_damage`` sends a million frames through each of two links that put another value into
1 % and 10 % of all bytes, delimiters included. The layout is supplied, as from a file saved earlier. Three figures
must be zero: wrong rows; frames that nothing touched (nor the delimiter before them) and that were not accepted, which
is what resynchronising within one frame means; and the difference between stated and true lost rows from the first
to the last frame accepted. The truth comes from what was hit, never from what was decoded.
"""

import argparse
import time
from dataclasses import dataclass

import numpy as np

from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import encode_samples
from standbook.daq.wire.stream_assembly import assemble
from tests.wire_reference import hello

SHARES = (0.01, 0.1)
CHUNK = 100_000  # bytes fed at a time


@dataclass(frozen=True, slots=True)
class DamageFigures:
    """What came of one link."""

    share: float
    frames: int
    untouched: int
    accepted: int
    wrong_rows: int
    missed: int  # untouched frames that were not accepted
    stated_lost: int
    true_lost: int
    unaccounted_bytes: int  # fed, and in none of the decoder's counts
    megabytes_per_second: float

    def __str__(self) -> str:
        return (
            f"{self.share:.0%} of bytes: {self.frames} frames, {self.untouched} untouched, {self.accepted} accepted, "
            f"untouched but not accepted {self.missed}, wrong rows {self.wrong_rows}, lost rows stated "
            f"{self.stated_lost}, true {self.true_lost}, bytes unaccounted for {self.unaccounted_bytes}, "
            f"{self.megabytes_per_second:.0f} MB/s"
        )

    @property
    def faults(self) -> int:
        """All that must be zero."""
        return self.wrong_rows + self.missed + abs(self.stated_lost - self.true_lost) + abs(self.unaccounted_bytes)


def damaged_link(share: float, frames: int = 1_000_000, rows: int = 2, seed: int = 7) -> DamageFigures:
    """Send frames through one link."""
    said = hello(["i16"] * 4)
    generator = np.random.default_rng(seed)
    counts = generator.integers(-32768, 32768, (frames * rows, 4))
    made = encode_samples(said, 0, 0, 0, counts, rows)
    clean = np.frombuffer(b"".join(made), np.uint8)
    sizes = np.array([len(frame) for frame in made])
    ends = np.cumsum(sizes)
    starts = ends - sizes
    stream = clean.copy()
    hit = np.flatnonzero(generator.random(stream.size) < share)
    stream[hit] = generator.integers(0, 256, hit.size, dtype=np.uint8)
    touched = np.concatenate(([0], np.cumsum(stream != clean)))
    kept = np.flatnonzero(touched[ends] == touched[np.maximum(0, starts - 1)])

    decoder, data = Decoder([said]), stream.tobytes()
    start = time.perf_counter()
    results = [decoder.feed(data[at : at + CHUNK]) for at in range(0, len(data), CHUNK)]
    elapsed = time.perf_counter() - start
    results.append(decoder.finish())

    (segment,) = assemble([block for r in results for block in r.blocks], (), (), said).segments
    wrong = (segment.counts != counts[segment.sequence]).any(axis=1)
    wrong |= segment.ticks != segment.sequence * said.interval_ticks
    accepted = np.unique(segment.sequence // rows)
    lost = np.isin(np.arange(kept[0], kept[-1] + 1), kept, invert=True).sum()
    counted = sum(r.damaged_bytes + r.leading_bytes + r.torn_bytes for r in results) + data.count(0)
    return DamageFigures(
        share=share,
        frames=frames,
        untouched=kept.size,
        accepted=accepted.size,
        wrong_rows=int(wrong.sum()),
        missed=int(np.isin(kept, accepted, invert=True).sum()),
        stated_lost=segment.lost_rows,
        true_lost=rows * int(lost),
        unaccounted_bytes=len(data) - counted - int(sizes[accepted].sum() - accepted.size),
        megabytes_per_second=len(data) / elapsed / 1e6,
    )


def main() -> None:
    """Print the figures; exit 1 when one that must be zero is not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000)
    told = parser.parse_args()
    faults = 0
    for share in SHARES:
        figures = damaged_link(share, told.frames)
        print(figures)
        faults += figures.faults
    if faults:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
