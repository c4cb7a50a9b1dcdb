"""Looking at a set: contact sheets and a small page to leaf through it, labels drawn.

What is drawn comes from ``labels.jsonl`` alone, so a wrong label shows as a wrong drawing.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import OUT_OF_SIGHT, VIEWS

from .camera import encode
from .spec import SceneError

Bytes = NDArray[np.uint8]
Record = Mapping[str, Any]

_SUBJECT, _THING = (255, 255, 255), (150, 150, 170)
_PART_COLOURS = {
    "joint_screw": (80, 220, 255),
    "screw_thread": (80, 160, 255),
    "front_ear": (255, 90, 200),
    "handle": (255, 170, 40),
    "jet_plug": (255, 230, 60),
    "throat_plug": (255, 80, 60),
    "tube_fitting": (120, 255, 120),
    "scavenge_tube": (60, 220, 90),
}
_SHORT = {
    "metal": "metal",
    "joint_screws": "screws",
    "front_ear": "ear",
    "main_jet": "jet",
    "scavenge_line": "line",
    "throat_bottom": "bottom",
}


def read_labels(folder: Path) -> list[dict[str, Any]]:
    """Return the records of a set's ``labels.jsonl``.

    Raises:
        SceneError: there is none, or a line is not a record.
    """
    path = folder / "labels.jsonl"
    try:
        return [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    except OSError as error:
        raise SceneError(f"{folder}: expected a set with labels.jsonl ({error.strerror})") from error
    except ValueError as error:
        raise SceneError(f"{path}: a line is not a record: {error}") from error


def read_picture(folder: Path, record: Record) -> Bytes:
    """Return the picture of a record, (h, w, 3) uint8 RGB.

    Raises:
        SceneError: the file is missing or no picture.
    """
    path = folder / "pictures" / str(record["file"])
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        raise SceneError(f"{path}: missing, or not a picture")
    return np.ascontiguousarray(picture[..., ::-1])


def describe(record: Record) -> list[str]:
    """Return what a record says, as short lines: kind and side, then the readings that can be seen."""
    head = [f"{record['seed']} {record.get('era') or record['kind']}"]
    if record.get("view"):
        head.append(str(record["view"]) + (" mirrored" if record["mirrored"] else ""))
    lines = [" ".join(head)]
    cues = record.get("cues") or {}
    unsure = record.get("ambiguous") or []
    said = [
        f"{_SHORT.get(cue, cue)} {reading}{'?' if cue in unsure else ''}"
        for cue, reading in cues.items()
        if reading != OUT_OF_SIGHT
    ]
    said += [f"{_SHORT.get(c, c)} ?" for c in unsure if cues.get(c) == OUT_OF_SIGHT]
    lines += [", ".join(said[i : i + 3]) for i in range(0, len(said), 3)]
    if record.get("screw_count") is not None:
        tail = f"{record['screw_count']} screws{' (every place)' if record['all_screws'] else ''}"
        if record.get("handle"):
            tail += f", handle {record['handle']['space_deg']:.0f}/{record['handle']['image_deg']:.0f} deg"
        lines.append(f"{tail}, {record.get('finish')}")
    return lines


def draw_labels(picture: Bytes, record: Record, size: int) -> Bytes:
    """Return the picture at ``size`` px with boxes, landmarks and readings drawn."""
    k = size / picture.shape[0]
    way = cv2.INTER_AREA if k < 1 else cv2.INTER_LINEAR
    out = np.asarray(cv2.resize(picture, (size, size), interpolation=way), np.uint8)
    for box, white in ((record.get("thing_box"), _THING), (record.get("subject_box"), _SUBJECT)):
        if box:
            _rectangle(out, box, k, white)
    for part, box in record.get("boxes", {}).items():
        colour = next((c for name, c in _PART_COLOURS.items() if part.startswith(name)), None)
        if colour is not None:
            _rectangle(out, box, k, colour)
    for name, points in record.get("landmarks", {}).items():
        for x, y in points:
            at = (round(x * k), round(y * k))
            cv2.drawMarker(out, at, (0, 0, 0), cv2.MARKER_CROSS, 9, 3)
            cv2.drawMarker(out, at, (255, 255, 0), cv2.MARKER_CROSS, 7, 1)
            if name != "screw":
                _text(out, name, (at[0] + 4, at[1] - 3), 0.32)
    for i, line in enumerate(describe(record)):
        _text(out, line, (4, 12 + 13 * i), 0.36)
    return out


def sheet(folder: Path, records: Sequence[Record], columns: int = 6, size: int = 224, labels: bool = True) -> Bytes:
    """Return a contact sheet of the records' pictures, in their order, (rows * size, columns * size, 3)."""
    rows = max(-(-len(records) // columns), 1)
    out = np.full((rows * size, columns * size, 3), 24, np.uint8)
    for i, record in enumerate(records):
        picture = read_picture(folder, record)
        if labels:
            tile = draw_labels(picture, record, size)
        else:
            tile = np.asarray(cv2.resize(picture, (size, size), interpolation=cv2.INTER_AREA), np.uint8)
        y, x = divmod(i, columns)
        out[y * size : (y + 1) * size, x * size : (x + 1) * size] = tile
    return out


def sides(folder: Path, records: Sequence[Record], era: str, columns: int = 7, size: int = 112) -> Bytes:
    """Return a sheet of one generation: a row a side, whole units that fill a twentieth of the picture."""
    rows = []
    for view in VIEWS:
        mine = [
            r for r in pick(records, len(records), era, view) if r["subject_area"] >= 0.05 and r["casting"] == "whole"
        ]
        name = np.full((size, 76, 3), 255, np.uint8)
        cv2.putText(name, view.replace("_", " "), (3, size // 2), cv2.FONT_HERSHEY_SIMPLEX, 0.36, 0, 1, cv2.LINE_AA)
        tiles = [sheet(folder, [r], 1, size, labels=False) for r in mine[:columns]]
        blank = [np.full((size, size, 3), 255, np.uint8)] * (columns - len(tiles))
        rows.append(np.hstack([name, *tiles, *blank]))
    return np.vstack(rows)


def pick(
    records: Sequence[Record], count: int, era: str | None = None, view: str | None = None, kind: str | None = None
) -> list[Record]:
    """Return the first ``count`` records that match."""
    found = (
        r
        for r in records
        if (era is None or r["era"] == era)
        and (view is None or r["view"] == view)
        and (kind is None or r["kind"] == kind)
    )
    return [r for _, r in zip(range(count), found, strict=False)]


def write_gallery(folder: Path, out: Path, page: int = 48, size: int = 320) -> int:
    """Write a gallery of a set: ``index.html``, ``page-000.html`` ..., and the labelled pictures.

    Self-contained, no scripts, nothing from outside. Returns the number of pages.
    """
    records = read_labels(folder)
    (out / "labelled").mkdir(parents=True, exist_ok=True)
    pages = list(_chunks(records, page))
    for number, chunk in enumerate(pages):
        cells = []
        for record in chunk:
            name = Path(str(record["file"])).stem + ".jpg"
            drawn = draw_labels(read_picture(folder, record), record, size)
            (out / "labelled" / name).write_bytes(encode(drawn, 88))
            told = html.escape("\n".join(describe(record)))
            details = html.escape(json.dumps(record, indent=1))
            cells.append(
                f'<figure><img loading="lazy" src="labelled/{html.escape(name)}" alt="{told}" width="{size}">'
                f"<details><summary>{html.escape(str(record['file']))}</summary><pre>{details}</pre></details></figure>"
            )
        (out / f"page-{number:03d}.html").write_text(_page(number, len(pages), "".join(cells)), "utf-8")
    links = "".join(
        f'<li><a href="page-{i:03d}.html">seeds {c[0]["seed"]} to {c[-1]["seed"]}</a></li>' for i, c in enumerate(pages)
    )
    (out / "index.html").write_text(_HEAD + f"<h1>{len(records)} pictures</h1><ul>{links}</ul></body></html>", "utf-8")
    return len(pages)


_HEAD = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1"><title>Set of pictures</title><style>
body{background:#16181b;color:#dfe3e6;font:14px system-ui,sans-serif;margin:12px}
main{display:flex;flex-wrap:wrap;gap:8px}
figure{margin:0;max-width:100%}img{max-width:100%;height:auto;display:block}
pre{max-width:320px;overflow:auto;font-size:11px}
a{color:#8fc7ff;padding:8px;display:inline-block}</style></head><body>"""


def _page(number: int, pages: int, cells: str) -> str:
    back = f'<a href="page-{number - 1:03d}.html">before</a>' if number > 0 else ""
    on = f'<a href="page-{number + 1:03d}.html">next</a>' if number + 1 < pages else ""
    bar = f'<nav>{back}<a href="index.html">all pages</a>{on} {number + 1} of {pages}</nav>'
    return f"{_HEAD}{bar}<main>{cells}</main>{bar}</body></html>"


def _chunks(records: list[dict[str, Any]], size: int) -> Iterator[list[dict[str, Any]]]:
    for i in range(0, len(records), size):
        yield records[i : i + size]


def _rectangle(out: Bytes, box: Sequence[float], k: float, colour: tuple[int, int, int]) -> None:
    x0, y0, x1, y1 = (round(v * k) for v in box)
    cv2.rectangle(out, (x0, y0), (x1, y1), colour, 1, cv2.LINE_AA)


def _text(out: Bytes, text: str, at: tuple[int, int], scale: float) -> None:
    (wide, tall), under = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    patch = out[max(at[1] - tall - 1, 0) : at[1] + under - 1, max(at[0] - 1, 0) : at[0] + wide + 1]
    patch[:] = patch // 3
    cv2.putText(out, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, (255, 255, 255), 1, cv2.LINE_AA)
