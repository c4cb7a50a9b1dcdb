"""Pictures that came twice: the same bytes, or nearly the same picture, across a whole inbox."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

NEAR_BITS = 6
"""Fingerprints (64 bits) that differ in at most this many bits are called nearly the same picture."""

_BANDS = NEAR_BITS + 1  # pigeonhole: with at most NEAR_BITS differing bits, one of NEAR_BITS + 1 bands is equal


@dataclass(frozen=True, slots=True)
class Seen:
    """One picture of the inbox."""

    case: str
    file: str
    sha256: str
    fingerprint: str | None


@dataclass(frozen=True, slots=True)
class Twin:
    """Two pictures; ``bits`` differing fingerprint bits, 0 and ``exact`` for the same bytes."""

    first: Seen
    second: Seen
    exact: bool
    bits: int


def find_twins(pictures: Sequence[Seen]) -> Iterator[Twin]:
    """Yield every pair once, in the order of the list; exact twins are not repeated as near ones.

    Work grows with the number of pictures times the size of the buckets, not with all pairs.
    """
    by_sha: dict[str, int] = {}
    buckets: list[dict[int, list[int]]] = [defaultdict(list) for _ in range(_BANDS)]
    for index, picture in enumerate(pictures):
        if picture.sha256 and picture.sha256 in by_sha:
            yield Twin(pictures[by_sha[picture.sha256]], picture, True, 0)
            continue
        if picture.sha256:
            by_sha[picture.sha256] = index
        if picture.fingerprint is None:
            continue
        value = int(picture.fingerprint, 16)
        near: set[int] = set()
        for band, part in enumerate(_bands(value)):
            near.update(buckets[band][part])
            buckets[band][part].append(index)
        for other in sorted(near):
            bits = (value ^ int(pictures[other].fingerprint or "0", 16)).bit_count()
            if bits <= NEAR_BITS:
                yield Twin(pictures[other], picture, False, bits)


def _bands(value: int) -> Iterator[int]:
    edges = [round(64 * i / _BANDS) for i in range(_BANDS + 1)]
    for low, high in pairwise(edges):
        yield (value >> low) & ((1 << (high - low)) - 1)
