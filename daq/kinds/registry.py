"""Register the kinds of test. A new one is one record, and one line here or one call of ``register``."""

from standbook.daq.errors import ConfigError
from standbook.daq.kinds.kind import SAFING, STANDBY, Kind

WATER_FLOW = Kind(
    name="water flow",
    title="One {name}, one tank",
    part="flow",
    duration="flow time",
    warm_liquid=True,
    tank_count=1,
)
NITROGEN_FLOW = Kind(
    name="nitrogen flow",
    title="One {name}, one tank",
    part="flow",
    duration="flow time",
    boiling_liquid=True,
    not_for=("fuel",),
    least_exponent_u=0.06,
    rehearsed=False,
    tank_count=1,
)
STATIC_FIRE = Kind(
    name="static fire",
    title="Total impulse of one firing",
    part="burn",
    duration="burn time",
    fires=True,
    phases=(STANDBY, "misfire", "burn", SAFING),
    tanks=("oxidiser", "fuel"),
    tables={"engine": "", "impulse_class": ": without a limit there is no verdict"},
)
PRESSURE_HOLD = Kind(
    name="pressure hold",
    title="One {name}",
    part="hold",
    duration="hold time",
    gives_exponent=False,
    holds=True,
)
BENCH = Kind(
    name="bench",
    title="Recorded without a plan",
    part="recording",
    duration="its length",
    gives_exponent=False,
    rehearsed=False,
    phases=(STANDBY,),
)
ASSUMED = "assumed"  # what an exponent may rest on besides a run of a kind

_KINDS: dict[str, Kind] = {kind.name: kind for kind in (WATER_FLOW, NITROGEN_FLOW, STATIC_FIRE, PRESSURE_HOLD, BENCH)}


def register(kind: Kind) -> None:
    """Add a kind of test, so that plans may name it.

    Raises
    ------
    ValueError
        Another kind has its name.
    """
    if _KINDS.get(kind.name, kind) != kind:
        raise ValueError(f'two kinds of test are called "{kind.name}"')
    _KINDS[kind.name] = kind


def forget(kind: Kind) -> None:
    """Remove a kind that :func:`register` added."""
    _KINDS.pop(kind.name, None)


def known_kinds() -> tuple[Kind, ...]:
    """Return all kinds, in the order of a campaign."""
    return tuple(_KINDS.values())


def kind_named(name: str) -> Kind:
    """Return one kind by its name in a plan.

    Raises
    ------
    ConfigError
        Nobody registered it; the sentence lists those that are.
    """
    if name not in _KINDS:
        raise ConfigError(f'"{name}" is no kind of test; known are {_listed(tuple(_KINDS))}')
    return _KINDS[name]


def check_kind(name: str) -> str:
    """Check the name of a kind; ``ValueError``, as a file's validator wants it, where nobody registered it."""
    if name not in _KINDS:
        raise ValueError(f'"{name}" is none of {_listed(tuple(_KINDS))}')
    return name


def check_exponent_basis(basis: str) -> str:
    """Check the basis of an exponent; ``ValueError`` where it is no kind that gives one, and not assumed."""
    known = (ASSUMED, *(kind.name for kind in _KINDS.values() if kind.gives_exponent))
    if basis not in known:
        raise ValueError(f'"{basis}" is none of {_listed(known)}')
    return basis


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f'"{name}"' for name in names)
