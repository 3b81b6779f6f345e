"""A page as PDF, through a Chromium that is already on the machine."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

from outcomes.errors import DataError

__all__ = ["find_chromium", "print_to_pdf"]

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


def find_chromium() -> str | None:
    """Find a local Chromium, or None."""
    return next((path for name in _NAMES if (path := shutil.which(name))), None)


def print_to_pdf(page: Path, target: Path, *, seconds: int = 120) -> Path:
    """Print a page of ours to a tagged PDF with an outline.

    Raises
    ------
    DataError
        If there is no Chromium, or it does not write the file.
    """
    program = find_chromium()
    if program is None:
        raise DataError(
            "printing to PDF needs a Chromium on this machine, and there is none. Install one (on "
            "Debian: apt-get install chromium), or print the HTML page from any browser."
        )
    with tempfile.TemporaryDirectory() as profile:
        command = [
            program,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
            "--generate-pdf-document-outline",
            f"--print-to-pdf={target}",
            page.resolve().as_uri(),
        ]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=seconds)
        except (subprocess.SubprocessError, OSError) as error:
            raise DataError(
                "the local Chromium must print the page to PDF, and did not. Print the HTML page "
                "from a browser."
            ) from error
    if not target.exists():
        raise DataError("the local Chromium wrote no PDF. Print the HTML page from a browser.")
    return target
