"""Learn the weights of `qc.edge_weights` on rendered cakes: which of the edges along a normal is the icing's.

    python -m tests.long.edge_weights record FOLDER [FOLDER ...] --out EDGES [--jobs 2]
    python -m tests.long.edge_weights learn EDGES [--held-out 51001-51014] [--store]

FOLDER/* are cakes with truth.json. `record` fits each cake and keeps, at every look for edges, what is said of them
(`qc.edge_words`) and which lies on the rendered body's true outline (`tests.long.contour_error`): the one nearest to it
if within 1.3 px per 2016 of width, or none, as where a piece hides it. Drips take no part.
`learn` needs torch; it prints how often the right edge is chosen on cakes held out, and with --store writes
`qc/edge_net.npz` anew.
"""

import argparse
import itertools
import re
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np

from qc import edge_weights, fit_terms, outline
from qc.contour import Contour
from qc.edge_words import COUNT, Surroundings
from qc.measure import fit_with_decorations
from qc.stages import MeasureSettings
from tests import truth as truths
from tests.long.contour_error import DRIP_MM, outline_offsets, true_surface
from tests.long.fitted import inputs_of

Array = np.ndarray
NEAR_PX = 1.3  # per 2016 of width: from the true outline to an edge that is it
STEPS, BATCH, HIDDEN_UNITS, RATE = 6000, 1024, (48, 16), 3e-3


class Listener:
    """Hears every look for edges of one cake's icing, and finds photos by their pixels."""

    def __init__(self, cake: Path) -> None:
        self.truth = truths.load(cake)
        self.inputs = inputs_of(cake)
        self.surfaces = [s[::2, ::2] if s is not None else None for s in true_surface(self.truth)]
        self.names = {id(i.photo.pixels): n for n, i in self.inputs.items()}
        self.heard: list[tuple[Array, Array, Array]] = []

    def photo_edges(self, pixels: Array, contour: Contour, keep: Array, reach: float, expected: float, ask: Any,
                    icing: Surroundings | None = None) -> outline.Edges:  # fmt: skip
        """`qc.outline.photo_edges`, listened to."""
        profiles = outline.light_across(pixels, contour, keep, reach, ask)
        if icing is not None and profiles is not None:
            index = profiles.index
            at, words = outline.weighed(profiles, contour, expected, icing, ask)
            true, known = self.true_offsets(self.names[id(pixels)], contour, reach, icing)
            away = np.where(at >= 0, np.abs(profiles.s[np.maximum(at, 0)] - true[index, None]), np.inf)
            right = np.where(away.min(1) <= NEAR_PX * icing.zoom, away.argmin(1), COUNT)[known[index]]
            self.heard.append((words[known[index]].astype(np.float32), (at >= 0)[known[index]], right))
        return outline.photo_edges(pixels, contour, keep, reach, expected, ask, icing)

    def true_offsets(self, name: str, contour: Contour, reach: float, icing: Surroundings) -> tuple[Array, Array]:
        """Where the true outline lies along each normal (N,), and where that counts (N,)."""
        view, far = truths.true_view(self.truth, name), max(3 * reach, 20.0)
        bare, dripped = self.surfaces
        true = outline_offsets(bare, view, contour, far)
        known = np.isfinite(true)
        if dripped is not None:
            drip = outline_offsets(dripped, view, contour, far) - true
            known &= np.abs(drip) < DRIP_MM * view.px_per_mm(np.array([0.0, 0.0, 40.0]))
        return np.nan_to_num(true), known


def record(cake: Path, out: Path) -> str:
    """Fit one cake and keep what was heard."""
    cv2.setNumThreads(1)
    listener = Listener(cake)
    settings = MeasureSettings((listener.truth["print_scale"],) * 2, 1e-9)
    with mock.patch.object(fit_terms, "photo_edges", listener.photo_edges):
        fit_with_decorations(listener.inputs, settings)
    words, have, right = (np.concatenate(v) for v in zip(*listener.heard, strict=True))
    np.savez(out / f"{cake.name}.npz", words=words, have=have, right=right)
    return f"{cake.name}: {len(right)} profiles"


def learn(taught: list[Path], held: list[Path], steps: int = STEPS) -> dict[str, Array]:
    """A network by AdamW on the cross-entropy of the right edge among a profile's, none included; cakes count alike."""
    import torch
    from torch import nn
    from torch.nn import functional as F

    torch.manual_seed(0)
    parts = [np.load(f) for f in taught]
    words, have, right = (torch.from_numpy(np.concatenate([p[k] for p in parts])) for k in ("words", "have", "right"))
    share = torch.cat([torch.full((len(p["right"]),), 1 / len(p["right"])) for p in parts])
    share = share / share.mean()
    mean, spread = words[have].mean(0), words[have].std(0) + 1e-3
    sizes = (words.shape[-1], *HIDDEN_UNITS, 1)
    layers = [nn.Linear(a, b) for a, b in itertools.pairwise(sizes)]
    net = nn.Sequential(*[m for layer in layers for m in (layer, nn.ReLU())][:-1])
    none = nn.Parameter(torch.zeros(1))
    optimiser = torch.optim.AdamW([*net.parameters(), none], RATE, weight_decay=1e-3)

    def logits(x: Any, there: Any) -> Any:
        z = ((x - mean) / spread).clamp(-edge_weights.FAR, edge_weights.FAR)
        said = torch.where(there, net(z)[..., 0], torch.tensor(-30.0))
        return torch.cat([said, none.expand(len(said), 1)], 1)

    for step in range(steps):
        for group in optimiser.param_groups:
            group["lr"] = RATE * 0.5 * (1 + np.cos(np.pi * step / steps)) + 1e-5
        k = torch.randint(len(words), (BATCH,))
        x = words[k] + 0.03 * spread * torch.randn(BATCH, *words.shape[1:])
        loss = F.cross_entropy(logits(x, have[k]), right[k], reduction="none", label_smoothing=0.01)
        optimiser.zero_grad()
        (loss * share[k]).mean().backward()
        optimiser.step()
    for path in held:
        p = np.load(path)
        with torch.no_grad():
            chance = logits(torch.from_numpy(p["words"]), torch.from_numpy(p["have"])).softmax(1).numpy()
        pick = chance[:, :-1].argmax(1)
        taken = chance[np.arange(len(pick)), pick] > 0.5
        good = pick == p["right"]
        print(f"{path.stem}: right {(taken & good).mean():.3f}, wrong of those taken {(~good)[taken].mean():.3f}")
    stored = {"mean": mean.numpy(), "spread": spread.numpy(), "none": none.detach().numpy()[0]}
    for k, layer in enumerate(layers):
        stored[f"weights{k}"], stored[f"offsets{k}"] = layer.weight.detach().numpy().T, layer.bias.detach().numpy()
    return stored


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["record", "learn"])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--held-out", default="0-0", help="numbers of cakes, FIRST-LAST")
    parser.add_argument("--steps", type=int, default=STEPS)
    parser.add_argument("--store", action="store_true")
    args = parser.parse_args()
    if args.what == "record":
        args.out.mkdir(parents=True, exist_ok=True)
        cakes = [p.parent for folder in args.folders for p in sorted(folder.glob("*/truth.json"))]
        with ProcessPoolExecutor(args.jobs) as pool:
            for job in [pool.submit(record, cake, args.out) for cake in cakes]:
                print(job.result(), flush=True)
        return
    low, high = map(int, args.held_out.split("-"))
    files = [f for folder in args.folders for f in sorted(folder.glob("*.npz"))]
    held = [f for f in files if low <= int(next(iter(re.findall(r"\d+", f.stem)), 0)) <= high]
    stored = learn([f for f in files if f not in held], held, args.steps)
    if args.store:
        np.savez_compressed(Path(edge_weights.__file__).parent / "edge_net.npz", **stored)


if __name__ == "__main__":
    main()
