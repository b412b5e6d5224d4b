"""Train the network that sees where the icing ends (`qc.outline_strip`) on rendered cakes (a GPU, a minute).

    python -m tests.long.strips FOLDER ... --out STRIPS
    python -m qc.training.strip STRIPS OUT --seconds 60 --held-out 17001-17060

Writes OUT/strip_net.onnx, OUT/strip_net.pt and OUT/figures.json: of the strips held out (numbers in their files' names),
the share of rows whose likeliest column lies within half a millimetre of the truth, and the mean logarithm of the
probability that is given to the true column.
"""

import argparse
import json
import math
import re
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from qc.outline_strip import COLUMN_MM, COLUMNS, PLACE, PLANES, hidden
from qc.training.net import halve

ROWS, BATCH = 160, 96  # of a sample; strips at once
KEEN_MM = 0.15  # standard deviation of the columns that are called right
NEAR_MM = 0.5  # a column that far from the truth is right


def _conv(inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(outputs), nn.ReLU()
    )


class StripNet(nn.Module):
    """Planes (B, PLANES, n, COLUMNS) -> logarithms of odds (B, n, COLUMNS) of the edge's column; n a multiple of STEP."""

    def __init__(self, fine: int = 16, middle: int = 32, deep: int = 64) -> None:
        super().__init__()
        self.first = nn.Sequential(_conv(PLANES, fine), _conv(fine, fine))
        self.down = nn.Sequential(_conv(fine, middle, 2), _conv(middle, middle))
        self.deeper = _conv(middle, deep, 2)
        self.body = nn.ModuleList(_conv(deep, deep, 1, d) for d in (1, 2, 4, 1))
        self.back, self.up = nn.Conv2d(deep, middle, 1), nn.Conv2d(middle, fine, 1)
        self.after = _conv(middle, middle)
        self.last = nn.Sequential(_conv(fine, fine), nn.Conv2d(fine, 1, 1))

    def forward(self, x: Tensor) -> Tensor:
        near = self.first(x)
        middle = self.down(near)
        far = self.deeper(middle)
        for stage in self.body:
            far = far + stage(far)
        middle = self.after((F.interpolate(self.back(far), scale_factor=2.0, mode="nearest") + middle).relu())
        both = (F.interpolate(self.up(middle), scale_factor=2.0, mode="nearest") + near).relu()
        return self.last(both)[:, 0]


@dataclass(frozen=True)
class Strips:
    """Closed strips of many photos, of different lengths in one array: what the network is shown but its last planes
    (N, PLANES - PLACE, most, wide) uint8, these last planes (N, PLACE, most) uint8, the true offset (N, most) of the icing's edge
    (mm, nan where it is not known), and how many rows (N,) each has."""

    shown: Tensor
    place: Tensor
    edge_mm: Tensor
    rows: Tensor
    names: list[str]

    def some(self, which: list[int]) -> "Strips":
        return Strips(
            self.shown[which], self.place[which], self.edge_mm[which], self.rows[which], [self.names[k] for k in which]
        )


def read_strips(paths: list[Path], device: str) -> Strips:
    """What `tests.long.strips` wrote."""
    found, names = [], []
    for path in paths:
        with np.load(path) as kept:
            for photo in sorted(k[:-5] for k in kept.files if k.endswith("_edge")):
                light = cv2.imdecode(kept[f"{photo}_light"], cv2.IMREAD_COLOR).transpose(2, 0, 1)
                n, wide = light.shape[1:]
                seen = np.stack([cv2.resize(p, (wide, n)) for p in kept[f"{photo}_seen"]])
                found.append((np.concatenate([light, seen]), kept[f"{photo}_place"], kept[f"{photo}_edge"]))
                names.append(f"{path.stem} {photo}")
    most = max(len(e) for *_, e in found)
    shown = np.zeros((len(found), PLANES - PLACE, most, found[0][0].shape[2]), np.uint8)
    place, edge = np.zeros((len(found), PLACE, most), np.uint8), np.full((len(found), most), np.nan, np.float32)
    for k, (x, at, e) in enumerate(found):
        shown[k, :, : len(e)], place[k, :, : len(e)] = x, at
        edge[k, : len(e)] = np.where(_unknown(x, e, board=bool(at[-1, 0])), np.nan, e)
    rows = torch.tensor([len(e) for *_, e in found])
    return Strips(*(torch.from_numpy(v).to(device) for v in (shown, place, edge)), rows.to(device), names)


def _unknown(shown: np.ndarray, edge_mm: np.ndarray, board: bool) -> np.ndarray:
    """Rows (n,) whose true edge is not known or hidden by something."""
    room = (shown.shape[2] - 3) / 2 * COLUMN_MM
    return (np.abs(edge_mm) > room) | hidden(shown[3:] / 255, edge_mm, board)


def _smooth(count: int, rows: int, length: float, generator: torch.Generator, device: torch.device) -> Tensor:
    """Smooth random curves (count, rows) of standard deviation 1."""
    coarse = torch.randn(count, 1, max(4, int(rows / length) + 3), generator=generator, device=device)
    return F.interpolate(coarse, rows, mode="linear", align_corners=True)[:, 0]


def draw(strips: Strips, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """A batch: planes (BATCH, PLANES, ROWS, COLUMNS), bent, tinted and blurred, and the true columns, nan if hidden.

    Strips are laid along curves that bend from the fitted outline: so belts come about that the body did not follow.
    """
    device, wide = strips.shown.device, strips.shown.shape[3]

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(*shape, generator=generator, device=device)

    which = torch.randint(len(strips.rows), (BATCH,), generator=generator, device=device)
    count = strips.rows[which][:, None]
    row = ((uniform(0, 1, BATCH, 1) * count).long() + torch.arange(ROWS, device=device)) % count
    x = strips.shown[which[:, None], :, row].permute(0, 2, 1, 3).float() / 255
    place = strips.place[which[:, None], :, row].permute(0, 2, 1).float() / 255
    edge = strips.edge_mm[which[:, None], row]
    v = torch.arange(ROWS, device=device).float()
    bend = 0.6 * _smooth(BATCH, ROWS, 300, generator, device) + 0.15 * _smooth(BATCH, ROWS, 25, generator, device)
    bend = bend + 0.8 * torch.randn(BATCH, 1, generator=generator, device=device)
    for _ in range(2):  # belts and grooves
        at, width = uniform(0, ROWS, BATCH, 1), uniform(6, 24, BATCH, 1)
        size = uniform(-3.5, 3.5, BATCH, 1) * (uniform(0, 1, BATCH, 1) < 0.35)
        bend = bend + size * torch.exp(-(((v - at) / width) ** 2))
    room = (wide - COLUMNS) / 2 * COLUMN_MM
    bend = bend.clamp(-room, room)
    column = torch.arange(COLUMNS, device=device) + (wide - COLUMNS) / 2 + bend[..., None] / COLUMN_MM
    grid = torch.stack([2 * column / (wide - 1) - 1, (2 * v[:, None] / (ROWS - 1) - 1).expand_as(column)], -1)
    x = F.grid_sample(x, grid, align_corners=True, padding_mode="border")
    light = x[:, :3].clamp(min=1e-3)
    light = light ** uniform(0.7, 1.4, BATCH, 1, 1, 1) * uniform(0.75, 1.25, BATCH, 3, 1, 1)
    light = light + torch.randn(light.shape, generator=generator, device=device) * uniform(0, 0.02, BATCH, 1, 1, 1)
    soft = F.avg_pool2d(F.pad(light, (1, 1, 1, 1), mode="replicate"), 3, 1)
    light = torch.where(uniform(0, 1, BATCH, 1, 1, 1) < 0.3, soft, light)
    blind = uniform(0, 1, BATCH, 1, 1, 1) < 0.1
    said = torch.where(blind, torch.zeros_like(x[:, 3:]), x[:, 3:])
    shown = torch.cat([light.clamp(0, 1), said, place[..., None].expand(-1, -1, -1, COLUMNS)], 1)
    mirrored = uniform(0, 1, BATCH, 1) < 0.5  # walked the other way round
    shown = torch.where(mirrored[..., None, None], shown.flip(2), shown)
    true = (edge - bend) / COLUMN_MM + (COLUMNS - 1) / 2
    return shown, torch.where(mirrored, true.flip(1), true)


def loss_of(said: Tensor, column: Tensor) -> Tensor:
    """Cross-entropy of the columns (B, n, COLUMNS) with a narrow bell about the true ones (B, n)."""
    known = column.isfinite() & (column > 0) & (column < COLUMNS - 1)
    away = torch.arange(COLUMNS, device=said.device) - torch.nan_to_num(column, 0.0)[..., None]
    bell = torch.softmax(-0.5 * (away * COLUMN_MM / KEEN_MM) ** 2, -1)
    each = -(bell * F.log_softmax(said, -1)).sum(-1)
    return (each * known).sum() / known.sum().clamp(min=1)


@torch.no_grad()
def measure(net: StripNet, strips: Strips) -> dict[str, dict[str, float]]:
    """How well strips are read that are laid along the fitted outlines, of icing and board, in photos from above and
    from the side."""
    net.eval()
    first, found = (strips.shown.shape[3] - COLUMNS) // 2, {}
    for photo in ("top", "side", "top-board", "side-board"):
        near, log, count = 0.0, 0.0, 0
        for k in (k for k, name in enumerate(strips.names) if name.split()[1].replace("side2", "side") == photo):
            n = int(strips.rows[k])
            seen = strips.shown[k, :, :n, first : first + COLUMNS].float() / 255
            place = (strips.place[k, :, :n].float() / 255)[..., None].expand(-1, -1, COLUMNS)
            said = F.log_softmax(net(torch.cat([seen, place])[None])[0].float(), -1)
            column = strips.edge_mm[k, :n] / COLUMN_MM + (COLUMNS - 1) / 2
            known = column.isfinite() & (column > 0) & (column < COLUMNS - 1)
            true = torch.nan_to_num(column, 0.0).clamp(0, COLUMNS - 1).round().long()
            near += float((((said.argmax(-1) - column).abs() * COLUMN_MM < NEAR_MM) & known).sum())
            log += float((said.gather(-1, true[:, None])[:, 0] * known).sum())
            count += int(known.sum())
        found[photo] = {"near": round(near / max(count, 1), 4), "log": round(log / max(count, 1), 3), "rows": count}
    return found


def export(net: StripNet, path: Path) -> None:
    """Write the network as ONNX for `qc.network`, its weights as half floats."""
    net = net.eval().float().cpu()
    axes = {"planes": {0: "strips", 2: "rows"}, "odds": {0: "strips", 1: "rows"}}
    torch.onnx.export(
        net, (torch.randn(1, PLANES, 64, COLUMNS),), str(path), input_names=["planes"], output_names=["odds"],
        opset_version=17, dynamo=False, dynamic_axes=axes,
    )  # fmt: skip
    halve(str(path))


def train(taught: Strips, held: Strips, args: argparse.Namespace) -> StripNet:
    """AdamW, its rate let down along a cosine; what is kept is the moving average of the weights."""
    torch.manual_seed(args.seed)
    generator = torch.Generator(args.device).manual_seed(args.seed)
    widths = (args.fine, args.middle, args.deep)
    net, look = StripNet(*widths).to(args.device), StripNet(*widths).to(args.device)
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    optimiser = torch.optim.AdamW(net.parameters(), args.rate, weight_decay=1e-2)
    begin, step, elapsed = time.monotonic(), 0, 0.0
    while elapsed < args.seconds:
        for group in optimiser.param_groups:
            part = 0.5 * (1 + math.cos(math.pi * elapsed / args.seconds)) + 0.003
            group["lr"] = args.rate * min(1, (step + 1) / 200) * part
        shown, column = draw(taught, generator)
        with torch.autocast(args.device.split(":")[0], torch.bfloat16):
            said = net(shown)
        loss = loss_of(said.float(), column)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        keep = min(0.999, step / (step + 20))
        for name, value in net.state_dict().items():
            if value.dtype.is_floating_point:
                average[name].lerp_(value, 1 - keep)
            else:
                average[name].copy_(value)
        elapsed = time.monotonic() - begin
        if step in (50, 300) or step % 1000 == 0:
            look.load_state_dict(average)
            said_of = measure(look, held) if len(held.names) else {}
            print(step, round(elapsed), round(float(loss.detach()), 3), said_of, flush=True)
    look.load_state_dict(average)
    return look


def main(argv: list[str] | None = None) -> None:
    """Train, measure and export."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("strips", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=400)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--held-out", default="0-0", help="numbers of cakes that take no part, FIRST-LAST")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--fine", type=int, default=16)
    parser.add_argument("--middle", type=int, default=32)
    parser.add_argument("--deep", type=int, default=64)
    args = parser.parse_args(argv)
    low, high = map(int, args.held_out.split("-"))
    args.out.mkdir(parents=True, exist_ok=True)
    strips = read_strips(sorted(args.strips.glob("*.npz")), args.device)
    apart = [low <= int(re.findall(r"\d+", name.split()[0])[-1]) <= high for name in strips.names]
    taught = strips.some([k for k, a in enumerate(apart) if not a])
    held = strips.some([k for k, a in enumerate(apart) if a])
    print(len(taught.names), "strips to teach,", len(held.names), "held out", flush=True)
    net = train(taught, held, args)
    figures = measure(net, held) if held.names else {}
    print(json.dumps(figures))
    (args.out / "figures.json").write_text(json.dumps(figures, indent=1))
    torch.save(net.state_dict(), args.out / "strip_net.pt")
    export(net, args.out / "strip_net.onnx")


if __name__ == "__main__":
    main()
