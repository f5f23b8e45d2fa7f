"""The one way in which values get into the templates for HTML: everything escaped, nothing left undefined."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined


def html_environment() -> Environment:
    """Give the templates for HTML, in which every value is escaped unless it is `Markup`.

    Returns
    -------
    Environment
        Fails on a name that is not given.
    """
    return Environment(
        loader=PackageLoader("ohmshift", "show/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
