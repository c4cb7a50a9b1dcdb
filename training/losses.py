"""What the network is trained for. Every term is a mean over what is known; unknown labels cost nothing.

Forms: penalty-reduced focal heatmap with offsets as in centre-point detection, generalised box overlap, Laplace
likelihood for the handle's angle and its spread.
"""

from __future__ import annotations

from collections.abc import Mapping

import torch
from torch import Tensor
from torch.nn import functional as F
from updraft_key.model.cues import CUES, LANDMARKS, Cue

from .config import LossWeights
from .data import SCREWS
from .network import ATTENDED

STRIDE = 4
SPREAD = 1.6
"""Standard deviation of a landmark's target, in stride-4 cells."""
ANGLE_UNIT = 45.0
WEIGHT = {Cue.METAL: 0.5, Cue.FRONT_EAR: 2.0}
"""Of a cue's loss, where it is not 1: colour and texture settle nothing, the ear settles most and is the hardest."""
ROOT = SCREWS + LANDMARKS.index("handle_root") - 1
"""Place of the handle's root among a picture's points."""


def known_mean(values: Tensor, known: Tensor) -> Tensor:
    """Mean of the values that are known; 0 when none is."""
    weight = known.to(values.dtype)
    return (torch.where(known, values, torch.zeros_like(values)) * weight).sum() / weight.sum().clamp_min(1.0)


def cross_entropy(logits: Tensor, target: Tensor, smoothing: float = 0.0) -> Tensor:
    """Mean cross entropy over targets that are not -1."""
    each = F.cross_entropy(logits, target.clamp_min(0), reduction="none", label_smoothing=smoothing)
    return known_mean(each, target >= 0)


def cue_loss(logits: Tensor, target: Tensor, perhaps: Tensor, smoothing: float) -> Tensor:
    """Mean cost of a cue over what is known of it.

    Args:
        logits: (B, R+1), the last of ``out_of_sight``.
        target: (B,) index of the one right label, -1 where there is none.
        perhaps: (B,) where ``target`` is -1, a reading that is as right as ``out_of_sight``; else -1.
        smoothing: of the one right label.
    """
    one = F.cross_entropy(logits, target.clamp_min(0), reduction="none", label_smoothing=smoothing)
    logs = logits.log_softmax(1)
    two = -torch.logaddexp(logs.gather(1, perhaps.clamp_min(0)[:, None])[:, 0], logs[:, -1])
    return known_mean(torch.where(target >= 0, one, two), (target >= 0) | (perhaps >= 0))


def _area(sides: Tensor) -> Tensor:
    """Width times height of (B, 2). Not ``prod``: its gradient asks the device for zeros, which no recording can."""
    return sides[:, 0] * sides[:, 1]


def box_loss(box: Tensor, target: Tensor) -> Tensor:
    """One minus generalised overlap, plus distance of the sides; (B, 4) fractions, NaN rows left out."""
    known = torch.isfinite(target).all(1)
    t = torch.nan_to_num(target)
    low, high = torch.maximum(box[:, :2], t[:, :2]), torch.minimum(box[:, 2:], t[:, 2:])
    common = _area((high - low).clamp_min(0.0))
    both = _area((box[:, 2:] - box[:, :2]).clamp_min(1e-6)) + _area(t[:, 2:] - t[:, :2]) - common
    hull = torch.maximum(box[:, 2:], t[:, 2:]) - torch.minimum(box[:, :2], t[:, :2])
    area = _area(hull.clamp_min(1e-6))
    overlap = common / both.clamp_min(1e-6) - (area - both) / area
    return known_mean(1.0 - overlap + 2.0 * (box - t).abs().sum(1), known)


def heat_targets(points: Tensor, h: int, w: int) -> Tensor:
    """Paint landmarks as soft peaks.

    Args:
        points: (B, 14, 2) network pixels, NaN where absent: five screws, then the other landmarks.
        h: rows of the map.
        w: columns of the map.

    Returns:
        (B, 10, h, w) in 0..1, exactly 1 in the cell of each landmark.
    """
    known = torch.isfinite(points).all(2)
    cell = torch.floor(torch.nan_to_num(points, nan=-1e4) / STRIDE)
    y = torch.arange(h, device=points.device, dtype=torch.float32)
    x = torch.arange(w, device=points.device, dtype=torch.float32)
    gx = torch.exp(-((x - cell[..., :1]) ** 2) / (2 * SPREAD**2))
    gy = torch.exp(-((y - cell[..., 1:]) ** 2) / (2 * SPREAD**2))
    each = gy[..., :, None] * gx[..., None, :] * known[..., None, None]
    return torch.cat([each[:, :SCREWS].amax(1, keepdim=True), each[:, SCREWS:]], 1)


def focal(logits: Tensor, target: Tensor, weight: Tensor) -> Tensor:
    """Penalty-reduced focal loss per landmark present; ``weight`` (B, 10) leaves channels out."""
    positive = (target >= 0.999).float()
    p = torch.sigmoid(logits)
    hit = F.logsigmoid(logits) * (1.0 - p) ** 2 * positive
    miss = F.logsigmoid(-logits) * p**2 * (1.0 - target) ** 4 * (1.0 - positive)
    total = ((hit + miss) * weight[..., None, None]).sum()
    return -total / (positive.sum() + 0.1 * len(logits)).clamp_min(1.0)


def mask_targets(outline: Tensor, h: int, w: int) -> tuple[Tensor, Tensor]:
    """Fill the convex (B, 16, 2) outlines, network pixels: (B, h, w) zeros and ones, and (B,) which are known."""
    known = torch.isfinite(outline).all(2).all(1)
    o = torch.nan_to_num(outline) / STRIDE - 0.5
    step = torch.roll(o, -1, 1) - o
    y = torch.arange(h, device=o.device, dtype=torch.float32)[:, None]
    x = torch.arange(w, device=o.device, dtype=torch.float32)[None]
    low = torch.full((len(o), h, w), torch.inf, device=o.device)
    high = -low
    for k in range(outline.shape[1]):
        px, py, dx, dy = (v[:, k, None, None] for v in (o[..., 0], o[..., 1], step[..., 0], step[..., 1]))
        side = dx * (y - py) - dy * (x - px)
        low, high = torch.minimum(low, side), torch.maximum(high, side)
    return ((low >= 0) | (high <= 0)).float(), known


def at_points(dense: Tensor, points: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Read a dense map at points.

    Returns:
        (B, k, C) values in the points' cells, (B, k, 2) offsets of the points from those cells' corners in
        cells, and (B, k) which points are known.
    """
    known = torch.isfinite(points).all(2)
    place = torch.nan_to_num(points) / STRIDE
    h, w = dense.shape[2:]
    cx = place[..., 0].floor().clamp(0, w - 1)
    cy = place[..., 1].floor().clamp(0, h - 1)
    flat = (cy * w + cx).long()
    values = dense.flatten(2).transpose(1, 2).gather(1, flat[..., None].expand(-1, -1, dense.shape[1]))
    return values, place - torch.stack([cx, cy], -1), known


def attention_loss(attention: Tensor, targets: Mapping[str, Tensor]) -> Tensor:
    """Ask each cue's first glance to rest on the box that shows its reading.

    Args:
        attention: (B, heads, glances, h, w) log-weights.
        targets: ``evidence`` (B, 6, 4) network pixels.
    """
    h, w = attention.shape[3:]
    stride = 8.0
    y = (torch.arange(h, device=attention.device, dtype=torch.float32) + 0.5) * stride
    x = (torch.arange(w, device=attention.device, dtype=torch.float32) + 0.5) * stride
    first = ATTENDED.index(str(CUES[0]))
    logs = attention[:, first : first + len(CUES), 0]
    box = targets["evidence"]
    known = torch.isfinite(box).all(2)
    b = torch.nan_to_num(box)
    in_x = (x > b[..., :1] - stride) & (x < b[..., 2:3] + stride)
    in_y = (y > b[..., 1:2] - stride) & (y < b[..., 3:4] + stride)
    inside = in_y[..., :, None] & in_x[..., None, :]
    known &= inside.flatten(2).any(2)
    mass = logs.masked_fill(~inside, -30.0).flatten(2).logsumexp(-1).clamp_min(-10.0)
    return known_mean(-mass, known)


def terms(
    out: Mapping[str, Tensor], targets: Mapping[str, Tensor], smoothing: float, *, reading: bool
) -> dict[str, Tensor]:
    """Return every term of the loss, unweighted.

    Args:
        out: of the network.
        targets: fields of ``looks.Targets`` as tensors.
        smoothing: label smoothing of the cues.
        reading: second look; at the first, cues count as well but what is too small was masked already.
    """
    out = {k: v.float() for k, v in out.items()}
    found = targets["found"]
    seen = found == 1
    each = F.binary_cross_entropy_with_logits(out["found"][:, 0], found.clamp_min(0.0), reduction="none")
    result = {
        "found": known_mean(each, found >= 0),
        "box": box_loss(out["box"], targets["box"]),
        "view": cross_entropy(out["view"], targets["view"], smoothing),
        "finish": cross_entropy(out["finish"], targets["finish"], 0.1),
        "count": cross_entropy(out["count"], targets["count"], smoothing),
        "cue": torch.stack(
            [
                cue_loss(out[str(c)], targets["cues"][:, k], targets["perhaps"][:, k], smoothing) * WEIGHT.get(c, 1.0)
                for k, c in enumerate(CUES)
            ]
        ).sum(),
        "attention": attention_loss(out["attention"], targets),
    }
    h, w = out["heat"].shape[2:]
    heat = heat_targets(targets["points"], h, w)
    result["heat"] = focal(out["heat"][:, 1:], heat, (~targets["vague"]).float())
    mask, known = mask_targets(targets["outline"], h, w)
    # Pictures without a subject have an empty mask; a subject that hardly shows has none at all.
    mask = mask * known[:, None, None]
    pixel = F.binary_cross_entropy_with_logits(out["heat"][:, 0], mask, reduction="none").mean((1, 2))
    result["mask"] = known_mean(pixel, (seen & known) | (found == 0))
    offset, true, there = at_points(out["offset"], targets["points"])
    result["offset"] = known_mean((offset - true).abs().sum(-1), there)
    result["angle"] = angle_loss(out["angle"], targets)
    if "generation" in out:
        unknown = torch.where(found == 0, torch.full_like(targets["era"], 3), targets["era"])
        result["generation"] = cross_entropy(out["generation"], unknown, smoothing)
    if not reading:
        result["cue"] = result["cue"] * 0.3
    return result


def angle_loss(dense: Tensor, targets: Mapping[str, Tensor]) -> Tensor:
    """Negative Laplace log-likelihood of the handle's angle, in its root's cell and the eight around."""
    root = targets["points"][:, ROOT : ROOT + 1]
    true = targets["angle"][:, None] / ANGLE_UNIT
    total = []
    for dy in (-STRIDE, 0, STRIDE):
        for dx in (-STRIDE, 0, STRIDE):
            values, _, there = at_points(dense, torch.stack([root[..., 0] + dx, root[..., 1] + dy], -1))
            scale = values[..., 1].clamp(-4.0, 2.0)
            miss = (values[..., 0] - torch.nan_to_num(true)).abs()
            total.append(known_mean(miss * torch.exp(-scale) + scale, there & torch.isfinite(true)))
    return torch.stack(total).mean()


def weigh(parts: Mapping[str, Tensor], weights: LossWeights) -> Tensor:
    """Return the weighted sum of the terms."""
    return torch.stack([getattr(weights, name) * value for name, value in parts.items()]).sum()
