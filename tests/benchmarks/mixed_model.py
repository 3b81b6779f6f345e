"""Speed of the mixed model beside its peers, in one run.

A growth model (random intercept and slope, four fixed effects, about 7.5 visits a client) is fitted
from an in-memory frame to estimates, standard errors and degrees of freedom. Peers run where they
are installed: R's lme4 (estimates and standard errors) and lmerTest (Satterthwaite), statsmodels,
and with ``--peer-python PATH`` the Rust-backed packages mixedlm and mixedlm-rs in an environment
of their own. Each contestant runs in its own process; wall and processor time are of
the fit alone, memory is the peak of its process. The best of several runs is shown.

Run: python tests/benchmarks/mixed_model.py [--peer-python PATH] [--most CLIENTS]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from datetime import date
from importlib.metadata import version
from pathlib import Path

RESULT = Path(__file__).parent.parent / "evidence" / "results" / "mixed_model_benchmark.json"
FORMULA = "value ~ week * treated"

DATA = """
import resource, sys, time
import numpy as np, pandas as pd
def make(n, seed=1):
    rng = np.random.default_rng(seed)
    counts = rng.integers(4, 12, n)
    client = np.repeat(np.arange(n), counts)
    week = rng.uniform(0, 12, client.size)
    treated = (client % 2).astype(float)
    start, slope = rng.normal(0, 10, n), rng.normal(0, 0.8, n)
    value = (100 + 2 * week + treated + 0.5 * week * treated + start[client]
             + slope[client] * week + rng.normal(0, 5, client.size))
    return pd.DataFrame({"client": client, "week": week, "treated": treated, "value": value})
def clock(function, times):
    best = None
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        log_likelihood = function()
        spent = time.perf_counter() - wall, time.process_time() - cpu
        best = spent if best is None else min(best, spent)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print("RESULT", best[0], best[1], peak, log_likelihood)
"""
OURS = """
from outcomes.statistics.mixed_model import fit_mixed_model
def fit():
    fit = fit_mixed_model(source, {formula!r}, random="1 + week", degrees_of_freedom={rule!r})
    fit.fixed
    return fit.log_likelihood
warm = make(50)
fit_mixed_model(warm, {formula!r}, random="1 + week").fixed
"""
STATSMODELS = """
import warnings; warnings.simplefilter("ignore")
import statsmodels.formula.api as smf
def fit():
    model = smf.mixedlm({formula!r}, source, groups=source["client"], re_formula="~week")
    result = model.fit()
    result.bse
    return result.llf
"""
MIXEDLM = """
import re, warnings; warnings.simplefilter("ignore")
import mixedlm
def fit():
    result = mixedlm.lmer({formula!r} + " + (1 + week | client)", source)
    {after}
    return float(re.search("-?[0-9]+[.][0-9]+", str(result.logLik())).group())
"""
MIXEDLM_RS = """
import warnings; warnings.simplefilter("ignore")
import mixedlm_rs
def fit():
    model = mixedlm_rs.mixedlm({formula!r}, source, groups=source["client"], re_formula="~week")
    result = model.fit()
    result.bse
    return result.llf
"""
R_SCRIPT = """
args <- commandArgs(TRUE); suppressMessages({library(lme4); library(lmerTest)})
d <- read.csv(args[1]); d$client <- factor(d$client); best <- NULL
for (i in seq_len(as.integer(args[3]))) {
  t <- system.time({
    m <- if (args[2] == "lme4") lme4::lmer(value ~ week * treated + (1 + week | client), d)
         else lmerTest::lmer(value ~ week * treated + (1 + week | client), d)
    s <- coef(summary(m))
  })
  if (is.null(best) || t[[3]] < best[[3]]) best <- t
}
value <- format(as.numeric(logLik(m)), digits = 15)
cat("RESULT", best[[3]], best[[1]] + best[[2]], "NA", value, "\\n")
"""


def run(command: list[str], limit: float) -> dict | None:
    """Run one contestant; None where it is missing or takes too long."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=limit, env=environment, check=False
        )
    except subprocess.TimeoutExpired:
        return {"failed": f"longer than {limit:.0f} s"}
    lines = [line for line in done.stdout.splitlines() if line.startswith("RESULT")]
    if not lines:
        return {"failed": (done.stderr.strip().splitlines() or ["no result"])[-1][:120]}
    wall, cpu, peak, log_likelihood = lines[-1].split()[1:]
    return {
        "wall_s": float(wall),
        "processor_s": float(cpu),
        "peak_mb": None if peak == "NA" else float(peak),
        "log_likelihood": float(log_likelihood),
    }


def python(executable: str, body: str, n: int, times: int, limit: float, **values) -> dict | None:
    """Run one Python contestant on n clients."""
    code = (
        DATA
        + body.format(formula=FORMULA, **values)
        + f"\nsource = make({n})\nclock(fit, {times})\n"
    )
    return run([executable, "-c", code], limit)


def from_parquet(n: int, times: int, folder: str, limit: float) -> dict | None:
    """Our fit from four Parquet files."""
    body = OURS.format(formula=FORMULA, rule="satterthwaite")
    write = f"""
d = make({n})
for i in range(4):
    d.iloc[i * len(d) // 4:(i + 1) * len(d) // 4].to_parquet({folder!r} + f"/p{{i}}.parquet")
"""
    made = subprocess.run([sys.executable, "-c", DATA + write], check=False)
    if made.returncode:
        return {"failed": "files not written"}
    code = DATA + body + f"\nsource = {folder + '/p*.parquet'!r}\nclock(fit, {times})\n"
    return run([sys.executable, "-c", code], limit)


def main() -> None:
    """Run all contestants and store the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--peer-python")
    parser.add_argument("--most", type=int, default=1_000_000)
    options = parser.parse_args()
    rows: list[dict] = []

    def note(n: int, who: str, result: dict | None) -> None:
        if result is None:
            return
        rows.append({"clients": n, "who": who, **result})
        shown = result.get("failed") or (
            f"{result['wall_s']:.4f} s wall, {result['processor_s']:.4f} s processor, "
            f"{result['peak_mb'] or float('nan'):.0f} MB, log-lik {result['log_likelihood']:.6f}"
        )
        print(f"{n:>9,} {who:<34} {shown}", flush=True)

    with tempfile.TemporaryDirectory() as folder:
        for n in [size for size in (20, 1_000, 10_000, 100_000, 1_000_000) if size <= options.most]:
            times = {20: 200, 1_000: 50, 10_000: 10, 100_000: 5}.get(n, 2)
            rule = "kenward_roger" if n == 20 else "satterthwaite"
            note(n, f"ours, {rule}", python(sys.executable, OURS, n, times, 300, rule=rule))
            if n == 1_000_000:
                note(n, "ours, from Parquet", from_parquet(n, 2, folder, 300))
                continue
            if shutil.which("Rscript"):
                csv, script = Path(folder, "d.csv"), Path(folder, "peer.R")
                script.write_text(R_SCRIPT)
                save = DATA + f"make({n}).to_csv({str(csv)!r}, index=False)"
                subprocess.run([sys.executable, "-c", save], check=True)
                repeats = str({20: 20, 1_000: 5}.get(n, 1))
                for who in ("lme4", "lmerTest"):
                    if who == "lmerTest" and n > 10_000:
                        continue
                    command = ["Rscript", str(script), str(csv), who, repeats]
                    label = "R lme4 (no df)" if who == "lme4" else "R lmerTest (Satterthwaite)"
                    note(n, label, run(command, 600))
            if n <= 1_000:
                note(n, "statsmodels (no df)", python(sys.executable, STATSMODELS, n, 1, 300))
            if options.peer_python:
                peer = options.peer_python
                few = 1 if n > 1_000 else 3
                if n <= 10_000:
                    with_df = python(peer, MIXEDLM, n, few, 600, after="result.summary()")
                    note(n, "mixedlm (with df)", with_df)
                note(n, "mixedlm (no df)", python(peer, MIXEDLM, n, few, 600, after="pass"))
                note(n, "mixedlm-rs (no df)", python(peer, MIXEDLM_RS, n, few, 600))
    ours = {
        row["clients"]: row["processor_s"]
        for row in rows
        if row["who"].startswith("ours, ") and "Parquet" not in row["who"] and "wall_s" in row
    }
    sizes = [n for n in ours if n >= 1_000]
    exponent = math.nan
    if len(sizes) > 1:
        low, high = min(sizes), max(sizes)
        exponent = math.log(ours[high] / ours[low]) / math.log(high / low)
    print(f"cost grows with clients to the power {exponent:.2f} (processor time)")
    RESULT.write_text(
        json.dumps(
            {
                "date": date.today().isoformat(),
                "machine": f"{platform.machine()}, {os.cpu_count()} cores",
                "load_average": os.getloadavg()[0],
                "versions": {
                    "python": platform.python_version(),
                    **{x: version(x) for x in ("numpy", "scipy", "pandas", "formulaic")},
                },
                "exponent": exponent,
                "rows": rows,
            },
            indent=1,
        )
        + "\n"
    )


if __name__ == "__main__":
    main()
