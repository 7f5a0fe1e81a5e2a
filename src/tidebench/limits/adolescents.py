"""Weight by age from ten years on, where the WHO reference has none: the CDC growth charts of 2000.

L, M and S of every sixth month, of the public table of the United States' National Center for Health Statistics
(public domain): Kuczmarski, Vital Health Stat 11 2002;246. Between them a straight line, within 0.1 % of the table.
"""

from __future__ import annotations

import numpy as np

CDC = "CDC growth charts 2000, Kuczmarski, Vital Health Stat 11 2002;246"
FIRST_MONTH, APART_MONTHS = 120.5, 6.0

Row = tuple[float, float, float]
WEIGHT: dict[str, tuple[Row, ...]] = {
    "male": (
        (-1.20669, 32.08799, 0.17893), (-1.11554, 34.00363, 0.18485), (-1.01928, 36.07263, 0.19003),
        (-0.92467, 38.29777, 0.19405), (-0.83696, 40.67444, 0.19659), (-0.76027, 43.18828, 0.19746),
        (-0.69817, 45.81336, 0.19666), (-0.65414, 48.51113, 0.19434), (-0.63188, 51.23096, 0.19081),
        (-0.63492, 53.91261, 0.18644), (-0.66561, 56.49096, 0.18167), (-0.72322, 58.90293, 0.17689),
        (-0.80199, 61.09537, 0.17246), (-0.89044, 63.03228, 0.16865), (-0.97324, 64.69961, 0.16564),
        (-1.03540, 66.10749, 0.16344), (-1.06622, 67.28993, 0.16192),
    ),
    "female": (
        (-0.84687, 33.06392, 0.19595), (-0.80787, 35.19176, 0.19965), (-0.78737, 37.39089, 0.20197),
        (-0.78690, 39.61914, 0.20285), (-0.80760, 41.82798, 0.20230), (-0.85031, 43.96612, 0.20042),
        (-0.91551, 45.98369, 0.19736), (-1.00305, 47.83661, 0.19333), (-1.11161, 49.49075, 0.18856),
        (-1.23801, 50.92541, 0.18333), (-1.37648, 52.13568, 0.17795), (-1.51816, 53.13327, 0.17276),
        (-1.65125, 53.94544, 0.16812), (-1.76224, 54.61224, 0.16437), (-1.83809, 55.18217, 0.16175),
        (-1.86898, 55.70624, 0.16042), (-1.85095, 56.22970, 0.16037),
    ),
}  # fmt: skip


def weight_lms(sex: str, months: float) -> Row | None:
    """L, M [kg] and S of weight, 10 to 18 years; None outside."""
    rows = WEIGHT[sex]
    at = FIRST_MONTH + APART_MONTHS * np.arange(len(rows))
    if not at[0] <= months <= at[-1]:
        return None
    power, median, variation = (float(np.interp(months, at, column)) for column in zip(*rows, strict=True))
    return power, median, variation
