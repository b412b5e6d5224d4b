"""What teaches the surface network: flattened pictures with their truth, cut into batches on the device.

The pictures are written by `tests/long/surface_faces.py`. A batch is of crops of 64 mm, half of them near a spot; spots cut
out of other pictures are set down on bare icing, and some crops become icing without any relief or fault.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from threading import Thread

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

PIT, CRUMB, FINGER = 0, 1, 2
LEAST_MM, DOUBTFUL_MM = 1.5, 1.0  # spots that count; from here to there they neither count nor are wrong
HEAT_MM, FINGER_HEAT_MM = 0.7, 2.5  # standard deviation of the target about a spot
CROP = 256
SMOOTH, LEAST_RELIEF_MM = 0.03, 0.005  # share of crops without any relief, and what is then true
STAMP = 48  # pixels across what is set down elsewhere


@dataclass
class Face:
    """One flattened picture and its targets, on the device."""

    name: str
    top: bool
    kind: str
    planes: Tensor  # (PLANES, rows, cols) bytes
    target: Tensor  # (9, rows / 2, cols / 2): heat and weight of spots, of finger marks; crumb, log size, known; show, weight
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
    show = torch.from_numpy(d["show"][: rows // 2, : cols // 2].astype(np.float32)).to(device)
    target[7, : show.shape[0], : show.shape[1]] = show
    target[8] = free.repeat_interleave(2, 0).repeat_interleave(2, 1).float() * (not top)
    planes = torch.from_numpy(flat).to(device)
    return Face(path.stem, top, str(d["kind"]), planes, target, relief, spots, hidden)


def targets(spots: np.ndarray, hidden: np.ndarray, rows: int, cols: int, device: str) -> Tensor:
    """Maps (9, rows, cols) at 2 px/mm of what should be said, but of show-through."""
    out = torch.zeros(9, rows, cols, device=device)
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
    planes : Tensor, shape (PLANES, n), bytes; target, shape (9, n / 4); relief, shape (2, n / 16)
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
        target[k, [0, 2, 4, 5, 6, 7]] = 0
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


class Ahead:
    """Batches for the network, drawn by a thread while the network learns from the one before.

    Called, it gives what is shown (B, PLANES, CROP, CROP), target and relief (see `Pool`).
    """

    def __init__(self, pool: Pool, number: int) -> None:
        self._pool, self._number = pool, number
        self._stream = torch.cuda.Stream() if pool.device.type == "cuda" else None
        self._ready: Queue = Queue(2)
        Thread(target=self._run, daemon=True).start()

    def __call__(self) -> tuple[Tensor, Tensor, Tensor]:
        batch, event = self._ready.get()
        if isinstance(batch, Exception):
            raise batch
        if event is not None:
            now = torch.cuda.current_stream()
            now.wait_event(event)
            for values in batch:
                values.record_stream(now)
        return batch

    def _run(self) -> None:
        try:
            with torch.cuda.stream(self._stream):  # nothing where there is none
                while True:
                    batch = self._draw()
                    self._ready.put((batch, self._stream.record_event() if self._stream else None))
        except Exception as error:
            self._ready.put((error, None))

    def _draw(self) -> tuple[Tensor, Tensor, Tensor]:
        raw, target, relief = self._pool.draw(self._number)
        smooth(raw, target, relief, self._pool.rng)
        return augment(planes_of(raw)).contiguous(memory_format=torch.channels_last), target, relief
