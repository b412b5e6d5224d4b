"""The outline network: a small U-Net that works at half the picture's resolution and answers at full resolution.

Most of its time goes into half and quarter resolution, so there it is narrow and what comes up from below is added to what
was seen on the way down; further down, where width costs weights but little time, the two stand side by side.
"""

import torch
from torch import Tensor, nn
from torch.nn import functional as F

CLASSES = 6
MEAN, SPREAD = 0.5, 0.25  # of the picture's values (0..1): the network sees (x - MEAN) / SPREAD
WIDTHS = (24, 48, 80, 128, 192)  # channels at 1/2, 1/4 .. of the picture's size; multiples of 8 or 16 run best
ADDED = 2  # levels, from the finest, at which the two are added


def _conv(inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


def _narrow(inputs: int, outputs: int) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(inputs, outputs, 1, bias=False), nn.BatchNorm2d(outputs))


class Net(nn.Module):
    """Picture (B, 3, h, w) -> class scores (B, 6, h, w); h and w are multiples of 32.

    The scores are divided by `temperature`, fitted on pictures that training never saw (Guo et al. 2017, "On
    calibration of modern neural networks", eq. 9), so that their softmax can be read as probabilities.
    """

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        self.encoder = nn.ModuleList()
        before = 3
        for width in widths:
            self.encoder.append(nn.Sequential(_conv(before, width, 2), _conv(width, width)))
            before = width
        deep = widths[-1]
        self.middle = nn.Sequential(_conv(deep, deep), _conv(deep, deep, dilation=2), _conv(deep, deep, dilation=4))
        self.narrow, self.decoder = nn.ModuleList(), nn.ModuleList()
        for k in range(len(widths) - 2, -1, -1):
            added = k < ADDED
            self.narrow.append(_narrow(widths[k + 1], widths[k]) if added else nn.Identity())
            joined = widths[k] if added else widths[k] + widths[k + 1]
            self.decoder.append(nn.Sequential(_conv(joined, widths[k]), _conv(widths[k], widths[k])))
        self.head = nn.Conv2d(widths[0], 4 * CLASSES, 1)  # four pixels of the picture from one of half its size
        self.register_buffer("temperature", torch.ones(1))

    def forward(self, picture: Tensor) -> Tensor:
        x, skips = picture, []
        for stage in self.encoder:
            x = stage(x)
            skips.append(x)
        x = x + self.middle(x)
        for k, (narrow, stage) in enumerate(zip(self.narrow, self.decoder, strict=True)):
            x = F.interpolate(narrow(x), scale_factor=2.0, mode="nearest")
            skip, level = skips[-2 - k], len(self.decoder) - 1 - k
            x = stage(x + skip if level < ADDED else torch.cat([x, skip], 1))
        head = self.head
        return F.pixel_shuffle(F.conv2d(x, head.weight / self.temperature, head.bias / self.temperature), 2)


def export(net: Net, path: str) -> None:
    """Write the network as ONNX (opset 17, any height and width) for `qc.network`, its weights as half floats."""
    net = net.eval().float().cpu()
    example = torch.randn(1, 3, 480, 640)
    axes = {"x": {2: "h", 3: "w"}, "y": {2: "h", 3: "w"}}
    torch.onnx.export(
        net, (example,), path, input_names=["x"], output_names=["y"], opset_version=17, dynamo=False, dynamic_axes=axes
    )
    halve(path)


def halve(path: str) -> None:
    """Store large weights as half floats, each followed by a cast: it is run in single precision."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(path)
    graph, casts = model.graph, []
    for weights in list(graph.initializer):
        values = numpy_helper.to_array(weights)
        if values.dtype == "float32" and values.size > 1000:
            half = weights.name + "_half"
            graph.initializer.remove(weights)
            graph.initializer.append(numpy_helper.from_array(values.astype("float16"), half))
            casts.append(helper.make_node("Cast", [half], [weights.name], to=TensorProto.FLOAT))
    nodes = list(graph.node)
    del graph.node[:]
    graph.node.extend(casts + nodes)
    onnx.save(model, path)
