"""Known weaknesses in what the program depends on, by pip-audit: 1 if there is one.

Where the advisory service gives no answer at all, as without a network, nothing was audited: that
is said plainly and passes. Anything else that keeps a package from being audited fails.
"""

import json
import subprocess
import sys

OFFLINE = ("ConnectionError", "NameResolutionError", "Max retries exceeded", "timed out",
           "Network is unreachable")  # fmt: skip
NO_ANSWER = "Dependencies NOT audited: no answer from the advisory service (no network?)."


def main() -> int:
    """Audit what is installed beside this Python."""
    command = [sys.executable, "-m", "pip_audit", "--progress-spinner", "off", "--skip-editable",
               "--format", "json"]  # fmt: skip
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    try:
        found = json.loads(run.stdout)["dependencies"]
    except (ValueError, KeyError):
        if any(word in run.stderr for word in OFFLINE):
            print(NO_ANSWER)
            return 0
        print(run.stderr[-2000:], file=sys.stderr)
        return 1
    return judged([one for one in found if "editable" not in one.get("skip_reason", "")])


def judged(found: list[dict]) -> int:
    """Print what was found; 1 if a package has a known weakness, or alone was not audited."""
    skipped = [one["name"] for one in found if "skip_reason" in one]
    if len(skipped) == len(found):
        print(NO_ANSWER)
        return 0
    weak = [one for one in found if one.get("vulns")]
    for one in weak:
        ids = ", ".join(each["id"] for each in one["vulns"])
        fixed = sorted({version for each in one["vulns"] for version in each["fix_versions"]})
        print(f"{one['name']} {one['version']}: {ids}; mended in {', '.join(fixed) or 'none yet'}")
    if skipped:
        print(f"Not audited: {', '.join(skipped)}")
    print(f"{len(found) - len(skipped)} packages audited, {len(weak)} with known weaknesses")
    return 1 if weak or skipped else 0


if __name__ == "__main__":
    sys.exit(main())
