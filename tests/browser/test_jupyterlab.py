"""Each notebook opened in JupyterLab, a parameter changed, Run All Cells, no error."""

import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import nbformat
import pytest

from outcomes import synthetic_caseload

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


@pytest.fixture(scope="module")
def lab(tmp_path_factory, browser):
    """A JupyterLab on this machine only, with a token and folders of its own."""
    root = tmp_path_factory.mktemp("lab")
    for path in NOTEBOOKS:
        shutil.copy(path, root)
    port, token = free_port(), secrets.token_hex(16)
    places = {
        name: str(tmp_path_factory.mktemp(name.lower()))
        for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "HOME")
    }
    settings = Path(places["HOME"]) / "settings"
    news = settings / "@jupyterlab" / "apputils-extension" / "notification.jupyterlab-settings"
    news.parent.mkdir(parents=True)
    news.write_text('{"fetchNews": "false", "checkForUpdates": false}')
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "jupyterlab",
            "--no-browser",
            "--ServerApp.ip=127.0.0.1",
            f"--ServerApp.port={port}",
            "--ServerApp.port_retries=0",
            f"--ServerApp.root_dir={root}",
            "--LabApp.extension_manager=readonly",
            f"--LabApp.user_settings_dir={settings}",
            "--allow-root",
        ],
        env={**os.environ, **places, "JUPYTER_TOKEN": token},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        wait_for(lambda: asked(f"{address}/api/status?token={token}"), 60, "the server")
        yield root, address, token
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=30)


def asked(url):
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            return answer.read().decode()
    except OSError:
        return ""


def wait_for(condition, seconds, what):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if condition():
            return
        time.sleep(0.3)
    raise TimeoutError(f"{what} did not come within {seconds} s")


@pytest.mark.parametrize("source", NOTEBOOKS, ids=lambda p: p.stem)
def test_run_all_cells(source, lab, browser, screens):
    root, address, token = lab
    path = root / source.name
    change_a_parameter(path)
    page = browser.new_page()
    page.goto(f"{address}/lab/tree/{path.name}?reset&token={token}")
    page.locator(".jp-NotebookPanel").wait_for(timeout=60_000)

    def idle():
        sessions = asked(f"{address}/api/sessions?token={token}")
        return path.name in sessions and '"execution_state": "idle"' in sessions

    wait_for(idle, 60, "the kernel")
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name=re.compile("^Run All Cells")).click()
    time.sleep(1)
    saved = run_to_the_end(page, path, idle)
    page.screenshot(path=screens / f"lab_{source.stem}.png")
    cells = [c for c in saved.cells if c.cell_type == "code"]
    assert not [o for c in cells for o in c.outputs if o.output_type == "error"]
    assert all(c.execution_count for c in cells)
    shown = "".join(str(o.get("data", "")) for c in cells for o in c.outputs)
    assert "<img" in shown or "<table" in shown
    page.close()


def change_a_parameter(path):
    """Give the data's place in words, as a user would."""
    notebook = nbformat.read(path, as_version=4)
    cell = next(c for c in notebook.cells if "parameters" in c.metadata.get("tags", []))
    cell.source, n = re.subn(r'^data = ""', f"data = {str(synthetic_caseload())!r}", cell.source)
    cell.source = cell.source if n else cell.source + "\n"
    nbformat.write(notebook, path)


def run_to_the_end(page, path, idle):
    """Save until every code cell has run, or time is over."""
    until = time.monotonic() + 240
    while True:
        wait_for(idle, 240, "an idle kernel")
        page.keyboard.press("Control+s")
        time.sleep(1.5)
        saved = nbformat.read(path, as_version=4)
        cells = [c for c in saved.cells if c.cell_type == "code"]
        failed = [o for c in cells for o in c.outputs if o.output_type == "error"]
        if failed or all(c.execution_count for c in cells) or time.monotonic() > until:
            return saved
