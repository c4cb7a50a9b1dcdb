"""The trunk holds the published weights; the network has the promised outputs and size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")
skimage_data = pytest.importorskip("skimage.data")

from updraft_key.model.spec import OUTPUTS  # noqa: E402
from updraft_key.training.export import MOST_PARAMETERS  # noqa: E402
from updraft_key.training.network import (  # noqa: E402
    ATTENDED,
    Block,
    CueNet,
    Detail,
    Shipped,
    Trunk,
    load_imagenet,
    parameters_in,
    run_folded,
)

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def trunk() -> Trunk:
    trunk = Trunk()
    load_imagenet(trunk)
    return trunk.eval()


def classify(trunk: Trunk, picture: np.ndarray) -> np.ndarray:
    h, w = picture.shape[:2]
    side = min(h, w)
    square = picture[(h - side) // 2 :, (w - side) // 2 :][:side, :side]
    small = cv2.resize(square, (224, 224), interpolation=cv2.INTER_AREA)
    image = torch.from_numpy((small.astype(np.float32) - 127.0) / 128.0).permute(2, 0, 1)[None]
    with torch.no_grad():
        return trunk.classify(image).softmax(-1)[0].numpy()


def test_the_wheel_s_296_tensors_fill_the_trunk(trunk: Trunk) -> None:
    # ACCURACY.md section 3.1: the wheel holds 296 tensors for Lite0, in the published order.
    assert len(trunk.state_dict()) == 296
    # The published size of EfficientNet-Lite0 is 4.65 million parameters (ACCURACY.md section 3.1).
    assert sum(p.numel() for p in trunk.parameters()) == pytest.approx(4.65e6, rel=0.003)


@pytest.mark.parametrize(
    ("picture", "classes", "least"),
    # ACCURACY.md section 3.1: "cat, espresso, moped right". Class numbers are those of ILSVRC 2012 in its
    # usual order: 281 to 285 are cats, 967 is espresso.
    [("cat", (281, 282, 283, 284, 285), 0.7), ("coffee", (967,), 0.7)],
)
def test_the_trunk_sees_what_is_in_photos(trunk: Trunk, picture: str, classes: tuple[int, ...], least: float) -> None:
    p = classify(trunk, getattr(skimage_data, picture)())
    assert int(p.argmax()) in classes
    assert p[list(classes)].sum() >= least


def test_foreign_weights_are_refused(tmp_path) -> None:  # type: ignore[no-untyped-def]
    torch.save({"a": torch.zeros(3)}, tmp_path / "other.pth")
    with pytest.raises(ValueError, match="296 tensors"):
        load_imagenet(Trunk(), str(tmp_path / "other.pth"))


@pytest.mark.parametrize(("n", "h", "w"), [(1, 64, 96), (2, 96, 64)])
def test_outputs_have_the_documented_shapes(n: int, h: int, w: int) -> None:
    net = CueNet(channels=32).eval()
    with torch.no_grad():
        out = dict(zip(OUTPUTS, Shipped(net)(torch.zeros(n, 3, h, w)), strict=True))
    shapes = {
        "found": (n, 1), "box": (n, 4), "view": (n, 8), "finish": (n, 6), "metal": (n, 3), "joint_screws": (n, 3),
        "front_ear": (n, 4), "main_jet": (n, 4), "scavenge_line": (n, 3), "throat_bottom": (n, 4), "count": (n, 6),
        "heat": (n, 11, h // 4, w // 4), "offset": (n, 2, h // 4, w // 4), "angle": (n, 2, h // 4, w // 4),
        "feature": (n, 128),
    }  # fmt: skip
    assert {k: tuple(v.shape) for k, v in out.items()} == shapes


def test_the_network_is_small() -> None:
    assert parameters_in(CueNet()) < min(MOST_PARAMETERS, 4_500_000)


def test_a_head_is_driven_by_the_place_it_attends_to() -> None:
    # Moving all attention of one head to another cell changes that head's logits and no other's.
    net = CueNet(channels=32).eval()
    image = torch.randn(1, 3, 64, 64)
    with torch.no_grad():
        before = net(image)
        k = ATTENDED.index("front_ear") * net.glances
        net.attention.weight[k : k + net.glances] += 5.0
        after = net(image)
    changed = {n for n in ATTENDED if not torch.allclose(before[n], after[n], atol=1e-5)}
    assert changed == {"front_ear"}


def test_the_box_is_the_average_of_the_cells_boxes() -> None:
    dense = torch.full((1, 5, 4, 4), -30.0)
    dense[0, 4, 1, 2] = 60.0
    # A cell with no sides at all is its own centre: column 2 of 4 is at 0.625, row 1 at 0.375.
    assert CueNet._box(dense)[0].tolist() == pytest.approx([0.625, 0.375, 0.625, 0.375], abs=1e-5)


def test_folding_frozen_norms_changes_neither_values_nor_gradients() -> None:
    torch.manual_seed(0)
    block = Block(16, 24, 6, 5, 2)
    for module in block.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.running_mean.normal_()
            module.running_var.uniform_(0.5, 2.0)
            module.weight.data.uniform_(0.5, 2.0)
            module.bias.data.normal_()
    image = torch.randn(2, 16, 32, 32)
    results = []
    for folded in (False, True):
        block.train(folded)
        for module in block.modules():
            if isinstance(module, torch.nn.BatchNorm2d):
                module.eval()
        block.zero_grad()
        out = run_folded(block.body, image)
        (out**2).mean().backward()
        results.append([out.detach(), *(p.grad.clone() for p in block.parameters())])
    for plain, fast in zip(*results, strict=True):
        torch.testing.assert_close(plain, fast, rtol=1e-3, atol=1e-4)


def test_detail_adds_nothing_before_it_is_trained_and_can_be_trained() -> None:
    torch.manual_seed(0)
    detail = Detail(8)
    at8, at4 = torch.rand(2, 8, 6, 6), torch.rand(2, 8, 12, 12)
    assert torch.equal(detail(at8, at4), at8)
    optimizer = torch.optim.SGD(detail.parameters(), 0.1)
    for _ in range(3):  # the last layers learn first, the others through them
        optimizer.zero_grad()
        (detail(at8, at4) - 1.0).square().mean().backward()
        optimizer.step()
    assert not torch.equal(detail(at8, at4), at8)
    changed = at4.clone()
    changed[:, :, 3, 3] += 1.0
    touched = (detail(at8, changed) - detail(at8, at4)).abs().amax((0, 1)) > 0
    assert touched[1, 1]


def test_every_cue_looks_at_the_detail() -> None:
    torch.manual_seed(0)
    net = CueNet(16).eval()
    image = torch.rand(1, 3, 64, 64)
    before = net(image)
    with torch.no_grad():
        for block in net.detail.blocks:
            block[-1].weight.normal_(0.0, 0.3)
    after = net(image)
    for name in ATTENDED:
        assert not torch.allclose(before[name], after[name]), name
    assert torch.equal(before["heat"], after["heat"])
