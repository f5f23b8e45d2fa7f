"""The one way in which values get into the templates for HTML: everything escaped, nothing left undefined."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from ohmshift.show.fonts import reads_right_to_left


def html_environment() -> Environment:
    """Give the templates for HTML, in which every value is escaped unless it is `Markup`.

    Returns
    -------
    Environment
        Fails on a name that is not given.
    """
    environment = Environment(
        loader=PackageLoader("ohmshift", "show/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["direction"] = _direction
    return environment


def _direction(text: str) -> str:
    """Give the value of HTML's `dir`."""
    return "rtl" if reads_right_to_left(text) else "ltr"
