"""The article in a real browser: readable by everyone, on a phone, in the dark, and on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_fixtures import CHROMIUM, CHROMIUM_FLAGS

from ohmshift.show.publishing import PAGE, write_article
from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.places import shipped_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

PHONE = 390


@pytest.fixture(scope="module")
def article(tmp_path_factory: pytest.TempPathFactory) -> Path:
    study = open_study(shipped_folder("data_demo"))
    out = tmp_path_factory.mktemp("article")
    write_article(study, compare_study(study), out, date="2026-11-25")
    return out / PAGE


@pytest.fixture(scope="module")
def browser(browser_present: None) -> Iterator[Browser]:  # noqa: ARG001
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only where there is a Chromium

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        yield opened
        opened.close()


def open_page(browser: Browser, article: Path, *, width: int = 1000, scheme: str = "light") -> Page:
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)
    page = context.new_page()
    page.goto(article.as_uri())
    return page


@pytest.mark.source("independent", ref="axe-core, by axe-playwright-python: WCAG 2 A and AA and best practices")
@pytest.mark.parametrize(("width", "scheme"), [(1000, "light"), (1000, "dark"), (PHONE, "light")])
def test_nothing_serious_stands_in_anyones_way(browser: Browser, article: Path, width: int, scheme: str) -> None:
    page = open_page(browser, article, width=width, scheme=scheme)
    page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    found = Axe().run(page).response
    assert len(found["passes"]) > 15
    told = [(one["impact"], one["id"], [node["html"][:80] for node in one["nodes"]]) for one in found["violations"]]
    assert [one for one in told if one[0] in {"serious", "critical"}] == []
    page.context.close()


@pytest.mark.parametrize(("width", "scheme"), [(1000, "light"), (1000, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_every_picture_suits_the_screen(browser: Browser, article: Path, width: int, scheme: str) -> None:
    page = open_page(browser, article, width=width, scheme=scheme)
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    shown = page.evaluate(
        """() => [...document.images].map((img) => {
          const canvas = document.createElement('canvas');
          canvas.width = img.naturalWidth; canvas.height = img.naturalHeight;
          const brush = canvas.getContext('2d');
          brush.drawImage(img, 0, 0);
          return [img.naturalWidth, img.clientWidth, brush.getImageData(2, 2, 1, 1).data[0]];
        })"""
    )
    assert len(shown) == 3
    for natural_px, client_px, red in shown:
        assert client_px <= width
        assert (natural_px < 1000) == (width == PHONE)
        assert (red > 200) == (scheme == "light")
    page.context.close()


def test_paper_holds_every_finding(browser: Browser, article: Path, tmp_path: Path) -> None:
    page = open_page(browser, article, scheme="dark")
    page.emulate_media(media="print")
    red = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert red == "rgb(255, 255, 255)"
    wide = page.evaluate("() => document.images[0].naturalWidth")
    assert wide > 1000
    assert len(page.pdf(path=tmp_path / "article.pdf", format="A4")) > 20_000
    page.context.close()
