"""Facts that the newest sheet of checks tells, and those that no sheet holds. No I/O."""

import math
from collections.abc import Iterable, Mapping

from standbook.analysis.readiness.campaign_state import MINUTES, TWIN_SHARE, CampaignState, impulse_u, share_of
from standbook.analysis.readiness.fact import Fact, State, share_lost
from standbook.daq.config import measurands
from standbook.daq.stand_sheets.check_file import CheckFile, DoneCheck, Says

STATES: Mapping[Says, State] = {"agrees": "holds", "differs": "does not hold", "cannot tell": "cannot tell"}
CROOKED = math.radians(5.0)  # that thrust and cell may be apart where nobody looked; judgement


def check_facts(of: CampaignState) -> Iterable[Fact]:
    """Judge the newest check of every kind; one that no sheet holds is not measured."""
    valid = [sheet for sheet in of.checks if sheet.stand_sha256 == of.stand_sha256]
    newest: dict[tuple[str, str], tuple[CheckFile, DoneCheck]] = {}
    for sheet in valid:
        newest |= {(one.of.tag, one.of.kind): (sheet, one) for one in sheet.check}
    for (tag, kind), (sheet, one) in sorted(newest.items()):
        yield _fact_of_check(of, tag, kind, sheet, one)
    for tag, kind in _wanted(of):
        if (tag, kind) not in newest:
            changed = " since the stand file changed" if of.checks and not valid else ""
            yield _fact(
                of,
                tag,
                kind,
                state="not measured",
                found=f"not checked{changed}",
                mend="vented: standbook check",
            )


def _wanted(of: CampaignState) -> Iterable[tuple[str, str]]:
    """Return tag and kind of each check that a plan's minimum data rest on."""
    for tag in of.minimum:
        c, item = of.calibrations.get(tag), of.stand.input_tagged(tag)
        if c is None:
            continue
        if c.dimension == "pressure" and c.reference in ("gauge", "absolute"):
            yield tag, "zero at ambient"
            if item.measures == measurands.TANK_PRESSURE:
                yield tag, "unit"
        if item.measures == measurands.THRUST:
            yield tag, "sign"
            yield tag, "check weight"
            if of.plan.kind.fires:
                yield tag, "alignment"
    if of.plan.test.t_zero_edge is not None:
        yield of.plan.test.t_zero_edge.line, "T-0"


def _fact_of_check(of: CampaignState, tag: str, kind: str, sheet: CheckFile, one: DoneCheck) -> Fact:
    age = (of.now - sheet.at).total_seconds() / 3600.0
    return _fact(
        of,
        tag,
        kind,
        state=STATES[one.outcome.says],
        found=one.outcome.sentence,
        mend="vented: standbook check",
        age=age,
    )


def _fact(
    of: CampaignState, tag: str, kind: str, *, state: State, found: str, mend: str, age: float | None = None
) -> Fact:
    share, ruins = _lost(of, tag, kind)
    return Fact(
        name=f"{kind} of {tag}",
        state=state,
        found=found,
        ruins=ruins,
        share=share,
        mend=mend,
        minutes=MINUTES["check"],
        age=age,
    )


def _lost(of: CampaignState, tag: str, kind: str) -> tuple[float, str]:
    """Return the share of the objective that rests on a check, and what is lost with it."""
    items = [item for item in of.stand.input if item.tag == tag]
    if kind == "T-0":
        return 1.0, "the run: nothing says when it began"
    if kind == "alignment" and items:
        hidden = 1.0 - math.cos(CROOKED)
        return share_lost(impulse_u(of, items[0]), hidden), f"impulse, up to {100 * hidden:.1f} % low"
    return share_of(of, items[0]) if items else TWIN_SHARE, f"all that {tag} reads"
