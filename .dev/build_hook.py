"""Build hook: what becomes ``standbook/__init__.py``, and which commit a wheel was built from."""

import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class StandbookHook(BuildHookInterface):  # type: ignore[type-arg]
    """Add to a wheel what no folder of the repository holds under its installed name."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Map the public face; an editable install finds it through the link in ``.dev`` instead."""
        if version == "editable":
            return
        root = Path(self.root)
        build_data["force_include"][str(root / "analysis" / "public.py")] = "standbook/__init__.py"
        commit = described_commit(root)
        if commit:
            file = Path(tempfile.mkdtemp()) / "commit.txt"
            file.write_text(f"{commit}\n", encoding="utf-8")
            build_data["force_include"][str(file)] = "standbook/commit.txt"


def described_commit(root: Path) -> str:
    """Return the short hash of the checkout's commit, with ``-dirty`` where files differ from it; empty without git."""
    if not (root / ".git").exists():
        return ""
    command = ["git", "-C", str(root), "describe", "--always", "--dirty", "--exclude", "*"]
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return ""
