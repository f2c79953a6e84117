#!/usr/bin/env python3
"""Makes strings.csv: batteries in series, two or two pairs, solved by ngspice (BSD 3-clause; the data are ours).

Run in this folder with ngspice on the path:  python3 strings.py > strings.csv
The operating point of each circuit is printed with 10 digits. A battery is an EMF behind a resistance; one that is all but
exhausted has besides a film that closes in discharge, i f/(1 - i f/18 V), and so is driven below nothing. Beside the string's
current a battery may have a resistance on its posts (a 12 V load), a voltage source with leads of 4 mΩ on them (a 12 V charger
on the lower battery alone), and, of both of a string, a balancing output: a current of `equal_s` times the difference of their
voltages out of the upper and into the lower. What flows through a battery's place is counted with what the charger and the
balancing output bring, not with the load on its posts.
"""
import random
import subprocess
import sys

def netlist(c):
    n = len(c["emf"])
    lines = ["* strings"]
    for k in range(n):  # rail or middle: p (plus side), m (minus side); posts: r, t
        i = f"i(Vb{k})"
        film = f" + ({i} < 0 ? {c['film'][k]}*{i}/(1 - {c['film'][k]}*{i}/18) : 0)" if c["film"][k] else ""
        lines += [f"Vsense{k} p{k} q{k} 0", f"Rpp{k} q{k} r{k} {c['post_pos'][k]}", f"Vb{k} r{k} s{k} 0",
                  f"Bb{k} s{k} t{k} V = {c['emf'][k]} + {c['ohm'][k]}*{i}{film}", f"Rpn{k} t{k} m{k} {c['post_neg'][k]}"]
        if c["tap_ohm"][k]:
            lines += [f"Rtap{k} r{k} t{k} {c['tap_ohm'][k]}"]
    for k in range(0, n, 2):
        lines += [f"Rmid{k} p{k} m{k+1} {c['middle'][k // 2]}"]
        if c["equal_s"]:
            v = f"{c['equal_s']}*((v(r{k+1})-v(t{k+1}))-(v(r{k})-v(t{k})))"
            lines += [f"Bel{k} t{k} r{k} I = {v}", f"Beu{k} r{k+1} t{k+1} I = {v}"]
    if n == 4:
        lines += [f"Rlp p1 p3 {c['link_pos']}", f"Rln m0 m2 {c['link_neg']}"]
    top, low = 2 * c["load_pos"] + 1, 2 * c["load_neg"]
    lines += [f"Rl1 p{top} lp 0.0015", f"Rl2 m{low} ln 0.001", f"Iload lp ln {c['load_a']}",
              f"Rf1 p{2 * c['feed_pos'] + 1} fp 0.002", f"Rf2 m{2 * c['feed_neg']} fn 0.002", f"Ifeed fn fp {c['feed_a']}"]
    if c["across_v"]:
        lines += [f"Racross r0 ap 0.004", f"Vacross ap t0 {c['across_v']}"]
    lines += ["Rground t0 0 1e-9",  # the board's ground is the negative post of the first battery
              ".options reltol=1e-9 abstol=1e-12 vntol=1e-12 gmin=1e-18 numdgt=10 itl1=1000", ".control", "op", "set numdgt=10"]
    lines += [f"print i(Vsense{k})" for k in range(n)] + [f"print v(r{k})" for k in range(n)] + [f"print v(t{k})" for k in range(n)]
    lines += ["print v(lp)", "print v(fp)"] + (["print i(Vacross)"] if c["across_v"] else []) + ["quit", ".endc", ".end"]
    return "\n".join(lines) + "\n"

def solve(c):
    out = subprocess.run(["ngspice", "-b", "/dev/stdin"], input=netlist(c), capture_output=True, text=True)
    values = [float(l.split("=")[1]) for l in out.stdout.splitlines() if l.startswith(("i(", "v("))]
    n = len(c["emf"])
    if len(values) != 3 * n + 2 + bool(c["across_v"]):
        sys.exit(out.stdout + out.stderr + netlist(c))
    amps, plus, minus = values[:n], values[n:2 * n], values[2 * n:3 * n]
    for k in range(0, n, 2):
        moved = c["equal_s"] * ((plus[k + 1] - minus[k + 1]) - (plus[k] - minus[k]))
        amps[k], amps[k + 1] = amps[k] + moved, amps[k + 1] - moved
    across = -values[-1] if c["across_v"] else 0.0
    amps[0] += across
    return [amps, plus, minus, values[3 * n], values[3 * n + 1], across]

def join(values):
    return " ".join(f"{v:.10g}" for v in values)

def case(name, n, **other):
    c = {"name": name, "emf": [12.6] * n, "ohm": [4.5e-3] * n, "film": [0] * n, "tap_ohm": [0] * n, "post_pos": [1e-4] * n,
         "post_neg": [1e-4] * n, "middle": [0.5e-3] * (n // 2), "link_pos": 0.5e-3, "link_neg": 0.5e-3, "load_pos": 0,
         "load_neg": n // 2 - 1, "feed_pos": 0, "feed_neg": n // 2 - 1, "load_a": 65, "feed_a": 0, "across_v": 0, "equal_s": 0}
    c.update(other)
    return c

def cases():
    for n in (2, 4):
        zero = [0] * (n - 1)
        yield case("healthy", n)
        yield case("charged", n, load_a=0, feed_a=18)
        yield case("at rest", n, load_a=0.03)
        yield case("weak upper", n, emf=[12.6, 12.3] * (n // 2), ohm=[4.5e-3, 9e-3] * (n // 2))
        yield case("12 V load on a at rest", n, tap_ohm=[24] + zero, load_a=0.03)
        yield case("12 V load on b in a run", n, tap_ohm=[0, 6] + [0] * (n - 2))
        yield case("middle joint", n, middle=[6e-3] + [0.5e-3] * (n // 2 - 1))
        yield case("exhausted a", n, emf=[11.6] + [12.2] * (n - 1), film=[0.09] + zero)
        yield case("reversed a", n, emf=[11.4] + [12.1] * (n - 1), film=[1.8] + zero)
        yield case("balancing output", n, emf=[12.5, 12.9] * (n // 2), load_a=0, feed_a=10, equal_s=20)
        yield case("12 V charger on a", n, across_v=14.4, load_a=0.03, emf=[12.4] + [12.6] * (n - 1))
    yield case("strings of two ages with leads on one", 4, emf=[12.6, 12.6, 12.4, 12.4], ohm=[4e-3, 4e-3, 8e-3, 8e-3], load_neg=0)
    yield case("middle open", 4, middle=[1e7, 0.5e-3])
    yield case("link between the strings", 4, link_pos=5e-3, load_neg=0)
    yield case("strings circulate", 4, emf=[12.6, 12.6, 12.5, 12.4], load_a=0.03)
    random.seed(2)
    for i in range(40):
        n = random.choice((2, 4))
        pick = lambda lo, hi, m: [round(lo * (hi / lo) ** random.random(), 9) for _ in range(m)]
        load_a = random.choice([0, 0.03, 65, 150])
        # by the kink of a film at no current ngspice finds no operating point: only where a current is certain
        some = lambda chance, values: [random.choice(values) if random.random() < chance else 0 for _ in range(n)]
        yield case(f"drawn {i}", n, emf=[round(random.uniform(10, 13), 3) for _ in range(n)], ohm=pick(2e-3, 30e-3, n),
                   film=some(0.3 if n == 2 and load_a > 50 else 0, [0.02, 0.3, 1.5]), tap_ohm=some(0.3, [6, 24, 120]), post_pos=pick(1e-5, 5e-3, n),
                   post_neg=pick(1e-5, 5e-3, n), middle=pick(1e-4, 2e-2, n // 2), link_pos=pick(1e-4, 2e-2, 1)[0],
                   link_neg=pick(1e-4, 2e-2, 1)[0], load_pos=random.randrange(n // 2), load_neg=random.randrange(n // 2),
                   feed_pos=random.randrange(n // 2), feed_neg=random.randrange(n // 2),
                   load_a=load_a, feed_a=random.choice([0, 5, 20]))

version = subprocess.run(["dpkg-query", "-Wf", "${Version}", "ngspice"], capture_output=True, text=True).stdout.split("+")[0]
print(f"# operating points by ngspice {version} (Debian), made by strings.py; A, V over the negative post of battery 0, ohms; lists by spaces")
keys = ["name", "emf", "ohm", "film", "tap_ohm", "post_pos", "post_neg", "middle", "link_pos", "link_neg", "load_pos", "load_neg",
        "feed_pos", "feed_neg", "load_a", "feed_a", "across_v", "equal_s"]
print(",".join(keys + ["current_a", "positive_v", "negative_v", "load_v", "feed_v", "across_a"]))
for c in cases():
    row = [join(c[k]) if isinstance(c[k], list) else str(c[k]) for k in keys]
    print(",".join(row + [join(v) if isinstance(v, list) else f"{v:.10g}" for v in solve(c)]))
