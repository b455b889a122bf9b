"""A disk that refuses: every write below one folder is counted, and from a chosen one on the system says no.

Writes are what a program asks of the system itself: to open a file for writing, to write, to cut, to sync, to rename,
to make a folder or a link. So whoever writes, by whatever call of Python, is seen; compiled libraries that open files
by name are not. What is only read is let through, and so is what takes away.
"""

import builtins
import errno
import io
import os
import threading
from pathlib import Path

FULL, READ_ONLY, FORBIDDEN = errno.ENOSPC, errno.EROFS, errno.EACCES
REFUSALS = (FULL, READ_ONLY, FORBIDDEN)
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


class Disk:
    """Counts what is asked of the disk below ``folder``, and refuses from one on.

    ``unseen``: ends of names whose writes neither count nor are refused, of what is written as time goes by.
    """

    def __init__(self, patch, folder, *, refuses_from=None, why=FULL, unseen=()):
        self.asked = self.refused = 0
        self.names = []  # what was asked, in order
        self._folder, self._from, self._why, self._unseen = str(folder), refuses_from, why, unseen
        self._counting = threading.Lock()
        self._descriptors = {}
        for name in ("mkdir", "rename", "replace", "symlink", "link"):
            patch.setattr(os, name, self._by_path(name, getattr(os, name)))
        for name in ("write", "ftruncate", "fsync", "fdatasync", "sendfile", "copy_file_range"):
            if hasattr(os, name):
                patch.setattr(os, name, self._by_descriptor(name, getattr(os, name)))
        patch.setattr(os, "open", self._open(os.open))
        patch.setattr(os, "close", self._close(os.close))
        opened = self._open_file(io.open)
        patch.setattr(io, "open", opened)
        patch.setattr(builtins, "open", opened)

    def ask(self, name, path):
        """Count one write, and refuse it when its turn has come."""
        if not self._is_ours(path):
            return
        with self._counting:
            self.asked += 1
            self.names.append(f"{name} {Path(path).name}")
            if self._from is None or self.asked < self._from:
                return
            self.refused += 1
        raise OSError(self._why, os.strerror(self._why), str(path))

    def _is_ours(self, path):
        text = os.fsdecode(path)
        return text.startswith(self._folder) and not text.endswith(self._unseen or "\0")

    def _by_path(self, name, original):
        def call(*arguments, **options):
            # A link is made where its second argument says; a renaming is seen where it leads.
            self.ask(name, arguments[0] if name == "mkdir" else arguments[1])
            return original(*arguments, **options)

        return call

    def _by_descriptor(self, name, original):
        def call(descriptor, *more):
            path = self._descriptors.get(descriptor)
            if path is not None:
                self.ask(name, path)
            return original(descriptor, *more)

        return call

    def _open(self, original):
        def call(path, flags, *more, **options):
            if isinstance(path, int) or not self._is_ours(path):
                return original(path, flags, *more, **options)
            if flags & _WRITING:
                self.ask("open", path)
            descriptor = original(path, flags, *more, **options)
            self._descriptors[descriptor] = path
            return descriptor

        return call

    def _close(self, original):
        def call(descriptor):
            self._descriptors.pop(descriptor, None)
            return original(descriptor)

        return call

    def _open_file(self, original):
        def call(file, mode="r", buffering=-1, encoding=None, *more, **options):
            if isinstance(file, int) or not set(mode) & set("wax+") or not self._is_ours(file):
                return original(file, mode, buffering, encoding, *more, **options)
            self.ask("open", file)
            raw = _RefusingFile(self, file, mode.replace("b", "").replace("t", ""))
            self._descriptors[raw.fileno()] = os.fspath(file)
            binary = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
            return binary if "b" in mode else io.TextIOWrapper(binary, encoding or "utf-8")

        return call

    def forget(self, descriptor):
        """Take note that a file was closed by Python itself."""
        self._descriptors.pop(descriptor, None)


class _RefusingFile(io.FileIO):
    """A file of Python's own whose every write is asked for."""

    def __init__(self, disk, path, mode):
        super().__init__(path, mode)
        self._disk = disk

    def write(self, data):
        self._disk.ask("write", self.name)
        return super().write(data)

    def close(self):
        if not self.closed:
            self._disk.forget(self.fileno())
        super().close()
