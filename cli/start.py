"""Start ``standbook``: a signal ends it in one sentence even while its own modules are still loading."""

import os
import signal
import sys

# Matrices are small: more threads would spin beside the capture, and round as the number of cores has it.
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def main() -> None:
    """Load the command line and run it."""
    for name in THREADS:
        os.environ.setdefault(name, "1")
    try:
        signal.signal(signal.SIGTERM, _interrupt)
        from standbook.cli.main import main as run

        run()
    except KeyboardInterrupt as stopped:
        sys.stderr.write("standbook: stopped\n")
        sys.stderr.flush()
        # Half-loaded modules have nothing to tidy up, and their own exit handlers may not be there yet.
        os._exit(128 + (stopped.args[0] if stopped.args else signal.SIGINT))


def _interrupt(number: int, _frame: object) -> None:
    raise KeyboardInterrupt(number)
