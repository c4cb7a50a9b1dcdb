"""Known vulnerabilities of everything that is pinned: ``python .ci/audit.py LOCK... [--out audit.json]``.

Asks pip-audit, which asks an advisory service. Where no service can be reached, nothing was audited, and this is
said in so many words and in the written result, never passed over: pip-audit itself ends with success when it could
look up nothing. Exit codes: 0 nothing known against any package; 1 a vulnerability; 3 some or all packages could
not be looked up (also 0, with the same words, under ``--allow-unreachable``).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

CLEAN, VULNERABLE, UNREACHABLE = 0, 1, 3


@dataclass(frozen=True, slots=True)
class Finding:
    """What one lookup of all pinned packages gave.

    Attributes:
        looked_up: ``name version`` that the service knew.
        missed: ``name version`` that it could not tell about.
        known: ``name version: ID, fixed in ..`` for each vulnerability.
        trouble: the service's own last words when nothing came back, else empty.
    """

    looked_up: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()
    known: tuple[str, ...] = ()
    trouble: str = ""

    @property
    def code(self) -> int:
        """The exit code that says it."""
        if self.known:
            return VULNERABLE
        return UNREACHABLE if self.missed or self.trouble or not self.looked_up else CLEAN

    def words(self, service: str) -> str:
        """One paragraph for a person."""
        count = len(self.looked_up) + len(self.missed)
        said = f"audit ({service}): {len(self.looked_up)} of {count} packages looked up, {len(self.known)} known faults"
        if self.code == UNREACHABLE:
            why = self.trouble or (self.missed or ("no package was listed",))[0]
            said += f". NOT AUDITED, {len(self.missed)} packages missed: {why}"
            said += ". Run .ci/audit.py where an advisory service can be reached"
        return "\n  ".join([said, *self.known])


def judge(report: dict[str, Any]) -> Finding:
    """Sort a report of ``pip-audit --format json``."""
    looked_up, missed, known = [], [], []
    for row in report["dependencies"]:
        name = f"{row['name']} {row.get('version', '')}".strip()
        if "skip_reason" in row:
            missed.append(f"{row['name']}: {row['skip_reason']}")
            continue
        looked_up.append(name)
        for fault in row["vulns"]:
            known.append(f"{name}: {fault['id']}, fixed in {', '.join(fault['fix_versions']) or 'no release yet'}")
    return Finding(tuple(looked_up), tuple(missed), tuple(known))


def ask(lock: Path, service: str) -> Finding:
    """Ask one service about every package of a lock file."""
    command = [sys.executable, "-m", "pip_audit", "-r", str(lock), "--disable-pip", "--no-deps", "--format", "json"]
    try:
        done = subprocess.run(
            [*command, "--vulnerability-service", service], capture_output=True, text=True, timeout=300
        )
        return judge(json.loads(done.stdout))
    except subprocess.TimeoutExpired:
        return Finding(trouble="no answer in 300 s")
    except (json.JSONDecodeError, KeyError):
        return Finding(trouble=(done.stderr.strip().splitlines() or ["pip-audit said nothing"])[-1][:300])


def joined(findings: list[Finding]) -> Finding:
    """One finding of several files, each package once."""
    return Finding(
        tuple(sorted({p for f in findings for p in f.looked_up})),
        tuple(sorted({p for f in findings for p in f.missed})),
        tuple(sorted({p for f in findings for p in f.known})),
        next((f.trouble for f in findings if f.trouble), ""),
    )


def main() -> int:
    """Ask the services in turn until one answers; write what came back."""
    parser = argparse.ArgumentParser(description="Look up known vulnerabilities of the pinned packages.")
    parser.add_argument("locks", nargs="*", type=Path, help="requirements files with pins")
    parser.add_argument("--report", type=Path, help="judge this report of pip-audit instead of asking")
    parser.add_argument("--out", type=Path, help="write the result here (JSON)")
    parser.add_argument("--allow-unreachable", action="store_true", help="exit 0 when no service can be reached")
    given = parser.parse_args()
    service, finding = str(given.report), Finding()
    if given.report is not None:
        finding = judge(json.loads(given.report.read_text("utf-8")))
    else:
        for service in ("pypi", "osv"):
            finding = joined([ask(lock, service) for lock in given.locks])
            if finding.code != UNREACHABLE:
                break
            sys.stdout.write(finding.words(service) + "\n")
    if finding.code != UNREACHABLE or given.report is not None:
        sys.stdout.write(finding.words(service) + "\n")
    if given.out is not None:
        given.out.parent.mkdir(parents=True, exist_ok=True)
        given.out.write_text(json.dumps({"service": service, "code": finding.code, **asdict(finding)}, indent=1))
    return CLEAN if finding.code == UNREACHABLE and given.allow_unreachable else finding.code


if __name__ == "__main__":
    raise SystemExit(main())
