"""A report takes the place of the older one in whole, and touches nothing that the kit did not write."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest

from ohmshift.errors import StudyError
from ohmshift.show.staging import MARK, staged

if TYPE_CHECKING:
    from pathlib import Path


def write(out: Path, files: dict[str, str]) -> None:
    with staged(out) as part:
        for name, text in files.items():
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            (part / name).write_text(text, encoding="utf-8")


def content(out: Path) -> dict[str, str]:
    return {
        path.relative_to(out).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != MARK
    }


def test_new_results_take_the_place_of_the_old(tmp_path: Path) -> None:
    out = tmp_path / "a/report"
    write(out, {"page.html": "1", "old/gone.txt": "1", "both/x.txt": "1"})
    write(out, {"page.html": "2", "both/x.txt": "2", "new/y.txt": "2"})
    assert content(out) == {"page.html": "2", "both/x.txt": "2", "new/y.txt": "2"}
    assert not (out / "old").exists()


def test_a_failure_leaves_the_old_results(tmp_path: Path) -> None:
    write(tmp_path, {"page.html": "1"})

    def fail() -> None:
        with staged(tmp_path) as part:
            (part / "page.html").write_text("half", encoding="utf-8")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    assert content(tmp_path) == {"page.html": "1"}
    write(tmp_path, {"page.html": "2"})
    assert content(tmp_path) == {"page.html": "2"}


@pytest.mark.skipif(os.name != "posix", reason="kills a process as POSIX systems do")
def test_a_killed_writer_leaves_the_old_results(tmp_path: Path) -> None:
    write(tmp_path, {"page.html": "1"})
    program = (
        "import sys, time; from pathlib import Path; from ohmshift.show.staging import staged\n"
        "with staged(Path(sys.argv[1])) as part:\n"
        "    (part / 'page.html').write_text('half'); print('ready', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        with pytest.raises(StudyError, match="one report at a time"):
            write(tmp_path, {"page.html": "2"})
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=20)
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == "1"
    time.sleep(0.1)
    write(tmp_path, {"page.html": "2"})
    assert content(tmp_path) == {"page.html": "2"}


def test_a_writer_killed_while_files_are_moved_can_be_followed(tmp_path: Path) -> None:
    write(tmp_path, {"a.txt": "1", "b.txt": "1"})
    mark = json.loads((tmp_path / MARK).read_text(encoding="utf-8"))
    write(tmp_path, {"a.txt": "2", "b.txt": "2"})
    later = json.loads((tmp_path / MARK).read_text(encoding="utf-8"))
    both = {name: [*mark["files"][name], *later["files"][name]] for name in mark["files"]}
    (tmp_path / MARK).write_text(json.dumps({"files": both}), encoding="utf-8")
    (tmp_path / "b.txt").write_text("1", encoding="utf-8")  # the first file was moved, the second was not
    write(tmp_path, {"a.txt": "3", "b.txt": "3"})
    assert content(tmp_path) == {"a.txt": "3", "b.txt": "3"}


def test_other_files_stay(tmp_path: Path) -> None:
    write(tmp_path, {"page.html": "1", "figures/a.png": "1"})
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "figures/mine.png").write_text("mine", encoding="utf-8")
    write(tmp_path, {"page.html": "2"})
    assert content(tmp_path) == {"page.html": "2", "mine.txt": "mine", "figures/mine.png": "mine"}


def test_a_file_that_was_changed_by_hand_is_not_lost(tmp_path: Path) -> None:
    write(tmp_path, {"page.html": "1"})
    (tmp_path / "page.html").write_text("edited", encoding="utf-8")
    with pytest.raises(StudyError, match=r"page\.html: what was written is not changed by hand"):
        write(tmp_path, {"page.html": "2"})
    assert content(tmp_path) == {"page.html": "edited"}


def test_a_result_never_goes_over_a_file_of_the_user(tmp_path: Path) -> None:
    write(tmp_path, {"page.html": "1"})
    (tmp_path / "new.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="did not write"):
        write(tmp_path, {"page.html": "2", "new.txt": "2"})
    assert content(tmp_path) == {"page.html": "1", "new.txt": "mine"}


def test_a_link_does_not_lead_results_elsewhere(tmp_path: Path) -> None:
    out, elsewhere = tmp_path / "out", tmp_path / "elsewhere"
    elsewhere.mkdir()
    write(out, {"page.html": "1"})
    (out / "figures").symlink_to(elsewhere)
    with pytest.raises(StudyError, match="did not write"):
        write(out, {"figures/a.png": "2"})
    assert list(elsewhere.iterdir()) == []


def test_a_folder_of_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="empty folder"):
        write(tmp_path, {"page.html": "1"})
    with pytest.raises(StudyError, match="empty folder"):
        write(tmp_path / "thesis.txt", {"page.html": "1"})
    assert content(tmp_path) == {"thesis.txt": "mine"}


def test_a_place_that_cannot_be_written_to_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    for place in (tmp_path / "file/out", tmp_path / ("x" * 300)):
        with pytest.raises(StudyError, match=r"a folder that can be written to.*choose another folder"):
            write(place, {"page.html": "1"})
    assert content(tmp_path) == {"file": "mine"}


@pytest.mark.parametrize("mark", ["", "{}", '{"files": {"../thesis.txt": ["0"]}}', '{"files": {"/etc/hosts": []}}'])
def test_a_spoilt_mark_is_refused(tmp_path: Path, mark: str) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "out" / MARK).write_text(mark, encoding="utf-8")
    with pytest.raises(StudyError, match="must be whole"):
        write(tmp_path / "out", {"page.html": "1"})
    assert (tmp_path / "thesis.txt").exists()
