"""Begin a training with what an earlier outline network knew: the weights in its ONNX file, thinned or widened to fit.

The earlier network had the same stages, but joined what it saw on the way down to what came up at every level, and had
layers of its own at full resolution. Layers that it lacks begin at random.
"""

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from qc.training.net import ADDED, Net


class Earlier(nn.Module):
    """The network of an ONNX file that `qc.training.net` wrote before its finest levels were narrowed."""

    def __init__(self, path: str | Path) -> None:
        super().__init__()
        import onnx
        from onnx import numpy_helper

        graph = onnx.load(str(path)).graph
        values = {i.name.removesuffix("_half"): numpy_helper.to_array(i).astype("float32") for i in graph.initializer}
        convs = [n for n in graph.node if n.op_type == "Conv"]
        self.weights = nn.ParameterList(torch.from_numpy(values[n.input[1]].copy()) for n in convs)
        self.biases = nn.ParameterList(torch.from_numpy(values[n.input[2]].copy()) for n in convs)
        self.temperature = float(values["temperature"][0])

    def forward(self, picture: Tensor) -> Tensor:
        """Class scores, divided by its temperature."""
        at = iter(range(len(self.weights)))

        def conv(x: Tensor, stride: int = 1, dilation: int = 1) -> Tensor:
            k = next(at)
            pad = dilation * (self.weights[k].shape[-1] // 2)
            return F.conv2d(x, self.weights[k], self.biases[k], stride, pad, dilation)

        x, skips = picture, []
        for _ in range(5):
            x = conv(conv(x, 2).relu()).relu()
            skips.append(x)
        inner = x
        for dilation in (1, 2, 4):
            inner = conv(inner, 1, dilation).relu()
        x = x + inner
        for skip in skips[-2::-1]:
            x = torch.cat([F.interpolate(x, scale_factor=2.0, mode="nearest"), skip], 1)
            x = conv(conv(x).relu()).relu()
        x = F.pixel_shuffle(conv(x), 2).relu()
        x = torch.cat([x, conv(picture).relu()], 1)
        return conv(x) / self.temperature


def inherit(net: Net, earlier: Earlier, pictures: Tensor) -> None:
    """Give the network the earlier one's weights; pictures (B, 3, h, w) as it will see them set its normalisation."""
    weights, biases = [w.detach().cpu() for w in earlier.weights], [b.detach().cpu() for b in earlier.biases]
    levels = len(net.encoder)
    kept = [_kept(weights[2 * k + 1], stage[1][0].out_channels) for k, stage in enumerate(net.encoder)]
    shift: dict[nn.BatchNorm2d, Tensor] = {}

    def give(layer: nn.Sequential, number: int, inputs: Tensor | None, outputs: Tensor) -> None:
        _copy(layer[0].weight.data, weights[number], inputs, outputs)
        shift[layer[1]] = biases[number][outputs]

    before = None
    for k, stage in enumerate(net.encoder):
        inner = _kept(weights[2 * k], stage[0][0].out_channels)
        give(stage[0], 2 * k, before, inner)
        give(stage[1], 2 * k + 1, inner, kept[k])
        before = kept[k]
    for k, layer in enumerate(net.middle):
        give(layer, 2 * levels + k, before, before)
    for j, stage in enumerate(net.decoder):
        level, number = levels - 2 - j, 2 * levels + 3 + 2 * j
        old_up = weights[number].shape[1] - weights[2 * level + 1].shape[0]
        if level < ADDED:
            inputs = kept[level] + old_up
            give(stage[0], number, inputs, kept[level])
            _solve(net.narrow[j][0].weight.data, weights[number], before, inputs, kept[level])
        else:
            new_up = net.decoder[j][0][0].in_channels - net.encoder[level][1][0].out_channels
            _join(stage[0][0].weight.data, weights[number], old_up, new_up)
            shift[stage[0][1]] = biases[number][kept[level]]
        give(stage[1], number + 1, kept[level], kept[level])
        before = kept[level]
    _normalise(net, shift, pictures)


def _kept(weight: Tensor, number: int) -> Tensor:
    """Which output channels of a layer stay: those of the greatest weights, in their order."""
    size = weight.flatten(1).norm(dim=1)
    return size.topk(min(number, len(size))).indices.sort().values


def _copy(new: Tensor, old: Tensor, inputs: Tensor | None, outputs: Tensor) -> None:
    """The chosen part of the old weights into the first channels; what is new listens at random and is not yet heard."""
    part = old[outputs] if inputs is None else old[outputs][:, inputs]
    new[: part.shape[0], part.shape[1] :] = 0
    new[: part.shape[0], : part.shape[1]] = part


def _join(new: Tensor, old: Tensor, old_up: int, new_up: int) -> None:
    """As `_copy`, for a layer whose inputs are two groups, the first of old_up (new_up) channels."""
    rows, skip = old.shape[0], old.shape[1] - old_up
    new[:rows] = 0
    new[:rows, :old_up] = old[:, :old_up]
    new[:rows, new_up : new_up + skip] = old[:, old_up:]


def _solve(new: Tensor, old: Tensor, up: Tensor, skip: Tensor, outputs: Tensor) -> None:
    """The mixing of channels after which adding comes nearest to the old joining, by least squares over its weights."""
    heard = old[outputs][:, skip].permute(0, 2, 3, 1).flatten(0, 2)
    wanted = old[outputs][:, up].permute(0, 2, 3, 1).flatten(0, 2)
    mix = torch.linalg.lstsq(heard, wanted).solution
    new.zero_()
    new[: mix.shape[0], : mix.shape[1], 0, 0] = mix


@torch.no_grad()
def _normalise(net: Net, shift: dict[nn.BatchNorm2d, Tensor], pictures: Tensor) -> None:
    """Scale and shift of every normalisation such that, on these pictures, it does nothing but add the old bias."""

    def set_up(norm: nn.BatchNorm2d, inputs: tuple[Tensor, ...]) -> None:
        spread, mean = torch.var_mean(inputs[0].float(), (0, 2, 3), correction=0)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        added = shift.get(norm)
        if added is not None:
            norm.weight.data.copy_((spread + norm.eps).sqrt())
            norm.bias.data.copy_(mean)
            norm.bias.data[: len(added)] += added.to(mean)

    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    hooks = [m.register_forward_pre_hook(set_up) for m in norms]
    training = net.training
    net.eval()
    net(pictures)
    net.train(training)
    for hook in hooks:
        hook.remove()
