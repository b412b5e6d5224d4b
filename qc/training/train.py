"""Train the outline network on rendered pictures (a GPU or several, minutes).

python -m qc.training.train TRAIN_DIR VALID_DIR HELD_OUT_DIR OUT --seconds 420
python -m qc.training.train ... --seconds 450 --begin outline_net.onnx             # from earlier weights
torchrun --nproc_per_node=2 -m qc.training.train ... --seconds 900 --until 500     # then again with --resume

VALID_DIR's pictures choose the temperature. Writes OUT/state.pt (to go on from), OUT/outline_net.onnx, OUT/outline_net.pt
and OUT/figures.json (intersection over union per class, calibration; of the earlier weights too).
"""

import argparse
import json
import math
import os
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, distributed
from torch.nn import functional as F

from qc.training.augment import augment
from qc.training.inherit import normalise, read
from qc.training.net import CLASSES, MEAN, SPREAD, Net, export

IGNORE = 255
BATCH = 32
RATE = 3e-3
CLASS_WEIGHTS = (1.0, 1.2, 1.2, 1.5, 1.0, 2.0)  # rare classes a little more, so that they are learnt
LATE_WEIGHTS = (1.0, 1.1, 1.0, 1.0, 1.0, 1.3)  # nearly even: more would make the probabilities too high
GENTLE = 0.65  # share of the time after which pictures are changed less and classes weigh nearly the same
ROOM = {"wide": 16_000, "tall": 5_000}  # pictures for which there is room on the device


def load(folder: str, device: str, files: int | None = None) -> dict[str, tuple[Tensor, Tensor]]:
    """Pictures (N, 3, h, w) and labels (N, h, w) as bytes on the device, by shape; so many files of a shape at most."""
    out = {}
    for shape in ROOM:
        data = [_read(f, device) for f in sorted(Path(folder).rglob(f"{shape}_*.npz"))[:files]]
        if data:
            out[shape] = tuple(torch.cat(v) for v in zip(*data, strict=True))
    return out


def _read(path: Path, device: str) -> tuple[Tensor, Tensor]:
    data = np.load(path)
    x = torch.from_numpy(data["x"]).to(device).permute(0, 3, 1, 2).contiguous()
    return x, torch.from_numpy(data["y"]).to(device)


class Pictures:
    """The teaching pictures of a folder and those in it, on the device; more are taken in as they are rendered."""

    def __init__(self, folder: str, device: str, room: dict[str, int] | None = None) -> None:
        self.folder, self.device, self.room = Path(folder), device, room or ROOM
        self.seen: set[Path] = set()
        self.held: dict[str, tuple[Tensor, Tensor]] = {}
        self.count = dict.fromkeys(self.room, 0)

    def take_in(self, files: int) -> int:
        """Read up to so many files that were not there before; returns how many were read."""
        new = [f for f in sorted(self.folder.rglob("*.npz")) if f not in self.seen][:files]
        for path in new:
            self.seen.add(path)
            shape = path.name.split("_")[0]
            parts = _read(path, self.device)
            if shape not in self.held:
                self.held[shape] = tuple(v.new_empty(self.room[shape], *v.shape[1:]) for v in parts)
            begin = self.count[shape]
            end = min(begin + len(parts[0]), self.room[shape])
            for whole, part in zip(self.held[shape], parts, strict=True):
                whole[begin:end] = part[: end - begin]
            self.count[shape] = end
        return len(new)

    def wait(self, files: int) -> None:
        """Take in all there is, so many files at least."""
        while len(list(self.folder.rglob("*.npz"))) < files:
            time.sleep(1)
        while self.take_in(100):
            print(self.count, flush=True)

    def draw(self, number: int) -> tuple[Tensor, Tensor]:
        """A batch of one shape, each picture as likely as any other."""
        shapes = list(self.held)
        share = torch.tensor([float(self.count[s]) for s in shapes])
        shape = shapes[int(torch.multinomial(share, 1))]
        x, y = self.held[shape]
        pick = torch.randint(self.count[shape], (number,), device=self.device)
        return x[pick], y[pick]


def loss_of(scores: Tensor, labels: Tensor, weight: Tensor) -> Tensor:
    """Cross-entropy weighted by class (6,), heavier along borders, plus half the soft Dice loss over the batch."""
    valid = labels != IGNORE
    safe = torch.where(valid, labels, 0)
    most = F.max_pool2d(torch.where(valid, labels, -1).float()[:, None], 5, 1, 2)
    least = -F.max_pool2d(torch.where(valid, -labels, -CLASSES).float()[:, None], 5, 1, 2)
    near = (most > least)[:, 0].float()
    entropy = F.cross_entropy(scores, safe, weight=weight, reduction="none") * valid * (1 + near)
    p = scores.softmax(1) * valid[:, None]
    one_hot = F.one_hot(safe, CLASSES).permute(0, 3, 1, 2).float() * valid[:, None]
    dice = 1 - ((2 * (p * one_hot).sum((0, 2, 3)) + 1) / ((p + one_hot).sum((0, 2, 3)) + 1)).mean()
    return entropy.mean() + 0.5 * dice


@torch.no_grad()
def scores_of(net: Net, x: Tensor) -> Tensor:
    return net((x.float() / 255 - MEAN) / SPREAD).float()


@torch.no_grad()
def measure(net: Net, data: dict[str, tuple[Tensor, Tensor]], temperature: float = 1.0) -> dict[str, object]:
    """Intersection over union per class, and the calibration of the chosen label's probability."""
    net.eval()
    device = next(net.parameters()).device
    inter, union = torch.zeros(CLASSES, device=device), torch.zeros(CLASSES, device=device)
    bins = {k: torch.zeros(3, 15, device=device) for k in ("all", "near")}
    nll = count = 0.0
    for x, y in data.values():
        for k in range(0, len(x), BATCH):
            labels = y[k : k + BATCH].long()
            scores = scores_of(net, x[k : k + BATCH]) / temperature
            p, chosen = scores.softmax(1).max(1)
            nll += float(F.cross_entropy(scores, labels, reduction="sum"))
            count += labels.numel()
            for c in range(CLASSES):
                inter[c] += ((chosen == c) & (labels == c)).sum()
                union[c] += ((chosen == c) | (labels == c)).sum()
            cake = ((chosen == 2) | (chosen == 3) | (chosen == 5)).float()
            near = F.max_pool2d(cake[:, None], 17, 1, 8)[:, 0] > 0
            for name, where in (("all", torch.ones_like(near)), ("near", near)):
                slot = (p * 15).long().clamp(max=14)[where]
                for row, value in enumerate((torch.ones_like(p), p, (chosen == labels).float())):
                    bins[name][row].index_add_(0, slot, value[where])
    ece = {k: float((b[1] - b[2]).abs().sum() / b[0].sum()) for k, b in bins.items()}
    return {"iou": [round(v, 4) for v in (inter / union.clamp(min=1)).tolist()], "nll": nll / max(count, 1), "ece": ece}


def fit_temperature(net: Net, data: dict[str, tuple[Tensor, Tensor]]) -> float:
    """The temperature of least negative log likelihood (golden-section search)."""
    few = {k: (x[:150], y[:150]) for k, (x, y) in data.items()}
    low, high, g = math.log(0.5), math.log(3.0), (math.sqrt(5) - 1) / 2
    for _ in range(9):
        a, b = high - g * (high - low), low + g * (high - low)
        if measure(net, few, math.exp(a))["nll"] < measure(net, few, math.exp(b))["nll"]:
            high = b
        else:
            low = a
    return math.exp((low + high) / 2)


def together(net: Net, elapsed: float) -> float:
    """Mean gradients of all GPUs, in place; returns the mean of the elapsed times, so that all stop at one step."""
    if not distributed.is_initialized():
        return elapsed
    grads = [p.grad for p in net.parameters() if p.grad is not None]
    clock = torch.tensor([elapsed], device=grads[0].device)
    flat = torch.cat([g.reshape(-1) for g in grads] + [clock])
    distributed.all_reduce(flat)
    flat /= distributed.get_world_size()
    at = 0
    for g in grads:
        g.copy_(flat[at : at + g.numel()].view_as(g))
        at += g.numel()
    return float(flat[-1])


def save(state: dict, average: dict[str, Tensor], path: Path) -> dict[str, Tensor]:
    """Mean of the GPUs' averaged weights, kept with what is needed to go on."""
    if distributed.is_initialized():
        for v in average.values():
            if v.dtype.is_floating_point:
                distributed.all_reduce(v)
                v /= distributed.get_world_size()
    if rank() == 0:
        torch.save(state | {"average": average}, path)
    return average


def rank() -> int:
    return distributed.get_rank() if distributed.is_initialized() else 0


def compiled(net: Net, device: str, shapes: tuple[tuple[int, int], ...] = ((480, 640), (640, 480))) -> tuple:
    """Network and loss compiled for both shapes, or as they are where the compiler fails."""
    weight = torch.tensor(CLASS_WEIGHTS, device=device)
    before = {k: v.detach().clone() for k, v in net.state_dict().items()}
    run, loss = torch.compile(net, dynamic=False), torch.compile(loss_of, dynamic=False)
    begin = time.monotonic()
    try:
        for h, w in shapes:
            x = torch.randn(BATCH, 3, h, w, device=device).to(memory_format=torch.channels_last)
            with torch.autocast(device.split(":")[0], torch.bfloat16):
                scores = run(x)
            loss(scores.float(), torch.zeros(BATCH, h, w, dtype=torch.long, device=device), weight).backward()
    except Exception as reason:  # slower, and as good
        print(f"not compiled: {str(reason)[:300]}", flush=True)
        run, loss = net, loss_of
    net.load_state_dict(before)
    net.zero_grad()
    print(f"compiled in {time.monotonic() - begin:.0f} s", flush=True)
    return run, loss


def train(data: Pictures, args: argparse.Namespace, device: str, out: Path) -> Net:
    """AdamW, its rate warmed up and let down along a cosine; what is kept is the moving average of the weights."""
    torch.manual_seed(rank())
    torch.backends.cudnn.benchmark = True
    net = Net().to(device).to(memory_format=torch.channels_last)
    run, loss_fn = compiled(net, device) if args.compile else (net, loss_of)
    data.wait(args.least)
    if args.begin:
        begin_with(net, args.begin, data)
    optimiser = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-3)
    step, before = 0, 0.0
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    if args.resume:
        old = torch.load(args.resume, map_location=device)
        net.load_state_dict(old["net"])
        optimiser.load_state_dict(old["optimiser"])
        step, before, average = old["step"], old["elapsed"], old["average"]
        torch.manual_seed(1000 + rank())
    elif distributed.is_initialized():
        for v in net.state_dict().values():
            distributed.broadcast(v, 0)
    moving = [(average[k], v) for k, v in net.state_dict().items() if v.dtype.is_floating_point]
    kept, now = [a for a, _ in moving], [v for _, v in moving]
    early, late = (torch.tensor(w, device=device) for w in (CLASS_WEIGHTS, LATE_WEIGHTS))
    begin, log, elapsed = time.monotonic(), [], before
    while elapsed < min(args.seconds, args.until):
        done = elapsed / args.seconds
        rate = args.rate * min(1, (step + 1) / 300) * (0.5 * (1 + math.cos(math.pi * min(1, done))) + 0.003)
        for group in optimiser.param_groups:
            group["lr"] = rate
        x, y = data.draw(BATCH)
        picture, labels = augment(x, y, gentle=done > GENTLE)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            scores = run(picture.to(memory_format=torch.channels_last))
        loss = loss_fn(scores.float(), labels, late if done > GENTLE else early)
        optimiser.zero_grad()
        loss.backward()
        elapsed = together(net, before + time.monotonic() - begin)
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        torch._foreach_lerp_(kept, now, 1 - min(0.999, step / (step + 20)))
        if args.grows and step % 50 == 0:
            data.take_in(2)
        if rank() == 0 and (step % 1000 == 0 or step in (20, 100, 300)):
            look = Net().to(device)
            look.load_state_dict(average)
            row = measure(look, load(args.valid, device, 5))
            log.append({"step": step, "s": round(elapsed), "loss": round(loss.item(), 4), "iou": row["iou"]})
            print(json.dumps(log[-1] | {"pictures": data.count}), flush=True)
            torch.save(average, out / "average.pt")
    state = {"net": net.state_dict(), "optimiser": optimiser.state_dict(), "step": step, "elapsed": elapsed}
    net.load_state_dict(save(state, average, out / "state.pt"))
    (out / f"log_{round(elapsed)}.json").write_text(json.dumps(log))
    return net


def begin_with(net: Net, path: str, data: Pictures) -> None:
    """The weights of an earlier network, its normalisations fitted to pictures as training shows them."""
    picture, _ = augment(*data.draw(BATCH))
    net.load_state_dict(read(path).state_dict())
    normalise(net, picture)


def main(argv: list[str] | None = None) -> None:
    """Train on every GPU; the first calibrates, measures and exports."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("train", "valid", "held_out", "out"):
        parser.add_argument(name)
    parser.add_argument("--seconds", type=float, default=420)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--until", type=float, default=math.inf, help="stop here, to go on with --resume")
    parser.add_argument("--resume", help="state.pt of a training that was stopped")
    parser.add_argument("--begin", help="outline_net.onnx of an earlier training to begin with")
    parser.add_argument("--rate", type=float, default=RATE)
    parser.add_argument("--soften", type=float, default=1.0, help="times the temperature that suits VALID_DIR best")
    parser.add_argument("--compile", action="store_true", help="compile the network first: a minute, then faster")
    parser.add_argument("--grows", action="store_true", help="TRAIN_DIR is still being rendered: take in what is new")
    parser.add_argument("--least", type=int, default=1, help="wait for so many files in TRAIN_DIR")
    args = parser.parse_args(argv)
    device = args.device
    if "LOCAL_RANK" in os.environ:
        if device == "cuda":
            device = f"cuda:{os.environ['LOCAL_RANK']}"
            torch.cuda.set_device(device)
        distributed.init_process_group("nccl" if device.startswith("cuda") else "gloo")
    out = Path(args.out)
    out.mkdir(parents=True, exist_ok=True)
    net = train(Pictures(args.train, device), args, device, out)
    if rank() == 0:
        finish(net, load(args.valid, device), load(args.held_out, device), out, args.begin, args.soften)
    if distributed.is_initialized():
        distributed.destroy_process_group()


def finish(net: Net, valid: dict, held: dict, out: Path, begin: str | None = None, soften: float = 1.0) -> None:
    """Calibrate, measure (other temperatures and earlier weights too, to compare), export."""
    best = fit_temperature(net, valid)
    figures: dict[str, object] = {"temperature": best}
    for factor in (1.0, 1.1, 1.2, 1.3):
        figures[f"T x {factor}"] = {
            "valid": measure(net, valid, best * factor),
            "held_out": measure(net, held, best * factor),
        }
    if begin:
        earlier = read(begin).to(next(net.parameters()).device)
        figures["earlier"] = {"valid": measure(earlier, valid), "held_out": measure(earlier, held)}
    net.temperature.fill_(best * soften)
    print(json.dumps(figures), flush=True)
    (out / "figures.json").write_text(json.dumps(figures, indent=1))
    torch.save(net.state_dict(), out / "outline_net.pt")
    export(net, str(out / "outline_net.onnx"))


if __name__ == "__main__":
    main()
