"""The outline network: a small U-Net that works at half the picture's resolution and answers at full resolution."""

import torch
from torch import Tensor, nn
from torch.nn import functional as F

CLASSES = 6
MEAN, SPREAD = 0.5, 0.25  # of the picture's values (0..1): the network sees (x - MEAN) / SPREAD


def _conv(inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class Net(nn.Module):
    """Picture (B, 3, h, w) -> class scores (B, 6, h, w); h and w are multiples of 32.

    The scores are divided by `temperature`, fitted on pictures that training never saw (Guo et al. 2017, "On
    calibration of modern neural networks", eq. 9), so that their softmax can be read as probabilities.
    """

    def __init__(self, widths: tuple[int, ...] = (32, 48, 72, 128, 176)) -> None:
        super().__init__()
        self.encoder = nn.ModuleList()
        before = 3
        for width in widths:
            self.encoder.append(nn.Sequential(_conv(before, width, 2), _conv(width, width)))
            before = width
        deep = widths[-1]
        self.middle = nn.Sequential(_conv(deep, deep), _conv(deep, deep, dilation=2), _conv(deep, deep, dilation=4))
        self.decoder = nn.ModuleList(
            nn.Sequential(_conv(widths[k] + widths[k - 1], widths[k - 1]), _conv(widths[k - 1], widths[k - 1]))
            for k in range(len(widths) - 1, 0, -1)
        )
        self.fine = _conv(3, 8)  # full resolution: where exactly the border lies
        self.head = nn.Conv2d(widths[0], 4 * 8, 1)
        self.last = nn.Conv2d(16, CLASSES, 3, padding=1)
        self.register_buffer("temperature", torch.ones(1))

    def forward(self, picture: Tensor) -> Tensor:
        x, skips = picture, []
        for stage in self.encoder:
            x = stage(x)
            skips.append(x)
        x = x + self.middle(x)
        for k, stage in enumerate(self.decoder):
            x = F.interpolate(x, scale_factor=2.0, mode="nearest")
            x = stage(torch.cat([x, skips[-2 - k]], 1))
        x = F.relu(F.pixel_shuffle(self.head(x), 2))
        return self.last(torch.cat([x, self.fine(picture)], 1)) / self.temperature


def export(net: Net, path: str) -> None:
    """Write the network as ONNX (opset 17, any height and width) for `cv2.dnn`, its weights as half floats."""
    net = net.eval().float().cpu()
    example = torch.randn(1, 3, 480, 640)
    axes = {"x": {2: "h", 3: "w"}, "y": {2: "h", 3: "w"}}
    torch.onnx.export(
        net, (example,), path, input_names=["x"], output_names=["y"], opset_version=17, dynamo=False, dynamic_axes=axes
    )
    _halve(path)


def _halve(path: str) -> None:
    """Store large weights as half floats, each followed by a cast: `cv2.dnn` calculates in single precision."""
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
