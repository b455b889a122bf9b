"""What a report says of the stand before the run: check, pulls, taps, holds, proofs, load, waivers. In words."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from standbook.daq.stand_sheets.check_file import CheckFile, DoneCheck
from standbook.daq.stand_sheets.evidence import Evidence
from standbook.daq.stand_sheets.pull_file import PullFile
from standbook.daq.stand_sheets.tap_file import TapFile

NAMED = 3  # checks that do not agree, named on page one


def stand_lines(
    evidence: Evidence, pulls: Mapping[str, PullFile] | None = None, taps: TapFile | None = None
) -> tuple[str, ...]:
    """Return the lines on the stand's checks for page one, none where nothing was checked.

    ``pulls`` and ``taps`` are those that were locked with the plan.
    """
    lines = []
    if evidence.check is not None:
        lines.append(_checked(evidence.check))
    lines += [f"{tag} pulled on {pull.date}: {_gain(pull)}" for tag, pull in sorted((pulls or {}).items())]
    lines += [_tapped(one) for one in (taps, evidence.practised_taps) if one is not None]
    lines += [f"Tank {proof.tank}, hydrostatic: {proof.sentence}; evidence, no permission" for proof in evidence.proofs]
    lines += [
        f"Tank {hold.setup.tank} held on {hold.date}{_practised(rehearsal=hold.rehearsal)}: {hold.result.verdict}"
        for hold in evidence.holds
    ]
    if evidence.load is not None:
        load = evidence.load
        lines.append(
            f"Load by the cell{_practised(rehearsal=load.rehearsal)} {load.by_cell.text}, by containers "
            f"{load.containers.text}: {load.says}"
        )
    return tuple(lines)


def waiver_lines(evidence: Evidence) -> tuple[str, ...]:
    """Return one line a waiver: what the crew went without, what that ruins, who decided and why."""
    return tuple(f"{w.fact}, by {w.role}: {w.reason}; ruins {w.ruins}" for w in evidence.waivers)


def _practised(*, rehearsal: bool) -> str:
    return ", on simulated boards" if rehearsal else ""


def _tapped(taps: TapFile) -> str:
    mode, mass = taps.state[0].modes[0], taps.moving_mass
    moving = "" if mass is None else f", {_rounded(mass.text)} moving"
    practised = _practised(rehearsal=taps.rehearsal)
    return f"Tapped on {taps.date}{practised}, tanks {taps.tanks}: {_rounded(mode.frequency.text)}{moving}"


def _gain(pull: PullFile) -> str:
    """Say what a pull found of a force that it applied; the other terms stand in its file."""
    return f"cell over true force, lines empty, {_rounded(pull.terms.get('gain', 'not determined'))}"


def _rounded(text: str) -> str:
    """Write a value to the last digit of its uncertainty: "76.2658 +/- 0.61 kg" is 76.27 +/- 0.61 kg."""
    value, sign, rest = text.partition(" +/- ")
    u = rest.partition(" ")[0]
    decimals = len(u.partition(".")[2])
    return f"{float(value):.{decimals}f}{sign}{rest}" if sign and decimals and "e" not in u and "^" not in u else text


def _checked(sheet: CheckFile) -> str:
    counts = {says: [one for one in sheet.check if one.outcome.says == says] for says in ("differs", "cannot tell")}
    agree = len(sheet.check) - sum(len(found) for found in counts.values())
    parts = [f"{agree} checks agree"]
    parts += [f"{len(found)} {says}: {_names(found)}" for says, found in counts.items() if found]
    left = f"; left out: {', '.join(sheet.left_out)}" if sheet.left_out else ""
    practised = _practised(rehearsal=sheet.rehearsal)
    return f"{sheet.at:%Y-%m-%d %H:%M}{practised}, sheet {Path(sheet.journal).name}: {', '.join(parts)}{left}"


def _names(found: Sequence[DoneCheck]) -> str:
    names = [f"{one.of.kind} of {one.of.tag}" for one in found]
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
