"""Spread within and between decorators."""

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.consistency import brown_forsythe, compare_pairs, components, consistency, one_way
from qc.series import Series

STRD = json.loads((Path(__file__).parent / "published" / "nist_strd.json").read_text())
# NIST StRD "SmLs": nine treatments; each has its first value once, then the values below and above it by turns
SMLS_FIRST = (0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5)
SMLS_OFFSET = {"SmLs01": 1.0, "SmLs04": 1e6, "SmLs07": 1e12, "SmLs09": 1e12}


def bench(groups: dict[str, NDArray[np.float64]], name: str = "height", uncertainty: float = 0.2) -> Series:
    """All cakes of a bench as one series."""
    value = np.concatenate(list(groups.values()))
    n = len(value)
    who = np.repeat(list(groups), [len(v) for v in groups.values()])
    nan = np.full(n, np.nan)
    time = np.datetime64("2026-01-05", "ms") + np.arange(n)
    no = np.zeros(n, bool)
    steady = np.full(n, uncertainty)
    return Series(name, "cream-15", time, value, steady, nan, nan, np.arange(n), who, ~no, no, no, nan, np.full(n, ""))


def _certified(name: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    if name in SMLS_OFFSET:
        each = STRD[name]["n"] // 9
        rows = [np.concatenate([[m], np.tile([m - 0.1, m + 0.1], each // 2)]) for m in SMLS_FIRST]
        # the certified data are these decimals read as text, so the sum is rounded from the decimal
        value = np.array([float(f"{int(SMLS_OFFSET[name])}{f'{v:.1f}'[1:]}") for row in rows for v in row])
        return value, np.repeat(np.arange(9), each)
    data = np.array(STRD[name]["data"])
    return data[:, 1], data[:, 0].astype(np.int64) - 1


@pytest.mark.parametrize(
    ("name", "digits"),
    [("SiRstv", 1e-12), ("AtmWtAg", 1e-9), ("SmLs01", 1e-12), ("SmLs04", 1e-9), ("SmLs07", 1e-4), ("SmLs09", 1e-4)],
)
def test_published_one_way_anova(name: str, digits: float) -> None:
    """NIST StRD, one-way ANOVA. SmLs07 and 09 stand on 10^12: in double precision the data keep four digits of 0.1."""
    value, group = _certified(name)
    table = one_way(value, group)
    assert len(value) == STRD[name]["n"]
    assert table.f_ratio == pytest.approx(STRD[name]["F"], rel=digits)
    assert table.r2 == pytest.approx(STRD[name]["R2"], rel=digits)
    assert table.residual_sd == pytest.approx(STRD[name]["resid_sd"], rel=digits)


def test_mixed_model_against_statsmodels() -> None:
    """Independent library: statsmodels MixedLM by REML on unequal groups."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(1)
    for _ in range(4):
        count = rng.integers(10, 40, 5)
        group = np.repeat(np.arange(5), count)
        value = 65 + rng.normal(0, 1.5, 5)[group] + rng.normal(0, 1, len(group))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = MixedLM(value, np.ones((len(value), 1)), group).fit(reml=True)
        found = components(value, group)
        assert found.method == "mixed model"
        assert found.within == pytest.approx(fit.scale**0.5, rel=1e-4)
        assert found.between == pytest.approx(float(np.ravel(fit.cov_re)[0]) ** 0.5, rel=1e-3)


def test_pairs_against_statsmodels() -> None:
    """Independent library: statsmodels' Tukey intervals for unequal variances (Games and Howell)."""
    from statsmodels.stats.multicomp import pairwise_tukeyhsd

    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(3), [12, 20, 15])
    value = 65 + np.array([0.0, 0.5, 2.0])[group] + rng.normal(0, np.array([0.5, 1.0, 2.0])[group])
    fit = pairwise_tukeyhsd(value, group, use_var="unequal")
    found = compare_pairs(value, group, ["A", "B", "C"])
    assert [p.difference for p in found] == pytest.approx(fit.meandiffs)
    assert np.array([(p.low, p.high) for p in found]) == pytest.approx(fit.confint, abs=2e-3)


def test_brown_forsythe_against_scipy() -> None:
    """Independent library: scipy.stats.levene about the medians."""
    from scipy.stats import levene

    rng = np.random.default_rng(3)
    parts = [rng.normal(0, s, 20) for s in (1.0, 1.3, 2.0)]
    group = np.repeat(np.arange(3), 20)
    assert brown_forsythe(np.concatenate(parts), group) == pytest.approx(levene(*parts, center="median").pvalue)


@pytest.mark.parametrize("counts", [[30] * 8, [10, 50, 20, 30, 12, 40, 25, 33]])
def test_components_recover_the_truth(counts: list[int]) -> None:
    """Recovery: within 1.0 and between 0.8, on average over 150 benches, equal and unequal counts."""
    rng = np.random.default_rng(4)
    group = np.repeat(np.arange(8), counts)
    found = [components(65 + rng.normal(0, 0.8, 8)[group] + rng.normal(0, 1, len(group)), group) for _ in range(150)]
    assert np.mean([f.within**2 for f in found]) == pytest.approx(1.0, rel=0.03)
    assert np.mean([f.between**2 for f in found]) == pytest.approx(0.64, rel=0.15)


def test_adjusted_intervals_hold_together() -> None:
    """Recovery: of 200 benches without any difference at most 8 % show a pair that differs."""
    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(4), [12, 20, 15, 30])
    wrong = [any(p.differ for p in compare_pairs(rng.normal(0, 1, 77), group, list("ABCD"))) for _ in range(200)]
    assert np.mean(wrong) < 0.08


def test_nobody_is_ranked_and_nothing_is_said_of_few_cakes() -> None:
    rng = np.random.default_rng(6)
    found = consistency(
        bench(
            {
                "mint": rng.normal(65, 1, 15),
                "Basil": rng.normal(68, 1, 12),
                "Anise": rng.normal(65, 1, 20),
                "New": np.full(9, 70.0),
            }
        )
    )
    assert [d.pseudonym for d in found.decorators] == ["Anise", "Basil", "mint"]  # by the alphabet
    assert found.too_few == ("New",)
    assert "New" not in "".join(found.sentences[:-1])
    assert "Nothing is said of New" in found.sentences[-1]
    assert {(p.first, p.second) for p in found.pairs if p.differ} == {("Anise", "Basil"), ("Basil", "mint")}


def test_one_decorator_is_no_comparison() -> None:
    found = consistency(bench({"Mint": np.arange(20.0)}))
    assert found.components is None
    assert "two decorators" in found.sentences[0]


def test_cakes_that_are_all_alike() -> None:
    found = consistency(bench({"Anise": np.full(12, 8.0), "Mint": np.full(12, 8.0)}, "decoration_count"))
    assert "no spread to compare" in found.sentences[0]


def test_photos_share_of_the_spread_is_told() -> None:
    rng = np.random.default_rng(7)
    found = consistency(bench({"Anise": rng.normal(1, 0.2, 30), "Mint": rng.normal(1, 0.2, 30)}, "level", 0.36))
    assert found.components is not None
    assert found.components.photos == pytest.approx(0.18)
    assert any("comes from the photos, not the cakes" in s for s in found.sentences)
