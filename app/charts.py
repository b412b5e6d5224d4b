"""Charts: a quantity over time with its limits, a learning curve, decorators side by side."""

import altair as alt
import numpy as np
import pandas as pd

from app.look import BAND_COLOUR, NEUTRAL_COLOUR, OUTSIDE_COLOUR, WITHIN_COLOUR
from qc.consistency import Consistency
from qc.learning import LearningCurve
from qc.limits import Limit, limit_words, unit_words
from qc.quantities import QUANTITIES
from qc.trends import BatchTrend, Trend

MOST_POINTS = 150  # the latest cakes are drawn; more are a smear on a phone. The numbers use all of them
HEIGHT_PX = 340
FONT_PX = 13
INK = "#2b2622"


def axis_title(name: str) -> str:
    """'Height, mm'."""
    unit = unit_words(name).strip()
    return QUANTITIES[name].label + (f", {unit}" if unit else "")


def trend_chart(trend: Trend, limit: Limit | None, drift: bool, marks: bool = False) -> alt.LayerChart:
    """Single cakes with their uncertainty, chance limits, house limit, signals and notes."""
    data = _points(trend)
    name = trend.series.quantity
    x = alt.X("time:T", title=None, axis=alt.Axis(format="%d %b", labelFontSize=FONT_PX, tickCount=6))
    y = alt.Y("value:Q", title=axis_title(name), scale=alt.Scale(zero=False))
    tips = [
        alt.Tooltip("time:T", format="%d %b %Y, %H:%M", title="when"),
        alt.Tooltip("value:Q", format=f".{QUANTITIES[name].decimals}f", title=QUANTITIES[name].label),
        alt.Tooltip("cake:Q", title="cake"),
        alt.Tooltip("state:N", title="counts"),
        alt.Tooltip("words:N", title="note"),
        alt.Tooltip("day:N", title="the day"),
    ]
    base = alt.Chart(data)
    layers: list[alt.Chart] = [*_limit_layers(limit), *_chance_layers(trend)]
    layers.append(base.mark_rule(color=NEUTRAL_COLOUR, opacity=0.45, strokeWidth=2).encode(x=x, y="low:Q", y2="high:Q"))
    layers.append(_counted(base).mark_line(color=WITHIN_COLOUR, opacity=0.35).encode(x=x, y=y))
    layers.append(_counted(base).mark_circle(color=WITHIN_COLOUR, size=60, opacity=1).encode(x=x, y=y, tooltip=tips))
    hollow = base.transform_filter(alt.datum.state != "counts").mark_point(color=NEUTRAL_COLOUR, size=60)
    layers.append(hollow.encode(x=x, y=y, tooltip=tips))
    signal = base.transform_filter(alt.datum.signal).mark_point(
        shape="diamond", size=190, color=OUTSIDE_COLOUR, strokeWidth=2.5
    )
    layers.append(signal.encode(x=x, y=y, tooltip=tips))
    if drift and trend.ewma is not None:
        layers.append(_drift_layer(trend))
    if marks:
        busy = alt.Chart(data[data["day"] != ""]).mark_point(
            shape="triangle-down", size=90, yOffset=-16, color=INK, filled=True, opacity=0.9
        )
        layers.append(busy.encode(x=x, y=y, tooltip=tips))
    layers += _note_layers(data)
    return _finish(layers)


def _points(trend: Trend) -> pd.DataFrame:
    """The latest cakes as a table for the chart."""
    s = trend.series
    low = np.where(np.isfinite(s.low), s.low, s.value - s.uncertainty)
    high = np.where(np.isfinite(s.high), s.high, s.value + s.uncertainty)
    state = np.where(trend.used, "counts", np.where(trend.too_uncertain, "too uncertain", "does not count"))
    words = [""] * len(s)
    signal = np.zeros(len(s), bool)
    for found in trend.signals:
        signal[found.at] = True
        words[found.at] = found.words
    notes, day = [""] * len(s), [""] * len(s)
    for mark in trend.marks:
        if mark.words.startswith("recipe"):
            notes[mark.at] = mark.words
        else:
            day[mark.at] = ", ".join(filter(None, (day[mark.at], mark.words)))
    frame = pd.DataFrame(
        {"time": s.time, "value": s.value, "low": low, "high": high, "cake": s.check_id, "state": state}
        | {"signal": signal, "words": words, "note": notes, "day": day}
    )
    return frame[np.isfinite(s.value)].tail(MOST_POINTS)


def _counted(base: alt.Chart) -> alt.Chart:
    return base.transform_filter(alt.datum.state == "counts")


def _limit_layers(limit: Limit | None) -> list[alt.Chart]:
    """The house limit as a band, or as a line where one side is open."""
    if limit is None:
        return []
    if limit.low is not None and limit.high is not None:
        band = alt.Chart(pd.DataFrame({"low": [limit.low], "high": [limit.high]}))
        return [band.mark_rect(color=BAND_COLOUR, opacity=0.6).encode(y="low:Q", y2="high:Q")]
    edge = limit.high if limit.high is not None else limit.low
    line = alt.Chart(pd.DataFrame({"edge": [edge]}))
    return [line.mark_rule(color=OUTSIDE_COLOUR, strokeWidth=2).encode(y="edge:Q")]


def _chance_layers(trend: Trend) -> list[alt.Chart]:
    """Centre line and the limits of chance."""
    if trend.chart is None:
        return []
    low = max(trend.chart.low, 0.0) if QUANTITIES[trend.series.quantity].magnitude else trend.chart.low
    ends = alt.Chart(pd.DataFrame({"edge": [low, trend.chart.high]}))
    centre = alt.Chart(pd.DataFrame({"edge": [trend.chart.centre]}))
    return [
        ends.mark_rule(color=WITHIN_COLOUR, strokeDash=[6, 4], strokeWidth=1.5).encode(y="edge:Q"),
        centre.mark_rule(color=WITHIN_COLOUR, strokeWidth=1.5).encode(y="edge:Q"),
    ]


def _drift_layer(trend: Trend) -> alt.Chart:
    assert trend.ewma is not None
    frame = pd.DataFrame({"time": trend.series.time[trend.used], "value": trend.ewma.value}).tail(MOST_POINTS)
    return alt.Chart(frame).mark_line(color=OUTSIDE_COLOUR, strokeWidth=2.5).encode(x="time:T", y="value:Q")


def _recipe_marks(data: pd.DataFrame) -> pd.DataFrame:
    """The cakes at which a recipe changed, each with a letter."""
    recipe = data[data["note"].str.startswith("recipe")].copy()
    recipe["letter"] = [chr(ord("A") + i % 26) for i in range(len(recipe))]
    return recipe


def _note_layers(data: pd.DataFrame) -> list[alt.Chart]:
    """Changes of recipe as lines with a letter; the words stand below the chart."""
    recipe = _recipe_marks(data)
    if recipe.empty:
        return []
    chart = alt.Chart(recipe)
    return [
        chart.mark_rule(color=NEUTRAL_COLOUR, strokeDash=[2, 3]).encode(x="time:T"),
        chart.mark_text(dx=8, baseline="top", color=INK, fontSize=FONT_PX, fontWeight="bold").encode(
            x="time:T", y=alt.value(2), text="letter:N"
        ),
    ]


def note_words(trend: Trend) -> list[str]:
    """What the letters on the chart mean."""
    rows = _recipe_marks(_points(trend))
    return [f"{r.letter}, {r.time:%d %b %Y}: {r.note}" for r in rows.itertuples()]


def learning_chart(curve: LearningCurve) -> alt.LayerChart:
    """Distance from what it should be, with the fitted curve and its band."""
    frame = pd.DataFrame(
        {"cake": np.arange(1, len(curve.distance) + 1), "distance": curve.distance, "curve": curve.curve}
        | {"low": curve.low, "high": curve.high}
    ).tail(MOST_POINTS)
    base = alt.Chart(frame).encode(x=alt.X("cake:Q", title="cakes made", axis=alt.Axis(labelFontSize=FONT_PX)))
    unit = unit_words(curve.quantity).strip()
    y = alt.Y("distance:Q", title=f"away from what it should be{f', {unit}' if unit else ''}")
    return _finish(
        [
            base.mark_area(color=BAND_COLOUR, opacity=0.8).encode(y="low:Q", y2="high:Q"),
            base.mark_circle(color=NEUTRAL_COLOUR, size=45, opacity=0.7).encode(y=y),
            base.mark_line(color=WITHIN_COLOUR, strokeWidth=3).encode(y="curve:Q"),
        ],
        240,
    )


def consistency_chart(found: Consistency, limit: Limit | None) -> alt.LayerChart:
    """Every decorator's cakes side by side, by the alphabet, with mean and spread."""
    names = [d.pseudonym for d in found.decorators]
    cakes = pd.DataFrame(
        [(d.pseudonym, v) for d in found.decorators for v in d.values[-MOST_POINTS // max(len(names), 1) :]],
        columns=["decorator", "value"],
    )
    means = pd.DataFrame(
        [(d.pseudonym, d.mean, d.mean - d.sd, d.mean + d.sd) for d in found.decorators],
        columns=["decorator", "mean", "low", "high"],
    )
    y = alt.Y("decorator:N", sort=names, title=None, axis=alt.Axis(labelFontSize=FONT_PX, labelLimit=110))
    x = alt.X("value:Q", title=axis_title(found.quantity), scale=alt.Scale(zero=False))
    spread = alt.Chart(means)
    layers = [
        *_sideways_limit(limit),
        alt.Chart(cakes).mark_tick(color=NEUTRAL_COLOUR, opacity=0.45, thickness=2, size=16).encode(x=x, y=y),
        spread.mark_rule(color=WITHIN_COLOUR, strokeWidth=4).encode(x="low:Q", x2="high:Q", y=y),
        spread.mark_circle(color=WITHIN_COLOUR, size=130, opacity=1).encode(x="mean:Q", y=y),
    ]
    return _finish(layers, 60 + 44 * len(names))


def days_chart(found: BatchTrend, name: str, spread: bool = False) -> alt.LayerChart:
    """Average, or spread, of each day with two cakes or more, with the limits of chance (X-bar and S chart).

    The limits follow the day's number of cakes.
    """
    chart = found.chart
    assert chart is not None
    value, limits = (chart.spread, chart.spread_limits) if spread else (chart.mean, chart.mean_limits)
    what = "spread within a day" if spread else "day's average"
    frame = pd.DataFrame(
        {"day": found.day, "value": value, "low": limits.low, "high": limits.high, "cakes": chart.size}
    ).tail(MOST_POINTS)
    frame["out"] = (frame["value"] > frame["high"]) | (frame["value"] < frame["low"])
    x = alt.X("day:T", title=None, axis=alt.Axis(format="%d %b", labelFontSize=FONT_PX, tickCount=6))
    y = alt.Y("value:Q", title=f"{axis_title(name)}, {what}", scale=alt.Scale(zero=spread))
    tips = [
        alt.Tooltip("day:T", format="%d %b %Y"),
        alt.Tooltip("value:Q", format=f".{QUANTITIES[name].decimals}f", title="spread" if spread else "average"),
        alt.Tooltip("cakes:Q"),
    ]
    base = alt.Chart(frame)
    return _finish(
        [
            base.mark_rule(color=BAND_COLOUR, strokeWidth=7).encode(x=x, y="low:Q", y2="high:Q"),
            base.mark_circle(color=WITHIN_COLOUR, size=60, opacity=1).encode(x=x, y=y, tooltip=tips),
            base.transform_filter(alt.datum.out)
            .mark_point(shape="diamond", size=190, color=OUTSIDE_COLOUR, strokeWidth=2.5)
            .encode(x=x, y=y, tooltip=tips),
        ],
        240,
    )


def _sideways_limit(limit: Limit | None) -> list[alt.Chart]:
    if limit is None:
        return []
    if limit.low is not None and limit.high is not None:
        band = alt.Chart(pd.DataFrame({"low": [limit.low], "high": [limit.high]}))
        return [band.mark_rect(color=BAND_COLOUR, opacity=0.6).encode(x="low:Q", x2="high:Q")]
    edge = limit.high if limit.high is not None else limit.low
    return [alt.Chart(pd.DataFrame({"e": [edge]})).mark_rule(color=OUTSIDE_COLOUR, strokeWidth=2).encode(x="e:Q")]


def key_words(name: str, limit: Limit | None, drift: bool, marks: bool = False) -> str:
    """What the chart shows, in words."""
    house = f" Pale band or orange line: the house limit ({limit_words(name, limit)})." if limit else ""
    busy = " Small triangles: made in a rush or in a warm kitchen; tap one." if marks else ""
    slow = " Thick orange line: the slow drift." if drift else ""
    return (
        f"Dots: single cakes (the latest {MOST_POINTS} at most); grey bars: how sure the photos are. "
        "Dashed lines: how far cakes go by chance alone. "
        f"Orange diamonds: something stands out. Hollow: does not count.{house}{slow}{busy}"
    )


def _finish(layers: list[alt.Chart], height_px: int = HEIGHT_PX) -> alt.LayerChart:
    return (
        alt.LayerChart(layer=layers)
        .properties(height=height_px)
        .configure_view(stroke=None)
        .configure_axis(titleFontSize=FONT_PX, labelFontSize=FONT_PX, gridColor="#ebe4d9", labelColor=INK)
    )
