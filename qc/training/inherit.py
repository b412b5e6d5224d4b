"""Begin a training with what an outline network has learnt, and keep a part of it in what comes out.

python -m qc.training.inherit OLD.onnx NEW.onnx OUT.onnx --share 0.75

An exported network knows no normalisation: each is merged into the layer before it. Read again, a normalisation does
nothing but add that layer's bias; before it is trained further it is set to do so on the pictures that it will see.
"""

import argparse
from pathlib import Path

import torch
from torch import Tensor, nn

from qc.training.net import Net, export


def read(path: str | Path) -> Net:
    """The network of an ONNX file that `qc.training.net` wrote, with weights (O, I, k, k) and biases (O,) as they are there.

    Raises
    ------
    ValueError
        The file's layers are not those of `Net`.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    values = {i.name.removesuffix("_half"): numpy_helper.to_array(i).astype("float32") for i in graph.initializer}
    stored = [
        [torch.from_numpy(values[name].copy()) for name in n.input[1:]] for n in graph.node if n.op_type == "Conv"
    ]
    net = Net().eval()
    layers = _layers(net)
    found = [tuple(weights.shape) for weights, _ in stored]
    expected = [tuple(conv.weight.shape) for conv, _ in layers]
    if found != expected:
        raise ValueError(f"{path} holds another network: its layers are {found}, expected {expected}")
    for (conv, norm), (weights, bias) in zip(layers, stored, strict=True):
        conv.weight.data.copy_(weights)
        if norm is None:
            conv.bias.data.copy_(bias)
        else:
            norm.bias.data.copy_(bias)
            norm.running_var.fill_(1 - norm.eps)
    return net


def _layers(net: Net) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """The convolutions in the order in which the picture goes through them, each with its normalisation."""
    parts = [*net.encoder, net.middle]
    for narrow, stage in zip(net.narrow, net.decoder, strict=True):
        parts += [narrow, stage]
    inner = [m for part in parts for m in part.modules() if isinstance(m, (nn.Conv2d, nn.BatchNorm2d))]
    return [*zip(inner[::2], inner[1::2], strict=True), (net.head, None)]


@torch.no_grad()
def normalise(net: Net, pictures: Tensor) -> None:
    """Set a network that was read to do what it did with the means and spreads of these pictures (B, 3, h, w)."""

    def set_up(norm: nn.BatchNorm2d, inputs: tuple[Tensor, ...]) -> None:
        spread, mean = torch.var_mean(inputs[0].float(), (0, 2, 3), correction=0)
        gain = norm.weight / (norm.running_var + norm.eps).sqrt()
        norm.bias.data += gain * (mean - norm.running_mean)
        norm.weight.data.copy_(gain * (spread + norm.eps).sqrt())
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)

    hooks = [m.register_forward_pre_hook(set_up) for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    training = net.training
    net.eval()
    net(pictures)
    net.train(training)
    for hook in hooks:
        hook.remove()


def between(old: Net, new: Net, share: float) -> Net:
    """Two networks that were read, weight by weight: `share` of the new one and the rest of the old one it began with.

    Where the new one learnt something at the old one's cost, a place between them can have most of both (Wortsman et al.
    2022, "Robust fine-tuning of zero-shot models").
    """
    mixed, kept = Net().eval(), old.state_dict()
    mixed.load_state_dict(
        {k: kept[k].lerp(v, share) if v.dtype.is_floating_point else v for k, v in new.state_dict().items()}
    )
    return mixed


def main(argv: list[str] | None = None) -> None:
    """Write the network between two."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("old", "new", "out"):
        parser.add_argument(name)
    parser.add_argument("--share", type=float, default=0.75, help="of the new one")
    args = parser.parse_args(argv)
    export(between(read(args.old), read(args.new), args.share), args.out)


if __name__ == "__main__":
    main()
