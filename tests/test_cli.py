"""The command line: plain answers, exit codes that mean something, a server for this machine only."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import psutil
import pytest
from click.testing import CliRunner, Result

from ohmshift import __version__
from ohmshift.cli import main
from ohmshift.study.places import shipped_folder
from ohmshift.study.proposals import start_study

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "file,earphone,channel,quantity,added_ohm,source_ohm,seat,level_reference,notes"


def run(*arguments: object, answer: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments], input=answer)


def write_curve(path: Path, *, seed: int) -> None:
    level_db = 90 + 0.1 * np.random.default_rng(seed).standard_normal(200)
    np.savetxt(path, np.column_stack([np.geomspace(20, 20_000, 200), level_db]), fmt="%.4f")


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Make a study of one earphone with three seats."""
    folder = tmp_path / "pots"
    start_study(folder)
    (folder / "earphones.csv").write_text(
        "earphone,driver_class,driver_count,rated_ohm,sensitivity_db,sensitivity_reference,notes\nWok,planar,,,,,\n"
    )
    rows = [f"responses/wok_{seat}.txt,Wok,left,response,0,,{seat},absolute," for seat in (1, 2, 3)]
    (folder / "measurements.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    for seat in (1, 2, 3):
        write_curve(folder / f"responses/wok_{seat}.txt", seed=seat)
    return folder


def test_version_is_the_packages() -> None:
    result = run("--version")
    assert (result.exit_code, result.output.split()[-1]) == (0, __version__)


def test_help_names_every_command() -> None:
    result = run("--help")
    assert sorted(main.commands) == ["check", "lab", "new", "report", "survey", "unpack"]
    assert [name for name in main.commands if f"\n  {name} " not in result.output] == []


def test_starting_the_command_line_is_light() -> None:
    program = "import ohmshift.cli, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert not {"numpy", "pandas", "pydantic", "bokeh", "scipy", "tqdm", "jupyterlab"} & set(done.stdout.split())


def test_check_of_a_clean_study(study: Path) -> None:
    result = run("check", study)
    assert result.exit_code == 0
    assert "Wok" in result.output
    assert "Curves used: 3; left out: 0; flagged: 0." in result.output


def test_check_lists_what_is_flagged_and_ends_well(study: Path) -> None:
    (study / "responses/wok_3.txt").write_bytes((study / "responses/wok_1.txt").read_bytes())
    result = run("check", study)
    assert result.exit_code == 0
    assert (
        "Used, but look at them:\n  responses/wok_3.txt, duplicate = 'a copy of responses/wok_1.txt'" in result.output
    )
    assert "left out: 0; flagged: 1" in result.output


def test_check_lists_everything_that_is_left_out(study: Path) -> None:
    (study / "responses/wok_2.txt").write_text("20 90\n30 loud\n40 90\n")
    with (study / "measurements.csv").open("a") as handle:
        handle.write("../wok.txt,Wok,left,response,loud,,9,absolute,\n")
    result = run("check", study)
    assert result.exit_code == 1
    assert "Left out, until mended:" in result.output
    assert (
        "measurements.csv, line 5, file = '../wok.txt'\n      a path stays inside the study folder; " in result.output
    )
    assert "measurements.csv, line 5, added_ohm = 'loud'" in result.output
    assert "responses/wok_2.txt, line 2" in result.output
    assert "Curves used: 2; left out: 3" in result.output


def test_value_cannot_steer_the_terminal(study: Path) -> None:
    with (study / "measurements.csv").open("a") as handle:
        handle.write("\x1b[2Jwok.txt,Wok,left,response,0,,9,absolute,\n")
    result = run("check", study)
    assert result.exit_code == 1
    assert "\x1b" not in result.output


@pytest.mark.parametrize("command", [["check"], ["lab"], ["report", "--out", "out"]], ids=lambda command: command[0])
def test_what_cannot_be_opened_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*command, "nowhere")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("ohmshift: nowhere: a study is a folder")
    assert len(result.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_broken_settings_are_one_line(study: Path) -> None:
    (study / "study.toml").write_text("title = Pots")
    result = run("check", study)
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert "valid TOML" in result.stderr


def test_survey_writes_one_row_a_change(tmp_path: Path) -> None:
    demo = shipped_folder("data_demo")
    out = tmp_path / "survey.parquet"
    result = run("survey", demo, "--out", out, "--workers", 2)
    assert (result.exit_code, result.output) == (0, f"{out}: 27 changes of 18 earphones.\n")
    assert len(pd.read_parquet(out)) == 27
    refused = run("survey", demo, "--out", tmp_path / "none" / "survey.parquet")
    assert refused.exit_code == 2
    assert "the folder to write to must be there" in refused.output


def test_check_as_a_program_on_a_console_with_few_letters(study: Path) -> None:
    (study / "responses/wok_2.txt").rename(study / "responses/wōk_2.txt")
    command = [sys.executable, "-c", "from ohmshift.cli import main; main()", "check", str(study)]
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}
    done = subprocess.run(command, env=environment, capture_output=True, encoding="cp1252", check=False)
    assert "did you mean w?k_2.txt?" in done.stdout
    assert (done.returncode, done.stderr) == (1, "")
    assert "Curves used: 2; left out: 1" in done.stdout


def test_new_starts_an_empty_study_that_checks_clean(tmp_path: Path) -> None:
    result = run("new", tmp_path / "fresh")
    assert result.exit_code == 0
    assert (tmp_path / "fresh/responses").is_dir()
    assert run("check", tmp_path / "fresh").exit_code == 0
    (tmp_path / "empty").mkdir()
    assert run("new", tmp_path / "empty").exit_code == 0
    assert (tmp_path / "empty/study.toml").exists()


def test_new_never_writes_over_a_study(study: Path) -> None:
    before = {path: path.read_bytes() for path in study.rglob("*") if path.is_file()}
    result = run("new", study, "--yes")
    assert result.exit_code == 2
    assert "never written over" in result.stderr
    assert {path: path.read_bytes() for path in study.rglob("*") if path.is_file()} == before


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    for ohm in (0, 15):
        for side in ("left", "right"):
            write_curve(tmp_path / f"Wok_{side}_{ohm}ohm_1.txt", seed=ohm)
    return tmp_path


def test_new_shows_its_proposal_and_asks(bare: Path) -> None:
    before = sorted(bare.rglob("*"))
    result = run("new", bare, answer="n\n")
    assert result.exit_code == 0
    assert "Files: 4; earphones: 1; left out: 0." in result.output
    assert re.search(r"Wok_right_15ohm_1\.txt +Wok +right +response +15 +15-1 +relative", result.output)
    assert "Nothing was written." in result.output
    assert sorted(bare.rglob("*")) == before


@pytest.mark.parametrize(
    ("options", "seat", "reference"),
    [((), "15-1", "relative"), (("--untouched",), "1", "relative"), (("--absolute",), "15-1", "absolute")],
)
def test_new_writes_what_it_showed(bare: Path, options: tuple[str, ...], seat: str, reference: str) -> None:
    result = run("new", bare, "--yes", *options)
    assert result.exit_code == 0
    row = f"Wok_left_15ohm_1.txt,Wok,left,response,15,,{seat},{reference},"
    assert row in (bare / "measurements.csv").read_text().splitlines()
    assert ("--absolute" in result.output) == (reference == "relative")
    assert ("--untouched" in result.output) == (seat == "15-1")
    check = run("check", bare)
    assert (check.exit_code, "Curves used: 4" in check.output) == (0, True)


def test_new_tells_which_names_do_not_fit_and_writes_nothing_where_none_does(bare: Path) -> None:
    before = sorted(bare.rglob("*"))
    result = run("new", bare, "--pattern", "{earphone}-{channel}", answer="y\n")
    assert result.exit_code == 1
    names = [f"  Wok_{side}_{ohm}ohm_1.txt" for side in ("left", "right") for ohm in (0, 15)]
    listed = "\n".join([*names, "      the name of a curve file fits {earphone}-{channel}; rename it"])
    assert listed in result.output, "files with the same problem stand together, the rule once"
    assert "Nothing was written" in result.output
    assert sorted(bare.rglob("*")) == before
    assert run("new", bare, "--pattern", "{pot}").exit_code == 2


def test_new_takes_names_without_a_side_when_told_which(tmp_path: Path) -> None:
    for name in ("Egg Timer 1.txt", "Egg Timer 1 +33ohm.txt"):
        write_curve(tmp_path / name, seed=1)
    assert run("new", tmp_path, answer="y\n").exit_code == 1
    assert run("new", tmp_path, "--side", "left", "--yes").exit_code == 0
    rows = (tmp_path / "measurements.csv").read_text().splitlines()[1:]
    assert rows == [
        "Egg Timer 1 +33ohm.txt,Egg Timer,left,response,33,,33-1,relative,",
        "Egg Timer 1.txt,Egg Timer,left,response,0,,0-1,relative,",
    ]


def test_report_states_its_date_and_sums_up_what_it_wrote(
    study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def write_report(folder: Path, out: Path, *, date: str, progress: object) -> list[Path]:
        seen.append((folder, date, callable(progress)))
        (out / "stills").mkdir(parents=True, exist_ok=True)
        return [out / "article.html", out / "stills" / "a.png", out / "stills" / "b.png"]

    monkeypatch.setattr("ohmshift.show.report.write_report", write_report)
    out = tmp_path / "out"
    result = run("report", study, "--out", out, "--date", "2026-05-04")
    assert (result.exit_code, result.output) == (0, f"{out / 'article.html'}\n{out / 'stills'}: 2 files\n")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    assert run("report", study, "--out", out).exit_code == 0
    assert seen == [(study, "2026-05-04", True), (study, "1970-01-02", True)]
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "soon")
    refused = run("report", study, "--out", out)
    assert refused.exit_code == 2
    assert "whole number of seconds since 1970" in refused.output


def test_unpack_refuses_what_is_no_package(study: Path, tmp_path: Path) -> None:
    result = run("unpack", study, tmp_path / "back")
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert "datapackage.json" in result.stderr
    assert not (tmp_path / "back").exists()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def status(address: str) -> int:
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:  # noqa: S310 - our own server
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code


def wait_for_address(log: Path, process: subprocess.Popen[bytes]) -> str:
    for _ in range(300):
        found = re.search(r"http://127\.0\.0\.1:\d+/\S*\?token=[0-9a-f]+", log.read_text())
        if found:
            return found[0]
        assert process.poll() is None, log.read_text()
        time.sleep(0.2)
    raise AssertionError(log.read_text())


def test_lab_serves_this_machine_only_and_asks_for_its_token(study: Path, tmp_path: Path) -> None:
    places = ("HOME", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    home = tmp_path / "home"
    environment = {**os.environ, **dict.fromkeys(places, str(home)), "JUPYTERLAB_SETTINGS_DIR": str(home)}
    port, log = free_port(), tmp_path / "log"
    program = [sys.executable, "-c", "from ohmshift.cli import main; main()", "lab", str(study), "--no-browser"]
    with log.open("wb") as sink:
        process = subprocess.Popen([*program, "--port", str(port)], env=environment, stdout=sink, stderr=sink)
    try:
        address = wait_for_address(log, process)
        site, _, token = address.partition("?token=")
        assert site == f"http://127.0.0.1:{port}/lab/tree/findings/notebooks/00_start_here.ipynb"
        contents = f"http://127.0.0.1:{port}/api/contents/findings/notebooks/00_start_here.ipynb"
        assert status(contents) == 403
        assert status(f"{contents}?token={token}") == 200
        assert status(address) == 200
        asked = "lab/api/settings/@jupyterlab/apputils-extension:notification"
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/{asked}?token={token}") as answer:
            settings = json.load(answer)["schema"]["properties"]
        assert settings["fetchNews"]["default"] == "false", "no question about news stands over the first notebook"
        (server,) = psutil.Process(process.pid).children()
        heard = {found.laddr.ip for found in server.net_connections("tcp") if found.status == psutil.CONN_LISTEN}
        assert heard == {"127.0.0.1"}
    finally:
        process.terminate()
        process.wait(timeout=30)
    assert psutil.pid_exists(server.pid) is False
    assert (study / "findings/notebooks/00_start_here.ipynb").exists()


def test_lab_copies_the_demo_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    commands = []
    monkeypatch.setattr("ohmshift.cli._run", lambda command, **_: commands.append(command) or 0)
    monkeypatch.chdir(tmp_path)
    first = run("lab", "--no-browser")
    assert (first.exit_code, "Copying the demo study" in first.output) == (0, True)
    (tmp_path / "ohmshift_demo/study.toml").write_text('title = "mine"\n')
    (tmp_path / "ohmshift_demo/findings/notebooks/20_line_up.ipynb").write_text("mine")
    second = run("lab")
    assert (second.exit_code, "Copying" in second.output) == (0, False)
    assert (tmp_path / "ohmshift_demo/study.toml").read_text() == 'title = "mine"\n'
    assert (tmp_path / "ohmshift_demo/findings/notebooks/20_line_up.ipynb").read_text() == "mine"
    assert ("--no-browser" in commands[0], "--no-browser" in commands[1]) == (True, False)
    assert all(f"--ServerApp.root_dir={(tmp_path / 'ohmshift_demo').resolve()}" in command for command in commands)


@pytest.mark.parametrize("is_root", [True, False])
def test_lab_allows_root_only_to_root_and_says_so(
    study: Path, monkeypatch: pytest.MonkeyPatch, *, is_root: bool
) -> None:
    commands = []
    monkeypatch.setattr("ohmshift.cli._run", lambda command, **_: commands.append(command) or 0)
    monkeypatch.setattr(os, "geteuid", lambda: 0 if is_root else 1000, raising=False)
    result = run("lab", study)
    assert ("--allow-root" in commands[0], "you are root" in result.stderr) == (is_root, is_root)
