"""NOTICE says of every package that we ask for what the installed package itself says about its licence."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
NOTICE = (ROOT / "NOTICE").read_text("utf-8")
ENTRY = re.compile(r"^ {4}([A-Za-z][\w.-]*): (.+)$")

LICENCE_TEXTS = {
    "Apache-2.0": r"Apache (Software )?License,? (Version )?2\.0",
    "BSD-3-Clause": r"Redistribution and use in source and binary forms.*Neither the name of",
    "MIT": r"Permission is hereby granted, free of charge.*without restriction",
}
"""SPDX id -> words that only this licence's text has (texts: spdx.org/licenses)."""


def sections() -> dict[str, dict[str, str]]:
    """Extra -> package -> licence, as NOTICE has them."""
    found: dict[str, dict[str, str]] = {}
    for line in NOTICE[NOTICE.index("Installed beside it") :].splitlines():
        if head := re.match(r"^ {2}\[(\w+)\]$", line):
            found[head[1]] = {}
        elif entry := ENTRY.match(line):
            list(found.values())[-1][entry[1]] = entry[2]
    return found


def asked() -> dict[str, set[str]]:
    """Extra -> packages, as pyproject.toml and CI's own lists have them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lists = {"core": project["dependencies"], **project["optional-dependencies"]}
    lists["ci"] = [
        line
        for name in ("test", "train")
        for line in (ROOT / ".ci" / f"requirements-{name}.in").read_text("utf-8").splitlines()
        if not line.startswith("#")
    ]
    return {
        extra: {Requirement(r).name for r in lines if not r.startswith("updraft-key[")}
        for extra, lines in lists.items()
    }


def stated(package: Distribution) -> str:
    """What the metadata states: the licence expression, else the classifiers, else a short licence field."""
    fields = package.metadata
    named = [c.rpartition(" :: ")[2] for c in fields.get_all("Classifier") or [] if c.startswith("License ::")]
    field = (fields.get("License") or "").strip()
    return fields.get("License-Expression") or ", ".join(named) or ("" if field in ("UNKNOWN", "") else field)


def test_notice_lists_exactly_what_is_asked_for() -> None:
    assert {extra: set(held) for extra, held in sections().items()} == asked()


@pytest.mark.parametrize(("name", "said"), sorted({pair for held in sections().values() for pair in held.items()}))
def test_the_licence_is_what_the_package_says(name: str, said: str) -> None:
    try:
        package = distribution(name)
    except PackageNotFoundError:
        pytest.skip(f"{name} is not installed here")
    if stated(package):
        assert said == stated(package)
        return
    # No word in the metadata: NOTICE names the licence and the file, and that file must be that licence.
    found = re.fullmatch(r"(\S+) \((\S+)\)", said)
    assert found is not None, f"{name} states no licence; NOTICE must name one and the file that holds it"
    files = [f for f in package.files or [] if f.name == found[2] and ".dist-info" in str(f)]
    assert len(files) == 1
    assert re.search(LICENCE_TEXTS[found[1]], Path(str(files[0].locate())).read_text("utf-8"), re.S)


def test_nothing_is_left_unknown() -> None:
    assert re.search(r"unknown|not stated", NOTICE, re.I) is None


def test_bundled_copyleft_is_said() -> None:
    """The one wheel of the core whose parts are under a stricter licence than its own: its list says so."""
    files = [f for f in distribution("pillow-heif").files or [] if f.name == "LICENSES_bundled.txt"]
    if not files:
        pytest.skip("this pillow-heif was built against the system's libraries")
    bundled = Path(str(files[0].locate())).read_text("utf-8")
    for library, licence in re.findall(r"Name: (lib\w+|x265)\nLicense: (L?GPLv\d)", bundled):
        assert library in NOTICE and licence.replace("v", "-") + ".0" in NOTICE


@pytest.mark.parametrize("path", re.findall(r"(?<=in )app/assets/fonts/[\w.]+", NOTICE))
def test_the_licence_files_that_are_named_are_there(path: str) -> None:
    assert (ROOT / path).is_file()
