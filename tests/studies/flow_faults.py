"""What becomes of CdA where a cold flow's pressure record is at fault, on the simulated stand's own records?

The stands of ``tests.studies.flow_honesty`` with one fault laid over the pressure's counts; the second world's faults
are those of ``tests.studies.second_world --faults``. Required: CdA wrong by more than three u with a caution or less in
at most 1 % of what a record can show; healthy flows refused in at most 1 %, with anything above a note in at most 5 %.
Run from the project's folder:

    python -m tests.studies.flow_faults --healthy 60 --faults 6
"""

import argparse
import dataclasses
from collections import Counter

import numpy as np

from standbook.analysis.kinds.registry import analyse
from tests.rehearsed import without_rows
from tests.studies.flow_honesty import draw_spec, play

WRONG = 3.0  # errors over u beyond which a number is called wrong
TAG = "PT-1"


def _share(seed, low=0.25, high=0.75):
    return float(np.random.default_rng([seed, 31]).uniform(low, high))


def _columns(change):
    """Make a fault of a change of counts: a function of times, counts, instant, opening, end and random numbers."""

    def fault(seed):
        def spoil(stream, opening, end):
            random = np.random.default_rng([seed, 32])
            at = opening + _share(seed) * (end - opening)
            made = change(stream.time, stream.counts[TAG].copy(), at, opening, random)
            top = stream.rails[TAG].maximum
            return dataclasses.replace(stream, counts={TAG: np.clip(np.rint(made), 0, top).astype(np.int64)})

        return spoil

    return fault


def _rest(time, counts, opening):
    return float(np.median(counts[(time < opening) & (time > opening - 1.0)]))


def _step(percent):
    return _columns(lambda t, c, at, opening, _: c + 0.01 * percent * _rest(t, c, opening) * (t >= at))


def _held(seconds):
    def change(time, counts, at, opening, _):
        inside = np.flatnonzero((time >= at) & (time < at + seconds))
        counts[inside] = counts[inside[0]] if inside.size else 0
        return counts

    return _columns(change)


def _clip(share, noise=0.0):
    def change(time, counts, at, opening, random):
        made = np.minimum(counts, share * _rest(time, counts, opening))
        return made + noise * _rest(time, counts, opening) * random.standard_normal(counts.size)

    return _columns(change)


def _zeros(time, counts, at, opening, _):
    return np.where((time >= at) & (time < at + 0.3), 0, counts)


def _gap(seconds, at_end=False):
    def fault(seed):
        def spoil(stream, opening, end):
            begin = end - _share(seed, 0.3, 0.7) * seconds if at_end else opening + _share(seed) * (end - opening)
            return without_rows(stream, (stream.time < begin) | (stream.time >= begin + seconds))

        return spoil

    return fault


FAULTS = {
    **{f"step {percent:+g} %": _step(percent) for percent in (2.0, -2.0, 1.0, -1.0, 0.5, -0.5)},
    "gap 0.4 s": _gap(0.4),
    "gap 1.0 s": _gap(1.0),
    "gap across the end": _gap(0.6, at_end=True),
    "clip at 85 %": _clip(0.85),
    "clip at 95 %": _clip(0.95),
    "clip with noise": _clip(0.9, noise=3e-4),
    "held 0.2 s": _held(0.2),
    "held 0.5 s": _held(0.5),
    "zeros 0.3 s": _columns(_zeros),
    "frozen": _held(1e3),
}


def outcome(seed, fault=None):
    """Return error over u of CdA, ``None`` where it is refused, and what was said above a note."""
    drawn = play(draw_spec(seed), None if fault is None else FAULTS[fault](seed))
    results = analyse(drawn.dataset).results
    said = tuple(f"{f.severity} {f.code}" for f in results.findings if f.severity != "note")
    tank = results.tanks.get("tank")
    if tank is None or tank.cda is None:
        return None, said
    return (tank.cda.value - drawn.cda) / tank.cda.u, said


def wrong_as_given(found):
    """Count numbers that are wrong and stand beside a caution or less."""
    return sum(
        pull is not None and abs(pull) > WRONG and not any(word.startswith("serious") for word in said)
        for pull, said in found
    )


def line(name, found):
    """Write one line: one fault, or none."""
    refused = sum(pull is None for pull, _ in found)
    said = Counter(word for _, words in found for word in set(words))
    cautioned = sum(bool(words) for _, words in found)
    return (
        f"{name:20s} n {len(found):3d}  refused {refused:3d}  wrong at caution or less {wrong_as_given(found):3d}  "
        f"above a note {cautioned:3d}  {dict(said.most_common(4))}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--healthy", type=int, default=60)
    parser.add_argument("--faults", type=int, default=6, help="records a fault")
    parser.add_argument("--first-seed", type=int, default=0)
    asked = parser.parse_args()
    first = asked.first_seed
    if asked.healthy:
        print(line("healthy", [outcome(seed) for seed in range(first, first + asked.healthy)]), flush=True)
    if asked.faults:
        for name in FAULTS:
            print(line(name, [outcome(seed, name) for seed in range(first, first + asked.faults)]), flush=True)


if __name__ == "__main__":
    main()
