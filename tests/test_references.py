"""Uncertainty and roundness against worked examples of the metrology guides. Kind: published or analytic values."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from qc.shape import roundness_mm
from qc.uncertainty import monte_carlo

PUBLISHED = Path(__file__).parent / "published"
GUM = json.loads((PUBLISHED / "gum_h1_h2.json").read_text())
SUPPLEMENT = json.loads((PUBLISHED / "jcgm101_montecarlo.json").read_text())


def shortest(values: np.ndarray, share: float) -> tuple[float, float]:
    """Shortest interval with a share of the values (JCGM 101, 7.7)."""
    s = np.sort(values)
    n = int(share * len(s))
    k = (s[n:] - s[: len(s) - n]).argmin()
    return float(s[k]), float(s[k + n])


def test_resistance_and_reactance_with_their_correlations() -> None:
    """JCGM 100:2008 H.2, tables H.2 to H.4: V, I and phi correlated, R, X and Z from them."""
    h2 = GUM["H2"]
    seen = np.array([h2["V"], np.array(h2["I_mA"]) / 1e3, h2["phi_rad"]])
    mean, covariance = seen.mean(1), np.cov(seen) / seen.shape[1]
    printed = [h2["r_VI"], h2["r_Vphi"], h2["r_Iphi"]]
    assert np.corrcoef(seen)[[0, 0, 1], [1, 2, 2]] == pytest.approx(printed, abs=0.006)

    def impedance(x: np.ndarray) -> np.ndarray:
        z = x[0] / x[1]
        return np.array([z * np.cos(x[2]), z * np.sin(x[2]), z])

    drawn = monte_carlo(impedance, mean, covariance, 20000, np.random.default_rng(11))
    assert impedance(mean) == pytest.approx([h2["R"], h2["X"], h2["Z"]], abs=0.0006)
    assert drawn.std(0) == pytest.approx([h2["u_R"], h2["u_X"], h2["u_Z"]], rel=0.025)
    r = np.corrcoef(drawn.T)
    assert r[[0, 0, 1], [1, 2, 2]] == pytest.approx([h2["r_RX"], h2["r_RZ"], h2["r_XZ"]], abs=0.03)


@pytest.mark.parametrize("name", ["additive_4_rect", "additive_rect_dominant"])
def test_sums_of_rectangular_inputs(name: str) -> None:
    """JCGM 101:2008 9.2.3 and 9.2.4 (the latter's printed values from memory): narrower than a normal sum's 95 %."""
    case = SUPPLEMENT[name]
    half = np.sqrt(3.0) * np.array(case["u"])

    def total(x: np.ndarray) -> np.ndarray:
        return np.array([(half * (2 * norm.cdf(x) - 1)).sum()])

    drawn = monte_carlo(total, np.zeros(4), np.eye(4), 30000, np.random.default_rng(13))[:, 0]
    interval = case.get("interval95") or case["mc_interval95"]
    assert drawn.std() == pytest.approx(case["u_y"], rel=0.015)
    assert shortest(drawn, 0.95) == pytest.approx(interval, rel=0.025)


@pytest.mark.parametrize("case", SUPPLEMENT["comparison_loss"][:3], ids=lambda c: f"x1={c['x1']}")
def test_comparison_loss(case: dict[str, float]) -> None:
    """JCGM 101:2008 9.4.2, table 6: Y = X1^2 + X2^2, where the first-order law gives u = 0 at x1 = 0."""
    drawn = monte_carlo(
        lambda x: np.array([(x * x).sum()]),
        np.array([case["x1"], case["x2"]]),
        case["u"] ** 2 * np.eye(2),
        40000,
        np.random.default_rng(17),
    )[:, 0]
    assert drawn.mean() * 1e6 == pytest.approx(case["mean_e6"], rel=0.02)
    assert drawn.std() * 1e6 == pytest.approx(case["u_e6"], rel=0.03)
    low, high = case["shortest95_e6"]  # type: ignore[misc]
    found = shortest(drawn * 1e6, 0.95)
    assert found == pytest.approx((low, high), rel=0.03, abs=0.1 * case["u_e6"])


@pytest.mark.parametrize("k", [0, 1])
def test_roundness_of_an_eccentric_profile(k: int) -> None:
    """ISO 12181-1:2011: RONt of R0 + A cos(n t) about a centre that is 1.5 mm off (the filter's share taken out).

    The project's circle is of first order in the eccentricity e; what is left is at most e^2 / (2 R0).
    """
    case = json.loads((PUBLISHED / "roundness_analytic.json").read_text())
    n, a, r0, c = case["n"][k], case["A"][k], case["R0"], np.array(case["centre"])
    t = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    x, y = (r0 + a * np.cos(n * t)) * [np.cos(t), np.sin(t)] + c[:, None]
    angle, radius = np.arctan2(y, x), np.hypot(x, y)
    order = angle.argsort()
    even = np.interp(t - np.pi, angle[order], radius[order], period=2 * np.pi)
    expected = case["RONt"][k] * 0.5 ** ((n / 15) ** 2)
    assert roundness_mm(even) == pytest.approx(expected, abs=c @ c / (2 * r0))
