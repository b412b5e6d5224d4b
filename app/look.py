"""How the page looks: colours, text that is never markup, and the small pictures that are drawn as HTML.

The two colours were chosen so that people with any common colour blindness tell them apart (one is dark and blue, the
other lighter and orange); beside them always stand a symbol and a word.
"""

import warnings
from collections.abc import Callable
from html import escape
from typing import Final

import numpy as np
import streamlit as st
from skimage.color import lab2rgb

from qc.limits import Limit, unit_words
from qc.quantities import QUANTITIES
from qc.verdict import Judgement, LineJudgement, Verdict

WITHIN_COLOUR: Final = "#0f5c73"  # deep teal-blue
OUTSIDE_COLOUR: Final = "#bd5418"  # burnt orange
NEUTRAL_COLOUR: Final = "#6d665e"  # warm grey: too close to call, not measured
BAND_COLOUR: Final = "#d5e5e9"
COLOURS: Final = {
    Verdict.WITHIN: WITHIN_COLOUR,
    Verdict.OUTSIDE: OUTSIDE_COLOUR,
    Verdict.TOO_CLOSE: NEUTRAL_COLOUR,
    Verdict.NOT_MEASURED: NEUTRAL_COLOUR,
}
CSS = f"""<style>
.block-container {{ padding-top: 4.2rem; padding-bottom: 5rem; max-width: 62rem; }}
.stButton button, .stDownloadButton button, .stFormSubmitButton button {{ min-height: 3.1rem; font-size: 1.05rem; }}
.stSelectbox div:has(> input), .stNumberInput div:has(> input), .stTextInput div:has(> input) {{ height: auto;
  min-height: 2.9rem; }}
.stSelectbox input, .stNumberInput input, .stTextInput input {{ min-height: 2.8rem; font-size: 1.05rem; }}
.stNumberInput button {{ width: 2.9rem; min-height: 2.8rem; }}
.stButtonGroup button {{ min-height: 2.9rem; padding: .3rem .9rem; font-size: 1rem; }}
.stRadio label, .stCheckbox label {{ min-height: 2.8rem; align-items: center; }}
.stExpander summary {{ min-height: 2.9rem; align-items: center; }}
[data-testid="stHeaderActionElements"], button[aria-label="Copy Vega-Lite spec"] {{ display: none; }}
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {{ color: #5f584f; }}
.qc-swatch {{ display: inline-block; width: 3rem; height: 1.6rem; border: 1px solid #b9afa2; border-radius: .4rem;
  vertical-align: middle; margin-right: .6rem; }}
.qc-banner {{ border-radius: .9rem; padding: .9rem 1.1rem; color: #fff; display: flex; gap: 1rem; align-items: center;
  flex-wrap: wrap; margin-bottom: .6rem; }}
.qc-banner .sym {{ font-size: 2.2rem; line-height: 1; font-weight: 700; }}
.qc-banner .word {{ flex: 1 1 13rem; font-size: 1.5rem; font-weight: 700; line-height: 1.15; }}
.qc-banner .pts {{ margin-left: auto; text-align: right; font-size: 1.25rem; font-weight: 600; line-height: 1.2; }}
.qc-banner small {{ font-weight: 400; font-size: .85rem; display: block; opacity: .95; }}
.qc-line {{ background: #fff; border: 1px solid #e5ddd0; border-left-width: 6px; border-radius: .7rem;
  padding: .55rem .8rem .45rem; margin: 0 0 .5rem; display: grid; grid-template-columns: minmax(0,1fr) 19rem;
  column-gap: 1rem; align-items: center; }}
.qc-line .name {{ font-weight: 650; }}
.qc-line .num {{ font-size: 1.1rem; }}
.qc-line .lim, .qc-line .why {{ color: {NEUTRAL_COLOUR}; font-size: .92rem; }}
.qc-line .verdict {{ font-weight: 650; }}
.qc-tag {{ font-size: .75rem; border: 1px solid #b9afa2; border-radius: .5rem; padding: 0 .35rem; margin-left: .35rem;
  color: {NEUTRAL_COLOUR}; white-space: nowrap; }}
[class*="st-key-cake_"] button, [class*="st-key-cake_"] button div {{ justify-content: flex-start; text-align: left;
  width: 100%; }}
.qc-rule {{ display: flex; flex-wrap: wrap; gap: .1rem .8rem; background: #fff; border: 1px solid #e5ddd0;
  border-radius: .6rem; padding: .5rem .8rem; margin: 0 0 .35rem; align-items: baseline; }}
.qc-rule .name {{ font-weight: 650; min-width: 11rem; }}
.qc-rule .lim {{ min-width: 9rem; font-size: 1.05rem; }}
.qc-rule .note {{ color: {NEUTRAL_COLOUR}; font-size: .92rem; }}
.qc-bar {{ position: relative; height: 2.6rem; margin: 0 .6rem; }}
.qc-bar i {{ position: absolute; display: block; box-sizing: border-box; }}
.qc-bar .rail {{ left: 0; right: 0; top: .55rem; height: .7rem; border-radius: .35rem; background: #eee7dc; }}
.qc-bar .band {{ top: .55rem; height: .7rem; background: {BAND_COLOUR}; border: 1.5px solid {WITHIN_COLOUR}; }}
.qc-bar .spread {{ top: .8rem; height: .2rem; }}
.qc-bar .mark {{ width: 1rem; height: 1rem; margin-left: -.5rem; top: .4rem; border: 3px solid; }}
.qc-bar .dot, .qc-bar .open {{ border-radius: 50%; }}
.qc-bar .diamond {{ transform: rotate(45deg); }}
.qc-bar b {{ position: absolute; top: 1.45rem; font-size: .78rem; font-weight: 400; color: {NEUTRAL_COLOUR};
  transform: translateX(-50%); white-space: nowrap; }}
.qc-note {{ background: #fff; border: 1px solid #e5ddd0; border-radius: .7rem; padding: .7rem .9rem;
  margin: 0 0 .5rem; }}
.qc-note b {{ display: block; }}
#qc-result {{ border: 0; border-top: 1px solid #e5ddd0; margin: .5rem 0; scroll-margin-top: 4rem; }}
.qc-plain {{ white-space: pre-wrap; overflow-wrap: anywhere; }}
@media (max-width: 640px) {{
  .qc-line {{ grid-template-columns: minmax(0,1fr); }}
  .qc-banner .pts {{ margin-left: 0; text-align: left; }}
  .block-container {{ padding-left: 1rem; padding-right: 1rem; }}
  [data-testid="stExpandSidebarButton"] {{ width: auto; padding: .4rem .8rem; border: 1px solid #b9afa2; }}
  [data-testid="stExpandSidebarButton"]::after {{ content: "Menu"; font-size: 1.05rem; margin-left: .3rem; }}
  [data-testid="stSidebarNavLink"] {{ padding: .75rem .6rem; font-size: 1.1rem; }}
  h1 {{ font-size: 1.8rem !important; }}
}}
</style>"""


def dress() -> None:
    """Put the page's style in place."""
    st.html(CSS)


def plain(text: str) -> None:
    """Show words that somebody typed exactly as they are, never as markup."""
    st.html(f'<div class="qc-plain">{escape(text)}</div>')


def unmarked(text: str) -> str:
    """The same words for places that read Markdown: every mark that could mean something is made plain."""
    return "".join("\\" + c if c in r"\`*_{}[]()<>#+-.!|~$:^@&" else c for c in text)


def banner(judgement: Judgement) -> None:
    """The cake's overall verdict in a symbol, words and points."""
    must = [line for line in judgement.lines if line.must and line.verdict is judgement.verdict]
    named = ", ".join(line.label for line in must) if judgement.verdict is not Verdict.WITHIN else "all that must hold"
    name = f"{judgement.standard_name}, standard version {judgement.standard_version}"
    st.html(
        f'<div class="qc-banner" style="background:{COLOURS[judgement.verdict]}" role="status">'
        f'<span class="sym">{judgement.verdict.symbol}</span>'
        f'<span class="word">{_overall_words(judgement.verdict)}<small>{escape(named)}</small></span>'
        f'<span class="pts">{escape(judgement.points_words())}'
        f"<small>{escape(name)}</small></span></div>"
    )


def _overall_words(verdict: Verdict) -> str:
    return {
        Verdict.WITHIN: "Within the house standard",
        Verdict.OUTSIDE: "Outside the house standard",
        Verdict.TOO_CLOSE: "Too close to call: your eye decides",
        Verdict.NOT_MEASURED: "Not fully measured",
    }[verdict]


def lines_table(judgement: Judgement) -> None:
    """Every line of the standard: value, uncertainty, limit as a bar, verdict in words, points."""
    order = {Verdict.OUTSIDE: 0, Verdict.TOO_CLOSE: 1, Verdict.WITHIN: 2, Verdict.NOT_MEASURED: 3}
    rows = sorted(judgement.lines, key=lambda line: (order[line.verdict], not line.must))
    st.html("".join(_line(line) for line in rows))


def _line(line: LineJudgement) -> str:
    colour = COLOURS[line.verdict]
    tag = "must hold" if line.must else "coaching"
    points = "" if line.points is None else f" · {line.points:.0f} points"
    limit = f"limit {escape(line.limit_words())}"
    meaning = escape(QUANTITIES[line.name].meaning)
    said = line.reason or (line.measurement.note if line.measurement else "") or ""
    why = f'<div class="why">{escape(said)}</div>' if said else ""
    return (
        f'<div class="qc-line" style="border-left-color:{colour}"><div>'
        f'<span class="name" title="{meaning}">{escape(line.label)}</span><span class="qc-tag">{tag}</span>'
        f'<div class="num">{escape(line.value_words())}</div>'
        f'<div><span class="verdict" style="color:{colour}">{line.verdict.symbol} {line.verdict.value}</span>'
        f'<span class="lim"> · {limit}{points}</span></div>{why}</div><div>{limit_bar(line)}</div></div>'
    )


def limit_bar(line: LineJudgement) -> str:
    """A bar: the limit as a band, the value as a mark with its uncertainty; empty without a verdict.

    Drawn with plain boxes, since the page lets no other pictures through in text.
    """
    if line.limit is None or line.measurement is None or line.points is None:
        return ""
    value, spread = line.measurement.value, line.measurement.uncertainty
    low, high = line.measurement.interval or (value - spread, value + spread)
    start, end = _bar_range(line.limit)

    def x(v: float) -> float:
        return min(max(100 * (v - start) / (end - start), 0.0), 100.0)

    half = 0.5 if line.limit.kind == "count" else 0.0
    band_low = start if line.limit.low is None else line.limit.low - half
    band_high = end if line.limit.high is None else line.limit.high + half
    colour = COLOURS[line.verdict]
    label = f"{line.label}: {line.value_words()}, limit {line.limit_words()}, {line.verdict.value}"
    return (
        f'<div class="qc-bar" role="img" aria-label="{escape(label)}"><i class="rail"></i>'
        f'<i class="band" style="left:{x(band_low):.1f}%;width:{x(band_high) - x(band_low):.1f}%"></i>'
        f'<i class="spread" style="left:{x(low):.1f}%;width:{max(x(high) - x(low), 0.5):.1f}%;background:{colour}"></i>'
        f"{_mark(x(value), line.verdict, colour)}{_end_labels(line, x)}</div>"
    )


def _mark(x: float, verdict: Verdict, colour: str) -> str:
    """A diamond outside, a dot within, an open circle when too close: shapes differ, not only colours."""
    shape = {Verdict.OUTSIDE: "diamond", Verdict.WITHIN: "dot"}.get(verdict, "open")
    fill = "#fff" if shape == "open" else colour
    return f'<i class="mark {shape}" style="left:{x:.1f}%;background:{fill};border-color:{colour}"></i>'


def _end_labels(line: LineJudgement, x: Callable[[float], float]) -> str:
    assert line.limit is not None
    unit = escape(unit_words(line.name))
    ends = sorted({v for v in (line.limit.low, line.limit.high) if v is not None})
    return "".join(f'<b style="left:{min(max(x(v), 6), 92):.1f}%">{v:g}{unit}</b>' for v in ends)


def _bar_range(limit: Limit) -> tuple[float, float]:
    """What the bar shows: three quarters of the tolerance beyond a limit on either side, twice a one-sided limit."""
    if limit.low is not None and limit.high is not None:
        around = max((limit.high - limit.low) * 0.75, 3.0 if limit.kind == "count" else 0.0)
        return limit.low - around, limit.high + around
    if limit.high is not None:
        return 0.0, 2 * limit.high
    assert limit.low is not None
    return 0.0, 2 * limit.low


def screen_colour(lab: tuple[float, float, float]) -> str:
    """The nearest that a screen can show of a CIELAB (D65) colour, as #rrggbb."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a colour beyond the screen's is clipped, which is meant
        rgb = np.clip(lab2rgb(np.array(lab, float)), 0, 1)
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in rgb)


def chip(verdict: str | None) -> str:
    """A verdict in a symbol and words, for lists."""
    if verdict is None:
        return "– not judged"
    return f"{Verdict(verdict).symbol} {verdict}"
