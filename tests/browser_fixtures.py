"""A JupyterLab of its own and a real browser, for tests that look at what a person sees."""

from __future__ import annotations

import importlib.util
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

CHROMIUM = os.environ.get("OHMSHIFT_CHROMIUM", "/usr/bin/chromium")
CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
LAPTOP = {"width": 1280, "height": 800}

_START_S = 90.0
_RUN_ALL = """async () => {
  const app = window.jupyterapp;
  await app.restored;
  const until = async (get) => {
    for (let i = 0; i < 1200; i++) {
      const got = get();
      if (got) return got;
      await new Promise((done) => setTimeout(done, 50));
    }
    throw new Error('JupyterLab did not get ready');
  };
  const panel = await until(() => {
    const w = app.shell.currentWidget;
    return w && w.sessionContext && w.context && w;
  });
  const late = new Promise((_, fail) => setTimeout(() => fail(new Error('the notebook got no kernel')), 90000));
  await Promise.race([Promise.all([panel.context.ready, panel.sessionContext.ready]), late]);
  const kernel = await until(() => panel.sessionContext.session?.kernel);
  await until(() => kernel.status === 'idle');
  await app.commands.execute('notebook:run-all-cells');
  const errors = [];
  panel.content.widgets.forEach((cell, place) => {
    if (cell.model.type !== 'code') return;
    for (const output of cell.model.outputs.toJSON()) {
      if (output.output_type === 'error') errors.push(`cell ${place}: ${output.ename}: ${output.evalue}`);
      if (output.output_type === 'stream' && output.name === 'stderr') errors.push(`cell ${place}: ${output.text}`);
    }
  });
  return errors;
}"""

_COLUMN = """([part, column]) => {
  const [chart, kind, place] = part.split('.');
  const found = (window.Bokeh?.documents ?? []).map((doc) => {
    const [lines, points, areas] = ['lines', 'points', 'areas'].map(
      (source) => doc.get_model_by_name(`${chart}.${source}`)?.data);
    if (!lines) return undefined;
    const named = (names, values, start) => Array.from(values).filter((_, i) => `${names[i]}.`.startsWith(start));
    if (kind === 'line') {
      const [line] = named(lines.name, lines[`${column}s`], `line.${place}.`);
      return line ?? named(points.name, points[column], `line.${place}.`);
    }
    const bars = named(lines.name, lines.ys, `bar.${place}.`);
    if (bars.length) return bars.map((ends) => ends[column === 'low' ? 0 : 1]);
    const outline = areas.ys[place]; // low from left to right, then high from right to left
    const half = outline?.length / 2;
    return column === 'low' ? outline?.slice(0, half) : outline?.slice(half).reverse();
  });
  return found.filter((values) => values?.length).map((values) => Array.from(values));
}"""

_CANVASES = """() => {
  const deep = (root) => {
    const found = [...root.querySelectorAll('canvas')];
    for (const part of root.querySelectorAll('*')) if (part.shadowRoot) found.push(...deep(part.shadowRoot));
    return found;
  };
  return deep(document).filter((c) => c.width > 200 && c.height > 100 && c.checkVisibility()).map((canvas) => {
    const pixels = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
    let hash = 0;
    for (let i = 0; i < pixels.length; i++) hash = (31 * hash + pixels[i]) | 0;
    return hash;
  });
}"""

_READY = """() => window.Bokeh && Bokeh.documents.length > 0 && Bokeh.documents.every((doc) => doc.is_idle)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """A running JupyterLab.

    Parameters
    ----------
    root : Path
        The folder that it serves; tests copy what they need into it.
    address : str
        Where it listens.
    token : str
        What lets a page in.
    """

    root: Path
    address: str
    token: str

    def open(self, page: Page, notebook: str) -> None:
        """Open a notebook, given by its path below the root, in a fresh workspace."""
        page.goto(f"{self.address}/lab/tree/{notebook}?reset&token={self.token}")
        page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=60_000)

    def run_all(self, page: Page, notebook: str) -> list[str]:
        """Open a notebook, run all its cells, and give what went wrong."""
        self.open(page, notebook)
        return run_cells(page)


def run_cells(page: Page) -> list[str]:
    """Run all cells of the notebook that is open, and give errors and what went to standard error."""
    return list(page.evaluate(_RUN_ALL))


def wait_for_figures(page: Page) -> None:
    """Wait until every Bokeh figure on the page is drawn."""
    page.wait_for_function(_READY, timeout=60_000)


def drawn_column(page: Page, part: str, column: str) -> list[list[float]]:
    """Give x or y of "0.line.2", or low or high of "0.band.0" (without gaps), as every figure on the page holds it."""
    return list(page.evaluate(_COLUMN, [part, column]))


def wait_for_column(page: Page, part: str, column: str, wanted: Any, *, tolerance: float = 1e-3) -> None:
    """Wait until the only figure that has a line or a band holds the wanted numbers."""
    page.wait_for_function(
        f"""([part, column, wanted, tolerance]) => {{
          const [values] = ({_COLUMN})([part, column]);
          return values && values.length === wanted.length
            && values.every((v, i) => Math.abs(v - wanted[i]) < tolerance);
        }}""",
        arg=[part, column, [float(value) for value in wanted], tolerance],
        timeout=60_000,
    )


def canvas_hashes(page: Page) -> list[int]:
    """Give a hash of the pixels of each visible canvas, those inside shadow roots included."""
    return list(page.evaluate(_CANVASES))


def wait_for_other_pixels(page: Page, before: list[int]) -> None:
    """Wait until the canvases look different from before."""
    page.wait_for_function(
        f"(before) => JSON.stringify(({_CANVASES})()) !== JSON.stringify(before)", arg=before, timeout=60_000
    )


def missing_browser() -> str:
    """Say what is missing for a browser test; empty where nothing is."""
    if importlib.util.find_spec("playwright") is None:
        return "the package playwright is not installed"
    if not Path(CHROMIUM).exists():
        return f"there is no browser at {CHROMIUM}; OHMSHIFT_CHROMIUM tells where one is"
    return ""


@pytest.fixture(scope="session")
def browser_present() -> None:
    """Skip where there is no browser, but fail on a build server, which has to have one."""
    missing = missing_browser()
    if missing and os.environ.get("CI") == "true":
        pytest.fail(missing)
    if missing:
        pytest.skip(missing)


@pytest.fixture(scope="session")
def lab(browser_present: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:  # noqa: ARG001
    """Start JupyterLab once for all tests."""
    with running_lab(tmp_path_factory.mktemp("lab")) as found:
        yield found


@pytest.fixture
def page(browser_present: None, tmp_path: Path) -> Iterator[Page]:  # noqa: ARG001
    """Open a browser page of a laptop's size; the test fails if a script on the page does."""
    errors: list[str] = []
    with browser_page(tmp_path / "profile") as opened:
        opened.on("pageerror", lambda error: errors.append(str(error)))
        yield opened
    assert errors == []


@contextmanager
def running_lab(home: Path) -> Iterator[Lab]:
    """Run JupyterLab on a loopback port with a random token, all its state in a home of its own."""
    root = home / "root"
    root.mkdir()
    _quiet_settings(home / "settings")
    token = secrets.token_hex(16)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with (home / "lab.log").open("w") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "jupyterlab", *_lab_options(root, port)],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=_lab_environment(home, token),
        )
        found = Lab(root=root, address=f"http://127.0.0.1:{port}", token=token)
        try:
            _wait_for_server(found, server, home / "lab.log")
            yield found
        finally:
            server.terminate()
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait(20)


@contextmanager
def browser_page(profile: Path) -> Iterator[Page]:
    """Open a page in a headless browser with a fresh profile, and remove the profile afterwards."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - not there without a browser

    with sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            str(profile), executable_path=CHROMIUM, headless=True, args=list(CHROMIUM_FLAGS), viewport=LAPTOP
        )
        yield context.pages[0]
        context.close()
    shutil.rmtree(profile, ignore_errors=True)


def _quiet_settings(settings: Path) -> None:
    """Keep JupyterLab from asking for news and updates."""
    file = settings / "@jupyterlab/apputils-extension/notification.jupyterlab-settings"
    file.parent.mkdir(parents=True)
    file.write_text('{"fetchNews": "false", "checkForUpdates": false}', encoding="utf-8")


def _lab_options(root: Path, port: int) -> list[str]:
    return [
        "--no-browser",
        "--allow-root",
        "--ip=127.0.0.1",
        f"--port={port}",
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={root}",
        "--LabApp.expose_app_in_browser=True",
    ]


def _lab_environment(home: Path, token: str) -> dict[str, str]:
    folders = {
        "JUPYTER_CONFIG_DIR": "config",
        "JUPYTER_DATA_DIR": "data",
        "JUPYTER_RUNTIME_DIR": "runtime",
        "JUPYTERLAB_SETTINGS_DIR": "settings",
        "JUPYTERLAB_WORKSPACES_DIR": "workspaces",
        "IPYTHONDIR": "ipython",
        "MPLCONFIGDIR": "matplotlib",
    }
    places = {name: str(home / folder) for name, folder in folders.items()}
    return {**os.environ, **places, "JUPYTER_TOKEN": token, "JUPYTER_WIDGETS_ECHO": "0"}  # as `ohmshift lab` does


def _wait_for_server(lab: Lab, server: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + _START_S
    while True:
        try:
            with urllib.request.urlopen(f"{lab.address}/api/status?token={lab.token}", timeout=2):  # noqa: S310
                return
        except (urllib.error.URLError, OSError):
            if server.poll() is not None or time.monotonic() > end:
                pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")
            time.sleep(0.2)
