"""The sheet of a pull as a crew would type it: a cell whose hoses stiffen under pressure."""

import numpy as np

FACTORS = (1.0080, 1.0143)  # true force over the cell's, lines empty and at 31 bar(g)
LINE_LOAD = 1.5  # N/bar
UP = (0, 400, 800, 1200, 1600, 2000)  # N


def pull_sheet(*, lines=(0.0, 31.0), noise=0.0, seed=1, signal_unit="mV/V", per_newton=1 / 2500.0, serial="LC-2207"):
    """Text of a sheet of LC-1; ``per_newton`` is its signal for a newton that it carries."""
    random = np.random.default_rng(seed)
    parts = [
        f'tag = "LC-1"\nsensor = {{ serial = "{serial}", signal_unit = "{signal_unit}" }}\n'
        'reference = { what = "reference cell", serial = "RC-3", certificate_u = "0.2 %" }\n'
    ]
    for number, line in enumerate(lines):
        gain = 1 / FACTORS[0] + (1 / FACTORS[1] - 1 / FACTORS[0]) * line / 31.0
        rows, seconds = [], 0
        for force, way in [(f, "up") for f in UP] + [(f, "down") for f in UP[-2::-1]]:
            cell = 7.0 + gain * force + LINE_LOAD * line + noise * random.standard_normal()
            clock = f"{9 + number:02d}:{seconds // 60:02d}:{seconds % 60:02d}"
            rows.append(f'["{force} N", "{way}", "{clock}", "{cell * per_newton:.9f} {signal_unit}"]')
            seconds += 60
        parts.append(f'[[run]]\nline = "{line} bar(g)"\nreadings = [\n' + ",\n".join(rows) + "\n]\n")
    return "".join(parts)
