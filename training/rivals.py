"""What a user would pick instead, as jobs that ``updraft-key benchmarks`` times on the product's photos.

Speed only, so weights do not matter: the detector's are random, for its own are a download, and its bar is set so high
that no box is left for its non-maximum suppression to compare, which favours it. One thread each, as the product.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image
from updraft_key.model.photo import open_photo
from updraft_key.model.runtime import packaged_network

from .export import session_of
from .network import CueNet, Trunk, load_imagenet

_CLASSIFIER_SIZE = 224


def whole(path: Path) -> Any:
    """A photo as most programs open it: every pixel decoded, uint8 RGB."""
    with Image.open(path, formats=("JPEG",)) as image:
        return np.array(image.convert("RGB"))


def detector() -> torch.nn.Module:
    """SSDLite320 with MobileNetV3-Large from torchvision, random weights.

    Raises:
        ImportError: torchvision is not installed.
    """
    try:
        from torchvision.models.detection import ssdlite320_mobilenet_v3_large
    except RuntimeError:  # a build for another torch: its own operator cannot be loaded
        _plain_suppression()
        for name in [n for n in sys.modules if n.partition(".")[0] == "torchvision"]:
            del sys.modules[name]
        from torchvision import extension
        from torchvision.models.detection import ssdlite320_mobilenet_v3_large

        extension._has_ops = lambda: True  # it has the one that is needed
    made: torch.nn.Module = ssdlite320_mobilenet_v3_large(weights=None, weights_backbone=None, score_thresh=0.5).eval()
    return made


_SUPPRESSION = torch.library.Library("torchvision", "FRAGMENT")
"""Kept for the life of the process: torch forgets an operator with its library."""


def _plain_suppression() -> None:
    """Non-maximum suppression in plain torch, under the name that torchvision looks for."""
    for name in ("nms", "qnms"):
        _SUPPRESSION.define(f"{name}(Tensor dets, Tensor scores, float iou_threshold) -> Tensor")
    _SUPPRESSION.impl("nms", suppress, "CPU")


def suppress(boxes: torch.Tensor, scores: torch.Tensor, most: float) -> torch.Tensor:
    """Indices of the boxes (N, 4: x0, y0, x1, y1) kept, best first; none overlaps a better one more than ``most``."""
    left = scores.argsort(descending=True)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    kept = []
    while left.numel():
        best, left = left[0], left[1:]
        kept.append(best)
        low = torch.maximum(boxes[best, :2], boxes[left, :2])
        high = torch.minimum(boxes[best, 2:], boxes[left, 2:])
        both = (high - low).clamp(min=0).prod(1)
        left = left[both / (area[best] + area[left] - both) <= most]
    return torch.stack(kept) if kept else left


def classifier(folder: Path) -> Any:
    """EfficientNet-Lite0 with ImageNet weights, exported and opened by ONNX Runtime on one thread."""
    trunk = Trunk()
    load_imagenet(trunk)

    class Classes(torch.nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.trunk = trunk

        def forward(self, image: torch.Tensor) -> torch.Tensor:
            return self.trunk.classify(image)

    file = folder / "classifier.onnx"
    example = torch.zeros(1, 3, _CLASSIFIER_SIZE, _CLASSIFIER_SIZE)
    torch.onnx.export(Classes().eval(), (example,), str(file), input_names=["image"], dynamo=True, verbose=False)
    return session_of(file)


def jobs(photo: Path, folder: Path) -> dict[str, Callable[[], object]]:
    """What to time: each rival from the file to its result (``NAME``), and its network alone (``NAME_alone``).

    ``classifier``: ImageNet classifier through ONNX Runtime. ``torch``: our network's two passes through torch, random
    weights. ``detector``: torchvision's, left out where torchvision is not installed.

    Args:
        photo: a JPEG.
        folder: for the exported classifier.
    """
    torch.set_num_threads(1)
    spec = packaged_network().spec
    looks = [torch.zeros(1, 3, s, s) for s in (spec.find_size, spec.read_size)]
    cues = CueNet().eval()
    classes = classifier(folder)
    side = _CLASSIFIER_SIZE
    small = np.zeros((1, 3, side, side), np.float32)

    def classify() -> object:
        pixels = np.asarray(Image.fromarray(whole(photo)).resize((side, side), Image.Resampling.BILINEAR), np.float32)
        return classes.run(None, {"image": (pixels.transpose(2, 0, 1)[None] - 127.0) / 128.0})

    def passes() -> object:
        with torch.no_grad():
            return [cues(look) for look in looks]

    made: dict[str, Callable[[], object]] = {
        "classifier": classify,
        "classifier_alone": lambda: classes.run(None, {"image": small}),
        "torch": lambda: (open_photo(photo), passes()),
        "torch_alone": passes,
    }
    try:
        found = detector()
    except ImportError:
        return made
    blank = torch.zeros(3, 320, 320)

    def detect(image: torch.Tensor) -> object:
        with torch.no_grad():
            return found([image])

    made["detector"] = lambda: detect(torch.from_numpy(whole(photo)).permute(2, 0, 1).float() / 255.0)
    made["detector_alone"] = lambda: detect(blank)
    return made
