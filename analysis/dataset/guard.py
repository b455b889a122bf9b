"""Keep a part of the analysis that fails from taking the rest along: it is left out, and a finding says so."""

from collections.abc import Callable
from typing import TypeVar

import numpy as np

from standbook.analysis.findings.channels import PART_FAILED
from standbook.daq.findings.finding import Finding

T = TypeVar("T")
# What arithmetic on a record that nobody foresaw ends in; mistakes of the program itself pass through.
FAILURES: tuple[type[Exception], ...] = (np.linalg.LinAlgError, ArithmeticError, ValueError, IndexError)


def guarded(part: str, make: Callable[[], T], otherwise: T) -> tuple[T, list[Finding]]:
    """Make a part of the analysis, or say that it failed.

    Parameters
    ----------
    part : str
        In words, for the sentence.
    make : callable
        Makes it.
    otherwise : object
        Stands in its place where it fails.
    """
    try:
        return make(), []
    except FAILURES as error:
        return otherwise, [part_failed(part, error)]


def part_failed(part: str, error: Exception) -> Finding:
    """Say that a part could not be computed."""
    return PART_FAILED.at(None, part=part, error=f"{type(error).__name__}: {' '.join(str(error).split())}")
