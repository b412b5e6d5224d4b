"""Train the network that reads the flattened icing (`qc.surface_net`) on rendered cakes (a GPU, minutes).

    python -m tests.long.surface_faces FOLDER ... --out FACES
    python -m qc.training.surface FACES OUT --seconds 200 --held-out 51031-51060

Writes OUT/surface_net.onnx, OUT/surface_net.pt and OUT/figures.json: F1 by place on the cakes held out, by probability,
and how well relief ranks them. The cakes held out (numbers in their folders' names) take no part in the training.
"""

import argparse
import json
import math
import re
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from scipy.stats import spearmanr
from torch import Tensor, nn
from torch.nn import functional as F

PLANES, PIT, CRUMB, FINGER = 7, 0, 1, 2
LEAST_MM, DOUBTFUL_MM = 1.5, 1.0  # spots that count; from here to there they neither count nor are wrong
HEAT_MM, FINGER_HEAT_MM = 0.7, 2.5  # standard deviation of the target about a spot
CROP = 256
SMOOTH, LEAST_RELIEF_MM = 0.03, 0.005  # share of crops without any relief, and what is then true
STAMP = 48  # pixels across what is set down elsewhere
MATCH_MM = 4.0  # as `tests/long/surface_campaign.py` matches by place


def _conv(inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(outputs), nn.ReLU()
    )


class SurfaceNet(nn.Module):
    """Planes (B, PLANES, h, w) -> spot, finger mark, crumb and log size (B, 4, h/2, w/2), log relief (B, 1, h/4, w/4).

    h and w are multiples of 8. Probabilities are given as logits.
    """

    def __init__(self, fine: int = 16, wide: int = 32, dilations: tuple[int, ...] = (1, 2, 4, 8, 2)) -> None:
        super().__init__()
        self.first = nn.Sequential(_conv(PLANES, fine, 2), _conv(fine, fine))
        self.down = _conv(fine, wide, 2)
        self.body = nn.ModuleList(_conv(wide, wide, 1, d) for d in dilations)
        self.up = nn.Conv2d(wide, fine, 1)
        self.last = nn.Sequential(_conv(fine, 16), nn.Conv2d(16, 4, 1))
        self.relief = nn.Conv2d(wide, 1, 1)
        bias = self.last[1].bias
        assert bias is not None
        bias.data[:2] = -5.0

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        near = self.first(x)
        y = self.down(near)
        for stage in self.body:
            y = y + stage(y)
        back = F.interpolate(self.up(y), scale_factor=2.0, mode="nearest")
        return self.last((near + back).relu()), self.relief(y)


@dataclass
class Face:
    """One flattened picture and its targets, on the device."""

    name: str
    top: bool
    kind: str
    planes: Tensor  # (PLANES, rows, cols) bytes
    target: Tensor  # (7, rows / 2, cols / 2): heat and weight of spots, of finger marks; crumb, log size, known
    relief: Tensor  # (2, rows / 4, cols / 4): log relief, weight
    spots: np.ndarray  # (n, 4) column, row, size, kind
    hidden: np.ndarray  # (n,) under a piece


def read_face(path: Path, device: str) -> Face:
    d = np.load(path)
    light, (rows, cols) = d["light"], d["light"].shape
    big = lambda v: np.stack([np.kron(p, np.ones((rows // len(p),) * 2, np.uint8)) for p in v])  # noqa: E731
    top = bool(d["top"])
    flat = np.concatenate(
        [light[None], big(d["colours"]), big(d["around"]), np.full((1, rows, cols), 255 * top, np.uint8)]
    )
    spots, around = d["spots"], d["around"]
    at = np.minimum((spots[:, 1::-1] / 4).astype(int), np.array(around.shape[1:]) - 1).clip(0)
    hidden = around[1, at[:, 0], at[:, 1]] > 127
    seen = torch.from_numpy(around[0] > 127).to(device)
    target = targets(spots, hidden, rows // 2, cols // 2, device)
    free = seen & torch.from_numpy(around[1] < 127).to(device)
    lacking = [(0, a - b) for a, b in zip(around.shape[1:], d["relief"].shape, strict=True)]
    known = np.pad(d["relief"].astype(np.float32), lacking, mode="edge")
    relief = torch.stack([torch.from_numpy(known).to(device), free.float()])
    seen2 = seen.repeat_interleave(2, 0).repeat_interleave(2, 1).float()
    target[1] *= seen2
    target[3] *= seen2
    planes = torch.from_numpy(flat).to(device)
    return Face(path.stem, top, str(d["kind"]), planes, target, relief, spots, hidden)


def targets(spots: np.ndarray, hidden: np.ndarray, rows: int, cols: int, device: str) -> Tensor:
    """Maps (7, rows, cols) at 2 px/mm of what should be said."""
    out = torch.zeros(7, rows, cols, device=device)
    out[1] = out[3] = 1
    y, x = torch.meshgrid(torch.arange(rows, device=device), torch.arange(cols, device=device), indexing="ij")
    for (column, row, size, kind), under in zip(spots, hidden, strict=True):
        away = ((x - column / 2) ** 2 + (y - row / 2) ** 2) / 4  # mm2
        if kind == FINGER:
            heat = (-away / 2 / FINGER_HEAT_MM**2).exp()
            out[2] = torch.maximum(out[2], heat)
            if under:
                out[3][away < (0.6 * size) ** 2] = 0
            out[5] = torch.where(heat > 0.6, math.log(size), out[5])
            out[1][away < (0.6 * size) ** 2] = 0
        elif size >= LEAST_MM and not under:
            heat = (-away / 2 / HEAT_MM**2).exp()
            out[0] = torch.maximum(out[0], heat)
            close = heat > 0.5
            out[4][close], out[5][close], out[6][close] = float(kind == CRUMB), math.log(size), 1.0
        elif size >= DOUBTFUL_MM:
            out[1][away < 2.0**2] = 0
    return out


def planes_of(raw: Tensor) -> Tensor:
    """What the network is shown, from bytes (B, PLANES, h, w)."""
    x = raw.float()
    return torch.cat([(x[:, :3] - 128) / 127, x[:, 3:] / 255], 1)


@dataclass
class Stamp:
    """A spot as it stands out of the icing about it, to be set down elsewhere."""

    light: Tensor  # (3, STAMP, STAMP) bytes more than the icing about it
    size: float
    crumb: float


def stamps_of(faces: list[Face]) -> dict[bool, list[Stamp]]:
    """Spots that stand alone on bare icing, of the top and of the side."""
    out: dict[bool, list[Stamp]] = {False: [], True: []}
    half = STAMP // 2
    away = torch.arange(STAMP) - half
    rho = (away[:, None] ** 2 + away[None, :] ** 2).sqrt() / 4  # mm
    for f in faces:
        for k, (column, row, size, kind) in enumerate(f.spots):
            r, c = 2 * round(row / 2), 2 * round(column / 2)
            others = np.delete(f.spots, k, 0)
            if kind == FINGER or size < LEAST_MM or f.hidden[k] or r < half or c < half:
                continue
            if len(others) and np.hypot(others[:, 0] - column, others[:, 1] - row).min() < 4 * 6:
                continue
            x = f.planes[:, r - half : r + half, c - half : c + half].float()
            if x.shape[1:] != (STAMP, STAMP) or x[3].min() < 128 or x[4].max() > 127:
                continue
            ring = (rho > size / 2 + 1.5).to(x.device)
            level = x[:3, ring].median(1).values[:, None, None]
            window = (-((rho / (size / 2 + 1.2)) ** 6)).exp().to(x.device)
            out[f.top].append(Stamp((x[:3] - level) * window, float(size), float(kind == CRUMB)))
    return out


class Pool:
    """All faces on the device, laid end to end, of which batches are cut at once.

    Attributes
    ----------
    planes : Tensor, shape (PLANES, n), bytes; target, shape (7, n / 4); relief, shape (2, n / 16)
    """

    def __init__(self, faces: list[Face], rng: np.random.Generator) -> None:
        self.faces, self.rng = faces, rng
        self.planes = torch.cat([f.planes.flatten(1) for f in faces], 1)
        self.target = torch.cat([f.target.flatten(1) for f in faces], 1).half()
        self.relief = torch.cat([f.relief.flatten(1) for f in faces], 1).half()
        self.rows, self.cols = (np.array([f.planes.shape[k] for f in faces]) for k in (1, 2))
        self.start = np.concatenate([[0], np.cumsum(self.rows * self.cols)[:-1]])
        self.tops = np.array([f.top for f in faces])
        self.device = self.planes.device
        stamps = stamps_of(faces)
        self.stamps = {k: _Stamps(v, self.device) for k, v in stamps.items() if v}
        print({k: len(v) for k, v in stamps.items()}, "spots to set down", flush=True)

    def draw(self, number: int) -> tuple[Tensor, Tensor, Tensor]:
        """A batch of places, half of them near a spot, turned over where light allows, with more spots set down."""
        rng, which = self.rng, self.rng.integers(len(self.faces), size=number)
        origin = np.stack([rng.uniform(-40, np.maximum(v[which] - CROP + 40, 0)) for v in (self.rows, self.cols)], 1)
        for k in np.flatnonzero(rng.random(number) < 0.5):
            spots = self.faces[which[k]].spots
            if len(spots):
                origin[k] = spots[rng.integers(len(spots)), 1::-1] - rng.uniform(0.1, 0.9, 2) * CROP
        origin = 8 * np.floor(origin / 8).astype(int)
        turned = np.where(
            self.tops[which][:, None], rng.random((number, 3)) < 0.5, rng.random((number, 3)) < [0, 0.5, 0]
        )
        raw, target, relief = (
            self._cut(v, which, origin, turned, k) for v, k in ((self.planes, 1), (self.target, 2), (self.relief, 4))
        )
        for top, stamps in self.stamps.items():
            own = torch.from_numpy(np.flatnonzero(self.tops[which] == top)).to(self.device)
            if len(own):
                raw[own], target[own] = stamps.set_down(raw[own], target[own], rng)
        return raw, target.float(), relief.float()

    def _cut(self, values: Tensor, which: np.ndarray, origin: np.ndarray, turned: np.ndarray, step: int) -> Tensor:
        """Squares (B, k, CROP / step, CROP / step), nothing (0; of light and colour 128) beyond a face's edges.

        turned (B, 3): upside down, left to right, rows for columns.
        """
        at = torch.arange(CROP // step, device=self.device)

        def each(v: np.ndarray) -> Tensor:
            return torch.from_numpy(np.asarray(v)).to(self.device)[:, None, None]

        up, across = torch.broadcast_tensors(at[None, :, None], at[None, None, :])
        last = CROP // step - 1
        over, swap = each(turned[:, 2]), each(turned[:, :1].ravel())
        row, column = torch.where(over, across, up), torch.where(over, up, across)
        row, column = torch.where(swap, last - row, row), torch.where(each(turned[:, 1]), last - column, column)
        row, column = row + each(origin[:, 0] // step), column + each(origin[:, 1] // step)
        rows, cols = each(self.rows[which] // step), each(self.cols[which] // step)
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < cols)
        index = each(self.start[which] // step**2) + torch.where(inside, row * cols + column, 0)
        out = torch.where(inside, values[:, index], 0)
        if values.dtype == torch.uint8:
            out[:3] = torch.where(inside, out[:3], 128)
        return out.transpose(0, 1).contiguous()


class _Stamps:
    """Spots of one kind of face, set down on a batch."""

    def __init__(self, stamps: list[Stamp], device: torch.device) -> None:
        self.light = torch.stack([s.light for s in stamps])
        self.size = torch.tensor([math.log(s.size) for s in stamps], device=device)
        self.crumb = torch.tensor([s.crumb for s in stamps], device=device)
        away = torch.arange(STAMP // 2, device=device) - STAMP // 4
        self.heat = (-(away[:, None] ** 2 + away[None, :] ** 2) / 8.0 / HEAT_MM**2).exp()
        self.at = torch.arange(STAMP, device=device)

    def set_down(self, raw: Tensor, target: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """More spots on crops, up to six each, where bare icing is seen."""
        device, number, cells = raw.device, len(raw), CROP // STAMP
        light = raw[:, :3].float()
        bare = ((raw[:, 3] > 127) & (raw[:, 4] < 128)).float()[:, None]
        free = F.avg_pool2d(bare, STAMP, 4)[:, 0] > 0.999
        half = F.max_pool2d(target[:, :3:2].amax(1, keepdim=True), STAMP // 2, 2)[:, 0] < 0.05
        shift = 4 * rng.integers(0, (CROP - cells * STAMP) // 4 + 1, (number, 2))
        order = rng.permuted(np.tile(np.arange(cells**2), (number, 1)), axis=1)
        many = rng.integers(0, 7, number) * (rng.random(number) < 0.7)
        b = torch.arange(number, device=device)
        for k in range(6):
            place = np.stack([order[:, k] // cells, order[:, k] % cells], 1) * STAMP + shift
            r, c = torch.from_numpy(place).to(device).T
            use = torch.from_numpy(many > k).to(device) & free[b, r // 4, c // 4] & half[b, r // 4, c // 4]
            if not use.any():
                continue
            n, r, c = b[use], r[use], c[use]
            pick = torch.from_numpy(rng.integers(len(self.light), size=len(n))).to(device)
            spot = (
                self.light[pick]
                * torch.from_numpy(rng.uniform(0.6, 1.3, len(n))).float().to(device)[:, None, None, None]
            )
            turn = torch.from_numpy(rng.random(len(n)) < 0.5).to(device)[:, None, None, None]
            spot = torch.where(turn, spot.flip(3), spot)
            rr, cc = (r[:, None] + self.at)[:, :, None], (c[:, None] + self.at)[:, None, :]
            for channel in range(3):
                light[n[:, None, None], channel, rr, cc] += spot[:, channel]
            few = self.at[: STAMP // 2]
            rr, cc = (r[:, None] // 2 + few)[:, :, None], (c[:, None] // 2 + few)[:, None, :]
            nn = n[:, None, None]
            old = target[nn, 0, rr, cc]
            target[nn, 0, rr, cc] = torch.maximum(old, self.heat.to(old.dtype))
            close = (self.heat > 0.5)[None]
            for channel, value in ((4, self.crumb[pick]), (5, self.size[pick]), (6, torch.ones(len(n), device=device))):
                old = target[nn, channel, rr, cc]
                target[nn, channel, rr, cc] = torch.where(close, value[:, None, None].to(old.dtype), old)
        return torch.cat([light.clamp(0, 255).round().to(torch.uint8), raw[:, 3:]], 1), target


def smooth(raw: Tensor, target: Tensor, relief: Tensor, rng: np.random.Generator) -> None:
    """Some crops of a batch become icing without any relief or fault: rendered icing is never so smooth."""
    for k in np.flatnonzero(rng.random(len(raw)) < SMOOTH):
        grain = torch.randn(3, *raw.shape[2:], device=raw.device) * float(rng.uniform(0.2, 3.0))
        raw[k, :3] = (128 + grain).clamp(0, 255).to(torch.uint8)
        target[k, [0, 2, 4, 5, 6]] = 0
        target[k, [1, 3]] = 1
        relief[k, 0] = math.log(LEAST_RELIEF_MM)


def augment(x: Tensor) -> Tensor:
    """Other contrast, noise, blur, colour and light than rendered."""
    b, device = len(x), x.device

    def some(low: float, high: float) -> Tensor:
        return torch.empty(b, 1, 1, 1, device=device).uniform_(low, high)

    light, colour, rest = x[:, :1], x[:, 1:3], x[:, 3:]
    light = light * some(-0.25, 0.25).exp()
    slow = F.interpolate(torch.randn(b, 1, 5, 5, device=device), size=x.shape[-2:], mode="bicubic") * some(0, 0.05)
    blurred = F.avg_pool2d(light, 3, 1, 1)
    light = torch.lerp(light, blurred, some(-0.5, 0.8).clamp(min=0))
    grain = torch.randn_like(light) * some(-0.01, 0.025).clamp(min=0)
    light = light + slow + grain
    turn = some(-0.6, 0.6)
    a, c = colour[:, :1], colour[:, 1:]
    a, c = a * turn.cos() - c * turn.sin(), a * turn.sin() + c * turn.cos()
    colour = torch.cat([a * some(-0.5, 0.4).exp(), c * some(-0.5, 0.4).exp()], 1)
    colour = colour + 0.4 * torch.randn_like(colour) * some(-0.02, 0.04).clamp(min=0)
    seen = rest[:, :1]
    return torch.cat([light.clamp(-1, 1) * seen, colour.clamp(-1, 1) * seen, rest], 1)


def loss_of(fine: Tensor, coarse: Tensor, target: Tensor, relief: Tensor) -> tuple[Tensor, list[float]]:
    """Cross-entropy with soft heat maps, kind and size where there is a spot, and log relief."""
    parts = []
    for k in range(2):
        entropy = F.binary_cross_entropy_with_logits(fine[:, k], target[:, 2 * k], reduction="none")
        least = F.binary_cross_entropy(target[:, 2 * k].clamp(1e-6, 1 - 1e-6), target[:, 2 * k], reduction="none")
        number = (target[:, 2 * k] > 0.9).sum() + 4
        parts.append(((entropy - least) * target[:, 2 * k + 1]).sum() / number / (1 if k == 0 else 12))
    known = target[:, 6]
    kind = F.binary_cross_entropy_with_logits(fine[:, 2], target[:, 4], reduction="none")
    parts.append((kind * known).sum() / (known.sum() + 1))
    sized = (target[:, 5] != 0).float()
    parts.append(((fine[:, 3] - target[:, 5]).abs() * sized).sum() / (sized.sum() + 1))
    weight = relief[:, 1]
    said = coarse[:, 0]
    parts.append((F.smooth_l1_loss(said, relief[:, 0], reduction="none", beta=0.3) * weight).sum() / (weight.sum() + 1))
    seen = weight.sum((1, 2))
    whole = [0.5 * (((2 * v).exp() * weight).sum((1, 2)) / (seen + 1) + 1e-6).log() for v in (said, relief[:, 0])]
    enough = (seen > 600).float()
    parts.append((F.smooth_l1_loss(*whole, reduction="none", beta=0.2) * enough).sum() / (enough.sum() + 1))
    scale = (1.0, 1.0, 0.5, 0.3, 4.0, 4.0)
    return sum(s * p for s, p in zip(scale, parts, strict=True)), [round(float(p.detach()), 4) for p in parts]


# ---------------------------------------------------------------- held-out cakes
@torch.no_grad()
def answers(net: SurfaceNet, face: Face) -> tuple[Tensor, Tensor]:
    fine, coarse = net(planes_of(face.planes[None]))
    return fine[0].float(), coarse[0, 0].float()


def peaks(heat: Tensor, seen: Tensor, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """Places (n, 2) (column, row) at 2 px/mm and values (n,) of local maxima."""
    p = heat.sigmoid() * seen
    top = F.max_pool2d(p[None, None], 2 * reach + 1, 1, reach)[0, 0]
    at = ((p == top) & (p > 0.02)).nonzero()
    return at.flip(1).cpu().numpy(), p[at[:, 0], at[:, 1]].cpu().numpy()


def measure(net: SurfaceNet, faces: list[Face]) -> dict[str, object]:
    """F1 of spots of 2 mm and more by place, by probability; rank correlation of relief over faces."""
    net.eval()
    steps = np.arange(0.1, 0.75, 0.05)
    hit, made, wanted = np.zeros(len(steps)), np.zeros(len(steps)), 0
    said: dict[bool, list] = {False: [], True: []}
    for face in faces:
        fine, coarse = answers(net, face)
        seen = face.planes[3, ::2, ::2] > 127
        at, p = peaks(fine[0], seen, 3)
        size = fine[3].exp().cpu().numpy()[at[:, 1], at[:, 0]] if len(at) else np.zeros(0)
        small = face.spots[face.spots[:, 3] != FINGER]
        large = small[small[:, 2] >= 2]
        wanted += len(large)
        for k, step in enumerate(steps):
            use = p > step
            away = np.hypot(*(small[:, None, :2] / 4 - at[None, use] / 2).transpose(2, 0, 1))
            near = away < MATCH_MM
            hit[k] += near[small[:, 2] >= 2].any(1).sum()
            made[k] += ((~near.any(0)) & (size[use] >= 2)).sum()
        weight = face.relief[1] > 0
        if weight.sum() > 400:
            true = float((2 * face.relief[0][weight]).exp().mean().sqrt())
            read = float((2 * coarse[weight]).exp().mean().sqrt())
            said[face.top].append((true, read))
    f1 = 2 * hit / (hit + made + wanted)
    rank = {}
    for top, pairs in said.items():
        t, r = np.array(pairs).T
        rank["top" if top else "side"] = [
            round(float(spearmanr(t, r)[0]), 3),
            round(float(np.std(np.log(r / t))), 3),
            len(t),
        ]
    best = int(f1.argmax())
    return {
        "f1": {f"{s:.2f}": [round(float(v), 3), int(h), int(m)] for s, v, h, m in zip(steps, f1, hit, made, strict=True)},
        "best": [round(float(f1[best]), 3), round(float(steps[best]), 2)], "wanted": wanted, "relief": rank,
    }  # fmt: skip


def export(net: SurfaceNet, path: Path) -> None:
    net = net.eval().float().cpu()
    axes = {k: {2: f"h{k}", 3: f"w{k}"} for k in ("planes", "fine", "coarse")}
    torch.onnx.export(
        net, (torch.randn(1, PLANES, 64, 64),), str(path), input_names=["planes"], output_names=["fine", "coarse"],
        opset_version=17, dynamo=False, dynamic_axes=axes,
    )  # fmt: skip


def train(faces: list[Face], held: list[Face], args: argparse.Namespace) -> SurfaceNet:
    """AdamW, its rate let down along a cosine; what is kept is the moving average of the weights."""
    torch.manual_seed(0)
    seconds, rate, device = args.seconds, args.rate, args.device
    rng = np.random.default_rng(args.seed)
    net = SurfaceNet(args.fine, args.wide).to(device)
    if args.begin:
        net.load_state_dict(torch.load(args.begin, map_location=device))
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    optimiser = torch.optim.AdamW(net.parameters(), rate, weight_decay=args.decay)
    pool = Pool(faces, rng)
    begin, step, elapsed = time.monotonic(), 0, 0.0
    while elapsed < seconds:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 200) * (0.5 * (1 + math.cos(math.pi * elapsed / seconds)) + 0.003)
        raw, target, relief = pool.draw(args.batch)
        smooth(raw, target, relief, rng)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            said = net(augment(planes_of(raw)))
        loss, parts = loss_of(said[0].float(), said[1].float(), target, relief)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        keep = min(0.999, step / (step + 20))
        for k, v in net.state_dict().items():
            if v.dtype.is_floating_point:
                average[k].lerp_(v, 1 - keep)
            else:
                average[k].copy_(v)
        elapsed = time.monotonic() - begin
        if step in (50, 300) or step % 1500 == 0:
            look = SurfaceNet(args.fine, args.wide).to(device)
            look.load_state_dict(average)
            row = measure(look, held) if held else {}
            torch.save(average, args.out / "surface_net.pt")
            print(step, round(elapsed), parts, {k: row.get(k) for k in ("best", "wanted", "relief")}, flush=True)
    net.load_state_dict(average)
    return net


def main(argv: list[str] | None = None) -> None:
    """Train, measure and export."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("faces", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=200)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--held-out", default="0-0", help="numbers of cakes that take no part, FIRST-LAST")
    parser.add_argument("--decay", type=float, default=1e-2)
    parser.add_argument("--fine", type=int, default=16, help="channels at 2 px/mm")
    parser.add_argument("--wide", type=int, default=32, help="channels at 1 px/mm")
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--begin", help="surface_net.pt to go on from")
    args = parser.parse_args(argv)
    low, high = map(int, args.held_out.split("-"))
    args.out.mkdir(parents=True, exist_ok=True)
    faces, held = [], []
    for path in sorted(args.faces.glob("*.npz")):
        number = int(next(iter(re.findall(r"\d+", path.stem)), "0"))
        (held if low <= number <= high else faces).append(read_face(path, args.device))
    print(len(faces), "faces to teach,", len(held), "held out", flush=True)
    net = train(faces, held, args)
    figures = measure(net, held) if held else {}
    print(json.dumps(figures))
    (args.out / "figures.json").write_text(json.dumps(figures, indent=1))
    torch.save(net.state_dict(), args.out / "surface_net.pt")
    export(net, args.out / "surface_net.onnx")


if __name__ == "__main__":
    main()
