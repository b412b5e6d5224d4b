"""Train the outline network on rendered pictures (a GPU or several, minutes).

python -m qc.training.train TRAIN_DIR VALID_DIR HELD_OUT_DIR OUT --seconds 420
torchrun --nproc_per_node=2 -m qc.training.train ... --seconds 900 --until 500     # then again with --resume

VALID_DIR's pictures choose the temperature. Writes OUT/state.pt (to go on from), OUT/outline_net.onnx, OUT/outline_net.pt and OUT/figures.json (intersection over union per class, calibration).
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
from qc.training.net import CLASSES, MEAN, SPREAD, Net, export

IGNORE = 255
BATCH = 32
RATE = 3e-3
CLASS_WEIGHTS = (1.0, 1.2, 1.2, 1.5, 1.0, 2.0)  # rare classes a little more


def load(folder: str, device: str) -> dict[str, tuple[Tensor, Tensor]]:
    """Pictures (N, 3, h, w) and labels (N, h, w) as bytes on the device, by shape."""
    out = {}
    for shape in ("wide", "tall"):
        files = sorted(Path(folder).glob(f"{shape}_*.npz"))
        if files:
            data = [np.load(f) for f in files]
            x = torch.cat([torch.from_numpy(d["x"]).permute(0, 3, 1, 2).contiguous().to(device) for d in data])
            out[shape] = (x, torch.cat([torch.from_numpy(d["y"]).to(device) for d in data]))
    return out


def loss_of(scores: Tensor, labels: Tensor) -> Tensor:
    """Cross-entropy, heavier along borders, plus half the soft Dice loss over the batch."""
    valid = labels != IGNORE
    safe = torch.where(valid, labels, 0)
    weight = torch.tensor(CLASS_WEIGHTS, device=scores.device)
    one_hot = F.one_hot(safe, CLASSES).permute(0, 3, 1, 2).float() * valid[:, None]
    near = F.max_pool2d(one_hot, 5, 1, 2).sum(1) > 1.5
    entropy = F.cross_entropy(scores, safe, weight=weight, reduction="none") * valid * (1 + near.float())
    p = scores.softmax(1) * valid[:, None]
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
    return {"iou": [round(v, 4) for v in (inter / union.clamp(min=1)).tolist()], "nll": nll / count, "ece": ece}


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


def train(data: dict, valid: dict, args: argparse.Namespace, device: str, out: Path) -> Net:
    """AdamW, its rate warmed up and let down along a cosine; what is kept is the moving average of the weights."""
    torch.manual_seed(rank())
    torch.backends.cudnn.benchmark = True
    net = Net().to(device).to(memory_format=torch.channels_last)
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
    shapes = list(data)
    share = torch.tensor([float(len(data[s][0])) for s in shapes])
    begin, log, elapsed = time.monotonic(), [], before
    while elapsed < min(args.seconds, args.until):
        done = elapsed / args.seconds
        rate = RATE * min(1, (step + 1) / 300) * (0.5 * (1 + math.cos(math.pi * min(1, done))) + 0.003)
        for group in optimiser.param_groups:
            group["lr"] = rate
        x, y = data[shapes[int(torch.multinomial(share, 1))]]
        pick = torch.randint(len(x), (BATCH,), device=device)
        picture, labels = augment(x[pick], y[pick], gentle=done > 0.85)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            scores = net(picture.to(memory_format=torch.channels_last))
        loss = loss_of(scores.float(), labels)
        optimiser.zero_grad()
        loss.backward()
        elapsed = together(net, before + time.monotonic() - begin)
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        decay = min(0.999, step / (step + 20))
        for k, v in net.state_dict().items():
            if v.dtype.is_floating_point:
                average[k].lerp_(v, 1 - decay)
        if rank() == 0 and (step % 1000 == 0 or step in (20, 100)):
            net.train(False)
            row = measure(net, {k: (a[:100], b[:100]) for k, (a, b) in valid.items()})
            net.train(True)
            log.append({"step": step, "s": round(elapsed), "loss": round(loss.item(), 4), "iou": row["iou"]})
            print(json.dumps(log[-1]), flush=True)
    state = {"net": net.state_dict(), "optimiser": optimiser.state_dict(), "step": step, "elapsed": elapsed}
    net.load_state_dict(save(state, average, out / "state.pt"))
    (out / f"log_{round(elapsed)}.json").write_text(json.dumps(log))
    return net


def main(argv: list[str] | None = None) -> None:
    """Train on every GPU; the first calibrates, measures and exports."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("train", "valid", "held_out", "out"):
        parser.add_argument(name)
    parser.add_argument("--seconds", type=float, default=420)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--until", type=float, default=math.inf, help="stop here, to go on with --resume")
    parser.add_argument("--resume", help="state.pt of a training that was stopped")
    args = parser.parse_args(argv)
    device = args.device
    if "LOCAL_RANK" in os.environ:
        if device == "cuda":
            device = f"cuda:{os.environ['LOCAL_RANK']}"
            torch.cuda.set_device(device)
        distributed.init_process_group("nccl" if device.startswith("cuda") else "gloo")
    out = Path(args.out)
    out.mkdir(parents=True, exist_ok=True)
    data, valid, held = (load(f, device) for f in (args.train, args.valid, args.held_out))
    print({k: tuple(v[0].shape) for k, v in data.items()}, {k: len(v[0]) for k, v in valid.items()}, flush=True)
    net = train(data, valid, args, device, out)
    if rank() == 0:
        finish(net, valid, held, out)
    if distributed.is_initialized():
        distributed.destroy_process_group()


def finish(net: Net, valid: dict, held: dict, out: Path) -> None:
    """Calibrate, measure, export."""
    temperature = fit_temperature(net, valid)
    net.temperature.fill_(temperature)
    figures = {"temperature": temperature, "valid": measure(net, valid), "held_out": measure(net, held)}
    print(json.dumps(figures), flush=True)
    (out / "figures.json").write_text(json.dumps(figures, indent=1))
    torch.save(net.state_dict(), out / "outline_net.pt")
    export(net, str(out / "outline_net.onnx"))


if __name__ == "__main__":
    main()
