"""Render the pictures that teach the outline network; needs `pip install .[render]`.

python -m qc.training.dataset OUT --first-seed 1000000 --seconds 500 --processes 16

Each study (one seed: cakes, board, toppings) is photographed SHOTS times. The pictures and label maps go to OUT as
`wide_*.npz` (480 x 640) and `tall_*.npz` (640 x 480) with arrays x (N, h, w, 3), y (N, h, w), seed (N,). A seed always
gives the same pictures, whatever the number of processes; how many seeds are reached depends on the time allowed.
Seeds from 1000000 are for training, from 8000000 for validation, and --held-out gives the style kept from training.
"""

import argparse
import gc
import multiprocessing
import os
import time
import traceback
from pathlib import Path

import numpy as np

SHOTS = 1  # arrangements of lamps, bench and clutter of one study
SHARD = 20  # pictures a file; a training beside it waits for the first ones


def work(index: int, out: str, args: argparse.Namespace) -> None:
    """One process: every args.processes-th seed until the time is up."""
    if args.gpus > 1:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(index % args.gpus)
    import cv2
    import mitsuba as mi

    cv2.setNumThreads(1)
    mi.set_variant(args.variant)
    from sample_images.render import shoot, study

    shoot.cache_textures()
    study.PLAIN = study.PLAIN if args.plain is None else args.plain
    end = time.monotonic() + args.seconds
    pending: dict[str, list] = {"wide": [], "tall": []}
    part = made = 0
    seed = args.first_seed + index
    while time.monotonic() < end and seed < args.first_seed + args.studies:
        try:
            for picture, labels in pictures(study, shoot, seed, args):
                pending["tall" if picture.shape[0] > picture.shape[1] else "wide"].append((picture, labels, seed))
                made += 1
        except Exception:  # a seed that cannot be built is left out and said
            print(f"seed {seed} left out: {traceback.format_exc(limit=-2)}", flush=True)
        for shape, rows in pending.items():
            if len(rows) >= SHARD:
                part = _save(out, shape, index, part, rows)
        seed += args.processes
        if made % 60 < SHOTS:
            gc.collect()
    for shape, rows in pending.items():
        if rows:
            part = _save(out, shape, index, part, rows)
    print(f"process {index}: {made} pictures", flush=True)


def pictures(study, shoot, seed: int, args: argparse.Namespace):
    """The shots of one study that show what they should: (picture, labels)."""
    arrangement = study.sample_study(seed, args.held_out)
    has_cake = any(t.label == "body" for t in arrangement.things)
    for k in range(SHOTS):
        shot = study.sample_shot(arrangement, k)

        def other(j, shot, k=k):
            return study.other_view(arrangement, shot, 100 * (k + 1) + j)

        for picture, labels in shoot.shoot(arrangement, shot, k, args.spp, args.views, other):
            if picture.mean() > 8 and (not has_cake or (labels == 2).mean() > 0.004):
                yield picture, labels


def _save(out: str, shape: str, index: int, part: int, rows: list) -> int:
    x, y, seed = (np.stack(v) for v in zip(*rows, strict=True))
    path = Path(out) / f"{shape}_{index:02d}_{part:03d}.npz"
    half = path.with_suffix(".part")
    with half.open("wb") as file:
        np.savez(file, x=x, y=y, seed=seed)
    half.rename(path)  # whole or not there: a training may be reading
    rows.clear()
    return part + 1


def main(argv: list[str] | None = None) -> None:
    """Run the processes and say what came out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out")
    parser.add_argument("--first-seed", type=int, default=1_000_000)
    parser.add_argument("--studies", type=int, default=1_000_000)
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--processes", type=int, default=16)
    parser.add_argument("--spp", type=int, default=32)
    parser.add_argument("--views", type=int, default=4, help="cameras per loaded scene")
    parser.add_argument("--gpus", type=int, default=1)
    parser.add_argument("--variant", default="cuda_ad_rgb")
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--plain", type=float, help="share of shop cakes on the plain bench, if not the usual one")
    args = parser.parse_args(argv)
    Path(args.out).mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    jobs = [context.Process(target=work, args=(k, args.out, args)) for k in range(args.processes)]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join()
    count = sum(len(np.load(f)["seed"]) for f in Path(args.out).glob("*.npz"))
    print(f"{count} pictures in {args.out}", flush=True)


if __name__ == "__main__":
    main()
