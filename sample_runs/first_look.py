"""A first look at the sample firing: readings with their units, the impulse summed again, the ignition drawn.

Run from the project's folder: python sample_runs/first_look.py [FILE.svg]
"""

# %%
import sys
from pathlib import Path

import numpy as np

import standbook as sb

HERE = Path(__file__).parent
run = sb.open_campaign(HERE / "teasel-2").run("HF-02")
frame = run.frame(["LC-1", "PT-31"], start=-1, end=22)
print(frame.attrs["units"])  # {'LC-1': 'N', 'PT-31': 'bar(g)'}

# %%
thrust = run.thrust()  # N, full rate, T-0 = 0
area = np.trapezoid(thrust.to_numpy(), thrust.index)
print(f"{area:,.1f} N*s by the trapezoid rule, {run.results.impulse.value:,.1f} N*s in the results")
if abs(area / run.results.impulse.value - 1) > 1e-9:
    sys.exit("the sum is not the impulse")

# %%
figure = sb.plot(run, "thrust", "PT-31", window=(-0.1, 0.7), band=True)
figure.savefig(sys.argv[1] if len(sys.argv) > 1 else "ignition.svg")
