"""The package keeps its own promises: docstrings, frozen values, a small door, a light import."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from numpydoc.validate import validate

import ohmshift
import ohmshift.errors

if TYPE_CHECKING:
    from types import ModuleType

# Not asked for: an extended summary, a "see also", examples everywhere, where the summary stands, one-line sections.
NOT_ASKED = {"ES01", "SA01", "EX01", "GL01", "GL02", "GL03", "SS06", "RT02", "YD01"}


def modules() -> list[ModuleType]:
    names = [info.name for info in pkgutil.walk_packages(ohmshift.__path__, "ohmshift.") if "_shipped" not in info.name]
    return [importlib.import_module(name) for name in names]


def public_objects() -> list[str]:
    found = []
    for module in modules():
        for name, value in vars(module).items():
            own = getattr(value, "__module__", None) == module.__name__
            if name.startswith("_") or not own or not (inspect.isfunction(value) or inspect.isclass(value)):
                continue
            found.append(f"{module.__name__}.{name}")
            if inspect.isclass(value):
                found += [
                    f"{module.__name__}.{name}.{method}"
                    for method, body in vars(value).items()
                    if not method.startswith("_") and inspect.isfunction(body)
                ]
    return sorted(found)


def find(name: str) -> object:
    owner, _, attribute = name.rpartition(".")
    return getattr(sys.modules.get(owner), attribute, None)


@pytest.mark.filterwarnings("ignore:Widget.*is deprecated:DeprecationWarning")  # numpydoc looks at every attribute
@pytest.mark.parametrize("name", public_objects())
def test_docstring_is_whole(name: str) -> None:
    value = find(name)
    # An error of one kind takes what the base class takes, and is described there.
    inherits = (
        inspect.isclass(value) and issubclass(value, ohmshift.errors.OhmshiftError) and "__init__" not in vars(value)
    )
    skipped = NOT_ASKED | ({"PR01"} if inherits else set())
    assert [f"{code}: {text}" for code, text in validate(name)["errors"] if code not in skipped] == []


def test_every_module_says_what_it_is_for() -> None:
    assert [module.__name__ for module in modules() if not (module.__doc__ or "").strip()] == []


def test_values_are_frozen() -> None:
    loose = []
    for name in public_objects():
        value = find(name)
        if not (inspect.isclass(value) and dataclasses.is_dataclass(value)):
            continue
        named = all(p.kind is p.KEYWORD_ONLY for p in inspect.signature(value).parameters.values())
        # Arrays make == ambiguous; a value without them may compare by its content.
        arrays = any("Array" in str(field.type) for field in dataclasses.fields(value))
        compares = value.__eq__ is not object.__eq__
        settings = value.__dataclass_params__
        if not (settings.frozen and named and "__slots__" in vars(value)) or (arrays and compares):
            loose.append(name)
    assert loose == []


def test_door_is_small_and_every_name_opens() -> None:
    assert len(ohmshift.__all__) <= 40
    assert [name for name in ohmshift.__all__ if not callable(getattr(ohmshift, name))] == []


def test_import_is_light() -> None:
    program = "import ohmshift, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "ohmshift" in done.stdout.split()
    assert not {"bokeh", "ipywidgets", "scipy.stats", "matplotlib"} & set(done.stdout.split())
