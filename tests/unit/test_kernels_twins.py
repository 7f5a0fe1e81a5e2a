"""Every kernel against a plain twin: the same results from NumPy or slow Python, on random and on edge input."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import pytest

from tidebench.efforts.edges import curve_of, piece_sums
from tidebench.efforts.equation import gather, residuals
from tidebench.efforts.mechanics import fitted
from tidebench.efforts.muscle import (
    ABOVE,
    AROUND,
    FEWEST,
    gained,
    lower_line,
    lowest,
    muscle_pressure,
    resting_levels,
    ripple,
    rise_at_end,
)
from tidebench.efforts.timing import find_efforts, seen_rising
from tidebench.findings.secretions import FAST, SLOW, roughness
from tidebench.findings.secretions import FEWEST as FEWEST_SAMPLES
from tidebench.inflations.delivery import onset
from tidebench.inflations.holds import step_at, trailing_rest
from tidebench.inflations.leak import balance, local_slope
from tidebench.inflations.levels import BINS, Levels, running_percentiles, valve_resistance
from tidebench.inflations.phases import find_phases, smooth, unstacked
from tidebench.measures.breaths import tracheal_peaks
from tidebench.measures.efforts import at_breath, before_triggering, means, unlikely
from tidebench.measures.stretch import first_gap
from tidebench.measures.sweep import COLUMNS, sensor_lag, sweep
from tidebench.steps import quantiles

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
DT = 0.01
SEEDS = range(4)


def draw(seed: int) -> np.random.Generator:
    """Random numbers of their own for each seed."""
    return np.random.default_rng([20, seed])


def breaths(seed: int, count: int = 6) -> tuple[Samples, Samples, Indices, Indices, Indices]:
    """Pressure, flow, starts, turns and ends of breaths of uneven length, noisy."""
    rng = draw(seed)
    inflations, expirations = rng.integers(60, 120, count), rng.integers(120, 220, count)
    pressure, flow = [], []
    for n, m in zip(inflations, expirations, strict=True):
        amount = rng.uniform(0.3, 0.7)
        flow += [np.full(n, amount), -amount * n * np.exp(-np.arange(m) / 40) / 40]
        pressure += [8 + 10 * amount + amount * np.arange(n) / n * 8, np.full(m, 5.0)]
    edges = np.concatenate([[0], np.cumsum(inflations + expirations)])
    p, f = np.concatenate(pressure), np.concatenate(flow)
    p, f = p + 0.05 * rng.standard_normal(len(p)), f + 0.01 * rng.standard_normal(len(f))
    return p, f, edges[:-1].astype(np.int64), (edges[:-1] + inflations).astype(np.int64), edges[1:].astype(np.int64)


def beating(n: int, hertz: float) -> Samples:
    """Phase of a steady heartbeat at each sample."""
    return np.asarray(2 * np.pi * hertz * DT * np.arange(n), np.float64)


def slow_mean(x: Samples, width: int) -> Samples:
    """:func:`smooth` by convolution."""
    if len(x) < width:
        return np.full(len(x), np.nan)
    out, half = x.copy(), width // 2
    out[half : len(x) - half] = np.convolve(x, np.ones(width) / width, "valid")
    return out


@pytest.mark.parametrize("n", [0, 2, 7, 8, 100])
@pytest.mark.parametrize("width", [1, 3, 7])
def test_smooth(n: int, width: int) -> None:
    x = draw(n).standard_normal(n)
    np.testing.assert_allclose(smooth(x, width), slow_mean(x, width), atol=1e-12)


def test_smooth_carries_a_gap_no_further_than_its_window() -> None:
    x = np.arange(20.0)
    x[9] = np.nan
    assert np.flatnonzero(np.isnan(smooth(x, 5))).tolist() == [7, 8, 9, 10, 11]


@pytest.mark.parametrize("stride", [1, 3])
@pytest.mark.parametrize("seed", SEEDS)
def test_running_percentiles(seed: int, stride: int) -> None:
    x = draw(seed).standard_normal(400)
    x[100:140] = np.nan
    hop, window, shares = 20, 90, np.array([0.1, 0.5, 0.97])
    out = running_percentiles(x, stride, hop, window, shares, -5.0, 5.0)
    for g in range(20):
        centre = g * hop + hop // 2
        index = np.arange(0, 400, stride)
        part = x[index[(index >= centre - window // 2) & (index < centre + window // 2 + 1)]]
        exact = np.quantile(part[np.isfinite(part)], shares, method="inverted_cdf")
        np.testing.assert_allclose(out[:, g], exact, atol=1.01 * 10 / BINS)


def test_running_percentiles_of_nothing_are_nothing() -> None:
    out = running_percentiles(np.full(50, np.nan), 1, 10, 20, np.array([0.5]), 0.0, 1.0)
    assert np.isnan(out).all()


def test_valve_resistance() -> None:
    rng = draw(0)
    flow = -rng.uniform(0, 1, 500)
    pressure = 5 - 3 * flow + 0.01 * rng.standard_normal(500)
    grid = np.full(50, 1.0)
    inside = (flow < -0.15) & (pressure - 5 < 0.5 * 8)
    twin = np.linalg.lstsq(-flow[inside, None], pressure[inside] - 5, rcond=None)[0][0]
    found = valve_resistance(pressure, flow, 10, 1, 5 * grid, 8 * grid, grid)
    assert found == pytest.approx(twin)
    assert valve_resistance(pressure, -flow, 10, 1, 5 * grid, 8 * grid, grid) == 0


def slow_phases(p: Samples, f: Samples, least: int, rest: int) -> list[tuple[int, int]]:
    """:func:`find_phases` where baseline 5, sizes 10 and 0.5, no base flow, ideal valve, said as runs."""
    lift, drive = (p - 5) / 10, f / 0.5
    begins = ((lift > 0.4) & (drive > -0.06)) | (drive > 0.4) | (lift + drive > 0.6)
    stays = (lift > 0.25) | (drive > 0.25)
    found, i = [], int(np.argmin(begins))
    while i < len(p):
        ahead = np.flatnonzero(begins[i:])
        if not len(ahead):
            break
        first = i + int(ahead[0])
        out = next((k for k in range(first, len(p) - rest + 1) if not stays[k : k + rest].any()), len(p) - 1)
        if out - first >= least:
            found.append((first, out))
        i = out + rest
    return found


@pytest.mark.parametrize("seed", SEEDS)
def test_find_phases(seed: int) -> None:
    p, f, _, _, _ = breaths(seed)
    p, f = np.concatenate([np.full(50, 5.0), p, np.full(30, 18.0)]), np.concatenate([np.zeros(50), f, np.full(30, 0.5)])
    grid = np.ones(len(p) // 50 + 1)
    begin, end = find_phases(p, f, 50, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0, np.inf * grid, 10, 6, 15, 2)
    assert list(zip(begin.tolist(), end.tolist(), strict=True)) == slow_phases(p, f, 10, 6)
    assert end[-1] == len(p) - 1, "the inflation that the end cuts off is there"


def test_find_phases_begins_none_without_a_rest_before() -> None:
    p = np.concatenate([np.full(40, 15.0), np.full(40, 5.0), np.full(40, 15.0), np.full(40, 5.0)])
    p[60] = np.nan
    grid = np.ones(8)
    begin, _ = find_phases(p, np.zeros(160), 20, 5 * grid, 10 * grid, grid, 0 * grid, 0.0, np.inf * grid, 10, 6, 15, 2)
    assert begin.tolist() == [80]


@pytest.mark.parametrize(("flow", "least", "expected"), [(0.15, 5.0, [(40, 140)]), (0.15, np.inf, []), (0.02, 5.0, [])])
def test_find_phases_counts_a_slow_breath_where_the_mode_has_some(
    flow: float, least: float, expected: list[tuple[int, int]]
) -> None:
    """0.15 L/s for a second, three tenths of the scale: its volume is reached after a third of a second."""
    f = np.concatenate([np.zeros(40), np.full(100, flow), np.full(40, -flow), np.zeros(60)])
    grid = np.ones(12)
    found = find_phases(
        np.full(240, 5.0), f, 20, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0, least * grid, 10, 6, 15, 2
    )
    assert list(zip(*(side.tolist() for side in found), strict=True)) == expected


@pytest.mark.parametrize(("lift", "begun"), [(0.5, 60), (-0.5, 200)], ids=["inflation", "effort"])
def test_find_phases_begins_a_slow_inflation_where_flow_and_lift_began(lift: float, begun: int) -> None:
    """Flow of a fifth of the scale from sample 60; pressure rises with it, or an effort keeps it low until 200."""
    p, f = np.full(400, 5.0), np.zeros(400)
    f[60:300], f[300:360] = 0.1, -0.4
    p[60:200] = 5.0 + lift if lift < 0 else np.linspace(5.0 + lift, 8.9, 140)
    p[200:300] = np.linspace(8.9, 12.0, 100)
    grid = np.ones(20)
    begins, ends = find_phases(p, f, 20, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0, np.inf * grid, 10, 6, 15, 2)
    assert begins.tolist() == pytest.approx([begun], abs=6)
    assert ends.tolist() == [300]


@pytest.mark.parametrize(
    ("between", "lasts_s", "expected"),
    [(0.3, 0.8, [(50, 130), (150, 230)]), (0.5, 0.8, [(50, 230)]), (0.3, 1.0, [(50, 230)]), (0.3, np.nan, [(50, 230)])],
    ids=["stacked", "no edge", "not twice as long", "nothing set"],
)
def test_unstacked(between: float, lasts_s: float, expected: list[tuple[int, int]]) -> None:
    """Two inflations of 0.8 s at 0.5 L/s, between which an effort draws ``between`` for 0.2 s."""
    f = np.concatenate([np.zeros(50), np.full(80, 0.5), np.full(20, between), np.full(80, 0.5), np.zeros(70)])
    grid = np.ones(6)
    levels = Levels(50, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0)
    one = np.array([50]), np.array([230])
    found = unstacked(np.full(300, 5.0), f, 100.0, levels, *one, np.array([lasts_s]))
    assert list(zip(*(side.tolist() for side in found), strict=True)) == expected


@pytest.mark.parametrize(
    ("second", "kept", "told"),
    [(0.5, 2, True), (0.5, 0, False), (0.0, 2, False)],
    ids=["time is kept", "time is not kept", "held"],
)
def test_unstacked_without_an_edge(second: float, kept: int, told: bool) -> None:
    """An inflation of 1.8 s where 0.8 s is set, after ``kept`` of 0.8 s; gas flows on evenly, or it is held."""
    f = np.zeros(800)
    singles = [(100 + 200 * k, 180 + 200 * k) for k in range(kept)]
    for first, last in [*singles, (500, 600)]:
        f[first:last] = 0.5
    f[600:680] = second
    grid = np.ones(16)
    levels = Levels(50, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0)
    begins, ends = (np.array(side) for side in zip(*singles, (500, 680), strict=True))
    found = unstacked(np.full(800, 5.0), f, 100.0, levels, begins, ends, np.full(len(begins), 0.8))
    pieces = [(500, 580), (600, 680)] if told else [(500, 680)]
    assert list(zip(*(side.tolist() for side in found), strict=True)) == [*singles, *pieces]


@pytest.mark.parametrize("n", [3, 12, 60])
@pytest.mark.parametrize("seed", SEEDS)
def test_local_slope(seed: int, n: int) -> None:
    rng = draw(seed)
    x = np.cumsum(rng.uniform(0.5, 2, n))
    y = np.cumsum(rng.standard_normal(n))
    out = local_slope(x, y, 15)
    for j in range(n - 1):
        part = slice(max(0, j - 15), min(n, j + 17))
        middle = 0.5 * (x[j] + x[j + 1])
        u = x[part] - middle
        degree = 2 if len(u) >= 20 else 1
        assert out[j] == pytest.approx(np.polyfit(u, y[part], degree)[-2], rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0])
def test_balance(exponent: float) -> None:
    p, f, start, _, end = breaths(1)
    p[start[2] : start[2] + 5] = -1.0
    net, inhaled, driven = balance(p, f, start, end, DT, exponent)
    for j, (a, b) in enumerate(zip(start, end, strict=True)):
        positive = p[a:b][p[a:b] > 0]
        assert net[j] == pytest.approx(f[a:b].sum() * DT)
        assert inhaled[j] == pytest.approx(np.maximum(f[a:b], 0).sum() * DT)
        assert driven[j] == pytest.approx((positive**exponent).sum() * DT)


def averaged(x: Samples, half: int) -> Samples:
    """Centred means, NaN where the window leaves the breath."""
    out = np.full(len(x), np.nan)
    for i in range(half, len(x) - half):
        out[i] = x[i - half : i + half + 1].mean()
    return out


def quiet_samples(f: Samples, turn: int, half: int, steep: float) -> npt.NDArray[np.bool_]:
    """The samples of a breath that its equation takes: away from its ends, its turn and steep flow."""
    n, clear = len(f), half + 2
    keep = np.ones(n, bool)
    for i in range(n):
        keep[i] = clear <= i < n - half and abs(i - turn) >= clear
    for i in range(1, n - 1):
        if abs(f[i + 1] - f[i - 1]) > steep:
            keep[max(0, i - clear) : i + clear] = False
    return keep


@pytest.mark.parametrize(("harmonics", "apart"), [(0, 1), (3, 1), (0, 3)])
@pytest.mark.parametrize("seed", SEEDS)
def test_gather(seed: int, harmonics: int, apart: int) -> None:
    """Sums of the equation of motion, column by column, over the quiet samples of each breath."""
    p, f, start, turn, end = breaths(seed)
    n, width, half = len(start), 9, 4
    offset, leak, across = np.full(n, 0.02), np.full(n, 0.004), p - 3.0 * f
    heart = beating(len(p), 1.2)
    passed = np.array([0.9, 0.7, 0.4])[:harmonics]
    arrays = gather(
        p, f, start, turn, turn, end, DT, offset, leak, 0.5, across, heart, passed, np.full(n, 0.15), width, 10**6,
        apart,
    )  # fmt: skip
    for j in range(n):
        part = slice(start[j], end[j])
        flow = f[part] - 0.02 - 0.004 * np.sqrt(np.maximum(across[part], 0.0))
        volume = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1])) * DT])
        smooth_f, smooth_p = averaged(flow, half), averaged(p[part], half)
        beat = [shape((h + 1) * heart[part]) for h in range(harmonics) for shape in (np.sin, np.cos)]
        weights = np.repeat(passed, 2)
        x = np.array([volume, flow, flow * np.abs(flow), np.minimum(flow, 0), *beat])
        passing = [w * b for w, b in zip(weights, beat, strict=True)]
        z = np.array([volume, smooth_f, smooth_f * np.abs(smooth_f), np.minimum(smooth_f, 0), *passing])
        keep = quiet_samples(f[part], turn[j] - start[j], half, 0.15)
        x, z, y, s = x[:, keep], z[:, keep], p[part][keep], smooth_p[keep]
        own = (width * z - x) / (width - 1)
        dx, dz, dy, ds, di = (v - v.mean(axis=-1, keepdims=True) for v in (x, z, y, s, own))
        last = np.array([k for k in range(apart, len(keep)) if keep[k - apart : k + 1].all()])
        dp, df = (signal[last] - signal[last - apart] for signal in (p[part], flow))
        rough = [dp @ dp, dp @ df, df @ df]
        twin = (di @ dx.T, di @ dy, dz @ dz.T, dz @ ds, ds @ ds, keep.sum(), x.mean(axis=1), y.mean(), rough)
        for found, expected in zip(arrays, twin, strict=True):
            np.testing.assert_allclose(found[j], expected, rtol=1e-7, atol=1e-7)


def test_gather_takes_nothing_from_a_breath_too_short() -> None:
    p, f = np.full(40, 5.0), np.zeros(40)
    one = np.array([0]), np.array([10]), np.array([10]), np.array([15])
    flat = np.zeros(1)
    arrays = gather(p, f, *one, DT, flat, flat, 0.5, p, np.zeros(40), np.zeros(0), flat + 1, 9, 1000, 1)
    assert arrays[5][0] == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_residuals_are_what_the_fit_leaves_of_each_breath(seed: int) -> None:
    rng = draw(seed)
    z, s = rng.standard_normal((5, 4, 30)), rng.standard_normal((5, 30))
    zz, zs, ss = np.einsum("nai,nbi->nab", z, z), np.einsum("nai,ni->na", z, s), np.einsum("ni,ni->n", s, s)
    count = np.array([30.0, 30, 0, 30, 30])
    for theta in (rng.standard_normal((1, 4)), rng.standard_normal((5, 4))):
        left = s - np.einsum("nai,na->ni", z, np.broadcast_to(theta, (5, 4)))
        expected = np.where(count > 0, np.sqrt(np.mean(left**2, axis=1)), np.nan)
        np.testing.assert_allclose(residuals(zz, zs, ss, count, theta), expected)


@pytest.mark.parametrize("columns", [[0, 1], [0, 1, 3], [0, 1, 2, 3]])
def test_fitted_solves_the_instrumental_equations(columns: list[int]) -> None:
    rng = draw(5)
    zx, zy, keep = rng.standard_normal((6, 4, 4)), rng.standard_normal((6, 4)), np.array([1, 1, 0, 1, 0, 1], bool)
    left, right = zx[keep].sum(axis=0), zy[keep].sum(axis=0)
    chosen = np.linalg.lstsq(left[np.ix_(columns, columns)], right[columns], rcond=None)[0]
    expected = np.zeros(4)
    expected[columns] = chosen
    np.testing.assert_allclose(fitted(zx, zy, keep, np.array(columns)), expected, rtol=1e-6)


def test_fitted_of_nothing_is_nothing() -> None:
    assert np.isnan(fitted(np.zeros((2, 4, 4)), np.zeros((2, 4)), np.ones(2, bool), np.array([0, 1]))).all()


def slow_sweep(
    p: Samples, f: Samples, lost: Samples, offset: float, s: int, t: int, e: int, lag: float
) -> dict[str, float]:
    """The simple columns of :func:`sweep` for one breath without pause."""
    flow, raw = f[s:e] - lost[s:e], f[s:e] - offset

    def volume(x: Samples) -> Samples:
        filled = np.concatenate([[0.0], np.cumsum(0.5 * (x[1:] + x[:-1]))]) * DT
        return np.asarray(filled + lag * (flow - flow[0]), np.float64)

    here, gross, k = volume(flow), volume(raw), t - s
    top, gross_top = k - 1 + int(np.argmax(here[k - 1 :])), k - 1 + int(np.argmax(gross[k - 1 :]))
    work = p[s : t + 1] * flow[: k + 1] * DT
    return {
        "vti": here[top],
        "vte": here[top] - here[top:].min(),
        "vti_measured": gross[gross_top],
        "vte_measured": gross[gross_top] - gross[gross_top:].min(),
        "inhaled": raw[raw > 0].sum() * DT,
        "exhaled": -raw[raw <= 0].sum() * DT,
        "peak_pressure": p[s : t + 4].max(),
        "mean_pressure": p[s:e].mean(),
        "peak_inspiratory_flow": max(0.0, flow[: k + 1].max()),
        "peak_expiratory_flow": max(0.0, -flow[k + 1 :].min()),
        "work": work[flow[: k + 1] > 0].sum(),
    }


@pytest.mark.parametrize("lag", [0.0, 0.012])
@pytest.mark.parametrize("seed", SEEDS)
def test_sweep(seed: int, lag: float) -> None:
    p, f, start, turn, end = breaths(seed)
    lost = 0.01 + 0.002 * np.sqrt(p)
    offset = np.full(len(start), 0.01)
    table = sweep(p, f, lost, offset, start, turn, turn, end, end - 30, end - 10, DT, lag, False)
    for j in range(len(start)):
        twin = slow_sweep(p, f, lost, 0.01, start[j], turn[j], end[j], lag)
        for name, expected in twin.items():
            assert table[j, COLUMNS.index(name)] == pytest.approx(expected, rel=1e-9, abs=1e-12), name
        ending = -np.mean((f - lost)[end[j] - 30 : end[j] - 10])
        assert table[j, COLUMNS.index("end_expiratory_flow")] == pytest.approx(ending)
        since = np.sum((f - lost)[end[j] - 20 : end[j]]) * DT
        assert table[j, COLUMNS.index("moved_since")] == pytest.approx(since, rel=1e-9, abs=1e-12)
        assert np.isnan(table[j, COLUMNS.index("plateau_pressure")])


def test_sweep_reads_a_plateau_and_an_exponential() -> None:
    """Pause of 0.3 s at 12 cmH2O, then flow that decays with 0.35 s: both come back."""
    flow = np.concatenate([np.full(80, 0.5), np.zeros(30), -0.4 / 0.35 * np.exp(-np.arange(250) * DT / 0.35)])
    pressure = np.concatenate([np.full(80, 18.0), np.full(30, 12.0), np.full(250, 5.0)])
    start, pause, turn, end, first, last = (np.array([k]) for k in (0, 80, 110, 360, 340, 355))
    none = np.zeros(360)
    table = sweep(pressure, flow, none, none[:1], start, pause, turn, end, first, last, DT, 0.0, False)[0]
    assert table[COLUMNS.index("plateau_pressure")] == pytest.approx(12)
    assert table[COLUMNS.index("time_constant")] == pytest.approx(0.35, rel=0.01)


@pytest.mark.parametrize("lag", [0.004, 0.008])
def test_sensor_lag_is_read_from_the_edge(lag: float) -> None:
    dt = 0.001
    flow = np.concatenate([np.full(100, 0.5), 0.5 - 1.3 * (1 - np.exp(-np.arange(100) * dt / lag))])
    found = sensor_lag(flow, np.array([99]), np.array([200]), dt, 90)
    assert found[0] == pytest.approx(lag, rel=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_trailing_rest(seed: int) -> None:
    rng = draw(seed)
    f, p = rng.choice([0.0, 0.0, 0.0, 0.0, 0.5], 200), rng.choice([0.0, 0.0, 1.0], 200)
    start, turn = np.array([0, 50, 100, 150]), np.array([40, 90, 140, 199])
    limit, circuit, offset, spare = np.full(4, 0.1), np.array([0.0, 0.2, 0.5, 1.0]), np.full(4, 0.02), 2
    found = trailing_rest(f, p, start, turn, limit, circuit, offset, spare)
    pair = 0.5 * (f + np.concatenate([f[:1], f[:-1]])) - 0.02
    for j in range(4):
        gives = -circuit[j] * np.diff(p, prepend=p[0])
        moving = (pair <= np.minimum(gives, 0) - 0.1) | (pair >= np.maximum(gives, 0) + 0.1)
        last = turn[j] - 1 - spare
        moving_at = [i for i in range(start[j] + 1, last + 1) if moving[i]]
        begin = (moving_at[-1] if moving_at else start[j]) + 1
        assert found[j] == (begin if begin <= last else turn[j])


def test_step_at() -> None:
    p, f, *_ = breaths(2)
    at = np.array([2, 300, 500, len(p) - 3])
    dp, df = step_at(p, f, at, 4, 5)
    assert np.isnan([dp[0], dp[3], df[0], df[3]]).all()
    for j, x in itertools.product((1, 2), ((dp, p), (df, f))):
        i = at[j]
        assert x[0][j] == pytest.approx(x[1][i + 4 : i + 9].mean() - x[1][i - 9 : i - 4].mean())


def test_onset_is_flow_above_its_own_course() -> None:
    _, f, start, turn, _ = breaths(3)
    before = np.concatenate([[0], turn[:-1]])
    found = onset(f, start, before, 100.0)
    assert np.isnan(found[0])
    for j in range(1, len(start)):
        index = np.arange(max(start[j] - 50, before[j] + 10), start[j] - 20)
        course = np.polyval(np.polyfit(index, f[index], 1), start[j] - 0.5)
        assert found[j] == pytest.approx(0.5 * (f[start[j]] + f[start[j] - 1]) - course, abs=1e-9)


def muscle_twin(p: Samples, f: Samples, theta: Samples, heart: Samples) -> Samples:
    """E·V + R·f + K·f|f| + D·min(f, 0) + heart − p over one breath."""
    volume = np.concatenate([[0.0], np.cumsum(0.5 * (f[1:] + f[:-1]))]) * DT
    value = theta[0] * volume + theta[1] * f + theta[2] * f * np.abs(f) + theta[3] * np.minimum(f, 0) - p
    for h in range((len(theta) - 4) // 2):
        value = value + theta[4 + 2 * h] * np.sin((h + 1) * heart) + theta[5 + 2 * h] * np.cos((h + 1) * heart)
    return np.asarray(value, np.float64)


@pytest.mark.parametrize("harmonics", [0, 2])
def test_muscle_pressure(harmonics: int) -> None:
    p, f, start, turn, end = breaths(4)
    rng = draw(9)
    theta = np.tile(np.array([20.0, 8.0, 3.0, 1.0, *rng.standard_normal(2 * harmonics)]), (len(start), 1))
    theta[2] = np.nan
    heart = beating(len(p), 1.1)
    width, steep = 7, np.full(len(start), 0.2)
    found = muscle_pressure(p, f, start, turn, end, DT, theta, heart, width, steep)
    assert np.isnan(found[start[2] : end[2]]).all()
    for j in (0, 1, 3):
        part = slice(start[j], end[j])
        n, twin = end[j] - start[j], averaged(muscle_twin(p[part], f[part], theta[j], heart[part]), width // 2)
        edge = np.array([i < 2 or abs(i - (turn[j] - start[j])) < 2 for i in range(n)])
        edge[1:-1] |= np.abs(f[part][2:] - f[part][:-2]) > 0.2
        near = np.array([edge[max(0, c - width // 2) : c + width // 2 + 1].any() for c in range(n)])
        known = np.isfinite(found[part])
        assert not known[near].any()
        np.testing.assert_allclose(found[part][known], twin[known], atol=1e-9)
        assert known.sum() >= (np.isfinite(twin) & ~near).sum() - 1


def test_rise_at_end() -> None:
    p, f, _, turn, end = breaths(5)
    theta = np.tile(np.array([20.0, 8.0, 3.0, 1.0]), (len(turn), 1))
    found = rise_at_end(p, f, turn, end, DT, theta, np.zeros(len(p)), 8)
    for j in range(len(turn)):
        part = slice(end[j] - 1 - 56, end[j] - 1)
        value = (
            20 * np.cumsum(f[part]) * DT
            + 8 * f[part]
            + 3 * f[part] * np.abs(f[part])
            + np.minimum(f[part], 0)
            - p[part]
        )
        assert found[j] == pytest.approx(value[-8:].mean() - value[:32].mean())


def test_at_breath_and_means() -> None:
    x, flow = draw(6).standard_normal(100), draw(7).standard_normal(100)
    x[20:35] = np.nan
    first, last = np.array([0, 20, 30, 60]), np.array([20, 35, 60, 62])
    known = [np.isfinite(x[a:b]) for a, b in zip(first, last, strict=True)]
    parts = [x[a:b][ok] for a, b, ok in zip(first, last, known, strict=True)]
    flows = [flow[a:b][ok] for a, b, ok in zip(first, last, known, strict=True)]
    np.testing.assert_allclose(means(x, first, last), [part.mean() if len(part) else np.nan for part in parts])
    peak, product, work = at_breath(x, flow, first, last, DT)
    enough = [len(part) * 2 > b - a for part, a, b in zip(parts, first, last, strict=True)]
    highest = [max(0.0, part.max()) if ok else np.nan for part, ok in zip(parts, enough, strict=True)]
    np.testing.assert_allclose(peak, highest)
    areas = [np.maximum(part, 0).sum() * DT if ok else np.nan for part, ok in zip(parts, enough, strict=True)]
    np.testing.assert_allclose(product, areas)
    pulled = zip(parts, flows, enough, strict=True)
    energy = [(np.maximum(part, 0) * np.maximum(f, 0)).sum() * DT if ok else np.nan for part, f, ok in pulled]
    np.testing.assert_allclose(work, energy)


def test_find_efforts_reads_onset_crest_end_and_peak() -> None:
    """Two triangles: begun above 0.3 and a tenth of the peak, crest at nine tenths, over at a quarter."""
    muscle = np.zeros(400)
    for at, peak in ((50, 8.0), (230, 4.0)):
        muscle[at : at + 101] = peak * (1 - np.abs(np.arange(101) - 50) / 50)
    begin, crest, over, highest = find_efforts(muscle, 1.0, 0.3, 12)
    assert highest.tolist() == [8, 4]
    for k, (at, top) in enumerate(((50, 8.0), (230, 4.0))):
        inside = np.arange(at, at + 101)
        level = muscle[inside]
        assert begin[k] == inside[np.argmax(level > max(0.3, 0.1 * top))]
        assert crest[k] == inside[level >= 0.9 * top][-1]
        assert over[k] == inside[level > 0.25 * top][-1] + 1


@pytest.mark.parametrize(("unseen", "seen"), [((20, 20), True), ((15, 26), True), ((12, 31), False)])
def test_seen_rising_asks_for_a_rise_before_the_plateau(unseen: tuple[int, int], seen: bool) -> None:
    """A rise from sample 15 to 30, with a stretch in which nothing is known: within it, over its foot, over all."""
    rise = np.interp(np.arange(60.0), [0, 15, 30, 50], [0, 0, 4, 0])
    known = np.where((np.arange(60) > unseen[0]) & (np.arange(60) < unseen[1]), np.nan, rise)
    onset = np.array([16 if unseen[0] >= 15 else unseen[0]])
    told = seen_rising(known, onset, np.array([4.0]))
    first = next(value for value in known[int(onset[0]) + 1 :] if np.isfinite(value))
    hidden = bool(np.isnan(known[int(onset[0]) + 1]))
    assert told.tolist() == [seen] == [not hidden or bool(first < 0.9 * 4)]


def test_find_efforts_does_not_count_what_is_left_of_one_as_another() -> None:
    """A strong effort that relaxes slowly is above 1 cmH2O when it is over; only a new rise is a new effort."""
    falling_slowly = np.concatenate([np.zeros(20), np.linspace(0, 8, 40), np.linspace(8, 0, 200)])
    assert find_efforts(falling_slowly, 1.0, 0.3, 12)[3].tolist() == [8]
    again = falling_slowly.copy()
    again[220:280] = np.linspace(again[220], 6, 40)[: len(again[220:280])]
    assert find_efforts(again, 1.0, 0.3, 12)[3].round(2).tolist() == [8, 6]


def test_find_efforts_begins_none_before_the_one_before_is_over() -> None:
    """An effort of 3 cmH2O leaves 0.6, less than an effort but more than rest, and another follows."""
    first, second = np.linspace(0, 3, 40), np.linspace(0.6, 3, 40)
    begin, _, over, _ = find_efforts(
        np.concatenate([np.zeros(20), first, first[:7:-1], second, first[::-1]]), 1.0, 0.3, 12
    )
    assert len(begin) == 2
    assert begin[1] >= over[0]


@pytest.mark.parametrize(("left", "rest"), [(1.2, 0.3), (0.5, 0.8)], ids=["above rest", "within rest"])
def test_find_efforts_leaves_a_hump_before_one_out(left: float, rest: float) -> None:
    """A heartbeat of 2 cmH2O falls to what is left, and an effort rises from there: it begins where the heart's end."""
    hump = left + (2 - left) * np.sin(np.linspace(0, np.pi, 61))[15:]
    rise = np.linspace(left, 8, 40)
    begin, _, _, highest = find_efforts(np.concatenate([np.zeros(20), hump, rise, np.zeros(20)]), 3.0, rest, 12)
    assert highest.tolist() == [8]
    assert 50 <= begin[0] <= 70


def test_find_efforts_asks_a_whole_rise_of_what_follows_one() -> None:
    """An effort leaves 0.8 cmH2O, and a bump of 0.5 follows: no effort."""
    first, bump = np.linspace(0, 8, 40), 0.8 + 0.5 * np.sin(np.linspace(0, np.pi, 40))
    muscle = np.concatenate([np.zeros(20), first, first[:3:-1], bump, np.zeros(20)])
    assert find_efforts(muscle, 1.0, 0.3, 12)[3].tolist() == [8]


@pytest.mark.parametrize(
    "muscle", [np.full(50, np.nan), np.zeros(50), np.full(5, 3.0)], ids=["unknown", "rest", "spike"]
)
def test_find_efforts_finds_none_where_there_is_none(muscle: Samples) -> None:
    assert len(find_efforts(muscle, 1.0, 0.3, 12)[0]) == 0


@pytest.mark.parametrize(
    ("lowest", "usual", "expected"),
    [(-1.2, 0.1, False), (-2.0, 0.1, True), (0.0, 4.0, False), (0.0, 6.0, True)],
    ids=["as an elastance may err", "pushes", "works", "never rests"],
)
def test_unlikely(lowest: float, usual: float, expected: bool) -> None:
    """Efforts of 10 cmH2O in a third of the time, something else in half of it, and the lowest in the rest."""
    muscle = np.concatenate([np.full(33, 10.0), np.full(50, usual), np.full(17, lowest), np.full(9, np.nan)])
    assert unlikely(muscle) is expected


def test_tracheal_peaks_and_first_gap() -> None:
    p, f, start, turn, end = breaths(7)
    found = tracheal_peaks(p, f, start, turn, 2.0, 5.0)
    inner = p - 2 * f - 5 * f * np.abs(f)
    np.testing.assert_allclose(found, [inner[a : b + 1].max() for a, b in zip(start, turn, strict=True)])
    f[start[1] + 7], p[end[3] - 1] = np.nan, np.nan
    expected = end.copy()
    expected[1], expected[3] = start[1] + 7, end[3] - 1
    assert first_gap(p, f, start, end).tolist() == expected.tolist()


@pytest.mark.parametrize("n", [0, 1, 2, 3, 40])
def test_quantiles(n: int) -> None:
    values = draw(n).standard_normal((n, 4))
    values[::2, 1] = np.nan
    values[:, 2] = np.nan
    found = quantiles(values)
    for k in range(4):
        known = values[np.isfinite(values[:, k]), k]
        expected = np.quantile(known, [0.05, 0.5, 0.95]) if len(known) else np.full(3, np.nan)
        np.testing.assert_allclose(found[k], [*expected, len(known)])


@pytest.mark.parametrize("terms", [1, 3])
def test_piece_sums(terms: int) -> None:
    p, f, start, _, _ = breaths(11)
    rng = draw(11)
    smooth_p, smooth_f = p + 0.1 * rng.standard_normal(len(p)), f + 0.1 * rng.standard_normal(len(f))
    length = 30
    crossed, smoothed = piece_sums(p, f, smooth_p, smooth_f, start, DT, curve_of(terms, length))
    time = np.vander(np.linspace(-1, 1, length), terms)
    for j, first in enumerate(start):
        part = slice(first, first + length)
        volume = np.concatenate([[0.0], np.cumsum(0.5 * (f[part][1:] + f[part][:-1]) * DT)])
        x, z = (
            np.array([volume, flow[part], flow[part] * np.abs(flow[part]), np.minimum(flow[part], 0), pressure[part]])
            for flow, pressure in ((f, p), (smooth_f, smooth_p))
        )
        x, z = (columns - (time @ np.linalg.lstsq(time, columns.T)[0]).T for columns in (x, z))
        np.testing.assert_allclose(crossed[j], z @ x.T, atol=1e-9)
        np.testing.assert_allclose(smoothed[j], z @ z.T, atol=1e-9)


def test_gained() -> None:
    _, f, start, _, end = breaths(12)
    elastance = np.linspace(10, 30, len(start))
    twin = [e * np.trapezoid(f[a : min(b + 1, len(f))], dx=DT) for a, b, e in zip(start, end, elastance, strict=True)]
    np.testing.assert_allclose(gained(f, start, end, DT, elastance), twin, atol=1e-12)


def test_lowest_and_ripple() -> None:
    p, _, _, turn, end = breaths(13)
    p[end[1] - 20 : end[1]] = np.nan
    p[turn[2] : end[2]] = np.nan
    rest = [p[a + int(0.2 * (b - a)) : b] for a, b in zip(turn, end, strict=True)]
    rest = [part[np.isfinite(part)] for part in rest]
    low = [np.quantile(part, 0.2) if len(part) else np.nan for part in rest]
    np.testing.assert_allclose(lowest(p, turn, end), low)
    spread = [1.4826 * np.median(np.abs(part - np.median(part))) for part in rest if len(part)]
    triggered = np.zeros(len(turn), bool)
    assert ripple(p, turn, end, triggered) == pytest.approx(np.median(spread))
    assert ripple(np.full(len(p), np.nan), turn, end, triggered) == 0.0


def test_an_effort_through_most_of_each_expiration_is_no_ripple() -> None:
    """Efforts of 6 cmH2O fill two thirds of expirations after timed inflations; what is left is noise of 0.1."""
    rng = np.random.default_rng(14)
    muscle = rng.normal(0, 0.1, 4000)
    turn = np.arange(100, 3800, 200)
    end = turn + 150
    for first in turn:
        muscle[first + 5 : first + 105] += 6 * np.sin(np.linspace(0, np.pi, 100))
    timed = np.ones(len(turn), bool)
    assert 0.08 < ripple(muscle, turn, end, timed) < 0.2
    assert ripple(muscle, turn, end, ~timed) > 1.5


def line_twin(x: Samples, y: Samples) -> float:
    """:func:`lower_line` by ``polyfit``."""
    kept = list(range(len(x)))
    while kept:
        fit = np.polyfit(x[kept], y[kept], 1) if len(kept) > FEWEST else np.array([0.0, np.mean(y[kept])])
        above = {k: y[k] - np.polyval(fit, x[k]) for k in kept}
        if len(kept) <= FEWEST or max(above.values()) <= ABOVE:
            return float(np.polyval(fit, 0.0))
        kept.remove(max(above, key=lambda k: above[k]))
    return float("nan")


@pytest.mark.parametrize("seed", SEEDS)
def test_resting_levels(seed: int) -> None:
    rng = draw(30 + seed)
    n = 40
    low = rng.standard_normal(n) * 0.2 + 3.0 * (rng.random(n) < 0.3)
    gain, lung = rng.standard_normal(n), (np.arange(n) > 25).astype(np.int64)
    joined = (rng.random(n) > 0.05).astype(np.int8)
    low[7] = np.nan
    at = np.concatenate([[0.0], np.cumsum(gain)[:-1]])
    twin = []
    for j in range(n):
        near = [j]
        for side in (-1, 1):
            k = j + side
            while 0 <= k < n and abs(k - j) <= AROUND and lung[k] == lung[j] and joined[max(k, k - side)]:
                near.append(k)
                k += side
        near = [k for k in sorted(near) if np.isfinite(low[k])]
        twin.append(line_twin(np.array(near, float) - j, low[near] + at[near] - at[j]))
    np.testing.assert_allclose(resting_levels(low, gain, lung, joined), twin, atol=1e-9)
    assert np.isnan(lower_line(np.zeros(0), np.zeros(0)))


def test_before_triggering() -> None:
    """An onset 0.1 s after an inflation is put before it where muscle pressure had left rest, or is not known there."""
    muscle = np.concatenate([np.zeros(90), np.linspace(0, 5, 100)])
    onset = np.array([110, 150], np.int64)
    near, far, none = (np.array(at, np.int64) for at in ([100], [60], []))
    assert before_triggering(muscle, onset, near, 20).tolist() == [96, 150]
    assert before_triggering(muscle, onset, far, 20).tolist() == [110, 150]
    assert before_triggering(muscle, onset, none, 20).tolist() == [110, 150]
    muscle[95:105] = np.nan
    assert before_triggering(muscle, onset, near, 20).tolist()[0] == 95


def test_roughness() -> None:
    _, f, _, turn, end = breaths(14)
    left = 0.1 * draw(14).standard_normal(len(f))
    end[3] = turn[3] + 2 * FEWEST_SAMPLES
    fast, slow = roughness(f, left, turn, end)
    for j in range(len(turn)):
        out, rest = -f[turn[j] : end[j]], left[turn[j] : end[j]]
        parts = out > FAST * out.max(), np.abs(out) < SLOW * out.max()
        if min(part.sum() for part in parts) < FEWEST_SAMPLES:
            assert (fast[j], slow[j]) == (0.0, np.inf)
        else:
            twin = [np.sqrt(np.mean(np.square(rest[part]))) / out.max() for part in parts]
            np.testing.assert_allclose([fast[j], slow[j]], twin)


def test_find_phases_begins_an_inflation_that_stacks_on_an_own_breath_at_its_edge() -> None:
    """Flow swells slowly from sample 40, the inflation's edge stands at 70: one breath, begun there."""
    p, f = np.full(240, 5.0), np.zeros(240)
    f[40:70] = np.linspace(0, 0.15, 30)
    p[70:100], f[70:100] = 15.0, 0.5
    f[100:160] = -0.25
    grid = np.ones(12)
    begins, ends = find_phases(p, f, 20, 5 * grid, 10 * grid, 0.5 * grid, 0 * grid, 0.0, 0.5 * grid, 10, 6, 15, 2)
    assert begins.tolist() == pytest.approx([69], abs=2)
    assert ends.tolist() == [100]
