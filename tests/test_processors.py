"""Certified fits hold with the linear algebra of every make of processor that this machine can play."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

CERTIFIED = ("tests/analysis/signal/test_least_squares.py", "tests/daq/config/test_calibration.py")
PROCESSORS = Path("/proc/cpuinfo")


def lacks(feature):
    """Whether this machine's processor is known to lack an instruction set."""
    return not PROCESSORS.is_file() or feature not in PROCESSORS.read_text().split()


@pytest.mark.slow
@pytest.mark.parametrize(
    "core",
    [
        pytest.param("Haswell", marks=pytest.mark.skipif(lacks("avx2"), reason="no AVX2 here")),
        pytest.param("Zen", marks=pytest.mark.skipif(lacks("avx2"), reason="no AVX2 here")),
        pytest.param("SkylakeX", marks=pytest.mark.skipif(lacks("avx512f"), reason="no AVX-512 here")),
    ],
)
def test_certified_fits_hold_on_the_kernels_of(core):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", *CERTIFIED],
        cwd=Path(__file__).parents[1],
        env={**os.environ, "OPENBLAS_CORETYPE": core, "PYTEST_ADDOPTS": ""},
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stdout[-2000:]
    assert " passed" in done.stdout
