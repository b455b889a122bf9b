"""Build the details of the class verdict: bounds, what they rest on, what could raise them, which load would stay."""

from markupsafe import Markup

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Block, Cell, Section, Table, Text, beside
from standbook.analysis.results.firing_results import ClassReserve, IndependentChecks
from standbook.analysis.results.results import ImpulseResult, Results, Verdict

PLACES = {"site": "at site ambient", "vacuum": "referred to vacuum"}


def verdict(results: Results) -> tuple[Section, ...]:
    """Build the section; none where no limit was set."""
    if not results.verdicts:
        return ()
    firing = results.firing
    checks = _checks(firing.checks) if firing is not None and firing.checks is not None else ()
    blocks: list[Block] = [_bounds(results), *beside(checks, _allowances(results))]
    if firing is not None and firing.reserve is not None:
        blocks.append(Text(_reserve(firing.reserve)))
    return (
        Section(
            anchor="verdict",
            title="Verdict in detail",
            lead="What each bound is, what it rests on besides the cell, and which load would just stay in the class.",
            blocks=tuple(blocks),
            symbols=(("raised by", "the route whose value is the upper bound where no check proves the cell's own"),),
        ),
    )


def _bounds(results: Results) -> Table:
    impulses = {"site": results.impulse, "vacuum": results.impulse_vacuum}
    places = tuple(results.verdicts)
    columns = [_column(results.verdicts[place], impulses.get(place)) for place in places]
    names = dict.fromkeys(name for column in columns for name in column)
    rows = tuple(
        (name, *(column.get(name, "") for column in columns))
        for name in names
        if any(column.get(name, "") for column in columns)
    )
    return Table(head=("", *(sentences.PLACES.get(place, place) for place in places)), rows=rows, style="even")


def _column(one: Verdict, impulse: ImpulseResult | None) -> dict[str, Cell]:
    """Write what is known of one verdict by name."""
    guard = f"{number_format.percent(one.guard_share, 0)} one-sided"
    bounds: dict[str, Cell] = {
        "Limit": f"{number_format.fixed(one.limit, 0)} N·s, {one.limit_name}",
        "Impulse": "not known" if impulse is None else sentences.impulse_words(impulse),
    }
    if one.upper_bound is not None:
        bounds["Upper bound"] = f"{number_format.upper(one.upper_bound, one.limit)} N·s, {guard}"
    if one.lower_bound is not None:
        bounds["Lower bound"] = f"{number_format.lower(one.lower_bound, one.limit)} N·s, {guard}"
    within = one.probability_within
    return {
        "Verdict": Markup("<strong>{}</strong>").format(sentences.OUTCOME_WORDS[one.outcome]),
        **bounds,
        "Upper bound raised by": one.raised_by,
        "Within rests on": one.rests_on,
        "Not held against the limit": one.withheld,
        "Within, if the cell reads true": "" if within is None else number_format.probability(within),
    }


def _allowances(results: Results) -> tuple[Block, ...]:
    """List what was never measured and stretches the upper bound, with the check that ends it."""
    impulse = results.impulse
    if impulse is None or not impulse.allowances:
        return ()
    rows = tuple(
        (one.source, f"{number_format.two_digits(one.most)} N·s", one.removed_by) for one in impulse.allowances
    )
    head = ("Never measured", "At most", "Ended by")
    return (Table(head=head, rows=rows, figures=frozenset({1}), caption="What stretches the upper bound."),)


def _checks(checks: IndependentChecks) -> tuple[Block, ...]:
    rows = tuple(
        (
            route.name,
            number_format.show(route.impulse).with_u,
            f"{number_format.percent(abs(route.apart))} {'more' if route.apart > 0.0 else 'less'}",
            number_format.percent(route.seen_surely),
            f"{number_format.seconds(route.start, 2)} to {number_format.seconds(route.end, 2)}",
        )
        for route in checks.routes
    )
    if not rows:
        return ()
    head = ("Route beside the cell", "Impulse at site", "Than the cell", "Surely seen from", "Compared")
    return (Table(head=head, rows=rows, caption="Independent checks of the load cell.", style="small"),)


def _reserve(found: ClassReserve) -> str:
    words = [
        f"Without its largest source, {found.largest_source}, the expanded uncertainty of the impulse would shrink by "
        f"{number_format.fixed(found.gain, 0)} N·s."
    ]
    for place, share in found.probability_exceeding.items():
        said = "is not known" if share is None else f"is {number_format.probability(share)}"
        if_true = "If the cell reads true and its stated uncertainty holds, the" if share is not None else "The"
        words.append(f"{if_true} probability that this run exceeded the limit {PLACES.get(place, place)} {said}.")
    if found.greatest_load is None:
        words.append("No load is named: part of the impulse is not known.")
    elif found.limited_by == "tank":
        words.append(
            f"Even with {number_format.fixed(found.greatest_load, 1)} kg, a tank full, the model carries this run's "
            "impulse to within the limit."
        )
    else:
        words.append(
            f"Carried over by the model, this run's impulse would just stay within the limit "
            f"{PLACES.get(found.limited_by, '')}, guard band included, with "
            f"{number_format.fixed(found.greatest_load, 1)} kg of both liquids at the same mixture; "
            f"{number_format.fixed(found.load, 1)} kg were loaded. Another firing scatters."
        )
    return " ".join(words)
