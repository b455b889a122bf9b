"""What all tests stand on: Ctrl-C means something, also where they were started in the background.

A shell without job control starts background programs with SIGINT ignored, and children inherit that. And the commands
that tests start keep what they compile, as they do for a user: else each would compile all of standbook again.

Linear algebra keeps to one thread a process: our matrices are small, and where as many processes as there are cores
each start as many threads, these spend most of the processor waiting for each other. It is read when numpy loads.
"""

import os
import signal

from hypothesis import settings

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Which of them numpy brings differs between systems.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(name, "1")

# How long an example may take would be a verdict of the machine.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

pytest_plugins = (
    "pytester",
    "tests.processor_time",
    "tests.solved_once",
    "tests.shared_fixtures",
    "tests.two_workers",
    "tests.disk_not_awaited",
)
