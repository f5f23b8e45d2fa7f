"""Notebooks as pages: stills, no code, nothing from the network."""

from __future__ import annotations

import re
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, ClassVar

import nbformat
import pytest
from show.kitchen import charts

from ohmshift.show.live import still_bundle
from ohmshift.show.pages import html_from_notebook

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page


def notebook_with_figure() -> nbformat.NotebookNode:
    v4 = nbformat.v4
    still, metadata = still_bundle(charts(10))
    view = {"application/vnd.jupyter.widget-view+json": {"model_id": "0" * 32}, "text/plain": "<Panel: 3 dB & more>"}
    table = {"text/html": "<table><tr><th>Hz</th></tr></table>", "text/plain": "table"}
    outputs = [
        v4.new_output("display_data", view),
        v4.new_output("display_data", still, metadata=metadata),
        v4.new_output("display_data", table),
    ]
    cell = v4.new_code_cell("import secret_code", outputs=outputs, execution_count=1)
    notebook = v4.new_notebook(cells=[v4.new_markdown_cell("# Does 1 < 2?\n\nText with $Z_0$."), cell])
    notebook.metadata["widgets"] = {"application/vnd.jupyter.widget-state+json": {"state": {"saved": 1}}}
    return notebook


def test_page_shows_the_still_with_its_alternative_text() -> None:
    page = html_from_notebook(notebook_with_figure())
    assert page.count("<img") == 1
    assert f'alt="{" ".join(chart.alt_text for chart in charts(10))}"' in page
    assert "&lt;Panel: 3 dB &amp; more&gt;" in page
    assert "<table><tr><th>Hz</th></tr></table>" in page
    assert ">Does 1 &lt; 2?</h1>" in page
    assert "<title>Does 1 &lt; 2?</title>" in page


def test_page_has_no_code_no_script_and_no_address_to_load_from() -> None:
    page = html_from_notebook(notebook_with_figure(), title="Other")
    assert "<title>Other</title>" in page
    assert "secret_code" not in page
    assert "<script" not in page
    assert not re.search(r"""(?:src|href)\s*=\s*["']?\s*(?:https?:)?//|@import|url\(\s*["']?http""", page)
    assert "widget-state" not in page
    assert "widget-view" not in page


class Listener(BaseHTTPRequestHandler):
    """Remembers what it is asked for."""

    asked: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        self.asked.append(self.path)
        self.send_response(200)
        self.send_header("Content-Type", "text/plain")
        self.end_headers()
        self.wfile.write(b"seen")

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def listener() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Listener) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


def test_a_browser_runs_and_loads_nothing_that_an_output_brings(page: Page, tmp_path: Path, listener: str) -> None:
    notebook = notebook_with_figure()
    brought = f"<script>document.title = 'ran'</script><img alt='' src='{listener}/x.png' onerror='document.title = 1'>"
    notebook.cells[1].outputs.append(nbformat.v4.new_output("display_data", {"text/html": brought}))
    file = tmp_path / "page.html"
    file.write_text(html_from_notebook(notebook), encoding="utf-8")
    page.goto(file.as_uri())
    page.wait_for_timeout(500)
    assert page.title() == "Does 1 < 2?"
    assert Listener.asked == []
    assert page.locator("img").first.evaluate("(img) => img.naturalWidth") == 840
    page.screenshot(path=tmp_path / "page.png", full_page=True)
    page.goto(f"{listener}/seen")
    assert "/seen" in Listener.asked


def test_notebook_is_left_alone() -> None:
    notebook = notebook_with_figure()
    before = nbformat.writes(notebook)
    html_from_notebook(notebook)
    assert nbformat.writes(notebook) == before
