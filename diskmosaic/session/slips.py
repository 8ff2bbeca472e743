"""A wrong key or value of ``session.toml`` in one sentence."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from diskmosaic.errors import InputError, bad_input
from diskmosaic.pictures.recipe import STEPS


def explain(name: str, error: ValidationError, document: type[BaseModel]) -> InputError:
    """Turn what `document`, a model, found in the file `name` into one sentence that names the key."""
    # a misspelt key also makes a missing one: tell of the misspelling
    findings = error.errors(include_url=False)
    findings.sort(key=lambda finding: finding["type"] != "extra_forbidden")
    first = findings[0]
    location = tuple(str(part) for part in first["loc"])
    key = ".".join(f'"{part}"' if "." in part or " " in part else part for part in location)
    kind, context, value = first["type"], first.get("ctx", {}), first["input"]
    expected = {
        "less_than_equal": lambda: f"at most {_plain(context['le'])}",
        "less_than": lambda: f"less than {_plain(context['lt'])}",
        "greater_than_equal": lambda: f"at least {_plain(context['ge'])}",
        "greater_than": lambda: f"more than {_plain(context['gt'])}",
        "literal_error": lambda: context["expected"],
        "union_tag_invalid": lambda: f"one of the steps {', '.join(STEPS)}",
        "union_tag_not_found": lambda: 'a table that names its step, such as { step = "tone" }',
        "timezone_aware": lambda: "a time with its zone, such as 2031-05-04T10:20:00Z",
    }
    if kind == "extra_forbidden":
        known = _known_keys(document, location[:-1])
        close = difflib.get_close_matches(location[-1], known, n=1)
        todo = f"write {close[0]}" if close else "correct or remove it"
        return bad_input(f"{name}: {key}", found="an unknown key", expected=f"one of {', '.join(known)}", todo=todo)
    if kind == "missing":
        return bad_input(f"{name}: {key}", found="nothing", expected="a value", todo="add the key")
    if kind in expected:
        wanted = expected[kind]()
    else:
        wanted = first["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
        wanted = wanted[:1].lower() + wanted[1:]
    more = len(findings) - 1
    todo = "correct the value" + (f" ({more} more like this)" if more else "")
    return bad_input(f"{name}: {key}", found=_plain(value), expected=wanted, todo=todo)


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)


def _known_keys(document: type[BaseModel], location: tuple[str, ...]) -> list[str]:
    """List the keys that a table of ``session.toml`` may have."""
    model: Any = document
    for part in location:
        if isinstance(model, type) and issubclass(model, BaseModel):
            model = model.model_fields[part].annotation
        elif typing.get_origin(model) is dict:  # keyed by any name
            model = typing.get_args(model)[1]
        elif typing.get_origin(model) is tuple:  # a list: the number, then the step's own name
            model = STEPS
        elif part in STEPS:
            model = STEPS[part]
    return list(model if isinstance(model, dict) else model.model_fields)
