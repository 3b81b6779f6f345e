"""A run repeated in a new environment that holds the exact versions the package was tested with."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import venv
from pathlib import Path

import outcomes
from outcomes.errors import DataError

__all__ = ["reproduce_in_fresh_environment"]


def reproduce_in_fresh_environment(run: Path, *, data: str = "") -> tuple[int, str]:
    """Build an environment from the pinned extra ``locked``, and reproduce a run in it.

    Parameters
    ----------
    run : Path
        Folder that a run wrote.
    data : str
        Where its data are now, if they have moved.

    Returns
    -------
    tuple of (int, str)
        Exit status (0 no difference, 1 a difference, 2 an error) and what was said.

    Raises
    ------
    DataError
        If the environment cannot be built.
    """
    with tempfile.TemporaryDirectory() as place:
        venv.create(place, with_pip=True)
        python = Path(place) / ("Scripts" if sys.platform == "win32" else "bin") / "python"
        install = [str(python), "-m", "pip", "install", "--quiet", _source()]
        try:
            subprocess.run(install, check=True, capture_output=True, text=True)
        except subprocess.CalledProcessError as error:
            raise DataError(
                "the pinned environment must be buildable here, and is not: pip stopped with "
                f"status {error.returncode}{_reason(error.stderr)}. Reproduce without --locked, or "
                f"with the Python version of the run."
            ) from error
        command = [str(python), "-m", "outcomes.cli", "reproduce", str(run.resolve())]
        command += ["--data", str(Path(data).resolve())] if data else []
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, (done.stdout or done.stderr).strip()


def _reason(said: str | None) -> str:
    """Give the first error that pip named, for the message."""
    lines = [line for line in (said or "").splitlines() if line.startswith("ERROR: ")]
    return f" ({lines[0].removeprefix('ERROR: ').rstrip('.')})" if lines else ""


def _source() -> str:
    """Name what to install: this checkout, or the released version of this package."""
    root = Path(outcomes.__file__).resolve().parents[1]
    if (root / "pyproject.toml").exists():
        return f"{root}[locked]"
    return f"outcomes[locked]=={outcomes.__version__}"
