"""The command line: plain answers, exit codes that mean something, a server for this machine only."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

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
    from collections.abc import Iterator
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


@contextmanager
def running_lab(study: Path, home: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run a lab without a browser, with a home of its own; give its process and what it says until it can be used."""
    places = ("HOME", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    environment = {**os.environ, **dict.fromkeys(places, str(home)), "JUPYTERLAB_SETTINGS_DIR": str(home)}
    command = [sys.executable, "-c", "from ohmshift.cli import main; main()", "lab", str(study), "--no-browser"]
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "encoding": "utf-8"}
    with subprocess.Popen([*command, *options], env=environment, **pipes) as process:
        try:
            lines = []
            for line in process.stdout or ():
                lines.append(line)
                if line.startswith("Ctrl+C"):
                    break
            yield process, "".join(lines)
        finally:
            process.kill()


def ask(address: str, *, data: bytes | None = None) -> tuple[int, bytes]:
    """Ask our own server, past any proxy of the environment."""
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(address, data=data, timeout=60) as answer:
            return int(answer.status), answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, b""


def test_lab_serves_this_machine_only_and_asks_for_its_token(study: Path, tmp_path: Path) -> None:
    port = free_port()
    home = tmp_path / "home 50%"
    home.mkdir()
    (home / "jupyter_server_config.py").write_text("c.ServerApp.ip = '*'\nc.IdentityProvider.token = ''\n")
    with running_lab(study, home, "--port", str(port)) as (process, said):
        site, first = f"http://127.0.0.1:{port}", "findings/notebooks/00_start_here.ipynb"
        lines = [line for line in said.splitlines() if line and not line.startswith("Caution: you are root")]
        address = lines[1].strip()
        assert lines == ["The study is open. If no browser shows it, go to", lines[1], "Ctrl+C here ends it."]
        assert re.fullmatch(re.escape(f"{site}/lab/tree/{first}?token=") + "[0-9a-f]{48}", address)
        token = address.partition("?")[2]
        assert ask(f"{site}/api/contents/{first}")[0] == 403
        assert ask(f"{site}/api/contents/{first}?{token}")[0] == 200
        assert ask(address)[0] == 200
        asked = "lab/api/settings/@jupyterlab/apputils-extension:notification"
        settings = json.loads(ask(f"{site}/{asked}?{token}")[1])["schema"]["properties"]
        assert settings["fetchNews"]["default"] == "false", "no question about news stands over the first notebook"
        connections = psutil.Process(process.pid).net_connections("tcp")
        assert {found.laddr.ip for found in connections if found.status == psutil.CONN_LISTEN} == {"127.0.0.1"}
        refused = run("lab", study, "--no-browser", "--port", port)
        assert (refused.exit_code, f"port {port}: a server needs a port of its own" in refused.stderr) == (2, True)
    assert (study / first).exists()


def is_kernel(process: psutil.Process) -> bool:
    try:
        return any("ipykernel" in part for part in process.cmdline())
    except psutil.NoSuchProcess:  # what the server asked of another program, and was told
        return False


@pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
@pytest.mark.parametrize("name", ["SIGINT", "SIGHUP", "SIGKILL"])
def test_nothing_is_left_of_a_lab_however_it_ends(study: Path, tmp_path: Path, name: str) -> None:
    with running_lab(study, tmp_path / "home") as (process, said):
        address, _, token = next(line for line in said.splitlines() if "token=" in line).strip().partition("/lab/")
        status, answer = ask(f"{address}/api/kernels?{token.partition('?')[2]}", data=b"{}")
        assert (status, json.loads(answer)["name"]) == (201, "python3")
        children = psutil.Process(process.pid).children()
        (kernel,) = [child for child in children if is_kernel(child)]
        while not kernel.net_connections("tcp"):  # it is up, and looks after its parent
            time.sleep(0.1)
        process.send_signal(getattr(signal, name))
        assert process.wait(timeout=60) == (-signal.SIGKILL if name == "SIGKILL" else 0)
        assert psutil.wait_procs([kernel], timeout=60)[1] == []


def test_lab_copies_the_demo_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    served: list[dict[str, Any]] = []
    monkeypatch.setattr("ohmshift.cli._serve", served.append)
    monkeypatch.chdir(tmp_path)
    first = run("lab", "--no-browser")
    assert (first.exit_code, "Copying the demo study" in first.output) == (0, True)
    (tmp_path / "ohmshift_demo/study.toml").write_text('title = "mine"\n')
    (tmp_path / "ohmshift_demo/findings/notebooks/20_line_up.ipynb").write_text("mine")
    second = run("lab")
    assert (second.exit_code, "Copying" in second.output) == (0, False)
    assert (tmp_path / "ohmshift_demo/study.toml").read_text() == 'title = "mine"\n'
    assert (tmp_path / "ohmshift_demo/findings/notebooks/20_line_up.ipynb").read_text() == "mine"
    servers = [settings["ServerApp"] for settings in served]
    assert [server.get("open_browser") for server in servers] == [False, None]
    assert {server["root_dir"] for server in servers} == {str((tmp_path / "ohmshift_demo").resolve())}


@pytest.mark.parametrize("is_root", [True, False])
def test_lab_allows_root_only_to_root_and_says_so(
    study: Path, monkeypatch: pytest.MonkeyPatch, *, is_root: bool
) -> None:
    served: list[dict[str, Any]] = []
    monkeypatch.setattr("ohmshift.cli._serve", served.append)
    monkeypatch.setattr(os, "geteuid", lambda: 0 if is_root else 1000, raising=False)
    result = run("lab", study)
    assert (served[0]["ServerApp"]["allow_root"], "you are root" in result.stderr) == (is_root, is_root)
