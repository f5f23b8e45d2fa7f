"""The write-up and the notebooks' pages serve all readers, by axe-core; other pages are judged in their own tests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import pytest
from browser_fixtures import CHROMIUM, CHROMIUM_FLAGS, LAPTOP
from show.shelf import shelf

from ohmshift.show.pages import html_from_notebook
from ohmshift.show.publishing import write_article

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
SEVERE = {"serious", "critical"}


@pytest.fixture(scope="module")
def still_page(browser_present: None) -> Iterator[Page]:  # noqa: ARG001
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - not there without a browser

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        yield started.new_context(offline=True, viewport=LAPTOP).new_page()
        started.close()


def severe_findings(page: Page, path: Path) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - not there without a browser

    page.goto(path.as_uri())
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found if one["impact"] in SEVERE]


def test_write_up_serves_all_readers(still_page: Page, tmp_path: Path) -> None:
    known = shelf()
    page = next(path for path in write_article(known.study, known.comparison, tmp_path) if path.suffix == ".html")
    assert severe_findings(still_page, page) == []


@pytest.mark.parametrize("name", ["00_start_here", "30_real_or_variation"])
def test_page_of_a_notebook_serves_all_readers(name: str, still_page: Page, tmp_path: Path) -> None:
    notebook = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)
    page = tmp_path / "page.html"
    page.write_text(html_from_notebook(notebook), encoding="utf-8")
    assert severe_findings(still_page, page) == []
