"""A local Chromium for tests that look at pages as a person would; skipped where there is none."""

import os
from pathlib import Path

import pytest

from outcomes.reporting.printing import find_chromium

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_collection_modifyitems(items):
    for item in items:
        if "/browser/" in item.path.as_posix():
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser():
    path = find_chromium()
    if path is None:
        pytest.skip("no Chromium on this machine; on Debian: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=path, args=FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="session")
def screens(tmp_path_factory):
    """Folder for screenshots: the one named in OUTCOMES_SCREENS, or a temporary one."""
    named = os.environ.get("OUTCOMES_SCREENS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screens")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    """The synthetic caseload's report, written once."""
    from outcomes import synthetic_caseload
    from outcomes.reporting.runs import run_review

    folder = tmp_path_factory.mktemp("report")
    return run_review(data=str(synthetic_caseload()), out=str(folder)).report
