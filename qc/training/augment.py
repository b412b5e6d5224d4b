"""Changes made to a batch of teaching pictures on the GPU: framing, backgrounds, paint, light, lens."""

import torch
from torch import Tensor
from torch.nn import functional as F

from qc.training.net import CLASSES, MEAN, SPREAD

IGNORE = 255


def _normal(like: Tensor, *shape: int) -> Tensor:
    return torch.randn(*shape, device=like.device)


def _some(like: Tensor, share: float) -> Tensor:
    """(B, 1, 1, 1) of 0 and 1."""
    return (torch.rand(len(like), 1, 1, 1, device=like.device) < share).float()


def augment(x: Tensor, y: Tensor, gentle: bool = False) -> tuple[Tensor, Tensor]:
    """Bytes (B, 3, h, w) and labels (B, h, w) -> what the network sees, and long labels with IGNORE where padded.

    Gently, half of the batches keep their framing, pixel for pixel, and half their paint and backgrounds.
    """
    picture, labels = _mirror(x.float() / 255, y.long())
    if not gentle or torch.rand(1) < 0.5:
        picture, labels = _frame(picture, labels)
    if not gentle or torch.rand(1) < 0.5:
        picture = _background(picture, labels)
        picture = _repaint(picture, labels)
        picture = _pattern(picture, labels)
    picture = _light(_hue(picture))
    picture = _lens(picture)
    picture, labels = _letterbox(picture, labels)
    return (picture.clamp(0, 1) - MEAN) / SPREAD, labels


def _mirror(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    return (x.flip(3), y.flip(2)) if torch.rand(1) < 0.5 else (x, y)


def _frame(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Turn a little, zoom and shift; what comes from outside is mirrored in with its labels.

    A pixel gets the label that has most of it between the four pixels that it comes from: the nearest one's would put
    borders half a pixel off here and there.
    """
    n, _, h, w = x.shape
    a = (_normal(x, n) * 0.12).clamp(-0.5, 0.5)
    s = torch.exp((_normal(x, n) * 0.28).clamp(-0.7, 0.5))
    tx, ty = _normal(x, 2, n) * 0.12
    k = h / w
    rows = [torch.stack([s * a.cos(), -s * a.sin() * k, tx], 1), torch.stack([s * a.sin() / k, s * a.cos(), ty], 1)]
    grid = F.affine_grid(torch.stack(rows, 1), [n, 3, h, w], align_corners=False)
    both = torch.cat([x, F.one_hot(y, CLASSES).permute(0, 3, 1, 2).to(x)], 1)
    both = F.grid_sample(both, grid, padding_mode="reflection", align_corners=False)
    return both[:, :3], both[:, 3:].argmax(1)


def _smooth_noise(like: Tensor, cells: int) -> Tensor:
    n, _, h, w = like.shape
    small = torch.rand(n, 3, max(cells * h // 640, 2), max(cells * w // 640, 2), device=like.device)
    return F.interpolate(small, (h, w), mode="bicubic", align_corners=False)


def _background(x: Tensor, y: Tensor) -> Tensor:
    """In some pictures, something else behind: plain, shaded, blotched, striped, or another picture out of focus."""
    n, _, h, w = x.shape
    mask = F.avg_pool2d((y == 0).float()[:, None], 3, 1, 1)
    plain = torch.rand(n, 3, 1, 1, device=x.device).expand_as(x)
    pale = (0.72 + 0.28 * torch.rand(n, 1, 1, 1, device=x.device)) * (
        1 - 0.06 * torch.rand(n, 3, 1, 1, device=x.device)
    )
    ramp = torch.linspace(0, 1, h, device=x.device)[None, None, :, None]
    shaded = plain * (1 - ramp) + torch.rand(n, 3, 1, 1, device=x.device) * ramp
    blotched = _smooth_noise(x, int(torch.randint(3, 60, (1,))))
    u = torch.linspace(0, 1, w, device=x.device)[None, None, None, :]
    turn = _normal(x, n, 1, 1, 1)
    wave = 0.5 + 0.5 * torch.sin(6.283 * (4 + 40 * torch.rand(n, 1, 1, 1, device=x.device)) * (u + turn * ramp))
    striped = plain * wave + (1 - wave) * torch.rand(n, 3, 1, 1, device=x.device)
    far = F.interpolate(F.adaptive_avg_pool2d(x.roll(1, 0), (12, 16)), (h, w), mode="bicubic", align_corners=False)
    kinds = (plain, pale, pale * (1 - 0.25 * ramp), shaded, blotched, striped, far)
    new = kinds[int(torch.randint(len(kinds), (1,)))].expand_as(x)  # one kind a batch: seven at once take long
    new = new + 0.06 * (_smooth_noise(x, 200) - 0.5)
    m = mask * _some(x, 0.30)
    return x * (1 - m) + new.clamp(0, 1) * m


def _of_label(table: Tensor, y: Tensor) -> Tensor:
    """(B, 6, C) values per label -> (B, C, h, w) as the labels lie, softened at their borders."""
    n, _, c = table.shape
    rows = y.flatten(1)[:, :, None].expand(-1, -1, c)
    return F.avg_pool2d(table.gather(1, rows).permute(0, 2, 1).reshape(n, c, *y.shape[1:]), 3, 1, 1)


def _repaint(x: Tensor, y: Tensor) -> Tensor:
    """Other colours for the body, the decorations, the board or the surroundings, each on its own."""
    n = len(x)
    share = torch.tensor([0.25, 0.25, 0.30, 0.25, 0.0, 0.25], device=x.device)[None, :, None]
    gain = _normal(x, n, 6, 3) * 0.33 + _normal(x, n, 6, 1) * 0.28
    return (x * _of_label(gain * (torch.rand(n, 6, 1, device=x.device) < share), y).exp()).clamp(0, 1)


def _pattern(x: Tensor, y: Tensor) -> Tensor:
    """Specks, stripes, blotches or another picture's grain over some kinds of things in some pictures."""
    n, _, h, w = x.shape
    kind = int(torch.randint(4, (1,)))  # one kind a batch
    deep = 0.08 + 0.5 * torch.rand(n, 1, 1, 1, device=x.device) ** 1.5
    if kind == 0:
        cells = int(torch.randint(25, 200, (1,)))
        paint = torch.rand(n, 3, max(cells * h // 640, 2), max(cells * w // 640, 2), device=x.device)
        level = 0.45 + 0.4 * torch.rand(n, 1, 1, 1, device=x.device)
        speck = (_smooth_noise(x, cells)[:, :1] > level).float() * (0.3 + 1.2 * deep)
        new = torch.lerp(x, F.interpolate(paint, (h, w)), speck)
    elif kind == 1:
        v = torch.linspace(0, h / w, h, device=x.device)[None, None, :, None]
        u = torch.linspace(0, 1, w, device=x.device)[None, None, None, :]
        turn = 6.283 * torch.rand(n, 1, 1, 1, device=x.device)
        bent = 0.06 * (_smooth_noise(x, int(torch.randint(4, 40, (1,))))[:, :1] - 0.5)
        phase = (u * turn.cos() + v * turn.sin() + bent) * (8 + 60 * torch.rand(n, 1, 1, 1, device=x.device))
        new = x * (1 + deep * torch.sin(6.283 * phase))
    elif kind == 2:
        grain = sum(_smooth_noise(x, int(c)) - 0.5 for c in torch.randint(10, 300, (3,)))
        if torch.rand(1) < 0.6:
            grain = grain.mean(1, keepdim=True)
        new = x * (1 + 2 * deep * grain)
    else:
        other = x.roll(1, 0)
        new = x * (1 + deep * (other / F.avg_pool2d(other, 31, 1, 15).clamp(min=0.05) - 1).clamp(-0.8, 1.2))
    share = torch.tensor([0.18, 0.15, 0.10, 0.05, 0.0, 0.05], device=x.device)[None, :, None]
    m = _of_label((torch.rand(n, 6, 1, device=x.device) < share).float(), y)
    return x * (1 - m) + new.clamp(0, 1) * m


def _hue(x: Tensor) -> Tensor:
    """In some pictures all colours turned about grey."""
    n = len(x)
    a = 6.283 * torch.rand(n, device=x.device) * (torch.rand(n, device=x.device) < 0.15)
    axis = torch.tensor([[0.0, -1, 1], [1, 0, -1], [-1, 1, 0]], device=x.device) / 3**0.5
    turn = a.cos()[:, None, None] * torch.eye(3, device=x.device) + a.sin()[:, None, None] * axis
    turn = turn + (1 - a.cos())[:, None, None] / 3  # Rodrigues' formula about (1, 1, 1)
    return torch.einsum("nij,njhw->nihw", turn, x)


def _light(x: Tensor) -> Tensor:
    """Gamma, white balance, exposure, saturation, a slow shade across the picture."""
    n = len(x)
    x = x.clamp(1e-3, 1) ** torch.exp(_normal(x, n, 1, 1, 1) * 0.25)
    x = x * torch.exp(_normal(x, n, 3, 1, 1) * 0.10) * torch.exp(_normal(x, n, 1, 1, 1) * 0.18)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * torch.exp(_normal(x, n, 1, 1, 1) * 0.4)
    shade = 1 + 0.5 * (_smooth_noise(x, 3).mean(1, keepdim=True) - 0.5) * _some(x, 0.3)
    return x * shade


def _lens(x: Tensor) -> Tensor:
    """Blur, loss of detail, noise."""
    h, w = x.shape[2:]
    soft = F.avg_pool2d(x, 3, 1, 1)
    x = torch.lerp(x, soft, _some(x, 0.25))
    coarse = F.interpolate(F.avg_pool2d(x, 2), (h, w), mode="bilinear", align_corners=False)
    x = torch.lerp(x, coarse, _some(x, 0.15))
    sharp = (x + 0.8 * (x - soft)).clamp(0, 1)
    x = torch.lerp(x, sharp, _some(x, 0.2))
    return x + _normal(x, *x.shape) * torch.rand(len(x), 1, 1, 1, device=x.device) ** 2 * 0.06


def _letterbox(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Now and then a picture of another shape: its outermost columns or rows repeated, unlabelled."""
    if torch.rand(1) > 0.12:
        return x, y
    dim = 3 if torch.rand(1) < 0.7 else 2
    size = x.shape[dim]
    cut = int(size * (0.02 + 0.16 * torch.rand(1)))
    index = torch.arange(size, device=x.device).clamp(cut, size - 1 - cut)
    y = y.clone()
    rows = [slice(None)] * 3
    for part in (slice(0, cut), slice(size - cut, size)):
        rows[dim - 1] = part
        y[tuple(rows)] = IGNORE
    return x.index_select(dim, index), y
