"""What the first visitor would wait for, done before the page is opened: modules read, one chart of each kind drawn."""

import importlib

import numpy as np

from qc.series import Series

MODULES = (  # all that the pages read, but for those that keep results: they need the running server
    "qc.measure",
    "qc.checking",
    "qc.report",
    "qc.report_month",
    "qc.card_sheet",
    "qc.gauge",
    "qc.gauge_table",
    "qc.living",
    "qc.commands.camera",
)


def warm_up() -> None:
    """Read the program and draw one invented chart of each kind that nobody sees; a few seconds on a laptop."""
    from app import charts
    from qc.consistency import consistency
    from qc.learning import learning_report
    from qc.limits import nominal
    from qc.trends import batch_trend, trend

    for name in MODULES:
        importlib.import_module(name)
    bench = _invented()
    one, limit = bench.only(bench.decorator == "A"), nominal(65.0, 4.0)
    charts.trend_chart(trend(one, limit), limit, drift=True, marks=True).to_dict()
    batch_trend(one)
    for curve in learning_report({"height": one}, {"height": limit}, np.random.default_rng(0)).gained:
        charts.learning_chart(curve).to_dict()
    charts.consistency_chart(consistency(bench), limit).to_dict()


def _invented() -> Series:
    """Forty cakes of two invented decorators, one of them learning."""
    rng, n = np.random.default_rng(0), 40
    who = np.tile(["A", "B"], n // 2)
    value = 65 + rng.normal(0, 1, n) + np.where(who == "A", 5 * np.exp(-np.arange(n) / 8), 0.0)
    return Series(
        "height",
        "invented",
        np.datetime64("2026-01-01T08:00", "ms") + np.arange(n) * np.timedelta64(6, "h"),
        value,
        np.full(n, 0.5),
        np.full(n, np.nan),
        np.full(n, np.nan),
        np.arange(n),
        who,
        np.ones(n, bool),
        np.zeros(n, bool),
        np.zeros(n, bool),
        np.full(n, np.nan),
        np.full(n, ""),
    )
