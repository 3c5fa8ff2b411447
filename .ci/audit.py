"""Known faults of the packages installed beside this program, by pip-audit, told so that "nobody could be asked" is no pass.

    python .ci/audit.py                                               # asks the public index about each
    python .ci/audit.py -s osv --osv-url http://127.0.0.1:8080/query  # asks a mirror of the OSV data; no other network is used

Ends with status 0 if every package could be asked about and none has a known fault, 1 if one has, 3 if there is no verdict on some.
pip-audit itself ends with 0 where it could ask about none.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

OURS = "blankoff"


def verdict(report: dict[str, Any]) -> tuple[int, list[str]]:
    """Status and words of a report in pip-audit's JSON."""
    packages = [p for p in report["dependencies"] if p["name"] != OURS]
    faulty = [p for p in packages if p.get("vulns")]
    unasked = [p for p in packages if "skip_reason" in p]
    lines = [
        f"{p['name']} {p['version']}: {fault['id']}, mended in {', '.join(fault['fix_versions']) or 'no version yet'}"
        for p in faulty
        for fault in p["vulns"]
    ]
    lines.append(
        f"{len(packages)} packages: {len(faulty)} with known faults, {len(packages) - len(unasked) - len(faulty)} without, "
        f"no verdict on {len(unasked)}"
    )
    return (1 if faulty else 3 if unasked or not packages else 0), lines


def main() -> int:
    """Run pip-audit on this environment with the words given."""
    with tempfile.TemporaryDirectory() as scratch:
        told = Path(scratch) / "report.json"
        command = [sys.executable, "-m", "pip_audit", "--progress-spinner", "off", "--timeout", "15", "-f", "json"]
        done = subprocess.run([*command, "-o", str(told), *sys.argv[1:]], capture_output=True, text=True, check=False)
        if not told.exists() or not told.stat().st_size:
            print(f"no verdict on any package: {(done.stderr.strip().splitlines() or ['pip-audit said nothing'])[-1]}")
            return 3
        status, lines = verdict(json.loads(told.read_text(encoding="utf-8")))
    print("\n".join(lines))
    return status


if __name__ == "__main__":
    sys.exit(main())
