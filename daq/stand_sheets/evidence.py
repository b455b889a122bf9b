"""The sheets that a run takes along as evidence of the day: newest check, hold and proof of each tank, load, waivers.

They change no number but the angle of a cell that a check found; a report names them. Pulls and taps, which change
numbers, are locked instead.
"""

from dataclasses import dataclass
from pathlib import Path

from standbook.daq.stand_sheets.check_file import CHECKS, CheckFile, all_checks
from standbook.daq.stand_sheets.hold_file import HOLDS, HoldFile, newest_holds
from standbook.daq.stand_sheets.load_file import LOADS, LoadFile, newest_load
from standbook.daq.stand_sheets.proof_file import PROOFS, ProofFile, newest_proofs
from standbook.daq.stand_sheets.tap_file import TAPS, TapFile, newest_taps
from standbook.daq.stand_sheets.waiver_file import WAIVERS, Waiver, read_waivers


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What was known of the stand before a run."""

    check: CheckFile | None
    holds: tuple[HoldFile, ...]  # newest of each tank
    load: LoadFile | None
    waivers: tuple[Waiver, ...]
    proofs: tuple[ProofFile, ...] = ()  # newest of each tank
    practised_taps: TapFile | None = None  # on simulated boards, in a rehearsal; real ones are locked


def read_evidence(folder: Path, plan: str) -> Evidence:
    """Read the evidence of a plan from a campaign's folder, or from that of a run, which has it alone.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    checks = [sheet for sheet in all_checks(folder) if sheet.plan == plan]
    taps = newest_taps(folder, practised=True)
    return Evidence(
        check=checks[-1] if checks else None,
        holds=tuple(newest_holds(folder).values()),
        load=newest_load(folder, plan),
        waivers=read_waivers(folder, plan),
        proofs=tuple(newest_proofs(folder).values()),
        practised_taps=taps[1] if taps is not None and taps[1].rehearsal else None,
    )


def evidence_files(campaign: Path, plan: str, tanks: tuple[str, ...], *, rehearsal: bool = False) -> dict[str, Path]:
    """Return the files of that evidence by their names in a run folder; practised taps of a rehearsal only.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    read_evidence(campaign, plan)
    found: dict[str, Path] = {}
    of_tanks = [(folder, f"_{tank}") for folder in (HOLDS, PROOFS) for tank in tanks]
    for folder, ending in ((CHECKS, f"_{plan}"), (LOADS, f"_{plan}"), *of_tanks):
        files = [path for path in (campaign / folder).glob("*.toml") if _is_of(path.stem, ending)]
        if files:
            newest = max(files, key=lambda path: _place(path.stem, ending))
            found[f"{folder}/{newest.name}"] = newest
    taps = newest_taps(campaign, practised=True) if rehearsal else None
    if taps is not None and taps[1].rehearsal:
        found[f"{TAPS}/{taps[0].name}"] = taps[0]
    waivers = campaign / WAIVERS / f"{plan}.toml"
    return found | ({f"{WAIVERS}/{waivers.name}": waivers} if waivers.exists() else {})


def _is_of(stem: str, ending: str) -> bool:
    """Tell whether a name is ``DATE_OF``, or ``DATE_OF_2`` of a further one of the day."""
    head, _, number = stem.rpartition("_")
    return stem[10:] == ending or (head[10:] == ending and number.isdigit())


def _place(stem: str, ending: str) -> tuple[str, int]:
    number = stem[10 + len(ending) :].lstrip("_")
    return stem[:10], int(number or 1)
