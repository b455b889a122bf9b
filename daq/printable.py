"""Show any text so that a terminal or a page takes it as text: what could command either is written by number."""

import unicodedata


def printable(text: str) -> str:
    r"""Write each character that is no letter, sign or space as its escape, ``\x1b`` or ``\u202e``."""
    if text.isprintable():
        return text
    return "".join(mark if _is_shown(mark) else mark.encode("unicode_escape").decode("ascii") for mark in text)


def printable_lines(text: str) -> str:
    """Do the same, but leave ends of lines."""
    return "\n".join(printable(line) for line in text.split("\n"))


def _is_shown(mark: str) -> bool:
    return mark.isprintable() or unicodedata.category(mark) == "Zs"
