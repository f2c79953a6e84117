"""Motor runs from PyBaMM's porous-electrode lead-acid model, for the tests of package loadtest.

Model: pybamm.lead_acid.Full, parameter set Sulzer2019 (17 Ah, V. Sulzer et al., J. Electrochem. Soc. 166 (2019) A2363),
with the double layer of either electrode at its published 0.2 F/m2 ("surface form": "differential"), at a tenth of
that, and off. Currents are those of a 100 Ah battery times 0.17. A run is a minute of rest, a motor of 60 or 110 A
with an inrush that decays, and three seconds of rest; sampled as a board does: each second at rest, each 4 ms from the
start until two seconds after the stop, the scan's phase against the edges moved. No noise.

Each curve is followed by what the battery itself does: the drop two seconds after a step from rest to the
run's steady current, over that current.

Run: python -m venv v && v/bin/pip install pybamm==26.10.1.1 && v/bin/python generate.py
Writes runs.csv.gz and drops.csv beside this file. PyBaMM is BSD 3-Clause; the curves are this script's output.

Columns of runs.csv.gz: run, time_s, current_a (into the battery), voltage_v (six cells), both of a 100 Ah battery.
Columns of drops.csv: run, layer (share of the published capacity), soc_pct, temperature_c, stated_mohm.
"""
import csv
import gzip
import pathlib

import numpy as np
import pybamm

SCALE = 0.17
STATED_S = 2.0


def parameters(layer, temp_c):
    model = pybamm.lead_acid.Full({"surface form": "differential"} if layer else {})
    values = model.default_parameter_values.copy()
    values["Ambient temperature [K]"] = values["Initial temperature [K]"] = 273.15 + temp_c
    for side in ("Negative", "Positive"):
        values[f"{side} electrode double-layer capacity [F.m-2]"] = 0.2 * max(layer, 1e-9)
    return model, values


def follow(layer, soc, temp_c, times, amps, stops):
    """Voltage at times; stops are where the current breaks, which the solver must not step over."""
    model, values = parameters(layer, temp_c)
    # From full to the charge wanted at the 2 h rate of the model's own 21.75 Ah, and an hour's rest.
    drawn_s = 7200 * (1 - soc) * 21.75 / 17
    before = drawn_s + 3600 if drawn_s else 0
    times, stops = times + before, [x + before for x in stops]
    if before:
        times = np.concatenate([[0, drawn_s, drawn_s + 1], times])
        amps = np.concatenate([[50, 50, 0], amps])
        stops = [drawn_s, drawn_s + 1, *stops]
    values["Current function [A]"] = pybamm.Interpolant(times, SCALE * amps, pybamm.t)
    solver = pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8) if layer else pybamm.IDAKLUSolver()
    sim = pybamm.Simulation(model, parameter_values=values, solver=solver)
    solution = sim.solve(t_eval=np.unique([0, *stops, times[-1]]), t_interp=times)
    return 6 * solution["Voltage [V]"](times[3 if before else 0:])


def stated(layer, soc, temp_c, step):
    times = np.array([0, 0.5, 0.5005, 0.5005 + STATED_S, 3.5])
    volts = follow(layer, soc, temp_c, times, np.array([0, 0, step, step, step]), times[1:3])
    return (volts[1] - volts[3]) / step * 1000


def motor_run(layer, soc, temp_c, plateau, inrush, decay_s, length_s, phase_s):
    start, stop = 60.0, 60.0 + length_s
    edges = [start - 1e-3, start, stop, stop + 1e-3]
    scans = np.concatenate([np.arange(50, start - 1, 1.0), np.arange(start - 0.1 + phase_s, stop + 2.1, 0.004)])
    times = np.unique(np.concatenate([[0], scans, edges, [stop + 3]]))
    amps = np.where((times >= start) & (times <= stop),
                    plateau + inrush * np.exp(-np.clip(times - start, 0, None) / decay_s), 0)
    volts = follow(layer, soc, temp_c, times, amps, edges + [start + x for x in (0.05, 0.2, 0.5, 2)])
    return scans - start, -np.interp(scans, times, amps), np.interp(scans, times, volts)


CASES = [  # layer, soc, temperature, plateau, inrush, decay, length
    (1, 1.0, 25, 55, 120, 0.12, 10), (0.1, 1.0, 25, 55, 120, 0.12, 10), (0, 1.0, 25, 55, 120, 0.12, 10),
    (1, 0.8, 25, 60, 110, 0.2, 10), (0.1, 0.8, 25, 60, 110, 0.2, 10),
    (1, 0.8, 5, 110, 210, 0.1, 6), (0.1, 0.6, 5, 55, 120, 0.15, 4), (0, 0.6, 5, 110, 210, 0.1, 6),
    (1, 0.6, 25, 110, 200, 0.15, 10), (0.3, 0.9, 15, 60, 130, 0.1, 8),
]


def main():
    here = pathlib.Path(__file__).parent
    with gzip.GzipFile(here / "runs.csv.gz", "wb", mtime=0) as raw, (here / "drops.csv").open("w", newline="") as d:
        drops = csv.writer(d, lineterminator="\n")
        d.write(f"# PyBaMM {pybamm.__version__}, lead_acid.Full, Sulzer2019 (BSD 3-Clause); made by generate.py\n")
        drops.writerow(["run", "layer", "soc_pct", "temperature_c", "stop_s", "stated_mohm"])
        raw.write(b"run,time_s,current_a,voltage_v\n")
        for k, case in enumerate(CASES):
            print(k, case, flush=True)
            scans, amps, volts = motor_run(*case, phase_s=0.0007 * k)
            drops.writerow([k, case[0], round(100 * case[1]), case[2], case[6], f"{stated(*case[:4]):.4f}"])
            for row in zip(scans, amps, volts):
                raw.write(b"%d,%.4f,%.3f,%.5f\n" % (k, *row))


if __name__ == "__main__":
    main()
