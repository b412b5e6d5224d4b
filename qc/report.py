"""The printed page of one check, with its pictures; a month's page is in `qc.report_month`."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.advice import advise
from qc.drawing import draw
from qc.errors import CakeQCError
from qc.photo import read_photo
from qc.quantities import QUANTITIES, Measurement
from qc.record_types import CheckRecord, JudgementRecord
from qc.records import Store
from qc.report_page import GREY, INK, MARGIN_MM, VERDICT_COLOURS, Page, jpeg, limit_bar
from qc.verdict import LineJudgement, Verdict, value_words

PHOTO_TITLES = {"top": "from above", "side": "from the side", "side2": "from the side, after a quarter turn"}
_ROW_MM = 6.6
_PHOTO_ROW_MM = 62.0
_COLUMNS_MM = (0.0, 45.0, 80.0, 116.0, 152.0, 172.0)  # quantity, value, limit, bar, verdict (long), points


def check_report(store: Store, check_id: int) -> bytes:
    """One A4 page (PDF) for one check.

    Raises
    ------
    RecordError
        There is no such check.
    """
    record = store.check(check_id)
    page = Page(record.invented)
    _head(page, record)
    _photos(page, record)
    judged = record.judgement
    if judged is None:
        _plain_values(page, record)
    else:
        _lines(page, judged)
        _advice(page, record, judged)
    _remarks(page, record)
    return page.finish()


def _head(page: Page, record: CheckRecord) -> None:
    judged = record.judgement
    name = judged.judgement.standard_name if judged else record.kind
    page.say(name, 17, True)
    page.say(
        f"Cake {record.id}  ·  {record.decorator}  ·  {record.time.astimezone():%d %b %Y, %H:%M}", 9.5, colour=GREY
    )
    page.ln(1.5)
    if judged is None:
        page.say("Measured, not judged by any standard.", 11, True)
    else:
        colour = VERDICT_COLOURS.get(judged.verdict, GREY)
        symbol = Verdict(judged.verdict).symbol
        page.say(f"{symbol} {judged.verdict}   ·   points {judged.judgement.points_words()}", 12, True, colour)
        page.say(f"House standard version {judged.judgement.standard_version}", 8, colour=GREY)
    if record.decision is not None:
        reason = f": {record.decision.reason}" if record.decision.reason else ""
        page.say(f"The chef's decision: {record.decision.decision}{reason}", 9, True)
    page.ln(2)


def _photos(page: Page, record: CheckRecord) -> None:
    pictures = [(name, _picture(record, name)) for name in PHOTO_TITLES if name in record.photos]
    shown = [(name, picture) for name, picture in pictures if picture is not None]
    if not shown:
        lost = "The photos of this check can no longer be read." if pictures else "No photos are kept with this check."
        page.say(lost, 8, colour=GREY)
        page.ln(2)
        return
    top, gap = page.get_y(), 3.0
    room = page.width_mm - gap * (len(shown) - 1)
    shapes = [picture.shape[1] / picture.shape[0] for _, picture in shown]
    height = min(_PHOTO_ROW_MM, room / sum(shapes))
    x = MARGIN_MM
    for (name, picture), shape in zip(shown, shapes, strict=True):
        page.image(jpeg(picture), x, top, shape * height, height)
        page.put(x, top + height + 3.5, PHOTO_TITLES[name], 7, colour=GREY)
        x += shape * height + gap
    page.set_y(top + height + 6)


def _picture(record: CheckRecord, name: str) -> NDArray[np.uint8] | None:
    """The stored photo with what was measured drawn in; None when it is gone."""
    try:
        return draw(read_photo(record.photos[name].path, name), record.result, name, close=True)
    except (CakeQCError, OSError):
        return None


def _lines(page: Page, judged: JudgementRecord) -> None:
    titles = ("", "measured", "limit", "", "", "points")
    y = page.get_y() + 3
    for x, title in zip(_COLUMNS_MM, titles, strict=True):
        page.put(MARGIN_MM + x, y, title, 7, colour=GREY)
    ordered = sorted(judged.judgement.lines, key=lambda line: not line.must)
    step = min(_ROW_MM, (page.h - 92 - y) / max(len(ordered), 1))
    for row, line in enumerate(ordered):
        _line(page, y + 2 + step * (row + 1), line, step, row % 2 == 0)
    page.set_y(y + 3 + step * (len(ordered) + 0.4))
    page.say("Pale band: the limit. Dot: this cake. Line through it: how sure the photos are.", 6.5, colour=GREY)
    page.ln(1)


def _line(page: Page, y: float, line: LineJudgement, step: float, shaded: bool) -> None:
    if shaded:
        page.set_fill_color(250, 247, 242)
        page.rect(MARGIN_MM - 1, y - step * 0.68, page.width_mm + 2, step, "F")
    at = [MARGIN_MM + x for x in _COLUMNS_MM]
    widths = [b - a - 1 for a, b in pairwise([*_COLUMNS_MM, page.width_mm + 1])]
    colour = VERDICT_COLOURS.get(line.verdict, GREY)
    page.put(at[0], y, page.fitted(line.label, widths[0], 8, line.must), 8, line.must)
    page.put(at[1], y, page.fitted(line.value_words(), widths[1], 8), 8)
    page.put(at[2], y, page.fitted(line.limit_words().split(", aim")[0], widths[2], 8), 8)
    if line.measurement is not None and line.limit is not None:
        limit_bar(page, at[3], y - 1, widths[3] - 3, line.limit, line.measurement)
    words = {"too close to call": "too close", "not measured": "not seen"}.get(line.verdict, str(line.verdict))
    page.put(at[4], y, f"{line.verdict.symbol} {words}", 8, True, colour)
    if line.points is not None:
        page.put(at[5], y, f"{line.points:.0f}", 8)


def _advice(page: Page, record: CheckRecord, judged: JudgementRecord) -> None:
    take = next((t for t in record.takes if t.id == judged.take_id), record.takes[-1])
    found = advise(judged.judgement, take.result)
    if found.tries:
        page.say("To try on the next cake", 9.5, True)
        for point in found.tries:
            page.say(f"• {point.sentence}", 8.5)
    if found.held is not None:
        page.say("What held", 9.5, True)
        page.say(f"• {found.held.sentence}", 8.5)
    page.ln(1.5)


def _plain_values(page: Page, record: CheckRecord) -> None:
    for row in record.result.measurements:
        if row.clock is None and row.name in QUANTITIES and page.get_y() < page.h - 60:
            page.say(_value_line(row), 8.5)


def _value_line(row: Measurement) -> str:
    return f"{QUANTITIES[row.name].label}: {value_words(row)}"


def _remarks(page: Page, record: CheckRecord) -> None:
    about = record.circumstances
    notes = [about.notes, f"recipe: {about.recipe_change}" if about.recipe_change else "", "rush" if about.rush else ""]
    if about.kitchen_temperature_c is not None:
        notes.append(f"kitchen {about.kitchen_temperature_c:g} °C")
    lines = [" · ".join(n for n in notes if n)]
    lines += [f"{c.author or record.decorator}: {c.text}" for c in record.comments if c.text]
    lines += [
        f"Corrected {c.field}: {c.earlier or 'nothing'} → {c.now or 'nothing'} ({c.reason})" for c in record.corrections
    ]
    lines += list(record.result.warnings)
    said = [line for line in lines if line]
    if said:
        page.say("Notes", 9.5, True)
    for line in said:
        if page.get_y() > page.h - 32:
            page.say("More notes stand in the records.", 7, colour=GREY)
            return
        page.say(page.fitted(" ".join(line.split()), 2.6 * page.width_mm, 7.5), 7.5, colour=INK)
