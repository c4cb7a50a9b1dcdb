"""Where labels go in a picture: near their anchor, inside the picture, never on top of each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle in picture pixels."""

    x0: float
    y0: float
    x1: float
    y1: float

    @classmethod
    def around(cls, centre: Point, half: float) -> Rect:
        """A square about a point."""
        return cls(centre[0] - half, centre[1] - half, centre[0] + half, centre[1] + half)

    def overlap(self, other: Rect) -> float:
        """Shared area, pixels squared."""
        w = min(self.x1, other.x1) - max(self.x0, other.x0)
        h = min(self.y1, other.y1) - max(self.y0, other.y0)
        return w * h if w > 0 and h > 0 else 0.0

    def nearest(self, point: Point) -> Point:
        """The point of the rectangle nearest to ``point``."""
        return (min(max(point[0], self.x0), self.x1), min(max(point[1], self.y0), self.y1))


def place(
    anchors: Sequence[Point],
    sizes: Sequence[tuple[float, float]],
    picture: tuple[int, int],
    taken: Sequence[Rect],
    gap: float,
) -> list[Rect]:
    """Choose a place for each label.

    Labels lie wholly inside the picture and do not overlap as long as there is room at all; as far as possible
    they also leave ``taken`` free and stay near their anchors. Deterministic.

    Args:
        anchors: what each label belongs to, pixels.
        sizes: width and height of each label, pixels.
        picture: width and height, pixels.
        taken: rectangles that should stay visible, such as the marks.
        gap: free space between a label and its anchor, pixels.
    """
    done: dict[int, Rect] = {}
    # The largest first: small ones find room more easily.
    for i in sorted(range(len(anchors)), key=lambda k: -sizes[k][0] * sizes[k][1]):
        others = list(done.values())
        best, least = None, float("inf")
        for rect in _candidates(anchors[i], sizes[i], picture, gap):
            cost = _cost(rect, anchors[i], others, taken)
            if cost < least:
                best, least = rect, cost
        done[i] = best if best is not None else Rect(0, 0, *sizes[i])
    return [done[i] for i in range(len(anchors))]


def _cost(rect: Rect, anchor: Point, others: Sequence[Rect], taken: Sequence[Rect]) -> float:
    near = rect.nearest(anchor)
    away = ((near[0] - anchor[0]) ** 2 + (near[1] - anchor[1]) ** 2) ** 0.5
    covered = sum(rect.overlap(t) for t in taken)
    return float(1e6 * sum(rect.overlap(o) for o in others) + 4.0 * covered**0.5 + away)


def _candidates(anchor: Point, size: tuple[float, float], picture: tuple[int, int], gap: float) -> Iterator[Rect]:
    """Beside the anchor on eight sides at growing distance, then a grid over the whole picture."""
    w, h = size
    for reach in (1.0, 2.5, 5.0, 9.0):
        d = gap * reach
        for x in (anchor[0] + d, anchor[0] - d - w, anchor[0] - w / 2):
            for y in (anchor[1] - d - h, anchor[1] + d, anchor[1] - h / 2):
                if (x, y) != (anchor[0] - w / 2, anchor[1] - h / 2):
                    yield _inside(x, y, size, picture)
    for row in range(13):
        for column in range(13):
            yield _inside((picture[0] - w) * column / 12, (picture[1] - h) * row / 12, size, picture)


def _inside(x: float, y: float, size: tuple[float, float], picture: tuple[int, int]) -> Rect:
    x = max(0.0, min(x, picture[0] - size[0] - 1))
    y = max(0.0, min(y, picture[1] - size[1] - 1))
    return Rect(x, y, x + size[0], y + size[1])
