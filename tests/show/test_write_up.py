"""The panel that writes up: each format into a folder of its own, and one clear sentence where it cannot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from study.cut_down import small_study

from ohmshift.show import frames
from ohmshift.show.panels.write_up import WriteUpPanel
from ohmshift.study.findings import Finding, append_finding
from ohmshift.study.folder import open_study
from ohmshift.study.package import read_package

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def panel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> WriteUpPanel:
    monkeypatch.setattr(frames, "SIZES", ((640, 360),))
    folder = small_study(tmp_path / "study")
    settings = {"earphone": "Ladle", "added_ohm": 15.0}
    append_finding(
        folder, Finding(id="ladle", statement="It changed.", caveat="One.", earphone="Ladle", settings=settings)
    )
    return WriteUpPanel(open_study(folder))


def write(panel: WriteUpPanel, kind: str) -> Path:
    panel.format.value = kind
    panel.write.click()
    return panel.study.folder / "findings" / kind


def test_each_format_has_a_folder(panel: WriteUpPanel, tmp_path: Path) -> None:
    out = write(panel, "write_up")
    assert "Written: findings/write_up/article.html" in panel.status.value
    assert {path.name for path in out.glob("*.*")} >= {"article.html", "article.md", "outline.md", "numbers.csv"}
    out = write(panel, "stills")
    assert "Written: findings/stills/02_ladle_light_360.png" in panel.status.value
    assert (out / "02_ladle.txt").is_file()
    out = write(panel, "package")
    assert "Written: findings/package/datapackage.json" in panel.status.value
    assert read_package(out, tmp_path / "back").is_dir()


def test_a_data_package_needs_no_finding(tmp_path: Path) -> None:
    folder = small_study(tmp_path / "study")
    (folder / "findings/findings.jsonl").unlink()
    panel = WriteUpPanel(open_study(folder))
    assert (panel.chosen.options, panel.write.disabled) == ((), False)
    write(panel, "write_up")
    assert "choose a finding in the list" in panel.status.value
    out = write(panel, "package")
    assert "Written: findings/package/datapackage.json" in panel.status.value
    assert read_package(out, tmp_path / "back").is_dir()


def test_what_cannot_be_written_is_said(panel: WriteUpPanel) -> None:
    panel.chosen.value = ("one",)
    out = write(panel, "stills")
    assert "Not written. stills: a still needs a finding on an earphone" in panel.status.value
    assert not list(out.glob("*.png"))
    panel.chosen.value = ()
    write(panel, "write_up")
    assert "choose a finding in the list" in panel.status.value
    panel.chosen.value = ("one",)
    out = write(panel, "write_up")
    (out / "article.md").write_text("edited by hand", encoding="utf-8")
    write(panel, "write_up")
    assert "changed by hand" in panel.status.value
    assert (out / "article.md").read_text(encoding="utf-8") == "edited by hand"
