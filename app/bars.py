"""The benchmarks' table: one row a figure, with its bar; ratios and growth computed from what was measured."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .growth import fit_growth


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    Attributes:
        id: fixed name.
        what: in words.
        value: None where it could not be measured; ``about`` then says why.
        unit: of the value.
        most: what the value must not exceed; None if no bar is set.
        least: what the value must reach; None if no bar is set.
        about: the parts of a ratio, the sizes of a growth.
    """

    id: str
    what: str
    value: float | None
    unit: str
    most: float | None = None
    least: float | None = None
    about: str = ""

    @property
    def holds(self) -> bool | None:
        """Whether the bar is met; None without a bar or a value."""
        if self.value is None or (self.most is None and self.least is None):
            return None
        return (self.most is None or self.value <= self.most) and (self.least is None or self.value >= self.least)

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {"id": self.id, "what": self.what, "value": self.value, "unit": self.unit, "most": self.most,
                "least": self.least, "holds": self.holds, "about": self.about}  # fmt: skip


def warm_row(identify: float, decode: float, passes: float) -> Row:
    """The ratio of its three times (seconds)."""
    about = f"{1e3 * identify:.0f} ms; scaled decode {1e3 * decode:.0f} + two passes {1e3 * passes:.0f} ms; one thread"
    return Row("warm", "warm identify of a 12 MP JPEG / (decode + passes)", identify / (decode + passes), "x",
               most=1.5, about=about)  # fmt: skip


def cold_of(taken: Mapping[str, tuple[float, float]]) -> list[Row]:
    """Rows from shortest and median seconds of ``identify``, the same on ``two`` threads, ``import`` and ``bare``."""
    least, median = taken["identify"]
    two = taken["two"]
    door, bare = taken["import"], taken["bare"]
    return [
        Row("cold", "cold process: identify of a 12 MP JPEG", least, "s", most=0.40,
            about=f"shortest; median {median:.2f} s; a bare interpreter takes {bare[0]:.3f} s"),
        Row("cold_two", "the same with UPDRAFT_KEY_THREADS=2", two[0], "s", about=f"shortest; median {two[1]:.2f} s"),
        Row("import", "import updraft_key.model alone", 1e3 * (door[0] - bare[0]), "ms",
            about="shortest, less a bare interpreter"),
    ]  # fmt: skip


def screen_row(pairs: Sequence[tuple[float, float]], cores: int, work: float) -> Row:
    """The share of the floor that is reached, in percent: the median of several runs, each beside its own floor.

    Args:
        pairs: photos screened a second, and photos a second of decode and network alone, measured one after the other.
        cores: for both.
        work: the same ratio in processor time, of one case in one process.
    """
    shares = sorted(100 * rate / floor for rate, floor in pairs)
    rate, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    about = (f"{rate:.1f} against {floor:.1f} photos a second; median of {len(pairs)} pairs of runs, {shares[0]:.0f} "
             f"to {shares[-1]:.0f} %; {cores} cores; {100 * work:.1f} % in processor time of one process")  # fmt: skip
    what = "screen / (decode + passes on all cores), 12 MP"
    return Row("screen", what, statistics.median(shares), "%", least=85.0, about=about)


def steady_rate(marks: Sequence[tuple[int, float]], skip: int) -> float:
    """Cases a second from the ``skip``-th case on, when every worker has opened its network.

    Args:
        marks: cases done, and when (seconds), rising.
        skip: cases that do not count; at least one more must follow.
    """
    first = next(m for m in marks if m[0] >= skip)
    last = marks[-1]
    return (last[0] - first[0]) / (last[1] - first[1])


def flat_row(memory: Sequence[tuple[int, float]]) -> Row:
    """Growth of memory from the second tenth of a run to the last, in percent.

    Args:
        memory: cases done, and resident megabytes of all processes then.
    """
    count = memory[-1][0]
    early = statistics.mean(mb for n, mb in memory if 0.1 * count <= n <= 0.2 * count)
    late = statistics.mean(mb for n, mb in memory if n >= 0.9 * count)
    what = f"memory of a batch of {count:,}, last tenth against second tenth"
    about = f"{early:.0f} to {late:.0f} MB, all processes together"
    return Row("flat", what, 100 * (late / early - 1), "%", most=5.0, about=about)


def photos_row(marks: Sequence[tuple[int, float]]) -> Row:
    """Exponent of time against photos screened, start of the workers left out."""
    start = next(m for m in marks if m[0] >= 1)
    sizes, n = [], 10
    while n <= marks[-1][0]:
        sizes.append(n)
        n *= 10
    if sizes[-1] != marks[-1][0]:
        sizes.append(marks[-1][0])
    when = dict(marks)
    costs = [when[s] - start[1] for s in sizes]
    return growth_row("growth_photos", "photos screened", [s - start[0] for s in sizes], costs, labels=sizes)


def growth_row(
    name: str,
    what: str,
    sizes: Sequence[float],
    costs: Sequence[float],
    *,
    labels: Sequence[float] = (),
    most: float = 1.1,
) -> Row:
    """Exponent of seconds against size; 1 is in proportion."""
    found = fit_growth(sizes, costs)
    shown = ", ".join(f"{s:,g}: {c:.3g} s" for s, c in zip(labels or sizes, costs, strict=True))
    return Row(name, f"growth with {what}", found.exponent, "exponent", most=most, about=shown)


RIVALS: Mapping[str, str] = {
    "classifier": "plain ImageNet classifier (Lite0, 224 px), ONNX Runtime",
    "torch": "our own network through torch, our decode",
    "detector": "torchvision SSDLite320, random weights",
}


def rivals_of(facts: Mapping[str, float]) -> list[Row]:
    """Rows from seconds of ``identify``, and of each rival whole and ``_alone``."""
    rows = []
    for name, what in RIVALS.items():
        if name not in facts:
            why = "torchvision is not installed: pip install --no-deps torchvision==0.28.0"
            rows.append(Row(f"rival_{name}", f"{what} / identify", None, "x", about=why))
            continue
        about = (f"{1e3 * facts[name]:.0f} ms a photo, network alone {1e3 * facts[f'{name}_alone']:.0f} ms; identify "
                 f"{1e3 * facts['identify']:.0f} ms; one thread each")  # fmt: skip
        rows.append(Row(f"rival_{name}", f"{what} / identify", facts[name] / facts["identify"], "x", about=about))
    return rows


def table(result: Mapping[str, Any]) -> str:
    """The result as text: one line a row, its parts below it."""
    m = result["machine"]
    lines = [f"{m['processor']}, {m['cores']} cores, Python {m['python']}, ONNX Runtime {m['onnxruntime']}; "
             f"load {m['load_before']:.1f} before, {m['load_after']:.1f} after", ""]  # fmt: skip
    for row in result["rows"]:
        bar = f"<= {row['most']:g}" if row["most"] is not None else f">= {row['least']:g}" if row["least"] else ""
        held = {True: "holds", False: "MISSED", None: ""}[row["holds"]]
        value = "not measured" if row["value"] is None else f"{_figure(row['value'])} {row['unit']}"
        lines.append(f"{row['what']:<64} {value:>16}  {bar:<8} {held}".rstrip())
        lines += [f"    {row['about']}"] if row["about"] else []
    return "\n".join(lines)


def _figure(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 20 else f"{value:.2f}"
