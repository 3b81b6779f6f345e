"""How long the quarter's review takes, and how quickly the package imports.

Run: python tests/benchmarks/review.py [--clients 10000]

Prints one line a figure. Not part of the tests: times belong to a machine.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))


def seconds(command: list[str], folder: Path) -> float:
    begun = time.perf_counter()
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return time.perf_counter() - begun


def best_import(module: str) -> float:
    code = f"import time; t = time.perf_counter(); import {module}; print(time.perf_counter() - t)"
    runs = [
        float(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout)
        for _ in range(5)
    ]
    return min(runs)


def larger_caseload(n_clients: int, folder: Path) -> None:
    from data_synthetic.make_caseload import make_caseload, write_caseload

    tables, truth = make_caseload(np.random.default_rng(1), n_clients=n_clients)
    write_caseload(tables, truth, folder)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--clients", type=int, default=0, help="also a caseload of this size")
    wanted = parser.parse_args()
    command = [sys.executable, "-m", "outcomes.cli", "review"]
    print(f"import outcomes: {best_import('outcomes'):.3f} s (aim: under 0.6 s)")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        seconds(command, folder)  # warms the file cache
        print(f"review of the synthetic caseload: {seconds(command, folder):.1f} s (aim: under 20)")
        if wanted.clients:
            larger_caseload(wanted.clients, folder)
            took = seconds([*command, "--data", str(folder / "caseload")], folder)
            peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
            print(f"review of {wanted.clients:,} clients: {took:.1f} s, peak {peak:.2f} GB")


if __name__ == "__main__":
    main()
