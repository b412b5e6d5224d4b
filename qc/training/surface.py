"""Train the network that reads the flattened icing (`qc.surface_net`) on rendered cakes (a GPU, minutes).

    python -m tests.long.surface_faces FOLDER ... --out FACES
    python -m qc.training.surface FACES OUT --seconds 1020 --held-out 51001-51014

Writes OUT/surface_net.onnx, OUT/surface_net.pt, its stages OUT/step_STEP.pt (of which `qc.training.surface_mean` makes a
mean) and OUT/figures.json: F1 by place on the cakes held out, by probability, and how well relief ranks them. The cakes
held out (numbers in their folders' names) take no part in the training.
"""

import argparse
import json
import math
import re
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import torch
from scipy.stats import spearmanr
from torch import Tensor, nn
from torch.nn import functional as F

from qc.surface_net import PLANES
from qc.training.net import halve
from qc.training.surface_data import FINGER, Ahead, Face, Pool, planes_of, read_face

MIRRORING, SHOWN = ("glaze", "ganache"), 0.4  # nothing is said to show through dark icing; probability that counts
MATCH_MM = 4.0  # as `tests/long/surface_campaign.py` matches by place


def _conv(inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(outputs), nn.ReLU()
    )


class SurfaceNet(nn.Module):
    """Planes (B, PLANES, h, w) -> (B, 5, h/2, w/2): spot, finger mark, crumb, log size, show-through; and log relief
    (B, 1, h/4, w/4).

    It looks at 2, 1 and 0.5 pixels per mm, and back. h and w are multiples of 8. Probabilities are given as logits.
    """

    def __init__(self, fine: int = 40, wide: int = 112, deep: int = 224, often: int = 2) -> None:
        super().__init__()
        self.first = nn.Sequential(_conv(PLANES, fine, 2), _conv(fine, fine))
        self.down = _conv(fine, wide, 2)
        self.before = nn.ModuleList(_conv(wide, wide) for _ in range(often))
        self.deeper = _conv(wide, deep, 2)
        self.body = nn.ModuleList(_conv(deep, deep, 1, d) for d in (1, 2, 4, 1))
        self.back = nn.Conv2d(deep, wide, 1)
        self.after = nn.ModuleList(_conv(wide, wide) for _ in range(often))
        self.up = nn.Conv2d(wide, fine, 1)
        self.last = nn.Sequential(_conv(fine, 16), nn.Conv2d(16, 4, 1))
        self.relief = nn.Conv2d(wide, 1, 1)
        self.show = nn.Sequential(_conv(fine, 24), _conv(24, 16), nn.Conv2d(16, 1, 1))
        bias = self.last[1].bias
        assert bias is not None
        bias.data[:2] = -5.0

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        near = self.first(x)
        middle = _further(self.before, self.down(near))
        far = _further(self.body, self.deeper(middle))
        middle = _further(self.after, _twice(self.back(far), middle))
        both = _twice(self.up(middle), near)
        return torch.cat([self.last(both), self.show(both)], 1), self.relief(middle)


def _further(stages: nn.ModuleList, x: Tensor) -> Tensor:
    for stage in stages:
        x = x + stage(x)
    return x


def _twice(coarse: Tensor, x: Tensor) -> Tensor:
    """Twice the rows and columns of what came from further off, with what was there."""
    return (F.interpolate(coarse, scale_factor=2.0, mode="nearest") + x).relu()


def loss_of(fine: Tensor, coarse: Tensor, target: Tensor, relief: Tensor) -> tuple[Tensor, list[Tensor]]:
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
    free = target[:, 8]
    showing = F.binary_cross_entropy_with_logits(fine[:, 4], target[:, 7], reduction="none")
    parts.append((showing * free).sum() / (free.sum() + 1))
    scale = (1.0, 1.0, 0.5, 0.3, 4.0, 4.0, 4.0)
    return sum(s * p for s, p in zip(scale, parts, strict=True)), [p.detach() for p in parts]


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
        t, r = np.array(pairs).reshape(-1, 2).T
        rank["top" if top else "side"] = [
            round(float(spearmanr(t, r)[0]), 3),
            round(float(np.std(np.log(r / t))), 3),
            len(t),
        ]
    best = int(f1.argmax())
    shares = np.array([shown_shares(net, f) for f in faces if not f.top and f.kind not in MIRRORING]).reshape(-1, 2)
    return {
        "show_share_p95": [round(float(np.quantile(np.abs(shares[:, 1] - shares[:, 0]), 0.95)), 2), len(shares)],
        "f1": {f"{s:.2f}": [round(float(v), 3), int(h), int(m)] for s, v, h, m in zip(steps, f1, hit, made, strict=True)},
        "best": [round(float(f1[best]), 3), round(float(steps[best]), 2)], "wanted": wanted, "relief": rank,
    }  # fmt: skip


@torch.no_grad()
def shown_shares(net: SurfaceNet, face: Face) -> tuple[float, float]:
    """Share (%) of a side's bare icing where something shows through: true and as the network says."""
    said, free = answers(net, face)[0][4].sigmoid() > SHOWN, face.target[8] > 0
    return tuple(100 * float((v & free).sum() / free.sum()) for v in (face.target[7] > 0, said))


def export(net: SurfaceNet, path: Path) -> None:
    net = net.eval().float().cpu()
    axes = {k: {0: "pictures", 2: f"h{k}", 3: f"w{k}"} for k in ("planes", "fine", "coarse")}
    torch.onnx.export(
        net, (torch.randn(1, PLANES, 64, 64),), str(path), input_names=["planes"], output_names=["fine", "coarse"],
        opset_version=17, dynamo=False, dynamic_axes=axes,
    )  # fmt: skip
    halve(str(path))


@torch.no_grad()
def _follow(average: dict[str, Tensor], now: dict[str, Tensor], keep: float) -> None:
    """The moving average of the weights, one step on; counts are taken as they are."""
    names = [k for k, v in now.items() if v.dtype.is_floating_point]
    torch._foreach_lerp_([average[k] for k in names], [now[k] for k in names], 1 - keep)
    for k in now.keys() - set(names):
        average[k].copy_(now[k])


def train(faces: list[Face], held: list[Face], args: argparse.Namespace) -> SurfaceNet:
    """AdamW, its rate let down along a cosine; what is kept is the moving average of the weights."""
    torch.manual_seed(0)
    seconds, rate, device = args.seconds, args.rate, args.device
    rng = np.random.default_rng(args.seed)
    net = SurfaceNet(args.fine, args.wide, args.deep).to(device, memory_format=torch.channels_last)
    if args.begin:
        net.load_state_dict(torch.load(args.begin, map_location=device), strict=not args.only_show)
    if args.only_show:
        net.requires_grad_(False).eval()
        net.show.requires_grad_(True).train()
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    optimiser = torch.optim.AdamW([p for p in net.parameters() if p.requires_grad], rate, weight_decay=args.decay)
    draw = Ahead(Pool(faces, rng), args.batch)
    begin, step, elapsed = time.monotonic(), 0, 0.0
    while elapsed < seconds:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 200) * (0.5 * (1 + math.cos(math.pi * elapsed / seconds)) + 0.003)
        shown, target, relief = draw()
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            said = net(shown)
        loss, parts = loss_of(said[0].float(), said[1].float(), target, relief)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        _follow(average, net.state_dict(), min(0.999, step / (step + 20)))
        elapsed = time.monotonic() - begin
        if step in (50, 300) or step % 1000 == 0:
            look = SurfaceNet(args.fine, args.wide, args.deep).to(device)
            look.load_state_dict(average)
            row = measure(look, held) if held else {}
            torch.save(average, args.out / f"step_{step}.pt")
            print(
                step,
                round(elapsed),
                [round(float(p), 4) for p in parts],
                {k: row.get(k) for k in ("best", "wanted", "relief", "show_share_p95")},
                flush=True,
            )
    net.load_state_dict(average)
    return net


def main(argv: list[str] | None = None) -> None:
    """Train, measure and export."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("faces", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=1020)
    parser.add_argument("--rate", type=float, default=5e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--held-out", default="0-0", help="numbers of cakes that take no part, FIRST-LAST")
    parser.add_argument("--decay", type=float, default=3e-2)
    parser.add_argument("--fine", type=int, default=40, help="channels at 2 px/mm")
    parser.add_argument("--wide", type=int, default=112, help="channels at 1 px/mm")
    parser.add_argument("--deep", type=int, default=224, help="channels at 0.5 px/mm")
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only-show", action="store_true", help="leave all but what shows through as it is")
    parser.add_argument("--begin", help="surface_net.pt to go on from")
    args = parser.parse_args(argv)
    low, high = map(int, args.held_out.split("-"))
    args.out.mkdir(parents=True, exist_ok=True)
    paths = sorted(args.faces.glob("*.npz"))
    with ThreadPoolExecutor(8) as pool:
        read = list(pool.map(lambda path: read_face(path, args.device), paths))
    numbers = [int(next(iter(re.findall(r"\d+", path.stem)), "0")) for path in paths]
    faces = [f for f, n in zip(read, numbers, strict=True) if not low <= n <= high]
    held = [f for f, n in zip(read, numbers, strict=True) if low <= n <= high]
    print(len(faces), "faces to teach,", len(held), "held out", flush=True)
    net = train(faces, held, args)
    figures = measure(net, held) if held else {}
    print(json.dumps(figures))
    (args.out / "figures.json").write_text(json.dumps(figures, indent=1))
    torch.save(net.state_dict(), args.out / "surface_net.pt")
    export(net, args.out / "surface_net.onnx")


if __name__ == "__main__":
    main()
