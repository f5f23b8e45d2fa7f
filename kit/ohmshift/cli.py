"""The command line: a small door to the same package."""

from __future__ import annotations

import functools
import io
import os
import secrets
import signal
import socket
import sys
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ohmshift.errors import OhmshiftError, StudyError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ohmshift.study.problems import Problem
    from ohmshift.study.proposals import Proposal, Side

DEMO = "ohmshift_demo"
"""Folder that `ohmshift lab` copies the demo study to, in the current one."""

LOOPBACK = "127.0.0.1"

_FIRST_NOTEBOOK = "00_start_here.ipynb"
_REFUSED = 2


class _Group(click.Group):
    """Commands whose errors are one line without a traceback, with exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (OhmshiftError, OSError) as error:
            click.echo(f"ohmshift: {error}", err=True)
            ctx.exit(_REFUSED)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="ohmshift", message="%(prog)s %(version)s")
def main() -> None:
    """Find out what ohms in the chain do to an earphone's response."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # an old console may not have every letter of a file's name


@main.command()
@click.argument("study", required=False, type=click.Path(path_type=Path))
@click.option("--no-browser", is_flag=True, help="Start the server only, and print its address.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port on this machine; 8888 or the next free one.")
def lab(study: Path | None, *, no_browser: bool, port: int | None) -> None:
    """Open STUDY in JupyterLab; without STUDY, a copy of the demo in ./ohmshift_demo.

    The server listens on this machine only and asks for its token. Ctrl-C ends it.
    """
    from ohmshift.study.places import demo_copy, put_notebooks, require_study  # noqa: PLC0415 - commands start light

    if study is None:
        study = Path(DEMO)
        if not study.exists():
            click.echo(f"Copying the demo study to {demo_copy(study).resolve()}")
    require_study(study)
    notebooks = put_notebooks(study)
    for name in notebooks.outdated:
        click.echo(f"{name}: the kit has a newer one than the one in this study; rename yours to get it.")
    if port is not None:
        _require_free(port)
    settings = _lab_settings(study.resolve(), no_browser=no_browser, port=port)
    if settings["ServerApp"]["allow_root"]:
        click.echo("Caution: you are root, and so is everything a notebook does. Better use a plain account.", err=True)
    _serve(settings)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
def check(study: Path) -> None:
    """List every problem of STUDY.

    The exit code is 0 when nothing had to be left out (what is flagged is used), 1 when something was left out, and 2
    when the study cannot be opened.
    """
    from ohmshift.study.folder import open_study  # noqa: PLC0415 - commands start light
    from ohmshift.study.published import check_published  # noqa: PLC0415 - commands start light
    from ohmshift.study.recording_rows import check_recordings  # noqa: PLC0415 - commands start light

    opened = open_study(study, progress=_bar("files"))
    click.echo(_table(opened.summary()))
    published = check_published(opened, progress=_bar("parties"))
    problems = (*opened.problems, *published, *check_recordings(opened.folder))
    left_out = [problem for problem in problems if problem.effect == "left out"]
    flagged = [problem for problem in problems if problem.effect == "flagged"]
    _list_problems("Left out, until mended", left_out)
    _list_problems("Used, but look at them", flagged)
    click.echo(f"\nCurves used: {len(opened.curves)}; left out: {len(left_out)}; flagged: {len(flagged)}.")
    raise SystemExit(1 if left_out else 0)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="Parquet file to write.")
@click.option("--workers", default=1, show_default=True, type=click.IntRange(1), help="Processes that share the work.")
def survey(study: Path, *, out: Path, workers: int) -> None:
    """Measure and judge every change of STUDY, however many there are; write one row each to a Parquet file."""
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415 - commands start light
    from contextlib import ExitStack  # noqa: PLC0415 - as above

    from ohmshift.study.survey import survey_study  # noqa: PLC0415 - as above

    with ExitStack() as stack:
        executor = stack.enter_context(ProcessPoolExecutor(workers)) if workers > 1 else None
        made = survey_study(study, out, executor=executor, progress=_bar("earphones"))
    left_out = [problem for problem in made.problems if problem.effect == "left out"]
    _list_problems("Left out, until mended", left_out)
    click.echo(f"{made.path}: {made.n_changes} changes of {made.n_earphones} earphones.")
    raise SystemExit(1 if left_out else 0)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--pattern", help="How response files are named, such as {channel}/{earphone} {added_ohm}R {seat}.")
@click.option("--side", type=click.Choice(["left", "right"]), help="What was measured where a name does not say.")
@click.option("--untouched", is_flag=True, help="The resistance was changed without touching the earphone.")
@click.option("--absolute", is_flag=True, help="The same drive voltage was kept for all responses.")
@click.option("--yes", is_flag=True, help="Write what is proposed without asking.")
def new(folder: Path, *, pattern: str | None, side: Side | None, untouched: bool, absolute: bool, yes: bool) -> None:
    """Start a study in FOLDER; where curve files lie in it, propose their manifest.

    Names are read by their words: the earphone, then L, R, left or right; a number before "ohm" is the resistance,
    none is 0; what is left is the seat. "Wok L 33ohm 2.txt" or "Wok L 33R 2.txt" is one, "Wok L 2.txt" another, "Wok
    impedance L.txt" an impedance. With --pattern say how other names are built; a slash stands for a subfolder.

    Nothing is written before you agree, and no file of yours is ever written over.
    """
    from ohmshift.study.proposals import propose_measurements, require_no_study, start_study  # noqa: PLC0415 - as above

    require_no_study(folder)
    if not folder.is_dir():
        _tell_started(start_study(folder))
        return
    proposal = propose_measurements(
        folder,
        pattern=pattern,
        side=side,
        reseated=not untouched,
        level_reference="absolute" if absolute else "relative",
    )
    if proposal.measurements.empty and not proposal.problems:
        _tell_started(start_study(folder))
        return
    _show_proposal(proposal)
    _say_assumed(untouched=untouched, absolute=absolute)
    if proposal.measurements.empty:
        click.echo(
            "Nothing was written: no name tells what it is. Say with --pattern how they are built, or with --side "
            "which side all of them are."
        )
        raise SystemExit(1)
    if not (yes or click.confirm("Write this?")):
        click.echo("Nothing was written.")
        return
    _tell_started(start_study(folder, measurements=proposal.measurements))


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder to write; empty, or an older report."
)
@click.option(
    "--date",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Date to state, YYYY-MM-DD. By default the day of SOURCE_DATE_EPOCH, or today.",
)
def report(study: Path, *, out: Path, date: datetime | None) -> None:
    """Write up STUDY without a screen: article, stills, films, review sheets, data package, notebooks as pages.

    The same study, versions and date give the same bytes. An older report in the folder stays as it is until the new
    one is whole.
    """
    from ohmshift.study.places import require_study  # noqa: PLC0415 - commands start light

    require_study(study)
    from ohmshift.show.report import write_report  # noqa: PLC0415 - commands start light

    day = f"{date or _today():%Y-%m-%d}"
    written = write_report(study, out, date=day, progress=_bar("parts", delay=0))
    count: dict[Path, int] = {}
    for path in written:
        inside = path.relative_to(out)
        top = out / inside.parts[0]
        count[top] = count.get(top, 0) + 1
    for top, files in count.items():
        click.echo(f"{top}: {files} files" if top.is_dir() else str(top))


@main.command()
@click.argument("package", type=click.Path(path_type=Path))
@click.argument("study", type=click.Path(path_type=Path))
def unpack(package: Path, study: Path) -> None:
    """Make STUDY of a data PACKAGE, after checking that every file is what was published."""
    from ohmshift.study.package import read_package  # noqa: PLC0415 - commands start light

    click.echo(f"wrote {read_package(package, study)}")
    click.echo(f"Every file is what was published. Next: ohmshift check {study}, or ohmshift lab {study}")


def _today() -> datetime:
    """Give the date to state: that of SOURCE_DATE_EPOCH, as builds that repeat set it, or today's, UTC."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not epoch:
        return datetime.now(UTC)
    try:
        return datetime.fromtimestamp(int(epoch), UTC)
    except (ValueError, OverflowError, OSError) as error:
        rule, mend = "it is a whole number of seconds since 1970", "unset it, or give --date"
        raise StudyError("SOURCE_DATE_EPOCH", rule, f"it is {epoch!r}", mend) from error


def _bar(unit: str, *, delay: float = 1.0) -> Any:
    """Give a progress bar that shows up when the work takes longer than a moment, on a terminal only."""
    from tqdm import tqdm  # noqa: PLC0415 - commands start light

    return functools.partial(tqdm, unit=unit, delay=delay, leave=False, disable=None)


def _table(table: Any) -> str:
    return str(table.to_string(index=False, na_rep="")) if len(table) else "(nothing)"


def _list_problems(title: str, problems: Iterable[Problem]) -> None:
    listed = list(problems)
    if listed:
        click.echo(f"\n{title}:")
    for said, alike in groupby(listed, lambda problem: f"      {problem.rule}; {problem.mend}"):
        for problem in alike:
            value = f" = {problem.value!r}" if problem.column else f": {problem.value!r}"
            click.echo(f"  {problem.where}{value if problem.value else ''}")
        click.echo(said)


def _show_proposal(proposal: Proposal) -> None:
    click.echo("Proposed measurements.csv, read from the file names:\n")
    columns = ["file", "earphone", "channel", "quantity", "added_ohm", "seat", "level_reference"]
    click.echo(_table(proposal.measurements[columns]))
    _list_problems("Left out of it", proposal.problems)
    left_out, earphones = len(proposal.problems), proposal.measurements["earphone"].nunique()
    click.echo(f"\nFiles: {len(proposal.measurements)}; earphones: {earphones}; left out: {left_out}.\n")


def _say_assumed(*, untouched: bool, absolute: bool) -> None:
    """Say what no file name tells, and how to say otherwise: it decides what the study can show."""
    if not absolute:
        click.echo("Levels are taken as relative; if the same drive voltage was kept for all of them, say --absolute.")
    if not untouched:
        click.echo("Each resistance is taken as seated anew; if the earphone stayed in place for it, say --untouched.")


def _tell_started(paths: Iterable[Path]) -> None:
    for path in paths:
        click.echo(f"wrote {path}")
    click.echo("Next: fill in study.toml and the tables, then run ohmshift check on the folder.")


def _lab_settings(study: Path, *, no_browser: bool, port: int | None) -> dict[str, dict[str, Any]]:
    """Give how JupyterLab serves a study: to this machine only, to who has the token, asking nothing of the network."""
    import zmq  # noqa: PLC0415 - commands start light

    from ohmshift.study.places import NOTEBOOKS  # noqa: PLC0415 - as above

    server: dict[str, Any] = {
        "ip": LOOPBACK,
        "root_dir": str(study),
        "allow_root": hasattr(os, "geteuid") and os.geteuid() == 0,
        "log_level": "ERROR",  # a user looks for the address, not for what was loaded
    }
    if no_browser:
        server["open_browser"] = False
    if port is not None:
        server["port"] = port
    return {
        "ServerApp": server,
        "IdentityProvider": {"token": secrets.token_hex(24)},
        "KernelManager": {"transport_encryption": "auto" if zmq.has("curve") else "disabled"},
        "LabApp": {
            "default_url": f"/lab/tree/{NOTEBOOKS}/{_FIRST_NOTEBOOK}",
            "log_level": "ERROR",
            "news_url": None,
            "check_for_updates_class": "jupyterlab.handlers.announcements.NeverCheckForUpdate",
        },
    }


def _require_free(port: int) -> None:
    try:
        socket.create_server((LOOPBACK, port)).close()
    except OSError as error:
        rule, mend = "a server needs a port of its own", "name another, or none to have a free one found"
        raise StudyError(f"port {port}", rule, f"the system says: {error.strerror}", mend) from error


def _serve(settings: dict[str, dict[str, Any]]) -> None:
    """Run JupyterLab in this process, so that nothing is left of it however this one ends."""
    places = [str(Path(__file__).parent), os.environ.get("JUPYTER_CONFIG_PATH", "")]  # finds labconfig/ there
    os.environ["JUPYTER_CONFIG_PATH"] = os.pathsep.join(filter(None, places))
    os.environ["JUPYTER_WIDGETS_ECHO"] = "0"  # one message less for each move of a slider
    from jupyterlab.labapp import LabApp  # noqa: PLC0415 - commands start light
    from traitlets.config import Config  # noqa: PLC0415 - as above

    # Without what the user set for servers of all kinds: a password, a certificate or a port of it is not for this one.
    server = LabApp.initialize_server(config=Config(settings), config_file_name="")

    def end(*_: object) -> None:
        server.stop(from_signal=True)

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):  # the last where a terminal is closed, which not every system says
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)
    page = f"{server.connection_url}{settings['LabApp']['default_url'].lstrip('/')}"
    address = f"{page}?token={settings['IdentityProvider']['token']}"
    said = f"The study is open. If no browser shows it, go to\n\n    {address}\n\nCtrl+C here ends it."
    server.io_loop.add_callback(click.echo, said)  # in turn, after the port is bound
    server.start()
