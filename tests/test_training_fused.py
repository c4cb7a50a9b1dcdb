"""Work that is compiled on a GPU gives there what it gives plainly: one graph each, for every batch, tried on a CPU."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from updraft_key.training import augment  # noqa: E402
from updraft_key.training.augment import some  # noqa: E402
from updraft_key.training.fused import compiling, fused  # noqa: E402
from updraft_key.training.network import CueNet  # noqa: E402

pytestmark = pytest.mark.train
SIDE = 32


def pictures(n: int) -> torch.Tensor:
    return torch.rand(n, 3, SIDE, SIDE, generator=torch.Generator().manual_seed(n)) * 255.0


def cases(n: int) -> dict[str, tuple[object, ...]]:
    """Arguments of every compiled work, for a batch of n."""
    image, rng = pictures(n), np.random.default_rng(n)

    def draw(*shape: int) -> torch.Tensor:
        return augment.tensor(rng.uniform(0.2, 1.5, (n, *shape)), image)

    kinds = torch.arange(n)[:, None] % 5 - 1.0
    back = torch.eye(3).repeat(n, 1, 1) + 0.01 * draw(3, 3)
    turn = np.eye(3) + 0.1
    return {
        "_reach": (back, 30.0 * draw(2), draw(), 40, 30, SIDE),
        "_framed": (image, torch.rand(n, 1, SIDE, SIDE), torch.tensor([[4.0, 0.0, 28.0, 32.0]]).repeat(n, 1)),
        "_recolour": (image, draw(3, 3), draw(3), draw(2)),
        "_link": (image, torch.cat([kinds, 8.0 * draw(1), 150.0 * draw(1), draw(1)], 1)),
        "_grained": (image, torch.randn(n, 3, SIDE, SIDE), draw(3)),
        "_quantised": (
            image,
            4.0 * draw(3, 8, 8),
            augment.tensor(np.einsum("ui,vj->uvij", np.eye(8), np.eye(8)), image),
            augment.tensor(turn, image),
            augment.tensor(np.linalg.inv(turn), image),
        ),
        "normalise": (image,),
    }


def test_every_compiled_work_is_tried_here() -> None:
    assert set(cases(2)) == {name for name, work in vars(augment).items() if hasattr(work, "__wrapped__")}


@pytest.mark.parametrize("name", sorted(cases(2)))
def test_compiled_and_plain_give_the_same(name: str) -> None:
    torch._dynamo.reset()
    plain = getattr(augment, name)
    graphs = 0

    def count(module: torch.fx.GraphModule, _: object) -> object:
        nonlocal graphs
        graphs += 1
        return module

    compiled = torch.compile(plain.__wrapped__, dynamic=False, fullgraph=True, backend=count)
    for n in (5, 7, 11):
        given = cases(n)[name]
        for value in given:
            if isinstance(value, torch.Tensor) and len(value) == n:
                torch._dynamo.maybe_mark_dynamic(value, 0)
        torch.testing.assert_close(compiled(*given), plain(*given))
    assert graphs == 1


class OnGpu(torch.Tensor):
    """A tensor that says it lies on a GPU."""

    is_cuda = True


def test_nothing_is_compiled_unless_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def compiled(work: object, **_: object) -> object:
        asked.append(work)
        return work

    monkeypatch.setattr(torch, "compile", compiled)
    twice = fused(lambda image: image * 2.0)
    on_cpu, on_gpu = torch.ones(2, 3), torch.ones(2, 3).as_subclass(OnGpu)
    twice(on_gpu)
    with compiling(True):
        with compiling(False):
            twice(on_gpu)
        twice(on_cpu)
        assert not asked
        assert float(twice(on_gpu)[0, 0]) == float(twice(on_gpu)[1, 2]) == 2.0
    twice(on_gpu)
    assert len(asked) == 1


def test_the_network_is_one_graph_for_any_of_its_instances() -> None:
    torch._dynamo.reset()
    image = torch.rand(2, 3, 64, 64)
    graphs = 0

    def count(module: torch.fx.GraphModule, _: object) -> object:
        nonlocal graphs
        graphs += 1
        return module

    for _ in range(2):
        net = CueNet(16).eval()
        out = torch.compile(net.forward, dynamic=False, fullgraph=True, backend=count)(image)
        torch.testing.assert_close(out["front_ear"], net(image)["front_ear"])
    assert graphs == 1


def test_a_share_of_rows_is_drawn_at_random_and_comes_to_itself() -> None:
    rng = np.random.default_rng(0)
    drawn = [some(10, 0.25, rng) for _ in range(400)]
    assert {len(d) for d in drawn} == {2, 3}
    assert np.mean([len(d) for d in drawn]) == pytest.approx(2.5, abs=0.1)
    times = np.bincount(np.concatenate(drawn), minlength=10)
    assert times.min() > 60 and times.max() < 140
    assert len(some(1, 0.0, rng)) == 0 and some(3, 1.0, rng).tolist() == [0, 1, 2]
