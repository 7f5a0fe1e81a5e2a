"""Leaks past a cuff, over lungs, sizes and exponents, reviewed: is compliance right, or not told?

python -m tests.leaks > docs/explanation/leaks-measured.md
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from typing import Any, NamedTuple

from tests.reference.simulated import compartment, pressure_control, scenario, volume_control
from tidebench.case import Case
from tidebench.review import review
from tidebench.simulation import simulate

EXPONENTS = (0.5, 0.6, 0.7, 0.85, 1.0)  # a hole to a slit; 0.6 and 0.85 lie between those that are common
HEAD = """\
# What leaks past a cuff leave of compliance

Simulated, two minutes each, passive, with a sensor's noise, and the tube's size known: {count} runs. The leak is given
in L/min at 10 cmH2O; its exponent lies between that of a hole (0.5) and that of a slit (1). Compliance that is not told
has its reason in the review: leaks of several kinds explain the breaths alike, with elastances far apart.

```
python -m tests.leaks > docs/explanation/leaks-measured.md
```

Told in {told} of {count}; within 3 % of the truth in {near}, within 1 % in {nearest}; the worst is {worst:.1f} % off.

| lung | leak | gas lost, % | error of compliance, %, by exponent {exponents} |
| --- | --- | --- | --- |
"""


class Leaky(NamedTuple):
    """A lung (mL/cmH2O, cmH2O·s/L) under a setting, its tube (mm), and leaks past the cuff (L/min at 10 cmH2O)."""

    compliance: float
    resistance: float
    setting: dict[str, Any]
    patient: dict[str, Any]
    tube: float
    leaks: tuple[float, float, float]


LUNGS = {
    "stiff, volume control": Leaky(
        28, 9, volume_control(420, 0.8, 2.6, 10, pause_s=0.2), {"height_cm": 170}, 7.5, (3, 8, 20)
    ),
    "healthy, pressure control": Leaky(50, 10, pressure_control(12, 1.0, 3.5, 6), {"height_cm": 170}, 7.5, (3, 8, 20)),
    "obstructed, volume control": Leaky(
        60, 22, volume_control(480, 1.0, 4.0, 5, pause_s=0.2), {"height_cm": 175}, 8.0, (3, 8, 25)
    ),
    "obstructed, pressure control": Leaky(
        60, 22, pressure_control(16, 1.2, 4.5, 5), {"height_cm": 175}, 8.0, (3, 8, 25)
    ),
    "child, pressure control": Leaky(14, 25, pressure_control(12, 0.7, 2.4, 5), {"weight_kg": 14}, 4.5, (1, 3, 8)),
    "preterm, pressure control": Leaky(
        0.8, 90, pressure_control(14, 0.3, 1.0, 5), {"weight_kg": 1.0}, 2.5, (0.15, 0.4, 1.0)
    ),
}


def reviewed(lung: Leaky, leak: float, exponent: float) -> tuple[float, float | None]:
    """Median share of gas lost, and the error of median compliance as a share; None where compliance is not told."""
    airway = {"interface": "endotracheal tube", "tube_inner_diameter_mm": lung.tube}
    told = scenario(
        [compartment(lung.compliance, lung.resistance)], lung.setting, 120, patient=lung.patient, airway=airway,
        leak={"at": "cuff", "flow_l_min": leak, "exponent": exponent},
        sensors={"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.02 if lung.compliance < 5 else 0.3},
    )  # fmt: skip
    case = Case.model_validate({"patient": lung.patient, "airway": airway, "settings": [lung.setting]})
    quantities = review(case, simulate(told).recording).summary["quantities"]
    found = quantities.get("compliance_ml_cmh2o", {}).get("median")
    return quantities["leak_fraction"]["median"], None if found is None else found / lung.compliance - 1


def of_name(run: tuple[str, int, float]) -> tuple[float, float | None]:
    """:func:`reviewed` by the lung's name and the leak's place in its list."""
    name, leak, exponent = run
    return reviewed(LUNGS[name], LUNGS[name].leaks[leak], exponent)


def page() -> str:
    """Every lung with every leak and exponent, as a page."""
    runs = list(product(LUNGS, range(3), EXPONENTS))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = dict(zip(runs, pool.map(of_name, runs), strict=True))
    errors = [abs(error) for _, error in found.values() if error is not None]
    out = HEAD.format(
        count=len(runs), told=len(errors), near=sum(e < 0.03 for e in errors), nearest=sum(e < 0.01 for e in errors),
        worst=100 * max(errors), exponents=", ".join(map(str, EXPONENTS)),
    )  # fmt: skip
    for name, leak in product(LUNGS, range(3)):
        row = [found[name, leak, exponent] for exponent in EXPONENTS]
        cells = ", ".join("not told" if error is None else f"{100 * error:.1f}" for _, error in row)
        lost = [100 * share for share, _ in row]
        out += f"| {name} | {LUNGS[name].leaks[leak]:g} | {min(lost):.0f} to {max(lost):.0f} | {cells} |\n"
    return out


if __name__ == "__main__":
    print(page(), end="")
