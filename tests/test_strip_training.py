"""Training of the strip network: what it is shown, and that it can learn (skipped without torch)."""

from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from qc.outline_strip import COLUMN_MM, COLUMNS, PLACE, PLANES, SHOWN, STEP  # noqa: E402
from qc.training.strip import BATCH, ROWS, StripNet, draw, loss_of, measure, read_strips  # noqa: E402

WIDE, LONG = 144, 240


def kept(folder: Path, name: str, edge_mm: np.ndarray) -> Path:
    """A strip as `tests.long.strips` keeps it: light up to the edge, dark beyond; a piece hides the first 40 rows."""
    columns = (np.arange(WIDE) - (WIDE - 1) / 2) * COLUMN_MM
    light = np.where(columns[None] < edge_mm[:, None], 220, 60).astype(np.uint8)
    seen = np.zeros((len(SHOWN), LONG // 4, WIDE // 4), np.uint8)
    seen[SHOWN.index("decoration"), :10] = 255
    path = folder / f"{name}.npz"
    np.savez(
        path,
        top_light=cv2.imencode(".jpg", np.repeat(light[..., None], 3, 2), [cv2.IMWRITE_JPEG_QUALITY, 95])[1],
        top_seen=seen,
        top_place=np.zeros((PLACE, LONG), np.uint8),
        top_edge=edge_mm.astype(np.float16),
    )
    return path


def test_one_row_of_odds_for_each_row_of_the_strip() -> None:
    said = StripNet(8, 8, 8)(torch.zeros(2, PLANES, 5 * STEP, COLUMNS))
    assert said.shape == (2, 5 * STEP, COLUMNS)


def test_hidden_and_unknown_rows_teach_nothing(tmp_path: Path) -> None:
    edge = np.full(LONG, 1.0)
    edge[100:110] = -99.0
    strips = read_strips([kept(tmp_path, "cake-1", edge)], "cpu")
    known = torch.isfinite(strips.edge_mm[0]).numpy()
    assert not known[:36].any()
    assert not known[100:110].any()
    assert known[50:100].all()
    assert strips.names == ["cake-1 top"]


def test_a_drawn_piece_has_its_edge_where_it_is_said(tmp_path: Path) -> None:
    """Metamorphic: however the strip is bent, light falls off at the column that is called true."""
    paths = [kept(tmp_path, f"cake-{k}", np.full(LONG, 0.5 * k)) for k in range(3)]
    strips = read_strips(paths, "cpu")
    shown, column = draw(strips, torch.Generator().manual_seed(1))
    assert shown.shape == (BATCH, PLANES, ROWS, COLUMNS)
    known = torch.isfinite(column) & (column > 6) & (column < COLUMNS - 7)
    at = torch.nan_to_num(column, 40.0).round().long().clamp(6, COLUMNS - 7)[..., None]
    light = shown[:, :3].mean(1)
    fall = (light.gather(2, at - 3) - light.gather(2, at + 3))[..., 0]
    assert (fall[known] > 0.15).float().mean() > 0.97


def test_it_learns(tmp_path: Path) -> None:
    torch.manual_seed(0)
    strips = read_strips([kept(tmp_path, f"cake-{k}", np.full(LONG, 0.5 * k)) for k in range(3)], "cpu")
    net, generator = StripNet(8, 8, 8), torch.Generator().manual_seed(0)
    optimiser = torch.optim.AdamW(net.parameters(), 1e-2)
    losses = []
    for _ in range(12):
        shown, column = draw(strips, generator)
        loss = loss_of(net(shown[:16]), column[:16])
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(float(loss.detach()))
    assert losses[-1] < 0.8 * losses[0]
    assert measure(net, strips)["top"]["rows"] > 500
