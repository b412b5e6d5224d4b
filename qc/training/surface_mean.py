"""The mean of several networks of one training (`qc.training.surface`).

    python -m qc.training.surface_mean FACES OUT CHECKPOINT [CHECKPOINT ...]

A network that has been taught for long knows its cakes by heart and errs more on pictures unlike them. The mean of the
weights of several stages, with the batch normalisations' statistics taken anew over FACES, keeps what it has learnt
and is steadier: Izmailov et al. (2018), "Averaging weights leads to wider optima and better generalization", UAI. Writes
OUT/surface_net.pt and OUT/surface_net.onnx.
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.optim.swa_utils import update_bn

from qc.training.surface import SurfaceNet, export
from qc.training.surface_data import Ahead, Pool, read_face


def mean_of(stages: list[dict[str, Tensor]]) -> dict[str, Tensor]:
    """Mean of what is a number with a fraction; counts are the first stage's."""
    return {
        k: torch.stack([s[k] for s in stages]).mean(0) if v.dtype.is_floating_point else v for k, v in stages[0].items()
    }


def batches(pool: Pool, many: int, each: int) -> Iterator[Tensor]:
    draw = Ahead(pool, each)
    for _ in range(many):
        yield draw()[0]


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("faces", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("checkpoints", type=Path, nargs="+")
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--batches", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    args.out.mkdir(parents=True, exist_ok=True)
    net = SurfaceNet()
    net.load_state_dict(mean_of([torch.load(p, map_location="cpu") for p in args.checkpoints]))
    net.to(args.device)
    faces = [read_face(path, args.device) for path in sorted(args.faces.glob("*.npz"))]
    with torch.no_grad():
        update_bn(batches(Pool(faces, np.random.default_rng(args.seed)), args.batches, 24), net)
    torch.save(net.state_dict(), args.out / "surface_net.pt")
    export(net, args.out / "surface_net.onnx")


if __name__ == "__main__":
    main()
