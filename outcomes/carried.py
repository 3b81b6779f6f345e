"""Where the notebooks and the synthetic caseload are, installed or in a checkout.

An installed package carries them in ``outcomes/_carried``; in a checkout (and an editable install)
they are the folders beside the package.
"""

from __future__ import annotations

from pathlib import Path

from outcomes.errors import DataError

__all__ = ["carried_folder", "notebook_path", "synthetic_caseload", "synthetic_settings"]


def carried_folder(name: str) -> Path:
    """Find the folder ``notebooks`` or ``data_synthetic``.

    Raises
    ------
    DataError
        If the installation lacks it.
    """
    package = Path(__file__).parent
    for folder in (package / "_carried" / name, package.parent / name):
        if folder.is_dir():
            return folder
    raise DataError(
        f"this installation must carry the folder {name}, which is missing. Install the package "
        f"again with: python -m pip install --force-reinstall outcomes."
    )


def notebook_path(name: str) -> Path:
    """Find a ready-made notebook by its name without ending, e.g. ``quarterly_review``."""
    return carried_folder("notebooks") / f"{name}.ipynb"


def synthetic_caseload() -> Path:
    """Find the folder of the synthetic caseload."""
    return carried_folder("data_synthetic") / "caseload"


def synthetic_settings() -> Path:
    """Find the settings file of the synthetic clinic."""
    return carried_folder("data_synthetic") / "clinic.toml"
