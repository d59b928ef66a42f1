"""The corn field, folder to files: the package against a plain script, side by side in one run.

    python tests/benchmarks/main_job.py [RUNS]

Prints the ratio (plain script over package) of the cold run, imports included, of a second field in the same process,
and of the peak memory. Medians over RUNS (default 3) processes each, taken in turn.
"""

import json
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
FIELD = HERE.parents[1] / "sample_fields" / "irrigated_corn"

PACKAGE = """
import json, sys, time
start = time.perf_counter()
from pathlib import Path
from zonemap.job import plan_field
imports = time.perf_counter() - start
times = []
for run in range(2):
    begin = time.perf_counter()
    plan_field(Path(sys.argv[1]), out=Path(sys.argv[2]) / f"run{run}")
    times.append(time.perf_counter() - begin)
print(json.dumps({"imports_s": imports, "runs_s": times}))
"""


def run(command: list[str]) -> tuple[float, float, float]:
    """Cold seconds (imports and first run), second-run seconds, and peak memory in MB of one process."""
    with tempfile.TemporaryDirectory() as out:
        done = subprocess.run([sys.executable, *command, str(FIELD), out, "2"], capture_output=True, check=True)
    told = json.loads(done.stdout)
    return told["imports_s"] + told["runs_s"][0], told["runs_s"][1], peak_mb()


def peak_mb() -> float:
    """Largest child so far, MB: the two programs are told apart by running each in a process of its own."""
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def main() -> None:
    if len(sys.argv) > 2:
        # a child: one program, its own peak
        command = ["-c", PACKAGE] if sys.argv[2] == "package" else [str(HERE / "plain_script.py")]
        print(json.dumps(run(command)))
        return
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    seen: dict[str, list[list[float]]] = {"package": [], "plain script": []}
    for _ in range(runs):
        for name, rows in seen.items():
            done = subprocess.run([sys.executable, __file__, "1", name], capture_output=True, check=True)
            rows.append(json.loads(done.stdout))
    cold, second, peak = ({k: statistics.median(r[i] for r in rows) for k, rows in seen.items()} for i in range(3))
    for title, figures, unit in (("cold", cold, "s"), ("second field", second, "s"), ("peak memory", peak, "MB")):
        ratio = figures["plain script"] / figures["package"]
        sides = "   ".join(f"{name} {figure:8.2f} {unit}" for name, figure in figures.items())
        print(f"{title:13} {sides}   ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
