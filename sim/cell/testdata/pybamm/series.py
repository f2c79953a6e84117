"""Two unequal blocks in series over cycles, from PyBaMM's porous-electrode lead-acid model, for the tests of package cell.

Model and parameters as in generate.py. Block b has 0.8 of the plates' area of block a, so 0.8 of its capacity, and carries the
string's current less a small leak of its own; the two are stepped side by side with that current. Each cycle discharges and
charges by the clock, a rest after each; of the first discharge four fifths are brought back, and drawn again: without side
reactions there is no charge to full. What b leaks is never brought back.

Run: python -m venv v && v/bin/pip install pybamm==26.10.1.1 && v/bin/python series.py
Writes series.csv beside this file. PyBaMM is BSD 3-Clause; the curves are this script's output, no part of PyBaMM.

Columns: story, phase, time_s, current_a (of the string, positive charges), leak_a (of b besides), a_v, b_v (six cells).
"""
import csv
import pathlib
import sys

import numpy as np
import pybamm

CELLS = 6
STEP_S = 120


def block(area):
    """A block whose current is handed in at each step, in discharge positive as PyBaMM has it."""
    values = pybamm.lead_acid.Full().default_parameter_values
    values["Current function [A]"] = "[input]"
    values["Electrode height [m]"] = values["Electrode height [m]"] * area
    values["Upper voltage cut-off [V]"] = 4
    values["Lower voltage cut-off [V]"] = 0.5
    return pybamm.Simulation(pybamm.lead_acid.Full(), parameter_values=values, solver=pybamm.IDAKLUSolver())


def volts(sim):
    return CELLS * float(sim.solution["Voltage [V]"].entries[-1])


def play(story, leak, discharge_a, hours, charge_a, cycles, out):
    a, b = block(1.0), block(0.8)
    now = 0

    def step(phase, current, shown):
        nonlocal now
        a.step(STEP_S, inputs={"Current function [A]": -current}, save=False)
        b.step(STEP_S, inputs={"Current function [A]": -(current - leak)}, save=False)
        now += STEP_S
        va, vb = volts(a), volts(b)
        if shown:
            out.writerow([story, phase, now, f"{current:.3f}", f"{leak:.3f}", f"{va:.4f}", f"{vb:.4f}"])
        return va - vb

    def steps(phase, current, n):
        for k in range(n):
            last = step(phase, current, k == n - 1 or k % 15 == 14)
        return last

    for cycle in range(cycles):
        drawn = hours * 3600 / STEP_S
        steps(f"discharge-{cycle}", -discharge_a, round(drawn if cycle == 0 else 0.8 * drawn))
        steps(f"rest-{cycle}", 0.0, 15)
        steps(f"charge-{cycle}", charge_a, round(0.8 * drawn * discharge_a / charge_a))
        last = steps(f"after-{cycle}", 0.0, 30)
        print(story, cycle, now, round(last, 3), file=sys.stderr)


def main():
    path = pathlib.Path(__file__).with_name("series.csv")
    with path.open("w", newline="") as f:
        f.write(f"# PyBaMM {pybamm.__version__}, lead_acid.Full, Sulzer2019 (BSD 3-Clause); made by series.py\n")
        out = csv.writer(f, lineterminator="\n")
        out.writerow(["story", "phase", "time_s", "current_a", "leak_a", "a_v", "b_v"])
        play("unequal", 0.0, 3.4, 2.5, 1.7, 3, out)
        play("unequal and leaking", 0.08, 3.4, 2.0, 1.7, 4, out)
        play("deep", 0.0, 3.4, 3.6, 3.4, 2, out)
        play("runs", 0.05, 10.2, 0.7, 3.4, 4, out)


if __name__ == "__main__":
    main()
