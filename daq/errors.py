"""Define every error that standbook raises on purpose, each branch with its exit code.

StandError
├── UsageError    2  an option or argument that cannot be meant
├── ConfigError   3  campaign, plan, stand, calibration or mapping file is wrong
├── LinkError     4  a serial port cannot be opened, is silent or says something else
├── FrameError    5  bytes do not follow the wire format
├── RecordError   6  a run folder, journal, Parquet file or disk
└── DataError     7  readable, but the data cannot answer the question

A message names the file, the key or channel, the value with its unit, and what to do next.
A caller's own bug stays ``ValueError`` or ``TypeError``.
"""

from typing import ClassVar

EXIT_FINE = 0
EXIT_USAGE = 2
EXIT_FINDINGS = 10  # finished, and something in the result needs a person's eyes


class StandError(Exception):
    """Any failure that a user can act on; its text is one clear sentence."""

    exit_code: ClassVar[int] = 9


class UsageError(StandError):
    """An option or argument of a command that cannot be meant."""

    exit_code = EXIT_USAGE


class ConfigError(StandError):
    """A file that a person typed is wrong; ``problems`` lists every fault found."""

    exit_code = 3

    def __init__(self, *problems: str) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class LinkError(StandError):
    """A serial port is missing, busy, silent, or speaks something else."""

    exit_code = 4


class FrameError(StandError):
    """Bytes that do not follow the wire format."""

    exit_code = 5


class RecordError(StandError):
    """A run folder, journal, samples file or the disk under it cannot be used."""

    exit_code = 6


class DataError(StandError):
    """A record that can be read but cannot answer the question asked of it."""

    exit_code = 7
