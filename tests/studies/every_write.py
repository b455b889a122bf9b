"""Refuse every write of every command, one after the other, for each reason that a disk gives.

``python -m tests.studies.every_write`` walks all commands, ``--command record`` one of them. Each write is refused as
by a full disk, by one that may only be read and by a folder that is not ours, with all writes after it. Prints how many
writes each command makes; stops at the first refusal after which something was torn, lost or not said.
"""

import argparse
import tempfile
from pathlib import Path

from tests.every_write import COMMANDS, walk
from tests.refusing_disk import REFUSALS


def main() -> None:
    """Walk, and print a line for each command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--command", choices=COMMANDS, help="walk this one only")
    parser.add_argument("--step", type=int, default=1, help="refuse every so many writes (default: each)")
    told = parser.parse_args()
    for name in [told.command] if told.command else COMMANDS:
        for why in REFUSALS:
            with tempfile.TemporaryDirectory() as folder:
                writes = walk(COMMANDS[name], Path(folder), step=told.step, refusals=(why,))
        print(f"{name}: {writes} writes, each refused for {len(REFUSALS)} reasons: nothing torn, nothing lost")


if __name__ == "__main__":
    main()
