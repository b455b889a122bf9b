"""Where the repository lies: tests read sources, pages and sample runs from it."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
