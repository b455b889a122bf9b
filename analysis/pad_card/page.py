"""Set a pad card on one page: black on white, digits of 14 pt, boxes that a glove can write in. Pure."""

from standbook.analysis.pad_card.card import NONE, PadCard
from standbook.analysis.report.render import page_environment

PAPERS = {"a5": "148mm 210mm", "half-letter": "5.5in 8.5in"}
TITLES = {"hold": "HOLD", "abort": "ABORT", "repeat": "REPEAT"}
EMPTY_LINES = 3  # to write in, where the plan has no rule


def pad_card_page(card: PadCard, *, paper: str = "a5", rehearsal: bool = False) -> str:
    """Return the card as one HTML page without script.

    Parameters
    ----------
    card : PadCard
        Its content.
    paper : str
        A key of ``PAPERS``.
    rehearsal : bool
        Marks it so.
    """
    return (
        page_environment("standbook.analysis.pad_card")
        .get_template("card.html.j2")
        .render(
            card=card,
            size=PAPERS[paper],
            rules=[(TITLES[call], lines or (NONE,), not lines) for call, lines in card.rules.items()],
            empty=range(EMPTY_LINES),
            rehearsal=rehearsal,
        )
    )
