"""Reference curves from PyBaMM's porous-electrode lead-acid model, for the tests of package cell.

Model: pybamm.lead_acid.Full, parameter set Sulzer2019: a valve-regulated battery of 17 Ah. Side reactions are off: with
hydrolysis on, the solvers stall. Without them a held voltage is no taper (it takes 130 A at first), so charges are at
constant current. The model is isothermal; its parameters depend on temperature through RT/F only.

Run: python -m venv v && v/bin/pip install pybamm==26.10.1.1 && v/bin/python generate.py
Writes curves.csv beside this file. PyBaMM is BSD 3-Clause; the curves are this script's output, no part of PyBaMM.

Columns: curve, ambient_c, time_s, current_a (positive into the battery), voltage_v (six cells).
"""
import csv
import pathlib
import sys

import numpy as np
import pybamm

CAPACITY_AH = 17.0
RATES = {"c20": 1 / 20, "c10": 1 / 10, "c5": 1 / 5, "c2": 1 / 2, "1c": 1.0, "2c": 2.0}
CELLS = 6


def amps(value, hours, period):
    """A constant-current step, value positive in discharge as PyBaMM has it."""
    return pybamm.step.current(value, duration=hours * 3600, period=period)


def rest(hours, period):
    return pybamm.step.rest(duration=hours * 3600, period=period)


def discharge(rate, temp_c):
    """From full to the model's own lower limit, 1.75 V a cell."""
    sim = pybamm.Simulation(
        pybamm.lead_acid.Full(), parameter_values=parameters(temp_c), C_rate=rate,
        solver=pybamm.CasadiSolver(mode="safe"),
    )
    return sim.solve(np.linspace(0, 1.45 * 3600 / rate, 150))


def follow(steps, temp_c):
    sim = pybamm.Simulation(
        pybamm.lead_acid.Full(), parameter_values=parameters(temp_c), experiment=pybamm.Experiment(steps),
        solver=pybamm.IDAKLUSolver(),
    )
    return sim.solve()


def parameters(temp_c):
    values = pybamm.lead_acid.Full().default_parameter_values
    values["Ambient temperature [K]"] = 273.15 + temp_c
    values["Initial temperature [K]"] = 273.15 + temp_c
    return values


def schedules():
    """Yields name, temperature and the solution."""
    for temp, names in ((25, RATES), (0, ("c20", "c5", "1c")), (40, ("c20", "c5", "1c"))):
        for name in names:
            yield f"discharge-{name}", temp, discharge(RATES[name], temp)
    for temp in (0, 25, 40):
        yield "rest-after-1c", temp, follow([amps(17, 0.5, 30), rest(3, 180)], temp)
        yield "charge-c10", temp, follow([amps(3.4, 2.5, 240), rest(1, 120), amps(-1.7, 4, 240), rest(3, 180)], temp)
        yield "charge-c5", temp, follow([amps(3.4, 4, 300), rest(1, 180), amps(-3.4, 3.2, 150), rest(2, 180)], temp)
        yield "charge-c2", temp, follow([amps(8.5, 1.5, 120), rest(0.5, 120), amps(-8.5, 1.2, 90), rest(2, 180)], temp)
        pulses = []
        for _ in range(6):
            pulses += [amps(3.4, 0.5, 180), rest(1 / 6, 60), amps(34, 20 / 3600, 2), rest(1 / 12, 30)]
        yield "pulses-2c-20s", temp, follow(pulses, temp)


def main():
    out = pathlib.Path(__file__).with_name("curves.csv")
    with out.open("w", newline="") as f:
        f.write(f"# PyBaMM {pybamm.__version__}, lead_acid.Full, Sulzer2019 (BSD 3-Clause); made by generate.py\n")
        w = csv.writer(f, lineterminator="\n")
        w.writerow(["curve", "ambient_c", "time_s", "current_a", "voltage_v"])
        for name, temp, solution in schedules():
            t = solution["Time [s]"].entries
            current = -solution["Current [A]"].entries
            volts = CELLS * solution["Voltage [V]"].entries
            print(name, temp, len(t), "rows, ends at", round(t[-1]), "s", round(volts[-1], 3), "V", file=sys.stderr)
            for row in zip(t, current, volts):
                if np.isfinite(row[2]):
                    w.writerow([name, temp, f"{row[0]:.1f}", f"{row[1]:.4f}", f"{row[2]:.4f}"])


if __name__ == "__main__":
    main()
