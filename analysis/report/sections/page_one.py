"""Build page one: what a signatory must see, on exactly one sheet. The template sets it.

What it shows of one kind of test comes from that kind's parts.
"""

from dataclasses import dataclass

from markupsafe import Markup

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Cell, Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.sections import findings_sections, record_sections, run_sections
from standbook.analysis.report.sections.page_parts import BigNumber, Curves, Fact, PageParts, VerdictCard
from standbook.analysis.report.sections.recompute import recompute
from standbook.analysis.results.results import Results

TOP_FINDINGS = 3
MOST_OF_CHECKS = 115  # characters of what was checked of the stand; all of it stands with the plan
MOST_OF_FINDINGS = 780  # characters of all that are shown, so that the page stays one sheet
NO_SIGNATURE_REHEARSAL = (
    "REHEARSAL. Every number on this page comes from a simulated stand. There is nothing to sign and nothing to file."
)
WHO_SIGNS = (
    "On a real run the signatory signs here to have read the findings, and the witness to the loads to have seen them."
)
THUMBNAIL_CAPTION = "Thrust: line, mean; grey, minimum to maximum; shaded: summed."
NEIGHBOURS = "Summary for neighbours: page 2"
SIGNATORY = "Signatory, who has read the findings"
NO_SIGNATURE = "Not offered for signature."


@dataclass(frozen=True, slots=True, kw_only=True)
class PageOne:
    """Content of the first sheet."""

    title: str
    big: tuple[BigNumber, ...]
    headline: str
    verdicts: tuple[VerdictCard, ...]
    wide: Markup | None  # a figure across the sheet: impulse against the limit, or tank pressure
    wide_narrow: Markup | None  # the same, drawn for a telephone
    thumbnail: Markup | None
    thumbnail_caption: str
    facts: tuple[tuple[str, Cell], ...]
    checks: str
    not_covered: str
    prediction: str
    findings_count: str
    top_findings: tuple[tuple[int, str, str], ...]
    more_findings: int
    source: str  # recorded by this program, or imported
    signature: bool
    signers: tuple[str, ...]
    who_signs: str  # in place of the signatures of a rehearsal
    no_signature: str
    caution: str


def page_one(results: Results, curves: Curves, context: ReportContext, register: Register, parts: PageParts) -> PageOne:
    """Build the first sheet."""
    above = [
        (number, findings_sections.FINDING_WORDS[finding.severity], finding.text)
        for number, finding in enumerate(register.findings, start=1)
        if finding.severity != "note"
    ]
    signature = context.signature_allowed and not results.rehearsal
    signers = _signers(context)
    more = len(signers) - 2 if signature else 0  # each takes the room of one finding
    shown = min(TOP_FINDINGS - more, len(above))
    room = MOST_OF_FINDINGS * (TOP_FINDINGS - more) // TOP_FINDINGS
    return PageOne(
        title=sentences.title(results),
        big=parts.big(results, context, register),
        headline=parts.headline(results),
        verdicts=parts.verdicts(results),
        wide=parts.wide(results, curves, False),
        wide_narrow=parts.wide(results, curves, True),
        thumbnail=parts.thumbnail(results, curves),
        thumbnail_caption=THUMBNAIL_CAPTION,
        facts=_facts(results, context, register, parts),
        checks=parts.checks(results),
        not_covered=parts.not_covered.format(motors=context.plan.motors),
        prediction=sentences.prediction_sentence(results, context),
        findings_count=sentences.findings_count(results.findings),
        top_findings=tuple(_fitting(number, rank, text, room // shown) for number, rank, text in above[:shown]),
        more_findings=max(0, len(above) - shown),
        source=source_words(context),
        signature=signature,
        signers=signers,
        who_signs=WHO_SIGNS,
        no_signature=NO_SIGNATURE_REHEARSAL if results.rehearsal else NO_SIGNATURE,
        caution=sentences.CAUTION_LINE,
    )


def source_words(context: ReportContext) -> str:
    """Say who recorded the values."""
    if not context.imported:
        return f"Recorded by this program. {NEIGHBOURS}"
    return f"IMPORTED: values of another logger. {NEIGHBOURS}"


def _signers(context: ReportContext) -> tuple[str, ...]:
    """Name who signs: each with printed name, role and date."""
    other = f"Answers for the other logger: {context.vouched_by or 'nobody named'}"
    return (SIGNATORY, *([other] if context.imported else []), "Witness to the loads")


def _fitting(number: int, rank: str, text: str, room: int) -> tuple[int, str, str]:
    return number, rank, sentences.shortened(text, room, f"More: finding {number}.")


def evidence(
    results: Results, curves: Curves, context: ReportContext, register: Register, parts: PageParts
) -> tuple[Section, ...]:
    """Build the sections behind page one, in reading order."""
    return (
        record_sections.summary(parts.summary(results, context)),
        findings_sections.findings(results, register),
        *parts.sections(results, curves, context, register),
        run_sections.comparison(results, context, register),
        *record_sections.changes(context),
        record_sections.health(results),
        record_sections.calibrations(results, context, register),
        record_sections.plan(context),
        recompute(results, context),
        record_sections.hashes(results, context),
        record_sections.cautions(),
        *findings_sections.appendix(register),
    )


def _facts(results: Results, context: ReportContext, register: Register, parts: PageParts) -> tuple[Fact, ...]:
    plan = context.plan
    if results.t_zero is not None:
        u = number_format.milliseconds(results.t_zero.u)
        equals = "= " if u[0].isdigit() else ""
        when = sentences.stamp(results.t_zero.time)
        clock = f"the times in {context.imported}" if context.imported else "the recording computer's clock"
        if context.time_scale != 1.0:
            clock = f"a clock {number_format.plain(context.time_scale)} times as fast as the recording computer's"
        whose = "that" if context.imported else "the device's"
        date: Cell = f"{when} by {clock}; {results.t_zero.source}, u {equals}{u} on {whose} clock"
    else:
        date = register.why()
    loads = " and ".join(f"{number_format.show(tank.load).with_u} {tank.name}" for tank in plan.tanks)
    loads += ": " + "; ".join(tank.liquid for tank in plan.tanks)
    facts: list[Fact] = [
        ("T-0", date),
        ("Stand", parts.stand(results, context)),
        ("Load", loads),
        ("Ambient", f"{number_format.show(plan.ambient_pressure, 'a').with_u}, as planned"),
    ]
    facts += [("Sensors", sensors)] if (sensors := record_sections.sensors_in_date(results, context)) else []
    if context.stand_checks:
        told = ". ".join(context.stand_checks)
        facts.append(("Stand checked", sentences.shortened(told, MOST_OF_CHECKS, "More: Plan, loads.")))
    facts += [("Waived", ". ".join(context.waivers))] if context.waivers else []
    facts += parts.facts(results, context, register)
    facts += [
        ("Prediction", sentences.prediction_sentence(results, context).replace("Prediction locked", "Locked")),
        ("Software", results.software),
        ("Manifest", Markup('<span class="hash">{}</span>').format(context.manifest_sha256)),
    ]
    return tuple(facts)
