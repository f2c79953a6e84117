#!/usr/bin/env python3
"""Makes network.csv: currents of parallel banks solved by ngspice (BSD 3-clause; the data are ours).

Run in this folder with ngspice on the path:  python3 network.py > network.csv
The operating point of each circuit is printed with 10 digits. Batteries are an EMF behind a resistance. A draw is a current
source between the far ends of the load leads, a feed the same the other way at the feed leads.
"""
import random
import subprocess
import sys

def netlist(c):
    n = len(c["emf"])
    lines = ["* bank"]
    for k in range(n):
        lines += [f"Vsense{k} p{k} q{k} 0",  # current into the battery
                  f"Rpp{k} q{k} r{k} {c['post_pos'][k]}", f"Rb{k} r{k} s{k} {c['ohm'][k]}",
                  f"V{k} s{k} t{k} {c['emf'][k]}", f"Rpn{k} t{k} n{k} {c['post_neg'][k]}"]
    for k in range(n - 1):
        lines += [f"Rlp{k} p{k} p{k+1} {c['link_pos'][k]}", f"Rln{k} n{k} n{k+1} {c['link_neg'][k]}"]
    lines += [f"Rl1 p{c['load_pos']} lp 0.0015", f"Rl2 n{c['load_neg']} ln 0.001", f"Iload lp ln {c['load_a']}",
              f"Rf1 p{c['feed_pos']} fp 0.002", f"Rf2 n{c['feed_neg']} fn 0.002", f"Ifeed fn fp {c['feed_a']}",
              "Rground t0 0 1e-9",  # the board's ground is the negative post of the first battery
              ".options reltol=1e-9 abstol=1e-12 vntol=1e-12 gmin=1e-18 numdgt=10", ".control", "op", "set numdgt=10"]
    lines += [f"print i(Vsense{k})" for k in range(n)]
    lines += [f"print v(r{n-1})", "print v(lp)", "print v(fp)", "quit", ".endc", ".end"]
    return "\n".join(lines) + "\n"

def solve(c):
    out = subprocess.run(["ngspice", "-b", "/dev/stdin"], input=netlist(c), capture_output=True, text=True).stdout
    values = [float(l.split("=")[1]) for l in out.splitlines() if l.startswith(("i(", "v("))]
    n = len(c["emf"])
    if len(values) != n + 3:
        sys.exit(out)
    return values

def join(values):
    return " ".join(f"{v:.10g}" for v in values)

def cases():
    def sound(n, arrangement, **other):
        last = 0 if arrangement == "same-post" else n - 1
        c = {"name": arrangement, "emf": [12.6] * n, "ohm": [4.5e-3] * n, "post_pos": [1e-9] * n, "post_neg": [1e-9] * n,
             "link_pos": [0.5e-3] * (n - 1), "link_neg": [0.5e-3] * (n - 1), "load_pos": 0, "load_neg": last,
             "feed_pos": 0, "feed_neg": last, "load_a": 120, "feed_a": 0}
        c.update(other)
        return c
    for arrangement in ("diagonal", "same-post"):
        for n in (1, 2, 3, 4):
            yield sound(n, arrangement)
            yield sound(n, arrangement, load_a=0, feed_a=35)
            yield sound(n, arrangement, name=arrangement + " weak battery", ohm=[4.5e-3] * (n - 1) + [9e-3], feed_a=20)
            yield sound(n, arrangement, name=arrangement + " circulating", emf=[12.7 - 0.1 * k for k in range(n)], load_a=0.015)
    random.seed(1)
    for i in range(40):
        n = random.randint(1, 4)
        pick = lambda lo, hi, m: [round(lo * (hi / lo) ** random.random(), 9) for _ in range(m)]
        yield {"name": f"drawn {i}", "emf": [round(random.uniform(10, 13), 3) for _ in range(n)], "ohm": pick(2e-3, 30e-3, n),
               "post_pos": pick(1e-5, 5e-3, n), "post_neg": pick(1e-5, 5e-3, n), "link_pos": pick(1e-4, 2e-2, n - 1),
               "link_neg": pick(1e-4, 2e-2, n - 1), "load_pos": random.randrange(n), "load_neg": random.randrange(n),
               "feed_pos": random.randrange(n), "feed_neg": random.randrange(n),
               "load_a": random.choice([0, 0.015, 120, 300]), "feed_a": random.choice([0, 5, 40])}

version = subprocess.run(["dpkg-query", "-Wf", "${Version}", "ngspice"], capture_output=True, text=True).stdout.split("+")[0]
print(f"# operating points by ngspice {version} (Debian), made by network.py; A, V over the negative post of battery 0, ohms; lists by spaces")
keys = ["name", "emf", "ohm", "post_pos", "post_neg", "link_pos", "link_neg", "load_pos", "load_neg", "feed_pos", "feed_neg", "load_a", "feed_a"]
print(",".join(keys + ["current_a", "last_positive_v", "load_v", "feed_v"]))
for c in cases():
    n = len(c["emf"])
    v = solve(c)
    row = [join(c[k]) if isinstance(c[k], list) else str(c[k]) for k in keys]
    print(",".join(row + [join(v[:n])] + [f"{x:.10g}" for x in v[n:]]))
