"""Notebooks as pages that work offline: stills instead of widgets, results instead of code."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from markupsafe import Markup
from nbconvert.exporters import HTMLExporter
from traitlets.config import Config

from ohmshift.show.templating import html_environment

if TYPE_CHECKING:
    from nbformat import NotebookNode

_WIDE = 'class="output_html '
"""Results that may be wider than the page: they scroll, so the keyboard must get there."""

_BEST_FIRST = ("text/html", "text/markdown", "image/svg+xml", "image/png", "image/jpeg", "text/plain")


def html_from_notebook(notebook: NotebookNode, *, title: str = "") -> str:
    """Turn a notebook that was run into one page without code, and without anything from the network.

    Parameters
    ----------
    notebook : NotebookNode
        Notebook with its outputs. It is left as it is.
    title : str
        Title of the page; by default the notebook's first heading.

    Returns
    -------
    str
        HTML. Live figures are shown by their stills, with their sentences as text.

    Notes
    -----
    Pages of nbconvert's own styles fetch scripts from the network. Its "basic" template gives the content alone,
    which is put into a page of ours, and saved widgets are dropped. The page tells the browser to run no script and
    to load nothing (Content-Security-Policy), so an output that brings a script, or a picture by its address, cannot
    change that.
    """
    plain = copy.deepcopy(notebook)
    plain.metadata.pop("widgets", None)
    options = Config()
    options.NbConvertBase.display_data_priority = list(_BEST_FIRST)
    exporter = HTMLExporter(  # type: ignore[no-untyped-call]
        config=options,
        template_name="basic",
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
        exclude_anchor_links=True,
    )
    body, _ = exporter.from_notebook_node(plain)
    body = body.replace(_WIDE, f'tabindex="0" role="group" aria-label="Result" {_WIDE}')
    template = html_environment().get_template("notebook.html.j2")
    page = template.render(title=title or _heading(plain), body=Markup(body))  # noqa: S704 - HTML of the exporter
    return page + "\n"


def _heading(notebook: NotebookNode) -> str:
    for cell in notebook.cells:
        first = cell.source.strip().split("\n", 1)[0]
        if cell.cell_type == "markdown" and first.startswith("# "):
            return str(first[2:].strip())
    return "Notebook"
