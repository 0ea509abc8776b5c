"""The outside reference: any bank and any row of currents as a netlist for the general-purpose circuit simulator ngspice."""

import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)")


def netlist(case, max_step_s, points=200):
    """Netlist of a bank without hysteresis; the OCV as a piecewise-linear source over its own points, or ``points`` of them."""
    import numpy as np

    bank, lines, index = case.bank, ["bank"], {}

    def node(name):
        return f"w{index.setdefault(name, len(index))}"

    for k, pack in enumerate(bank.packs):
        curve = pack.chemistry.ocv
        soc = curve.soc if curve.interpolation == "linear" else np.linspace(0, 1, points)
        table = ",".join(f"{s:.9g},{pack.cells_in_series * float(curve(s)):.9g}" for s in soc)
        (r1, tau1), (r2, tau2) = pack.pack_rc_pairs
        plus, minus = (node(name) for name in bank.graph.packs[pack.name])
        lines += [
            f"Cs{k} s{k} 0 {pack.capacity_ah * 3600} IC={pack.soc}",
            f"Bs{k} s{k} 0 I=i(Vm{k})",
            f"Bo{k} e{k} {minus} V=pwl(v(s{k}),{table})",
            f"Vm{k} e{k} a{k} 0",
            f"R0{k} a{k} c{k} {pack.ohmic_ohm}",
        ]
        here = f"c{k}"
        for which, (r, tau), there in ((1, (r1, tau1), f"d{k}"), (2, (r2, tau2), plus)):
            lines += (
                [f"R{which}{k} {here} {there} {r}", f"C{which}{k} {here} {there} {tau / r} IC=0"]
                if r
                else [f"R{which}{k} {here} {there} 1e-9"]
            )
            here = there
    lines += [f"Rb{k} {node(b.from_node)} {node(b.to_node)} {b.resistance_ohm}" for k, b in enumerate(bank.graph.branches)]
    for j, (name, (plus, minus)) in enumerate(bank.graph.ports.items()):
        pwl, t = [], 0.0
        for step in case.duty:
            amperes = step.commands[name].value if name in step.commands else 0.0
            pwl += [f"{t + 1e-3} {amperes}", f"{t + step.duration_s} {amperes}"]
            t += step.duration_s
        lines.append(f"Il{j} {node(plus)} {node(minus)} PWL({' '.join(pwl)})")
    first_minus = node(next(iter(bank.graph.ports.values()))[1])
    lines += [f"Vg {first_minus} 0 0", ".options reltol=1e-4", f".tran 60 {t} 0 {max_step_s} uic", ".control", "run"]
    lines += [f"print v(s{k})[length(v(s{k}))-1]" for k in range(len(bank.packs))] + ["quit", ".endc", ".end"]
    return "\n".join(lines)


def final_soc(case, max_step_s=60):
    """SOC of each pack at the end, from ngspice run now."""
    out = run_deck(netlist(case, max_step_s))
    return [float(line.split("=")[1]) for line in out.splitlines() if line.startswith("v(s")]


def run_deck(text):
    """Standard output of ngspice in batch mode."""
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder, "bank.cir")
        deck.write_text(text)
        return subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, check=True).stdout
