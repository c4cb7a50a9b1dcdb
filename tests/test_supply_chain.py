"""What is pinned, audited and listed: the lock files, the audit's honesty, the bill of materials.

CI sets ``UPDRAFT_KEY_SBOM`` (the bill that it keeps) and ``UPDRAFT_KEY_SBOM_OF`` (the environment that holds nothing
but the wheel); elsewhere a bill of the environment that runs the tests is made and held to the same.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import distribution, version
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parent.parent
LOCKS = (ROOT / ".ci" / "requirements-test.txt", ROOT / ".ci" / "requirements-train.txt")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
PIN = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)(\[[^]]*\])?==(?P<version>[^ \\]+)(?: ; (?P<marker>[^\\]+?))? \\$", re.M)
APART = {"torch", "opencv-python"}
"""Not installed from a lock file; see ``.ci/requirements-train.in``."""


def pins(lock: Path) -> dict[str, list[tuple[str, str]]]:
    """Name -> [(version, marker)] of a lock file."""
    found: dict[str, list[tuple[str, str]]] = {}
    for m in PIN.finditer(lock.read_text("utf-8")):
        found.setdefault(canonicalize_name(m["name"]), []).append((m["version"], m["marker"] or ""))
    return found


def asked(*extras: str) -> list[Requirement]:
    """What pyproject.toml asks for, with the extras that our own extras name."""
    wanted, left, seen = list(PROJECT["dependencies"]), list(extras), set()
    while left:
        extra = left.pop()
        if extra in seen:
            continue
        seen.add(extra)
        for line in PROJECT["optional-dependencies"][extra]:
            ours = re.fullmatch(r"updraft-key\[([a-z,]+)\]", line)
            if ours:
                left += ours[1].split(",")
            else:
                wanted.append(line)
    return [Requirement(line) for line in wanted]


@pytest.mark.parametrize(("lock", "extras"), [(LOCKS[0], ("test",)), (LOCKS[1], ("train", "test"))])
def test_everything_that_is_asked_for_is_pinned(lock: Path, extras: tuple[str, ...]) -> None:
    pinned = pins(lock)
    for need in asked(*extras):
        name = canonicalize_name(need.name)
        if name in APART:
            continue
        assert name in pinned, f"{need.name} is not in {lock.name}: run .ci/lock"
        for number, _ in pinned[name]:
            assert need.specifier.contains(number), f"{lock.name} pins {name} {number}, asked: {need}: run .ci/lock"


@pytest.mark.parametrize("lock", LOCKS, ids=lambda p: p.name)
def test_every_pin_has_hashes(lock: Path) -> None:
    text = lock.read_text("utf-8")
    entries = re.split(r"\n(?=[A-Za-z0-9])", text[text.index("\n", text.index(".ci/lock")) + 1 :])
    assert len(entries) == sum(map(len, pins(lock).values())) > 150
    for entry in entries:
        assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", entry), entry[:80]


def test_what_is_left_apart_is_never_installed_from_the_lock() -> None:
    for name in APART:
        for _, marker in pins(LOCKS[1]).get(name, []):
            assert marker == "sys_platform == 'none'"


def test_both_locks_agree() -> None:
    test, train = map(pins, LOCKS)
    assert {n: (test[n], train[n]) for n in test.keys() & train.keys() if test[n] != train[n]} == {}


def test_the_two_commands_install_by_hash() -> None:
    for script, lock in (("test", LOCKS[0]), ("run", LOCKS[1])):
        assert f"--require-hashes -r .ci/{lock.name}" in (ROOT / ".ci" / script).read_text("utf-8")


def test_the_environment_is_the_locked_one() -> None:
    if Path(sys.prefix).name != ".venv-test":
        pytest.skip("only the environment that .ci/test makes comes from the lock file")
    wrong = {}
    for name, choices in pins(LOCKS[0]).items():
        for number, marker in choices:
            if not marker or Requirement(f"{name} ; {marker}").marker.evaluate():  # type: ignore[union-attr]
                try:
                    if version(name) != number:
                        wrong[name] = (version(name), number)
                except ModuleNotFoundError:
                    wrong[name] = ("missing", number)
    assert wrong == {}


FLOORS = {"pillow": "12.3", "gradio": "6.25"}
"""STACK.md C1 and C2, from the projects' own advisories: below these a known fault of a door of ours is open."""


def test_nothing_below_the_floors_of_the_advisories() -> None:
    for name, floor in FLOORS.items():
        assert all(Version(v) >= Version(floor) for v, _ in pins(LOCKS[0])[name])
    import pillow_heif

    # CVE-2026-32741, heap overflow in libheif's decode_mask_image, fixed in 1.22.0 (STACK.md C1).
    assert Version(pillow_heif.libheif_version()) >= Version("1.22.0")


def audit(tmp_path: Path, rows: list[dict[str, Any]], *more: str) -> tuple[int, str, dict[str, Any]]:
    report, out = tmp_path / "report.json", tmp_path / "out.json"
    report.write_text(json.dumps({"dependencies": rows, "fixes": []}))
    command = [sys.executable, ROOT / ".ci" / "audit.py", "--report", report, "--out", out, *more]
    done = subprocess.run(command, capture_output=True, text=True)
    return done.returncode, done.stdout, json.loads(out.read_text())


FINE = {"name": "fine", "version": "1.0", "vulns": []}
FAULTY = {"name": "bad", "version": "2.0", "vulns": [{"id": "PYSEC-2000-1", "fix_versions": ["2.1"], "aliases": []}]}
UNKNOWN = {"name": "lost", "skip_reason": "Dependency not found on PyPI and could not be audited: lost (3)"}


def test_an_audit_that_looked_nothing_up_says_so(tmp_path: Path) -> None:
    for rows in ([UNKNOWN], [FINE, UNKNOWN], []):
        code, said, written = audit(tmp_path, rows)
        assert code == written["code"] == 3 and "NOT AUDITED" in said
    code, said, _ = audit(tmp_path, [UNKNOWN], "--allow-unreachable")
    assert code == 0 and "NOT AUDITED" in said and "0 of 1 packages looked up" in said


def test_an_audit_tells_each_fault_even_where_lookups_failed(tmp_path: Path) -> None:
    code, said, written = audit(tmp_path, [FINE, FAULTY, UNKNOWN], "--allow-unreachable")
    assert code == 1 and written["known"] == ["bad 2.0: PYSEC-2000-1, fixed in 2.1"] and written["known"][0] in said


def test_a_clean_audit_is_clean(tmp_path: Path) -> None:
    assert audit(tmp_path, [FINE])[:2] == (0, "audit (" + str(tmp_path / "report.json") + "): 1 of 1 packages looked "
                                           "up, 0 known faults\n")  # fmt: skip


LISTING = """
import json
from importlib.metadata import distributions
rows = {(d.metadata["Name"], d.version): d.requires or [] for d in distributions()}
print(json.dumps([[n, v, r] for (n, v), r in rows.items()]))
"""


@pytest.fixture(scope="module")
def bill(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], str]:
    """A bill of materials and the interpreter whose environment it is of."""
    kept = os.environ.get("UPDRAFT_KEY_SBOM")
    if kept:
        return json.loads((ROOT / kept).read_text("utf-8")), str(ROOT / os.environ["UPDRAFT_KEY_SBOM_OF"])
    pytest.importorskip("cyclonedx_py", reason="pip install cyclonedx-bom")
    out = tmp_path_factory.mktemp("sbom") / "sbom.cdx.json"
    subprocess.run([sys.executable, ROOT / ".ci" / "sbom.py", sys.executable, out, "--unchecked"], check=True)
    return json.loads(out.read_text("utf-8")), sys.executable


def installed(python: str) -> dict[str, tuple[str, list[str]]]:
    """Name -> (version, requirements) of everything in an interpreter's environment."""
    rows = json.loads(subprocess.run([python, "-c", LISTING], check=True, capture_output=True, text=True).stdout)
    return {canonicalize_name(name): (number, needs) for name, number, needs in rows}


def test_the_bill_lists_all_that_the_wheel_pulls_in(bill: tuple[dict[str, Any], str]) -> None:
    listed = {canonicalize_name(c["name"]): c["version"] for c in bill[0]["components"] if c["type"] == "library"}
    there = installed(bill[1])
    left, reached = [(Requirement(line), "") for line in PROJECT["dependencies"]], set()
    while left:
        need, extra = left.pop()
        if need.marker is not None and not need.marker.evaluate({"extra": extra}):
            continue
        name = canonicalize_name(need.name)
        for wanted in ("", *need.extras):
            if (name, wanted) not in reached:
                reached.add((name, wanted))
                left += [(Requirement(line), wanted) for line in there[name][1]]
    names = {name for name, _ in reached}
    assert len(names) > len(PROJECT["dependencies"])
    assert {n: listed.get(n) for n in names} == {n: there[n][0] for n in names}


def test_the_bill_lists_nothing_that_is_not_there(bill: tuple[dict[str, Any], str]) -> None:
    there = installed(bill[1])
    for part in bill[0]["components"]:
        if part["type"] == "library":
            name = canonicalize_name(part["name"])
            assert part["version"] == there[name][0]
            kind, _, last = part["purl"].partition("?")[0].rpartition("@")[0].rpartition("/")
            assert (kind, canonicalize_name(last)) == ("pkg:pypi", name)
    names = [c["name"] for c in bill[0]["components"]]
    assert len(names) == len(set(names))
    root = bill[0]["metadata"]["component"]
    assert (root["name"], root["version"]) == (PROJECT["name"], PROJECT["version"])


def test_the_bill_names_the_networks_that_are_shipped(bill: tuple[dict[str, Any], str]) -> None:
    made = {c["name"]: c["hashes"] for c in bill[0]["components"] if c["type"] == "machine-learning-model"}
    weights = {p.name: p for p in (ROOT / "model" / "weights").glob("*.onnx")}
    assert made.keys() == weights.keys() and weights
    for name, path in weights.items():
        assert made[name] == [{"alg": "SHA-256", "content": hashlib.sha256(path.read_bytes()).hexdigest()}]


def test_the_bill_tells_nothing_of_the_machine(bill: tuple[dict[str, Any], str]) -> None:
    text = json.dumps(bill[0])
    assert str(ROOT) not in text and str(Path.home()) + "/" not in text and "file:" not in text


def test_our_own_metadata_is_what_the_project_says() -> None:
    ours = distribution("updraft-key")
    assert ours.version == PROJECT["version"] and ours.metadata["License-Expression"] == PROJECT["license"]
