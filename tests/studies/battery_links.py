"""Cases of the battery about what is not a file: bytes on the wire, ports, disks, terminals, processes."""

from collections.abc import Iterator

from tests.studies.battery import Case


def cases() -> Iterator[Case]:
    yield from ()
