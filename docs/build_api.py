#!/usr/bin/env python3
"""Write docs/api.md from the docstrings of drawmark.vision and drawmark.calc.

    python docs/build_api.py            writes the page
    python docs/build_api.py --check    says whether it is up to date; exit status 1 if not

Public are the names of a module's ``__all__``, or else all that it defines without a leading
underscore. The modules are imported, so drawmark has to be installed.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib
import inspect
import pkgutil
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

PAGE = Path(__file__).with_name("api.md")
HEAD = """# API reference

Written from the docstrings by `python docs/build_api.py`; edit those, not this page. What is
listed under `drawmark.vision` is all that is public there: other modules of that package may change
at any time. Names like `volume_ml` hold plain numbers in the unit that they end in; others are
quantities with a unit (`pint`).

"""
#: Where a public name's own docstring only points: the heavy imports wait until it is called.
FULLER = {"read_photo": "drawmark.vision.reading"}


def modules() -> Iterator[ModuleType]:
    """`drawmark.vision`, then `drawmark.calc` with all that is in it, by name."""
    yield importlib.import_module("drawmark.vision")
    calc = importlib.import_module("drawmark.calc")
    yield calc
    for found in sorted(
        pkgutil.walk_packages(calc.__path__, "drawmark.calc."), key=lambda m: m.name
    ):
        if not found.name.rpartition(".")[2].startswith("_"):
            yield importlib.import_module(found.name)


def public(module: ModuleType) -> list[tuple[str, Any]]:
    """Names and objects of the module that others may use, classes before functions."""
    names = getattr(module, "__all__", None)
    if names is None:
        names = [
            name
            for name, thing in vars(module).items()
            if not name.startswith("_") and getattr(thing, "__module__", "") == module.__name__
        ]
    found = [(name, getattr(module, name)) for name in names]
    return [f for f in found if inspect.isclass(f[1])] + [
        f for f in found if not inspect.isclass(f[1])
    ]


class _Bare(str):
    """An annotation as the source has it, without the quotes of a string."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


def signature(name: str, thing: Any) -> str:
    """The call as the source has it: there annotations are text, which is what is wanted here."""
    try:
        found = inspect.signature(thing)
    except (TypeError, ValueError):
        return name
    parameters = [
        p.replace(annotation=_Bare(p.annotation)) if isinstance(p.annotation, str) else p
        for p in found.parameters.values()
    ]
    result = found.return_annotation
    returns = _Bare(result) if isinstance(result, str) else result
    if inspect.isclass(thing):
        returns = inspect.Signature.empty
    text = str(inspect.Signature(parameters, return_annotation=returns))
    return name + text.replace("<factory>", "...")


def described(thing: Any) -> str:
    """The docstring; none where a dataclass was given its signature for one."""
    text = inspect.getdoc(thing) or ""
    if dataclasses.is_dataclass(thing) and text.startswith(f"{thing.__name__}("):
        return ""
    return _plain(text)


def _plain(text: str) -> str:
    """Docstring to Markdown: section heads in bold, parameters as a list, examples as code."""
    text = text.replace("``", "`")
    text = re.sub(r"^(\w[\w ]*)\n-{3,}$", r"**\1**\n", text, flags=re.MULTILINE)
    # a parameter or what is raised, and what it means on the next line, indented
    text = re.sub(r"^(\w[\w, ]*)\n {4}(?=\S)", r"- `\1`: ", text, flags=re.MULTILINE)
    text = re.sub(r"\.  (?=\S)", ". ", text)
    out: list[str] = []
    code = False
    for row in text.splitlines():
        if row.startswith(">>>") and not code:
            out += ["", "```python"]
            code = True
        elif code and not row.strip():
            out += ["```"]
            code = False
        if not code and (found := re.match(r"^(\w[\w, *]*) : (.*)$", row)):
            row = f"- `{found[1]}`: {found[2]}"
        out.append(row)
    return "\n".join([*out, "```"] if code else out).strip()


def _members(cls: type) -> Iterator[tuple[str, Any, str]]:
    """Public methods and properties that the class itself defines: name, object, heading."""
    for name, raw in vars(cls).items():
        if name.startswith("_"):
            continue
        if isinstance(raw, property):
            yield name, raw, f"{cls.__name__}.{name}"
        elif isinstance(raw, (classmethod, staticmethod)):
            yield name, raw.__func__, signature(f"{cls.__name__}.{name}", getattr(cls, name))
        elif inspect.isfunction(raw):
            yield name, raw, signature(f"{cls.__name__}.{name}", raw)


def entry(name: str, thing: Any) -> str:
    """One name's part of the page."""
    if not (inspect.isclass(thing) or inspect.isroutine(thing)):
        return f"### {name}\n\n`{name} = {str(thing).replace('drawmark.vision.model.', '')}`\n"
    parts = [f"### {name}\n", f"```python\n{signature(name, thing)}\n```\n"]
    told = getattr(importlib.import_module(FULLER[name]), name) if name in FULLER else thing
    if text := described(told):
        parts.append(f"{text}\n")
    if inspect.isclass(thing):
        for _, member, heading in _members(thing):
            parts.append(f"#### `{heading}`\n")
            if text := described(member):
                parts.append(f"{text}\n")
    return "\n".join(parts)


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    contents = []
    for module in modules():
        entries = public(module)
        contents.append((module.__name__, [name for name, _ in entries]))
        parts.append(f"## {module.__name__}\n\n{described(module)}\n")
        parts += [entry(name, thing) for name, thing in entries]
    listed = "\n".join(
        f"- [{name}](#{name.replace('.', '')})" + (f": {', '.join(names)}" if names else "")
        for name, names in contents
    )
    parts.insert(1, f"{listed}\n")
    text = "\n".join(parts)
    return re.sub(r"[ \t]+\n", "\n", re.sub(r"\n{3,}", "\n\n", text)).rstrip() + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing; 1 if out of date")
    if parser.parse_args().check:
        current = PAGE.exists() and PAGE.read_text(encoding="utf-8") == page()
        sys.exit(0 if current else f"{PAGE.name} is out of date: run python docs/build_api.py")
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
