"""Which constants hold an outcome, and which hold nothing?

Each number of the search for a flow's ends, of the tests of a tank's record, of the independent checks and of the
ranking of causes is set to half and to double in the running process, and a fixed set of healthy and faulty records of
both worlds is looked at again. An outcome moves where a number comes or goes or moves by a quarter of its u, where its
u changes by a fifth, or where something else is said. A constant that moves none holds nothing: it must go, or get a
record that holds it. Even seeds of the second world only. Run from the project's folder:

    python -m tests.studies.constants --part ends
"""

import argparse
import ast
import contextlib
import dataclasses
import importlib
import inspect
import numbers
import pkgutil
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from types import ModuleType

from standbook.analysis.channel_checks import tank_signals
from standbook.analysis.cold_flow import flow_instants
from standbook.analysis.cold_flow.seen_flow import first_with_flow, trace_of
from standbook.analysis.cold_flow.tank_side import flow_side
from standbook.analysis.dataset.dataset import CheckWeight
from standbook.analysis.diagnosis import chance, flow_diagnosis, ranking
from standbook.analysis.firing import plan_departures
from standbook.analysis.flow_ends import gas_share
from standbook.analysis.kinds import static_fire
from standbook.analysis.record_faults.second_falls import second_fall
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust import own_ends
from standbook.analysis.thrust.tank_flows import tank_flows
from tests.studies import flow_faults, flow_honesty
from tests.worlds.adapter import firing_dataset, flow_dataset
from tests.worlds.cases import flow_case
from tests.worlds.faults import with_fault
from tests.worlds.firing_cases import firing_case

FACTORS = (0.5, 2.0)
BY_VALUE, BY_U = 0.25, 1.2  # of its u that a number moves by; factor of u
FOLDERS = {
    "ends": ("flow_ends", "record_faults"),
    "checks": ("witnesses",),
    "ranking": (),
}
BESIDE = {
    "ends": (flow_instants, tank_signals, own_ends),
    "checks": (chance, plan_departures),
    "ranking": (ranking,),
}
PARTS = tuple(FOLDERS)
# No thresholds: mathematics, and guards against division by nothing.
NOT_LIMITS = {
    "SMALL",
    "MAD_TO_SIGMA",
    "RATIO_OF_SECOND_DIFFERENCES",
    "ROUNDING",
    "MAINS",
}


# --- constants -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Constant:
    """One number, or several in one name, of a module or of a class of limits in it."""

    module: ModuleType
    name: str
    value: object
    owner: type | None = None  # the class whose field it is

    @property
    def title(self):
        """Name to print."""
        owner = "" if self.owner is None else f"{self.owner.__name__}."
        return f"{self.module.__name__.rpartition('.')[2]}.{owner}{self.name}"


def is_number(value):
    """Tell whether a value is numbers through and through."""
    if isinstance(value, dict):
        return bool(value) and all(is_number(one) for one in value.values())
    if isinstance(value, tuple):
        return bool(value) and all(is_number(one) for one in value)
    return isinstance(value, numbers.Real) and not isinstance(value, bool)


def scaled(value, factor):
    """Return numbers times a factor; whole ones stay whole, and at least one."""
    if isinstance(value, dict):
        return {key: scaled(one, factor) for key, one in value.items()}
    if isinstance(value, tuple):
        return tuple(scaled(one, factor) for one in value)
    return max(1, round(value * factor)) if isinstance(value, int) else value * factor


def assigned(module):
    """Return the names in capitals that a module itself assigns, in its order."""
    names = []
    for node in ast.parse(inspect.getsource(module)).body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        for target in targets:
            parts = target.elts if isinstance(target, ast.Tuple) else [target]
            names += [part.id for part in parts if isinstance(part, ast.Name) and part.id.isupper()]
    return names


@cache
def imported_by(module):
    """Return the names that a module imports from others of ours: module and name."""
    if not module.__name__.startswith("standbook.analysis."):
        return frozenset()
    nodes = (node for node in ast.parse(inspect.getsource(module)).body if isinstance(node, ast.ImportFrom))
    return frozenset((node.module, alias.name) for node in nodes for alias in node.names)


def constants_of(module):
    """Return a module's constants, and the fields of its classes that hold limits alone."""
    found = [
        Constant(module, name, getattr(module, name))
        for name in assigned(module)
        if name not in NOT_LIMITS and is_number(getattr(module, name))
    ]
    for owner in vars(module).values():
        if not (inspect.isclass(owner) and dataclasses.is_dataclass(owner) and owner.__module__ == module.__name__):
            continue
        fields = dataclasses.fields(owner)
        if all(is_number(field.default) for field in fields):
            found += [Constant(module, field.name, field.default, owner) for field in fields]
    return found


def modules_of(part):
    """Return the modules whose constants a part looks at."""
    found = list(BESIDE[part])
    for folder in FOLDERS[part]:
        package = importlib.import_module(f"standbook.analysis.{folder}")
        names = [info.name for info in pkgutil.iter_modules(package.__path__)]
        found += [importlib.import_module(f"{package.__name__}.{name}") for name in names]
    return found


@contextlib.contextmanager
def changed(constant, factor):
    """Run with a constant times a factor, wherever its name was imported to, and in limits that exist already."""
    value, undo = scaled(constant.value, factor), []

    def put(holder, name, new):
        undo.append((holder, name, getattr(holder, name)))
        object.__setattr__(holder, name, new)

    if constant.owner is None:
        for module in tuple(sys.modules.values()):
            own = module is constant.module or (constant.module.__name__, constant.name) in imported_by(module)
            if module.__name__.startswith("standbook.analysis.") and own:
                put(module, constant.name, value)
    else:
        defaults = constant.owner.__init__.__kwdefaults__
        undo.append((defaults, constant.name, defaults[constant.name]))
        defaults[constant.name] = value
        for one in vars(constant.module).values():
            if isinstance(one, constant.owner):
                put(one, constant.name, value)
    _forget()
    try:
        yield value
    finally:
        for holder, name, old in reversed(undo):
            if isinstance(holder, dict):
                holder[name] = old
            else:
                object.__setattr__(holder, name, old)
        _forget()


def _forget():
    for one in vars(gas_share).values():
        if hasattr(one, "cache_clear"):
            one.cache_clear()


# --- outcomes --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one look at a record gave: numbers with their u by name, and everything that was said."""

    numbers: dict[str, tuple[float, float]]
    said: tuple[str, ...]


def moved(before, now):
    """Say how an outcome moved; an empty string where it did not."""
    if before.said != now.said:
        return "said"
    if before.numbers.keys() != now.numbers.keys():
        return "given"
    for name, (value, u) in before.numbers.items():
        other, other_u = now.numbers[name]
        if abs(other - value) > BY_VALUE * u:
            return name
        if not u / BY_U < other_u < u * BY_U:
            return f"u of {name}"
    return ""


def look(make):
    """Return what a look gives; what fails is an outcome too."""
    try:
        return make()
    except (ValueError, ArithmeticError, IndexError) as error:
        return Outcome({}, (f"fails: {type(error).__name__}",))


def ends_of_flow(dataset):
    """Look for both ends of a cold flow, for faults of its record, and for a second flow."""
    (tank,) = dataset.plan.tank
    seen = first_with_flow(dataset, dataset.measuring("tank pressure", tank.name))
    said = tuple(f.code for f in seen.passed)
    if seen.instants is None:
        return Outcome({}, said)
    ends = seen.instants
    trace = trace_of(dataset, tank, seen.channel, ends)
    again = second_fall(trace, dataset.plan.back_pressure().value, closed=not ends.ran_dry)
    numbers = {"opening": (ends.opening.time, ends.opening.u), "end": (ends.end.time, ends.end.u)}
    return Outcome(numbers, (*said, "dry" if ends.ran_dry else "closed", *([] if again is None else ["falls again"])))


def ends_of_firing(dataset):
    """Return a look for both tanks' ends in a firing and for faults of their records."""
    cell, burning = static_fire._cell(dataset), static_fire.chamber_burns(dataset)
    span = static_fire._span(dataset, cell, burning, t_zero_known=True)
    stop = max(min(span.end, burning[1] + static_fire.RINGS_ON), span.start + 0.1)

    def again():
        flows, said = tank_flows(dataset, start=span.start, end=stop)
        numbers = {}
        for name, flow in flows.items():
            numbers[f"{name} opening"] = (flow.opening.time, flow.opening.u)
            numbers[f"{name} end"] = (flow.end.time, flow.end.u)
        return Outcome(numbers, (*(f.code for f in said), *(flow.end.name for flow in flows.values())))

    return again


def in_words(text):
    """Return a sentence without its numbers."""
    return re.sub(r"[\d.,]+", "#", text)


def checks_of(dataset):
    """Return a look at the independent checks, the verdicts and the departures from the plan of one firing."""
    calls = {}

    def noting(name, call):
        def noted(*args, **more):
            calls[name] = (args, more)
            return call(*args, **more)

        return noted

    originals = {name: getattr(static_fire, name) for name in ("evidence_of", "verdicts", "departures_of")}
    for name, call in originals.items():
        setattr(static_fire, name, noting(name, call))
    try:
        static_fire.analyse_static_fire(dataset)
    finally:
        for name, call in originals.items():
            setattr(static_fire, name, call)

    def again():
        evidence = originals["evidence_of"](*calls["evidence_of"][0])
        (data, site, vacuum, _), more = calls["verdicts"]
        judged = originals["verdicts"](data, site, vacuum, evidence, **more)
        *measured, _ = calls["departures_of"][0]
        departures = originals["departures_of"](*measured, evidence.route(static_fire.CHAMBER))
        found = plan_departures.departure_findings(departures, left_band=False)
        numbers = {r.name: (r.apart, max(r.relative_u, 1e-9)) for r in evidence.routes}
        if evidence.course is not None:
            numbers["course"] = (evidence.course.departure, 0.002)
        for route in evidence.result(site).routes:
            numbers[f"{route.name} seen surely"] = (route.seen_surely, 0.1 * route.seen_surely)
        said = [f"{f.severity} {f.code} {in_words(f.text)}" for f in (*evidence.findings, *found)]
        said += [f"{name} {verdict.outcome}" for name, verdict in judged.items()]
        return Outcome(numbers, (*said, f"gain proven: {evidence.gain_proven}"))

    return again


def ranking_of(dataset):
    """Return a look at the causes that are named of one cold flow."""
    (tank,) = dataset.plan.tank
    seen = first_with_flow(dataset, dataset.measuring("tank pressure", tank.name))
    side = flow_side(dataset, tank, seen.channel, seen.instants)
    return lambda: Outcome(
        {}, tuple(f"{f.severity} {f.code}" for f in flow_diagnosis.diagnosis_findings(dataset, side))
    )


# --- records ---------------------------------------------------------------------------------------------------------

SECOND_FLOWS = (
    ("held 0.2 s", 4, "closed"),
    ("clip at 95 %", 16, "sharp"),
    ("zeros 0.3 s", 26, "sharp"),
    ("", 4, None),
    ("", 36, None),
    ("", 208, None),
    ("", 0, None),
    ("gap across the end", 4, "closed"),
    ("gap 1.0 s", 36, None),
    ("step -1 %", 10, "closed"),
    ("step -0.5 %", 28, "closed"),
    ("reopened", 4, "closed"),
)
OWN_FLOWS = (("", 3), ("step +2 %", 1), ("", 6), ("step -1 %", 5))
TANKS = (("", 14), ("clip with noise", 10), ("clip with noise", 4))
CHECKED = (
    ("", 10),
    ("cell -5 %", 0),
    ("cell zero shift", 14),
    ("", 28),
    ("clock 5 % slow", 4),
    ("cell -10 %", 16),
    ("step -1 %", 10),
)
WEIGHED = 8  # a firing whose cell is checked by weights
HUNG = (0.25, 3e-3)  # of the greatest thrust that was hung before and after, and relative u of its reading
RANKED = (("mass +10 %", 4), ("", 36), ("span -10 %", 10), ("valve creeps", 28), ("drift 2 %", 4))


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One record and the look that is taken at it."""

    name: str
    look: Callable[[], Outcome]


def _second_flow(fault, seed, stratum=None):
    case = flow_case(seed, stratum=stratum)
    return flow_dataset(with_fault(case, fault, seed) if fault else case)


def _firing(fault, seed):
    case = firing_case(seed)
    return firing_dataset(with_fault(case, fault, seed) if fault else case)


def with_weights(dataset):
    """Hang a check weight before and after the run, that the cell reads as it should."""
    share, u = HUNG
    cell, gravity = dataset.first("thrust"), dataset.plan.site.gravity.value
    force = share * float(cell.reading.max())
    factor = cell.calibration.stand_interaction.factor.value
    mass = Measured(force / gravity, 3e-4 * force / gravity, "kg")
    hung = tuple(CheckWeight(when, mass, Measured(force / factor, u * force, "N")) for when in ("before", "after"))
    return dataclasses.replace(dataset, check_weights=hung)


def records_of(part):
    """Make the records of a part."""
    made = []
    if part == "ends":
        for fault, seed, stratum in SECOND_FLOWS:
            data = _second_flow(fault, seed, stratum)
            made.append(Record(f"second flow {seed} {fault}".strip(), lambda data=data: ends_of_flow(data)))
        for fault, seed in OWN_FLOWS:
            spoil = flow_faults.FAULTS[fault](seed) if fault else None
            data = flow_honesty.play(flow_honesty.draw_spec(seed), spoil).dataset
            made.append(Record(f"own flow {seed} {fault}".strip(), lambda data=data: ends_of_flow(data)))
        for fault, seed in TANKS:
            made.append(Record(f"second firing {seed} {fault}".strip(), ends_of_firing(_firing(fault, seed))))
    if part == "checks":
        made = [
            Record(f"second firing {seed} {fault}".strip(), checks_of(_firing(fault, seed))) for fault, seed in CHECKED
        ]
        made.append(Record(f"second firing {WEIGHED}, weights hung", checks_of(with_weights(_firing("", WEIGHED)))))
    if part == "ranking":
        made = [
            Record(f"second flow {seed} {fault}".strip(), ranking_of(_second_flow(fault, seed)))
            for fault, seed in RANKED
        ]
    return made


# --- the study -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """By which record and how a constant is held, at half and at double; empty where it is not."""

    constant: Constant
    by: tuple[str, str]

    @property
    def holds(self):
        """Tell whether it moves any outcome."""
        return any(self.by)

    def line(self):
        """Write it out."""
        word = "holds  " if self.holds else "NOTHING"
        half, double = (by or "-" for by in self.by)
        return f"{word} {self.constant.title:42s} {self.constant.value!s:.40}  half: {half}  double: {double}"


def held(constant, records, before):
    """Look at records with a constant at half and at double, until one moves."""
    found = []
    for factor in FACTORS:
        by = ""
        with changed(constant, factor):
            for record, was in zip(records, before, strict=True):
                how = moved(was, look(record.look))
                if how:
                    by = f"{record.name} ({how})"
                    break
        found.append(by)
    return Held(constant, tuple(found))


def studied(modules, records):
    """Yield what holds each constant of some modules."""
    before = [look(record.look) for record in records]
    for module in modules:
        for constant in constants_of(module):
            yield held(constant, records, before)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=(*PARTS, "all"), default="all")
    parser.add_argument("--only", default="", help="constants whose module's name holds this")
    asked = parser.parse_args()
    nothing = []
    for part in PARTS if asked.part == "all" else (asked.part,):
        records = records_of(part)
        print(f"--- {part}: {len(records)} records", flush=True)
        modules = [module for module in modules_of(part) if asked.only in module.__name__]
        for one in studied(modules, records):
            print(one.line(), flush=True)
            nothing += [] if one.holds else [one.constant.title]
    print(f"{len(nothing)} hold nothing: {', '.join(nothing) or 'none'}")


if __name__ == "__main__":
    main()
