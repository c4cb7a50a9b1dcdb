"""What is inside an environment, as CycloneDX 1.6 JSON: ``python .ci/sbom.py PYTHON OUT [--unchecked]``.

The packages come from the environment of the interpreter PYTHON (cyclonedx-py); the shipped network files are added
as what they are, with their hashes. Nothing in it depends on the day or the machine's folders. It is held
against CycloneDX's own schema (about 15 s) unless ``--unchecked``.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent


def packages(python: str) -> dict[str, Any]:
    """The bill of an environment's packages."""
    command = [sys.executable, "-m", "cyclonedx_py", "environment", python, "--pyproject", str(ROOT / "pyproject.toml")]
    done = subprocess.run(
        [*command, "--sv", "1.6", "--of", "JSON", "--output-reproducible", "--no-validate"],
        capture_output=True,
        text=True,
    )
    if done.returncode != 0:
        raise SystemExit(f"cyclonedx-py: {done.stderr.strip()}")
    bill: dict[str, Any] = json.loads(done.stdout)
    return bill


def networks() -> list[dict[str, Any]]:
    """The shipped network files, from the list of hashes that is checked whenever one is loaded."""
    lines = (ROOT / "model" / "weights" / "SHA256SUMS").read_text("utf-8").splitlines()
    return [
        {
            "type": "machine-learning-model",
            "bom-ref": f"weights/{name}",
            "name": name,
            "hashes": [{"alg": "SHA-256", "content": sha}],
            "licenses": [{"license": {"id": "Apache-2.0"}}],
        }
        for sha, name in (line.split() for line in lines if line.strip())
    ]


def without_folders(bill: dict[str, Any]) -> dict[str, Any]:
    """Drop references to where this machine keeps the sources: they are nobody else's business."""
    for part in (*bill["components"], bill["metadata"].get("component", {})):
        kept = [r for r in part.get("externalReferences", []) if not r["url"].startswith("file:")]
        part.pop("externalReferences", None)
        if kept:
            part["externalReferences"] = kept
    return bill


def check(text: str) -> None:
    """End here, with the schema's words, if a bill is not valid CycloneDX 1.6."""
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    fault = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
    if fault is not None:
        raise SystemExit(f"not valid CycloneDX 1.6: {fault}")


def main() -> int:
    """Write the bill."""
    python, out = sys.argv[1], Path(sys.argv[2])
    bill = without_folders(packages(python))
    bill["components"] += networks()
    out.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(bill, indent=1, sort_keys=True) + "\n"
    if "--unchecked" not in sys.argv[3:]:
        check(text)
    out.write_text(text, encoding="utf-8")
    sys.stdout.write(f"{len(bill['components'])} components in {out}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
