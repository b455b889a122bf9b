"""Collect all that must not be published of one run, or of a campaign, and the words in its place."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from standbook.analysis.redaction.private_file import PrivateFile, is_searchable, private_in, private_of
from standbook.analysis.redaction.replacing import Redaction
from standbook.analysis.redaction.secrets import secrets_of
from standbook.daq.errors import UsageError


def redaction_of(run: Path, hide: Iterable[str] = ()) -> Redaction:
    """Return the redaction of a run folder.

    Raises
    ------
    ConfigError
        ``private.toml`` is faulty.
    UsageError
        A text to be hidden is too short to be searched for.
    """
    return _redaction([run], private_of(run), hide)


def redaction_of_campaign(campaign: Path, runs: Sequence[Path], hide: Iterable[str] = ()) -> Redaction:
    """Return the redaction of all runs of a campaign together; as for :func:`redaction_of`."""
    return _redaction(runs, private_in(campaign), hide)


def _redaction(runs: Sequence[Path], private: PrivateFile, hide: Iterable[str]) -> Redaction:
    asked = tuple(hide)
    for text in asked:
        if not is_searchable(text):
            raise UsageError(f'--hide "{text}": too short to be searched for; write two letters or more')
    return Redaction(secrets_of(runs, private, asked))
