"""A folder is held while a process lives, and by nobody once it is gone, however it went."""

import signal
import subprocess
import sys

from standbook.daq.storage.folder_lock import hold_folder_lock, is_folder_locked
from tests.repository import ROOT


def test_a_folder_is_held_inside_the_block_and_by_several(tmp_path):
    assert not is_folder_locked(tmp_path)
    with hold_folder_lock(tmp_path), hold_folder_lock(tmp_path):
        assert is_folder_locked(tmp_path)
    assert not is_folder_locked(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_killed_process_holds_nothing(tmp_path):
    code = "import pathlib, sys, time\nfrom standbook.daq.storage.folder_lock import hold_folder_lock\n"
    code += f"with hold_folder_lock(pathlib.Path({str(tmp_path)!r})):\n    print('held', flush=True); time.sleep(60)\n"
    holder = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT)
    with holder:
        assert holder.stdout.readline() == b"held\n"
        assert is_folder_locked(tmp_path)
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        assert not is_folder_locked(tmp_path)


def test_a_folder_that_is_not_there_is_held_by_nobody(tmp_path):
    with hold_folder_lock(tmp_path / "absent"):
        assert not is_folder_locked(tmp_path / "absent")
