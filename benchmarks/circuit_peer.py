"""The simulated circuit as an electrical one, given to ngspice (Debian package ``ngspice``).

Pressure is voltage (1 cmH2O = 1 V), flow is current (1 L/s = 1 A): compliance is a capacitor, resistance a resistor,
muscle pressure a voltage source behind the compartments. Linear: no tube, no base-flow limit, equal resistances of
source and valve.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.solver_peer import INFLATION, PAUSE, Peer, Values, Waveforms

EDGE_S = 1e-6
SHUT = 1e9
PROGRAM = shutil.which("ngspice")


def points(steps: list[tuple[float, float]]) -> str:
    """A staircase as a piecewise-linear source: at each time, the value from then on."""
    told, before = [], steps[0][1]
    for time, value in steps:
        if time > 0:
            told.append(f"{time:.9f} {before:.9f}")
        told.append(f"{time + EDGE_S * (time > 0):.9f} {value:.9f}")
        before = value
    return " ".join(told)


def netlist(peer: Peer, scratch: Path, largest_step_s: float) -> str:
    """The circuit, its sources and what is to be written."""
    phases = list(peer.phases())
    flow = [(t, peer.given if p == INFLATION and peer.volume_controlled else 0.0) for t, _, p in phases]
    closed = (PAUSE, INFLATION) if peer.volume_controlled else (PAUSE,)
    opened = [(t, 0.0 if p in closed else 1.0) for t, _, p in phases]
    above = [(t, peer.peep + (peer.control if p == INFLATION else 0.0)) for t, _, p in phases]
    at = np.arange(0.0, peer.seconds, 0.002)
    muscle = " ".join(f"{t:.9f} {-peer.muscle(float(t)):.9f}" for t in at)
    assert peer.inlet == peer.valve
    assert peer.k2 == 0
    assert peer.inward == peer.outward
    total = peer.peep / (1 / float((1 / peer.elastance).sum()) + peer.wall)
    chest = peer.wall * total
    lines = [
        "* lungs on a circuit",
        f"Vaim aim 0 PWL({points(above)})",
        f"Vopen open 0 PWL({points(opened)})",
        "Svalve aim wye open 0 valve",
        f".model valve SW(RON={peer.valve} ROFF={SHUT} VT=0.5 VH=0)",
        f"Igiven 0 wye PWL({points(flow)})",
        f"Ccircuit wye 0 {peer.circuit:.9f} IC={peer.peep}",
        "Vflow wye tube 0",
        f"Rtube tube carina {max(peer.k1, 1e-6)}",
        f"Vmuscle muscle 0 PWL({muscle})",
    ]
    if peer.wall:
        lines.append(f"Cchest chest muscle {1 / peer.wall:.9f} IC={chest}")
    else:
        lines.append("Vchest chest muscle 0")
    names = []
    for k, (elastance, resistance) in enumerate(zip(peer.elastance, peer.inward, strict=True)):
        lines += [f"R{k} carina lung{k} {resistance}", f"C{k} lung{k} chest {1 / elastance:.9f} IC={peer.peep - chest}"]
        names.append(f"v(lung{k},chest)")
    lines += [
        ".options reltol=1e-6 abstol=1e-9 vntol=1e-8 chgtol=1e-12",
        ".control",
        "set wr_singlescale",
        "set numdgt=12",
        f"tran {largest_step_s} {peer.seconds} 0 {largest_step_s} uic",
        f"wrdata {scratch / 'out.data'} v(wye) i(vflow) {' '.join(names)}",
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(lines)


def solved(peer: Peer, times: Values, largest_step_s: float = 2.5e-4) -> Waveforms:
    """Waveforms at ``times``."""
    assert PROGRAM is not None
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "lungs.cir"
        file.write_text(netlist(peer, Path(folder), largest_step_s), encoding="ascii")
        subprocess.run([PROGRAM, "-b", str(file)], check=True, capture_output=True, cwd=folder)
        table = np.loadtxt(Path(folder) / "out.data")
    at, *columns = table.T
    pressure, flow, *held = (np.interp(times, at, column) for column in columns)
    return Waveforms(pressure, flow, np.array(held) / peer.elastance[:, None])
