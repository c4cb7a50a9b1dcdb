"""A seller's inbox made by code: carburetors, other things, broken files and copies, in every way that they arrive.

``python tests/mixed_inbox.py FOLDER [COUNT]`` writes one to look at. Pictures are varied (cropped, turned, smaller,
saved anew in another format) so that no two hashes are the same except where a copy is meant.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from hostile.pictures import bombs, broken, foreign, saved, with_orientation
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
RENDERS = (ROOT / "app" / "assets" / "examples", ROOT / "tests" / "data" / "second_look")
PHOTOGRAPHS = {"skimage": "data", "sklearn": "datasets/images", "gradio": ".", "matplotlib": "mpl-data/sample_data"}
NAMES = ("Ann", "Bo", "Carla", "Dov", "Edda", "Finn", "=cmd()", "<b>Gus</b>", "Ha\u0308ns", "Ida \u202e", "J&K", "L'or")
BAD = "bad"


@dataclass(frozen=True)
class Sent:
    """One file of the inbox: its label, what it is (``unit``, ``other``, ``bad``), and whether it copies another."""

    label: str
    kind: str
    copy_of: str | None = None


def _pictures(folders: Sequence[Path]) -> list[Path]:
    found = sorted(p for f in folders if f.is_dir() for p in f.rglob("*") if "templates" not in p.parts)
    return [p for p in found if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp")]


def other_things() -> list[Path]:
    """Real photographs without such a carburetor, out of installed packages."""
    places = []
    for package, inside in PHOTOGRAPHS.items():
        spec = find_spec(package)
        if spec is not None and spec.origin is not None:
            places.append(Path(spec.origin).parent / inside)
    good = []
    for path in _pictures(places):
        try:
            with Image.open(path) as image:
                if image.format in ("JPEG", "PNG", "WEBP") and min(image.size) >= 200:
                    good.append(path)
        except OSError:
            continue
    return good


def units() -> list[Path]:
    """Computed pictures of carburetors: the shipped examples and, where they are, pictures of another hand."""
    return [p for p in _pictures(RENDERS) if p.name != "something_else.jpg"]


def varied(path: Path, rng: np.random.Generator, longest: int = 1100) -> tuple[bytes, str]:
    """The picture as another camera might have saved it; bytes and the ending that goes with them."""
    with Image.open(path) as image:
        picture = image.convert("RGB")
    w, h = picture.size
    left, top, right, bottom = rng.uniform(0.0, 0.08, 4)
    picture = picture.crop((round(left * w), round(top * h), round(w - right * w), round(h - bottom * h)))
    picture.thumbnail((longest, longest))
    scale = rng.uniform(0.75, 1.0)
    picture = picture.resize((max(210, round(picture.width * scale)), max(210, round(picture.height * scale))))
    kind = rng.choice(["JPEG", "TURNED", "PNG", "WEBP", "HEIF"], p=[0.7, 0.12, 0.06, 0.06, 0.06])
    quality = int(rng.integers(60, 93))
    if kind == "TURNED":
        return with_orientation(np.asarray(picture), int(rng.choice([3, 6, 8]))), "jpg"
    if kind == "PNG":
        return saved(picture, "PNG"), "png"
    return saved(picture, str(kind), quality=quality), {"JPEG": "jpg", "WEBP": "webp", "HEIF": "heic"}[str(kind)]


def _bad(rng: np.random.Generator, sources: Sequence[Path]) -> Iterator[tuple[bytes, str]]:
    """Files that cannot be opened, for ever: empty, noise, cut short, bombs, other formats under a picture's name."""
    made = [data for make in (broken, bombs, foreign) for _, data in make()]
    while True:
        for data in made:
            # A few bytes at the end, so that the same damage arrives with another hash each time.
            yield data + bytes(rng.integers(0, 256, 8, np.uint8)), "jpg"
        yield b"", "jpg"
        yield bytes(rng.integers(0, 256, 5000, np.uint8)), "png"
        whole, ending = varied(sources[int(rng.integers(len(sources)))], rng)
        yield whole[: int(len(whole) * rng.uniform(0.05, 0.3))], ending


def _case_names(rng: np.random.Generator) -> Iterator[tuple[str, str]]:
    """For ever: (how a file of the case is named, with holes) for folders, prefixes and cameras' own names."""
    n = 0
    while True:
        n += 1
        name = NAMES[int(rng.integers(len(NAMES)))]
        way = rng.choice(["folder", "prefix", "camera"], p=[0.45, 0.4, 0.15])
        if way == "folder":
            yield f"{n:04d} {name}/IMG_{{i:04d}}.{{ending}}", "many"
        elif way == "prefix":
            yield f"{n:04d} {name}_{{i}}.{{ending}}", "many"
        else:
            yield f"IMG_{n:04d}.{{ending}}", "one"


def build(folder: Path, count: int = 1000, seed: int = 6) -> list[Sent]:
    """Write ``count`` files; returns what each is. About 45 % units, 35 % others, 12 % bad, 8 % copies."""
    rng = np.random.default_rng(seed)
    ours, others = units(), other_things()
    bad = _bad(rng, ours)
    names = _case_names(rng)
    sent: list[Sent] = []
    while len(sent) < count:
        pattern, size = next(names)
        kind = str(rng.choice(["unit", "other", BAD], p=[0.53, 0.38, 0.09]))
        source = (ours if kind != "other" else others)[int(rng.integers(len(ours if kind != "other" else others)))]
        for i in range(1, 1 + (1 if size == "one" else int(rng.integers(1, 5)))):
            if len(sent) == count:
                break
            here, copy_of = kind, None
            if kind != BAD and rng.random() < 0.05:
                here = BAD  # a broken file among good ones
            whole = [s for s in sent if s.kind == here and s.copy_of is None]
            if here != BAD and whole and rng.random() < 0.09:
                first = whole[int(rng.integers(len(whole)))]
                data, ending, copy_of = (folder / first.label).read_bytes(), first.label.rpartition(".")[2], first.label
            elif here == BAD:
                data, ending = next(bad)
            else:
                data, ending = varied(source, rng)
            label = pattern.format(i=i, ending=ending)
            (folder / label).parent.mkdir(parents=True, exist_ok=True)
            (folder / label).write_bytes(data)
            sent.append(Sent(label, here, copy_of))
    return sent


if __name__ == "__main__":
    files = build(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1000)
    sys.stdout.write(f"{len(files)} files\n")
