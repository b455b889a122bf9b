"""Where tests wait for the disk, and that all that asks it is tested where they do."""

import ast
import os

import pytest

from tests.disk_not_awaited import TRUE, WAITING, not_awaited


def test_here_the_disk_is_not_waited_for_and_what_is_no_file_is_refused(tmp_path):
    assert os.fsync is not_awaited
    with (tmp_path / "file").open("wb") as file:
        os.fsync(file.fileno())
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fsync(2**20)


def test_what_asks_the_disk_is_tested_where_it_is_waited_for(source_nodes):
    asking = {
        path.rpartition("/")[0]
        for path, nodes in source_nodes.items()
        for node in nodes
        if (isinstance(node, ast.Attribute) and node.attr in TRUE)
        or (isinstance(node, ast.Constant) and node.value in TRUE)
    }
    assert asking == {"daq/storage", "daq/run"}
    assert {f"tests/{folder}" for folder in asking} <= {folder.as_posix() for folder in WAITING}
