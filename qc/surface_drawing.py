"""Pictures of what the surface stages found: meridians magnified, relief in colour, spots circled."""

from collections.abc import Callable, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.icing import IcingResult
from qc.lettering import width_px, write
from qc.profile import ProfileResult, Silhouette, off_line
from qc.quantities import Blemish
from qc.relief import ReliefMap
from qc.show_through import ShowSettings
from qc.unroll import SidePicture, TopPicture

Picture = NDArray[np.uint8]
INK, PAPER, GRID = (40, 40, 40), (255, 255, 255), (205, 205, 205)
BLUE, ORANGE = (0, 90, 181), (220, 95, 0)  # told apart by colour-blind people (Okabe and Ito, 2008)
SPOT_WORDS = {"finger": "finger mark"}
STRIP = 2.6  # width over height from which a strip is cut in two and stacked
AXIS_PX, ROOM_PX = 11, 66  # height of the words at a side line's axes, and room for those on its left
LEAST_SCALED_PX = 900  # width of a relief picture
WORD = 0.028  # height of words as a share of the width that is shown: read on a phone


def draw_meridian(one: Silhouette, magnified: float = 10.0, px_per_mm: float = 4.0) -> Picture:
    """One meridian against height, its deviation from its line drawn `magnified` times as large as its height.

    The line in the middle is the least-squares line; outwards is to the right; the band is what the photo leaves open.
    """
    z = one.profile.z_mm
    away = off_line(z, one.profile.radius_mm)
    draws = off_line(z, one.profile.draws_mm)
    reach = max(0.5, float(np.abs(away).max()) * 1.2)
    wide = max(250, int(2 * reach * magnified * px_per_mm) + ROOM_PX + 30)
    tall = int((z[-1] - z[0]) * px_per_mm) + 76
    out = np.full((tall, wide, 3), 255, np.uint8)
    middle = ROOM_PX + (wide - ROOM_PX - 30) // 2

    def at(height: NDArray[Any], mm: NDArray[Any]) -> NDArray[np.int32]:
        x = middle + mm * magnified * px_per_mm
        return np.round(np.stack([x, 26 + (z[-1] - height) * px_per_mm], -1)).astype(np.int32)

    _axes(out, at, np.arange(np.ceil(z[0] / 10) * 10, z[-1], 10), (float(z[0]), float(z[-1])), reach)
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    band = np.concatenate([at(z, low), at(z, high)[::-1]])
    cv2.fillPoly(out, [band], (205, 222, 240), cv2.LINE_AA)
    line, seen = at(z, away), one.profile.seen
    for a, b, sure in zip(line[:-1], line[1:], seen[:-1] & seen[1:], strict=True):
        cv2.line(out, tuple(map(int, a)), tuple(map(int, b)), BLUE if sure else ORANGE, 2, cv2.LINE_AA)
    title = f"{round(one.clock) or 12} o'clock, waves x {magnified:.0f}"
    for text, y in (("mm off a straight line", tall - 5), (title, 16)):
        x = min(max(2, middle - width_px(text, AXIS_PX) // 2), wide - width_px(text, AXIS_PX) - 2)
        write(out, text, (x, y), AXIS_PX, INK, PAPER)
    return out


def _axes(
    out: Picture,
    at: Callable[[NDArray[Any], NDArray[Any]], NDArray[np.int32]],
    heights_mm: NDArray[Any],
    ends_mm: tuple[float, float],
    reach_mm: float,
) -> None:
    """Lines every half millimetre, the outermost named, and the heights on the left."""
    steps = np.arange(-np.floor(reach_mm * 2) / 2, reach_mm + 1e-9, 0.5)
    for mm in steps:
        top, foot = at(np.array(ends_mm)[::-1], np.full(2, mm))
        cv2.line(out, tuple(map(int, top)), tuple(map(int, foot)), INK if mm == 0 else GRID, 1, cv2.LINE_AA)
        if abs(mm) == steps[-1]:
            told = f"{mm:+g}"
            x = int(foot[0]) - width_px(told, AXIS_PX) // 2
            write(out, told, (x, int(foot[1]) + 20), AXIS_PX, INK, PAPER)
    for height in heights_mm:
        y = int(at(np.array([height]), np.zeros(1))[0, 1])
        write(out, f"{height:.0f} mm", (2, y + AXIS_PX // 2), AXIS_PX, INK, PAPER)
        cv2.line(out, (ROOM_PX - 8, y), (ROOM_PX - 2, y), INK, 1)


def draw_meridians(result: ProfileResult, magnified: float = 10.0, px_per_mm: float = 4.0) -> Picture | None:
    """All meridians side by side, or None where there are none."""
    parts = [draw_meridian(s, magnified, px_per_mm) for s in result.silhouettes]
    if not parts:
        return None
    tall = max(p.shape[0] for p in parts)
    padded = [np.pad(p, ((0, tall - p.shape[0]), (0, 12), (0, 0)), constant_values=255) for p in parts]
    return np.asarray(np.hstack(padded), np.uint8)


def draw_silhouette(pixels: Picture, one: Silhouette, height_px: int = 900) -> Picture:
    """The photo along one silhouette with the edge that was found, beside its meridian."""
    points = one.points_px[np.isfinite(one.points_px).all(1)]
    low, high = np.floor(points.min(0)).astype(int) - 40, np.ceil(points.max(0)).astype(int) + 40
    low, high = np.maximum(low, 0), np.minimum(high, [pixels.shape[1], pixels.shape[0]])
    cut = pixels[low[1] : high[1], low[0] : high[0]].copy()
    for (x, y), ok in zip(one.points_px - low, one.believed, strict=True):
        cv2.circle(cut, (round(float(x)), round(float(y))), 1, BLUE if ok else ORANGE, -1)
    scale = height_px / cut.shape[0]
    cut = np.asarray(cv2.resize(cut, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    side = draw_meridian(one)
    side = np.asarray(cv2.resize(side, None, fx=height_px / side.shape[0], fy=height_px / side.shape[0]))
    return np.asarray(np.hstack([cut, side[: cut.shape[0]]]), np.uint8)


def draw_relief(relief: ReliefMap, limit_mm: float | None = None) -> Picture:
    """A relief map in the cividis scale (Nunez, Anderton and Renslow, 2018), which colour-blind people read alike.

    Yellow stands out, blue lies deep; grey could not be read. The scale is written below.
    """
    height = _known_part(relief.height_mm)
    if limit_mm is None:
        known = np.abs(height[np.isfinite(height)])
        limit_mm = max(0.1, float(np.quantile(known, 0.98))) if known.size else 0.1
    code = np.clip(127.5 + 127.5 * np.nan_to_num(height) / limit_mm, 0, 255).astype(np.uint8)
    out = cv2.cvtColor(cv2.applyColorMap(code, cv2.COLORMAP_CIVIDIS), cv2.COLOR_BGR2RGB)
    out[~np.isfinite(height)] = (128, 128, 128)
    strip = stacked(np.asarray(out, np.uint8))
    larger = max(1.0, LEAST_SCALED_PX / strip.shape[1])  # so that the words under it fit
    strip = np.asarray(cv2.resize(strip, None, fx=larger, fy=larger), np.uint8)
    return np.asarray(np.vstack([strip, _relief_scale(strip.shape[1], limit_mm)]), np.uint8)


def _known_part(height_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The rows and columns between which something could be read; all of it where nothing could."""
    known = np.isfinite(height_mm)
    if not known.any():
        return height_mm
    rows, columns = np.flatnonzero(known.any(1)), np.flatnonzero(known.any(0))
    return height_mm[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def _relief_scale(wide_px: int, limit_mm: float) -> Picture:
    """What the colours of a relief mean, as wide as the picture that it stands under."""
    height = max(12, round(WORD * wide_px))
    bar = np.full((2 * height, wide_px, 3), 255, np.uint8)
    ramp = cv2.applyColorMap(np.arange(256, dtype=np.uint8)[None], cv2.COLORMAP_CIVIDIS)
    deep, out = f"{limit_mm:.2f} mm deep", f"{limit_mm:.2f} mm out"
    left = height // 2 + width_px(deep, height)
    right = wide_px - height // 2 - width_px(out, height)
    if right - left > 2 * height:
        wide = right - left - height
        ramp = cv2.resize(cv2.cvtColor(ramp, cv2.COLOR_BGR2RGB), (wide, height))
        bar[height // 2 : height // 2 + height, left + height // 2 : left + height // 2 + wide] = ramp
    for text, x in ((deep, height // 2), (out, right)):
        write(bar, text, (x, round(1.5 * height)), height, INK, PAPER)
    return bar


def stacked(pixels: Picture) -> Picture:
    """A long strip in two halves, the first above, so that a phone shows it twice as large.

    A little of the seam stands in both.
    """
    height, width = pixels.shape[:2]
    if width < STRIP * height:
        return pixels
    half = width // 2 + width // 60
    gap = np.full((max(6, height // 40), half, 3), 255, np.uint8)
    return np.asarray(np.vstack([pixels[:, :half], gap, pixels[:, width - half :]]), np.uint8)


def draw_side(icing: IcingResult) -> Picture | None:
    """The unrolled side with spots circled, patches outlined and the clock written below; None without a side photo."""
    if icing.side is None:
        return None
    out = icing.side.pixels.copy()
    out[~icing.side.seen] = (128, 128, 128)
    for face in icing.faces:
        if isinstance(face.picture, SidePicture):
            _outline(out, icing.side, face.picture, face.shown.bad)
    taken: list[cv2.typing.Rect] = []
    for spot in (b for b in icing.blemishes if b.photo != "top"):
        x, y = icing.side.to_px(np.array(np.arctan2(spot.y_mm, spot.x_mm)), np.array(spot.height_mm))
        radius = _circle(out, float(x), float(y), spot, icing.side.px_per_mm)
        _spot_words(out, float(x), float(y), radius, spot, round(WORD * out.shape[1] / 2), taken)
    return stacked(np.asarray(np.vstack([out, _clock_bar(icing.side)]), np.uint8))


def draw_top(icing: IcingResult) -> Picture | None:
    """The top square from above with spots circled; None without a top photo."""
    top = icing.top
    if not isinstance(top, TopPicture):
        return None
    out = top.pixels.copy()
    taken: list[cv2.typing.Rect] = []
    for spot in (b for b in icing.blemishes if b.photo == "top"):
        x, y = top.to_px(np.array([spot.x_mm, spot.y_mm]))
        radius = _circle(out, float(x), float(y), spot, top.px_per_mm)
        _spot_words(out, float(x), float(y), radius, spot, round(WORD * out.shape[1]), taken)
    return out


def _circle(out: Picture, x: float, y: float, spot: Blemish, px_per_mm: float) -> int:
    """A ring round a spot; gives its radius in px."""
    radius = max(6, round(0.7 * spot.size_mm * px_per_mm)) + 1
    cv2.circle(out, (round(x), round(y)), radius, PAPER, 5, cv2.LINE_AA)
    cv2.circle(out, (round(x), round(y)), radius, ORANGE, 2, cv2.LINE_AA)
    return radius


def _spot_words(
    out: Picture, x: float, y: float, radius: int, spot: Blemish, word_px: int, taken: list[cv2.typing.Rect]
) -> None:
    """What a spot is and its size, where no other spot's words stand: right of it, left, below, above."""
    text = f"{SPOT_WORDS.get(spot.kind, spot.kind)} {spot.size_mm:.1f}"
    wide, tall = width_px(text, word_px), round(1.4 * word_px)
    right, left, middle = round(x) + radius + 4, round(x) - radius - 4 - wide, round(x) - wide // 2
    beside, below, above = round(y) - tall // 2, round(y) + radius + 2, round(y) - radius - 2 - tall
    boxes = [(right, beside, wide, tall), (left, beside, wide, tall), (middle, below, wide, tall)]
    boxes.append((middle, above, wide, tall))
    free = [box for box in boxes if 0 <= box[0] <= out.shape[1] - wide and not any(_overlap(box, t) for t in taken)]
    chosen = free[0] if free else boxes[0]
    taken.append(chosen)
    write(out, text, (chosen[0], chosen[1] + round(1.2 * word_px)), word_px, INK, PAPER)


def _overlap(a: cv2.typing.Rect, b: cv2.typing.Rect) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def _outline(out: Picture, side: SidePicture, part: SidePicture, bad: NDArray[np.bool_]) -> None:
    """Patches of one photo outlined in the merged picture."""
    factor = part.px_per_mm / ShowSettings().px_per_mm
    shift = side.to_px(part.theta_rad[:1], np.array([part.z_mm[0]]))[0]
    shapes, _ = cv2.findContours(bad.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for shape in shapes:
        cv2.polylines(out, [np.round(shape * factor + shift).astype(np.int32)], True, BLUE, 2, cv2.LINE_AA)


def _clock_bar(side: SidePicture, hours: Sequence[int] = range(1, 13)) -> Picture:
    word_px = round(WORD * len(side.theta_rad) / 2)
    bar = np.full((2 * word_px, len(side.theta_rad), 3), 255, np.uint8)
    for hour in hours:
        x = float(side.to_px(np.array(np.radians(90 - 30 * hour)), np.array(0.0))[0])
        if 8 < x < bar.shape[1] - 8:
            cv2.line(bar, (round(x), 0), (round(x), word_px // 3), INK, max(1, word_px // 10))
            place = (round(x) - width_px(str(hour), word_px) // 2, round(1.6 * word_px))
            write(bar, str(hour), place, word_px, INK, PAPER)
    return bar
