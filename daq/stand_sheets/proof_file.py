"""Read the record of a hydrostatic proof, ``proofs/2031-05-20_oxidiser.toml``: who did it, how, and what was seen.

A person types it. It is evidence of what was done, never a permission, and no number of a run rests on it.
"""

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Duration, Pressure, Quantity

PROOFS = "proofs"
Words = Annotated[str, Field(min_length=1)]


class ProofFile(Document):
    """One proof of one tank with liquid; every key must be there."""

    tank: FileName
    date: dt.date
    role: Words  # who did it, licensed or appointed as the code asks: a role, no name
    code: Words  # rule or standard that it was done by
    liquid: Words  # never a gas
    pressure: Pressure  # gauge
    held: Duration
    gauge: Words  # that told the pressure: its serial and class
    result: Literal["held", "leaked", "yielded"]
    record: Words  # where the signed paper is

    @field_validator("pressure")
    @classmethod
    def _gauge(cls, pressure: Quantity) -> Quantity:
        if pressure.reference != "gauge" or pressure.value <= 0.0:
            raise ValueError(f'"{pressure.text}" must be a gauge pressure, like "46.5 +/- 0.5 bar(g)"')
        return pressure

    @field_validator("held")
    @classmethod
    def _some_time(cls, held: Quantity) -> Quantity:
        if held.value <= 0.0:
            raise ValueError(f'"{held.text}" must be more than zero')
        return held

    @field_validator("liquid")
    @classmethod
    def _liquid(cls, liquid: str) -> str:
        if liquid.strip().lower() in GASES:
            raise ValueError(f'"{liquid}" is a gas; a hydrostatic proof is made with liquid, a hold of gas is another')
        return liquid

    @property
    def sentence(self) -> str:
        """Say what was done, by whom and how it ended."""
        return (
            f"{self.result} {self.pressure.text} of {self.liquid} for {self.held.text} on {self.date}, by {self.role} "
            f"under {self.code}"
        )


GASES = ("air", "nitrogen", "helium", "argon", "oxygen", "carbon dioxide", "nitrous oxide", "gas")


def read_proof(path: Path) -> ProofFile:
    """Read one proof; its file name is ``DATE_TANK.toml``, a number behind it for a further one of the day.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or the name says another tank or day.
    """
    found = read_document(path, ProofFile)
    if not path.stem.startswith(f"{found.date}_{found.tank}"):
        raise ConfigError(f"{path}: holds a proof of {found.tank} on {found.date}; its name says another")
    return found


def newest_proofs(folder: Path) -> dict[str, ProofFile]:
    """Return the newest proof of each tank, from ``folder/proofs``.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    proofs = [read_proof(path) for path in sorted((folder / PROOFS).glob("*.toml"))]
    return {proof.tank: proof for proof in sorted(proofs, key=lambda proof: proof.date)}
