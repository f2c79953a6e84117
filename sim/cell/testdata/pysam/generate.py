"""Reference charges from NREL's lead-acid capacity model (two-well kinetic), for the tests of package cell.

Model: BatteryStateful of nrel-pysam, chemistry lead acid; voltage, aging and temperature are held out of the way, so that only
the capacity model speaks. Ratings: 100, 93 and 60 Ah at the 20, 10 and 1 h rate (those of ssc's own capacity test).
Run: python -m venv v && v/bin/pip install nrel-pysam==7.1.1.post1 && v/bin/python generate.py
Writes charges.csv beside this file. PySAM and ssc are BSD 3-Clause; the figures are this script's output.

Each part of a schedule runs for its time or until the model lets less through than asked: then the battery is empty at that current.
Columns: schedule, part, asked_a (positive in discharge), longest_h, took_h, empty (1 or 0), drawn_ah (in all, since full).
"""
import csv
import importlib.metadata
import pathlib

import PySAM.BatteryStateful as stateful

Q20, Q10, Q1 = 100.0, 93.0, 60.0
DT_H = 1 / 60


def battery():
    b = stateful.default("LeadAcid")
    cell, pack = b.ParamsCell, b.ParamsPack
    cell.leadacid_q20, cell.leadacid_q10, cell.leadacid_qn, cell.leadacid_tn = Q20, Q10, Q1, 1.0
    cell.Qfull = Q20
    cell.initial_SOC, cell.minimum_SOC, cell.maximum_SOC = 100.0, 0.0, 100.0
    cell.resistance = 1e-6
    cell.voltage_matrix = [[0, 2.1], [50, 2.05], [99, 1.99], [100, 1.9]]
    cell.life_model, cell.calendar_choice = 0, 0
    cell.cycling_matrix = [[20, 0, 100], [20, 1e6, 100], [80, 0, 100], [80, 1e6, 100]]
    pack.nominal_voltage = 2.0
    pack.nominal_energy = Q20 * 2.0 / 1000
    pack.cap_vs_temp = [[-20, 100], [25, 100], [60, 100]]
    pack.T_room_init = 25.0
    b.Controls.control_mode, b.Controls.dt_hr, b.Controls.input_current = 0, DT_H, 0.0
    b.setup()
    return b


def schedules():
    for hours, amps in ((20, 5.0), (10, 9.3), (5, 16.4463), (2, 33.689), (1, 60.0)):
        yield f"discharge-{hours}h", [(amps, 1.3 * hours)]
    yield "empty-rest-empty", [(60.0, 2.0), (0.0, 1.0), (60.0, 2.0), (0.0, 3.0), (30.0, 3.0)]
    yield "fast-then-slow", [(60.0, 0.8), (5.0, 20.0)]
    yield "slow-then-fast", [(5.0, 10.0), (60.0, 2.0)]
    yield "pulsed", [(60.0, 0.1), (0.0, 0.2)] * 12 + [(20.0, 5.0)]
    yield "discharge-charge-discharge", [(30.0, 1.5), (0.0, 0.5), (-10.0, 2.0), (0.0, 0.5), (30.0, 3.0)]


def main():
    out = pathlib.Path(__file__).with_name("charges.csv")
    with out.open("w", newline="") as f:
        f.write(f"# nrel-pysam {importlib.metadata.version('nrel-pysam')}, BatteryStateful, lead acid (BSD 3-Clause); made by generate.py\n")
        w = csv.writer(f, lineterminator="\n")
        w.writerow(["schedule", "part", "asked_a", "longest_h", "took_h", "empty", "drawn_ah"])
        for name, parts in schedules():
            b, drawn = battery(), 0.0
            for part, (amps, hours) in enumerate(parts):
                minutes, empty = 0, False
                b.Controls.input_current = amps
                while minutes < round(hours / DT_H) and not empty:
                    b.execute()
                    minutes += 1
                    drawn += b.StatePack.I * DT_H
                    empty = b.StatePack.I < amps - 1e-6
                w.writerow([name, part, amps, f"{hours:.4f}", f"{minutes * DT_H:.4f}", int(empty), f"{drawn:.3f}"])


if __name__ == "__main__":
    main()
