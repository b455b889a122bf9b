"""Integration of tuples of numbers by the classical Runge-Kutta rule of fourth order, with steps that the caller sets.

States are plain tuples: for six numbers that is faster than arrays.
"""


def runge_kutta(rates, t, state, step):
    """Return the state one step on. ``rates(t, state)`` returns a tuple like the state."""
    half = 0.5 * step
    k1 = rates(t, state)
    k2 = rates(t + half, tuple([s + half * k for s, k in zip(state, k1, strict=True)]))
    k3 = rates(t + half, tuple([s + half * k for s, k in zip(state, k2, strict=True)]))
    k4 = rates(t + step, tuple([s + step * k for s, k in zip(state, k3, strict=True)]))
    sixth = step / 6.0
    return tuple([s + sixth * (a + 2.0 * (b + c) + d) for s, a, b, c, d in zip(state, k1, k2, k3, k4, strict=True)])


def near(t, moves, *, before=0.02, after=0.05):
    """Tell whether an instant lies within or shortly about a movement of a valve."""
    return any(begin - before <= t <= end + after for begin, end in moves)
